//go:build unix

package archive

import (
	"syscall"
	"time"
)

// cpuTime returns the processor time, user and system, that this process and
// the programs it has run have used.
func cpuTime() time.Duration {
	var sum time.Duration
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var u syscall.Rusage
		if err := syscall.Getrusage(who, &u); err != nil {
			return 0
		}
		sum += time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	return sum
}
