package fold

import (
	"math/rand/v2"
	"testing"
)

// Any polynomial, register, data and split: all engines agree with the
// definition. The seeds are the polynomials of the catalogue, each with another
// length and split.
func FuzzUpdate(f *testing.F) {
	long := random(rand.New(rand.NewPCG(16, 6)), 1200)
	for i, e := range catalogue(f) {
		f.Add(e.poly, e.refIn, aligned(e.init, e.refIn), []byte("123456789"), i%10)
		f.Add(e.poly, e.refIn, aligned(e.init, e.refIn), long[:10*i], 7*i)
	}
	f.Fuzz(func(t *testing.T, poly uint64, reflected bool, reg uint64, data []byte, split int) {
		if len(data) > 1<<16 {
			return
		}
		split = max(0, min(split, len(data)))
		want := bitwise(poly, reflected, reg, data)
		for _, engine := range Engines() {
			p := forced(t, poly, reflected, engine)
			got := p.Update(p.Update(reg, data[:split]), data[split:])
			if got != want {
				t.Errorf("engine %s: got %#x, want %#x", engine, got, want)
			}
			a, b := p.Update(reg, data[:split]), p.Update(0, data[split:])
			if got := p.Shift(a, uint64(len(data)-split)) ^ b; got != want {
				t.Errorf("engine %s: combined %#x, want %#x", engine, got, want)
			}
		}
	})
}
