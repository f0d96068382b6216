package maps

import (
	"fmt"

	"example.com/calproof/checksum"
)

func (v *validator) algorithm(path string, r *Rule) {
	alg, ok := v.baseAlgorithm(path, r, v.oneOf(path, "names the algorithm", "algorithm", "crc", "sum"))
	if !ok {
		return
	}
	override := func(key string, c *Constant, with func(checksum.Value) (checksum.Algorithm, error)) {
		if c == nil || v.has(path+"."+key) {
			return
		}
		value, err := c.value(alg.Width())
		if err == nil {
			var changed checksum.Algorithm
			if changed, err = with(value); err == nil {
				alg = changed
				return
			}
		}
		v.key(path+"."+key, "%s", err)
	}
	override("init", r.Init, func(x checksum.Value) (checksum.Algorithm, error) { return alg.WithInit(x) })
	override("xorout", r.XorOut, func(x checksum.Value) (checksum.Algorithm, error) { return alg.WithXorOut(x) })
	if v.given(path + ".add_length") {
		if p, isSum := alg.Sum(); !isSum {
			v.key(path+".add_length", "only an additive or XOR sum has a length added; for %s cover the length with length_bytes", alg.Name())
		} else if r.AddLength == LengthWords && p.WordSize < 2 {
			v.key(path+".add_length", "the sum's words are single bytes; write \"bytes\"")
		}
	}
	r.alg = alg
}

func (v *validator) baseAlgorithm(path string, r *Rule, key string) (alg checksum.Algorithm, ok bool) {
	if key == "" || v.has(path+"."+key) {
		return alg, false
	}
	at := path + "." + key
	var err error
	switch key {
	case "algorithm":
		alg, err = checksum.Lookup(r.Algorithm)
	case "crc":
		alg, ok = v.freeCRC(at, r.CRC)
		return alg, ok
	case "sum":
		s := r.Sum
		if s.Word == 0 && !v.given(at+".word") {
			s.Word = 1
		}
		v.order(&s.ByteOrder)
		s.Op, s.Form = SumOp(orDefault(string(s.Op), string(SumAdd))), SumForm(orDefault(string(s.Form), string(SumPlain)))
		alg, err = checksum.NewSum(s.params())
	}
	if err != nil {
		v.key(at, "%s", err)
		return alg, false
	}
	return alg, true
}

func (v *validator) freeCRC(path string, c *CRCSpec) (checksum.Algorithm, bool) {
	if c.Width < 1 || c.Width > 128 {
		v.key(path+".width", "must be 1 to 128")
		return checksum.Algorithm{}, false
	}
	params := checksum.CRCParams{Width: c.Width, RefIn: c.RefIn, RefOut: c.RefOut,
		Name: fmt.Sprintf("CRC-%d with polynomial %s", c.Width, c.Poly)}
	zero := Constant{"0"}
	var check *checksum.Value
	good := true
	for _, f := range []struct {
		key string
		c   *Constant
		to  func(checksum.Value)
	}{
		{"poly", &c.Poly, func(x checksum.Value) { params.Poly = x }},
		{"init", c.Init, func(x checksum.Value) { params.Init = x }},
		{"xorout", c.XorOut, func(x checksum.Value) { params.XorOut = x }},
		{"check", c.Check, func(x checksum.Value) { check = &x }},
	} {
		if f.c == nil {
			if f.key == "check" {
				continue
			}
			f.c = &zero
		}
		value, err := f.c.value(c.Width)
		if err != nil {
			v.key(path+"."+f.key, "%s", err)
			good = false
			continue
		}
		f.to(value)
	}
	if !good {
		return checksum.Algorithm{}, false
	}
	alg, err := checksum.NewCRC(params)
	if err != nil {
		v.key(path, "%s", err)
		return alg, false
	}
	if got := alg.Checksum([]byte("123456789")); check != nil && got != *check {
		v.key(path+".check", "these parameters give %s for \"123456789\", not %s; one of them is wrong", got, *check)
		return alg, false
	}
	return alg, true
}

func orDefault(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

// params turns a sum of the map into one of package checksum.
func (s *SumSpec) params() checksum.SumParams {
	return checksum.SumParams{
		Name:      fmt.Sprintf("%d-bit sum of %d-byte words", s.Width, s.Word),
		Width:     s.Width,
		WordSize:  s.Word,
		BigEndian: s.ByteOrder == BigEndian,
		Op:        map[SumOp]checksum.SumOp{SumAdd: checksum.OpAdd, SumAddCarry: checksum.OpCarry, SumXor: checksum.OpXor}[s.Op],
		Form:      map[SumForm]checksum.Form{SumPlain: checksum.FormPlain, SumOnes: checksum.FormOnes, SumTwos: checksum.FormTwos}[s.Form],
	}
}
