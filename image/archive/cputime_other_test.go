//go:build !unix

package archive

import "time"

// cpuTime is not measured here.
func cpuTime() time.Duration { return 0 }
