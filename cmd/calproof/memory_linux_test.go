package main

import (
	"os"
	"syscall"
)

// mostMemory returns the most bytes of memory that a process had in use.
func mostMemory(p *os.ProcessState) int64 {
	return p.SysUsage().(*syscall.Rusage).Maxrss * 1024 // counted in KiB on Linux
}
