//go:build unix

package readcheck

import (
	"syscall"
	"time"
)

// cpuTime returns the processor time, user and system, that this process has
// used with all its threads.
func cpuTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
