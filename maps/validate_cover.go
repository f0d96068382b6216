package maps

import (
	"errors"
	"slices"
)

func (v *validator) covers(path string, r *Rule) {
	if v.given(path+".cover") && len(r.Cover) == 0 && !v.has(path+".cover") {
		v.key(path+".cover", "is empty; give at least one range")
	}
	if len(r.Cover) > maxCovers {
		v.key(path+".cover", "has %d entries; at most %d are allowed", len(r.Cover), maxCovers)
		return
	}
	for j := range r.Cover {
		c := &r.Cover[j]
		at := index(path+".cover", j)
		if !v.has(at) {
			v.cover(at, c)
		}
	}
	if r.Cover != nil && !slices.ContainsFunc(r.Cover, func(c Cover) bool { return c.Bytes == nil && c.LengthBytes == 0 }) && !v.has(path+".cover") {
		v.key(path+".cover", "counts no byte of the image")
	}
}

func (v *validator) cover(at string, c *Cover) {
	if c.Range.Size > 0 && !v.given(at+".range") { // written as a string
		v.inside(at, c.Range)
		return
	}
	kind := v.oneOf(at, "says what is covered", "range", "start", "region", "bytes", "length_bytes")
	for _, key := range []string{"length", "last", "end", "to_end_less"} {
		if v.given(at+"."+key) && kind != "start" {
			v.key(at+"."+key, "belongs to a range with a start")
		}
	}
	if v.given(at+".of") && c.ToEndLess == nil {
		v.key(at+".of", "belongs to to_end_less")
	}
	if v.given(at+".byte_order") && kind != "length_bytes" {
		v.key(at+".byte_order", "belongs to length_bytes; a number read from the image states its own")
	}
	if v.has(at) {
		return
	}
	switch kind {
	case "range":
		v.inside(at+".range", c.Range)
	case "region", "start":
		if name := c.Region + c.Of; name != "" {
			key := at + "." + map[bool]string{true: "region", false: "of"}[kind == "region"]
			if _, ok := v.m.region(name); !ok {
				v.key(key, "no region is called %q%s", name, suggest(name, v.m.regionNames()))
			}
		}
		if kind == "start" {
			v.span(at, c)
		}
	case "bytes":
		if len(c.Bytes) > maxIdentityBytes {
			v.key(at+".bytes", "has %d bytes; at most %d are allowed", len(c.Bytes), maxIdentityBytes)
		}
	case "length_bytes":
		if c.LengthBytes < 1 || c.LengthBytes > 8 {
			v.key(at+".length_bytes", "must be 1 to 8")
		}
		v.order(&c.ByteOrder)
	}
}

// span checks a range whose numbers may be read from the image.
func (v *validator) span(at string, c *Cover) {
	v.number(at+".start", c.Start, false, 1)
	v.number(at+".length", c.Length, false, 1)
	v.number(at+".last", c.Last, false, 1)
	v.number(at+".end", c.End, false, 1)
	v.number(at+".to_end_less", c.ToEndLess, false, 1)
	v.oneOf(at, "says where the range ends", "length", "last", "end", "to_end_less")
	if v.has(at) || v.extent == nil {
		return
	}
	r, err := v.static().span(c, 0)
	switch {
	case errors.Is(err, errNotStatic):
	case err != nil:
		v.key(at, "%s", err)
	default:
		v.inside(at, r)
	}
}

func (v *validator) counts(path string, r *Rule) {
	if len(r.Count) > maxCovers {
		v.key(path+".count", "has %d entries; at most %d are allowed", len(r.Count), maxCovers)
		return
	}
	for j, c := range r.Count {
		at := index(path+".count", j)
		if v.has(at) {
			continue
		}
		if n := uint64(len(c.As)); n != 1 && n != c.Range.Size {
			v.key(at+".as", "has %d bytes; give one byte, or %d for every byte of %s", n, c.Range.Size, c.Range)
		}
		for k := range j {
			if shared, ok := c.Range.Intersect(r.Count[k].Range); ok {
				v.key(at+".range", "%s counts as something else already", shared)
			}
		}
	}
	if r.Pad != nil && !v.has(path+".pad") && (r.Pad.To < 2 || r.Pad.To > 4096) {
		v.key(path+".pad.to", "must be 2 to 4096, the bytes of a word")
	}
}
