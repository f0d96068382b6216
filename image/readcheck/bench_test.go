package readcheck

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"example.com/calproof/image/readcheck/internal/faults"
)

// benchImage repeats nothing: 4 MiB stretches with a vocabulary each, cut to
// size.
func benchImage(size int) []byte {
	var data []byte
	for seed := uint64(1); len(data) < size; seed++ {
		data = append(data, faults.Synth(rand.New(rand.NewPCG(seed, 9)), min(size, 4<<20))...)
	}
	return data[:size]
}

// eachRun measures run over size bytes: the rate by the clock, as ever, and the
// rate by processor time, which other programs on the machine disturb less.
func eachRun(b *testing.B, size int, run func()) {
	b.SetBytes(int64(size))
	before, n := cpuTime(), 0
	for b.Loop() {
		run()
		n++
	}
	if used := cpuTime() - before; used > 0 {
		b.ReportMetric(float64(size)*float64(n)/1e6/used.Seconds(), "cpu-MB/s")
	}
}

func BenchmarkChecks(b *testing.B) {
	data := benchImage(16 << 20)
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	for _, check := range []struct {
		name string
		run  func()
	}{
		{"classify", func() { contentOf(0, data) }},
		{"address-lines", x.checkAddressLines},
		{"exchanged-lines", x.checkExchanged},
		{"data-lines", x.checkDataLines},
		{"repeats", x.checkRepeats},
		{"tail", x.checkTail},
		{"shift", x.checkShift},
		{"byte-order", x.checkOrder},
		{"text", x.checkText},
		{"entropy", func() { x.checkEntropy(nil) }},
		{"peer=copy", func() { bytes.Clone(data) }},
	} {
		b.Run("check="+check.name, func(b *testing.B) {
			eachRun(b, len(data), func() {
				check.run()
				x.findings = nil
			})
		})
	}
}

func BenchmarkExamine(b *testing.B) {
	for _, mib := range []int{1, 4, 64} {
		im := imageOf(b, benchImage(mib<<20))
		b.Run(fmt.Sprintf("size=%dMiB", mib), func(b *testing.B) {
			b.ReportAllocs()
			eachRun(b, mib<<20, func() {
				if _, err := Examine(nil, im); err != nil {
					b.Fatal(err)
				}
			})
		})
	}
}

func BenchmarkAgree(b *testing.B) {
	data := benchImage(16 << 20)
	second := bytes.Clone(data)
	for i := 0; i < len(second); i += 4099 {
		second[i] ^= 1
	}
	first, other := imageOf(b, data), imageOf(b, second)
	b.SetBytes(int64(2 * len(data)))
	for b.Loop() {
		if _, err := Agree(nil, first, other); err != nil {
			b.Fatal(err)
		}
	}
}
