package checksum

import (
	"weak"

	"example.com/calproof/checksum/internal/fold"
)

// Engines names the engines that can run here, fastest first.
func Engines() []string { return fold.Engines() }

// WithEngine returns a with the engine of that name. CRCs wider than 64 bits
// have one engine only and stay as they are.
func WithEngine(a Algorithm, name string) Algorithm {
	c := *a.d.rule.(*crc)
	c.engine = newEngine(c.params.Width, c.params.Poly.number(), c.params.RefIn)
	c.engine.newKernel = func(poly uint64, reflected bool) *fold.Poly {
		kernel, err := fold.NewEngine(poly, reflected, name)
		if err != nil {
			panic(err)
		}
		return kernel
	}
	d := *a.d
	d.rule = &c
	return Algorithm{&d}
}

// WithoutVectors runs f with the portable loops for sums. It returns false,
// without running f, if there are no others here.
func WithoutVectors(f func()) bool {
	if !haveAVX2 {
		return false
	}
	haveAVX2 = false
	defer func() { haveAVX2 = true }()
	f()
	return true
}

// EngineAlive returns a function that tells whether the engine of a is still
// in memory.
func EngineAlive(a Algorithm) func() bool {
	p := weak.Make(a.d.rule.(*crc).engine)
	return func() bool { return p.Value() != nil }
}
