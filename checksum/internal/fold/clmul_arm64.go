//go:build !purego

package fold

import "golang.org/x/sys/cpu"

// assemblyEngines lists what this processor can run.
func assemblyEngines() []string {
	if cpu.ARM64.HasPMULL {
		return []string{CLMul128}
	}
	return nil
}
