//go:build !unix

package readcheck

import "time"

// cpuTime is not measured here.
func cpuTime() time.Duration { return 0 }
