package main

import (
	"time"

	"golang.org/x/sys/unix"
)

const clockNote = "Time is processor time of the thread: what other programs take away in between does not count, what they do to caches and memory does."

// now is the processor time of the thread so far.
func now() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		panic(err) // the clock exists since Linux 2.6.12
	}
	return time.Duration(t.Nano())
}
