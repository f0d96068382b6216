//go:build !purego

package fold

import "golang.org/x/sys/cpu"

// assemblyEngines lists what this processor and its operating system can run,
// fastest first.
func assemblyEngines() []string {
	x := &cpu.X86
	if !x.HasPCLMULQDQ || !x.HasSSSE3 {
		return nil
	}
	engines := []string{CLMul128}
	if x.HasAVX2 && hasVPCLMULQDQ() {
		engines = append([]string{CLMul256}, engines...)
		if x.HasAVX512F && x.HasAVX512VL && x.HasAVX512GFNI {
			engines = append([]string{CLMul512}, engines...)
		}
	}
	return engines
}

// hasVPCLMULQDQ asks the processor, as package cpu does so only if there is
// AVX-512 too. Call it only with AVX2: older processors do not know the question.
func hasVPCLMULQDQ() bool
