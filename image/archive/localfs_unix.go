//go:build unix

package archive

import "syscall"

// nonblocking makes opening a named pipe return at once. It changes nothing for
// files and folders.
const nonblocking = syscall.O_NONBLOCK
