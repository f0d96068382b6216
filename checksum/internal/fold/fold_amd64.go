//go:build !purego

package fold

import "golang.org/x/sys/cpu"

// assemblyEngines lists what this processor and its operating system can run,
// fastest first.
func assemblyEngines() []string {
	var e []string
	x := &cpu.X86
	narrow := x.HasPCLMULQDQ && x.HasSSSE3
	if narrow && x.HasAVX512F && x.HasAVX512BW && x.HasAVX512DQ && x.HasAVX512VL && x.HasAVX512VPCLMULQDQ && x.HasAVX512GFNI {
		e = append(e, Wide)
	}
	if narrow {
		e = append(e, Narrow)
	}
	return e
}
