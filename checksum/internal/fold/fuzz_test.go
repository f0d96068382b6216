package fold

import "testing"

// Any polynomial, register, data and split: all engines agree with the
// definition.
func FuzzUpdate(f *testing.F) {
	f.Add(uint64(0x04c11db7)<<32, true, uint64(0xffffffff), []byte("123456789"), 4)
	f.Add(uint64(0x1021)<<48, false, uint64(0xffff)<<48, make([]byte, 16), 0)
	f.Add(uint64(0x42f0e1eba9ea3693), false, uint64(0), make([]byte, 300), 256)
	f.Add(uint64(1)<<63, true, ^uint64(0), make([]byte, 700), 513)
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
