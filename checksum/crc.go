package checksum

import (
	"errors"
	"fmt"
	"slices"
)

// maxCRCWidth is the widest register a CRC may have, in bits.
const maxCRCWidth = 128

// CRCParams are the parameters of a CRC in the convention of Greg Cook's
// catalogue: Poly without its top term, Poly and Init written MSB first
// whatever RefIn says. All values have Width bits, 1 to 128.
//
// The register starts as Init. Each byte is fed most significant bit first, or
// least significant first if RefIn. At the end the register is reversed bit by
// bit if RefOut, then XorOut is applied.
type CRCParams struct {
	Name          string
	Width         int
	Poly, Init    Value
	RefIn, RefOut bool
	XorOut        Value

	// Check is the value of the bytes "123456789", Residue what is in the
	// register after a message with its checksum appended (reversed if RefOut,
	// XorOut not applied). If given they must be right; the zero Value means
	// that they are not known.
	Check, Residue Value

	Aliases []string
	Source  string
}

// changed returns p under another name and without what was published about it.
func (p CRCParams) changed(name string) CRCParams {
	p.Source = "changed from " + p.Name
	p.Name, p.Aliases, p.Check, p.Residue = name, nil, Value{}, Value{}
	return p
}

// NewCRC makes an algorithm of parameters given freely. Every mistake in them
// is reported.
func NewCRC(p CRCParams) (Algorithm, error) { return checkedCRC(p, nil) }

// checkedCRC is NewCRC; e is the engine for p, or nil if there is none yet.
func checkedCRC(p CRCParams, e *engine) (Algorithm, error) {
	if p.Width < 1 || p.Width > maxCRCWidth {
		return Algorithm{}, fmt.Errorf("%s: width %d: a CRC has 1 to %d bits", p.label(), p.Width, maxCRCWidth)
	}
	err := errors.Join(
		checkValue("poly", p.Poly, p.Width),
		checkValue("init", p.Init, p.Width),
		checkValue("final XOR", p.XorOut, p.Width))
	if err == nil && p.Poly.number().isZero() {
		// x^Width alone: the remainder is then just the last bits of the message.
		err = errors.New("poly is 0, which checks nothing")
	}
	if err != nil {
		return Algorithm{}, fmt.Errorf("%s: %w", p.label(), err)
	}
	if e == nil {
		e = newEngine(p.Width, p.Poly.number(), p.RefIn)
	}
	p.Aliases = slices.Clone(p.Aliases)
	a := newCRC(p, e)
	c := a.d.rule.(*crc)
	if have := c.residue(); p.Residue.width != 0 && p.Residue != have {
		err = errors.Join(err, fmt.Errorf("the parameters give the residue %v, not %v", have, p.Residue))
	}
	if p.Check.width != 0 {
		if have := c.checksum([]byte("123456789")); p.Check != have {
			err = errors.Join(err, fmt.Errorf("the parameters give the check value %v, not %v", have, p.Check))
		}
	}
	if err != nil {
		return Algorithm{}, fmt.Errorf("%s: %w", p.label(), err)
	}
	return a, nil
}

// newCRC makes an algorithm of parameters known to be right.
func newCRC(p CRCParams, e *engine) Algorithm {
	c := &crc{params: p, engine: e, xorOut: p.XorOut.number()}
	c.start = e.load(p.Init.number(), false)
	return Algorithm{&definition{
		name: p.Name, aliases: p.Aliases, family: FamilyCRC, width: p.Width,
		check: p.Check, source: p.Source, note: notes[p.Name], parameters: p.String(), rule: c,
	}}
}

func (p CRCParams) label() string {
	if p.Name == "" {
		return "CRC without a name"
	}
	return p.Name
}

// String gives the parameters in the notation of the catalogue, in one line.
func (p CRCParams) String() string {
	return fmt.Sprintf("width=%d poly=%v init=%v refin=%t refout=%t xorout=%v",
		p.Width, p.Poly, p.Init, p.RefIn, p.RefOut, p.XorOut)
}

// crc computes a CRC. Registers are the engine's.
type crc struct {
	params CRCParams
	engine *engine
	start  u128 // the register at the start
	xorOut u128
}

// value turns a register into a checksum, register back.
func (c *crc) value(reg u128) Value {
	return valueOf(c.params.Width, c.engine.store(reg, c.params.RefOut).xor(c.xorOut))
}

func (c *crc) register(v Value) u128 {
	return c.engine.load(v.number().xor(c.xorOut), c.params.RefOut)
}

func (c *crc) checksum(data []byte) Value { return c.value(c.engine.update(c.start, data)) }

func (c *crc) newHash() Hash { return &crcHash{c: c, reg: c.start} }

func (c *crc) resume(sum Value) (Hash, error) {
	return &crcHash{c: c, reg: c.register(sum)}, nil
}

// residue follows from the parameters: a message and its checksum leave in the
// register what XorOut, read as a register, becomes after width more zero bits.
func (c *crc) residue() Value {
	p := &c.params
	f := field{p.Width, p.Poly.number()}
	r := c.engine.store(c.register(NewValue(p.Width, 0)), false)
	for range p.Width {
		r = f.double(r)
	}
	return valueOf(p.Width, c.engine.store(c.engine.load(r, false), p.RefOut))
}

type crcHash struct {
	c   *crc
	reg u128
}

func (h *crcHash) Write(p []byte) (int, error) {
	h.reg = h.c.engine.update(h.reg, p)
	return len(p), nil
}

func (h *crcHash) Value() Value        { return h.c.value(h.reg) }
func (h *crcHash) Sum(b []byte) []byte { return h.Value().appendTo(b) }
func (h *crcHash) Reset()              { h.reg = h.c.start }
func (h *crcHash) Size() int           { return (h.c.params.Width + 7) / 8 }
func (h *crcHash) BlockSize() int      { return 1 }
