package maps

import (
	"example.com/calproof/image"
)

// InFile returns patches at the addresses of the image as it was opened, before
// the map arranged it: what [image.WritePatched] needs to change the file. A
// patch may fall apart there into single bytes.
func (b *Bound) InFile(patches []Patch) ([]image.Segment, error) {
	var addrs []uint64
	var data []byte
	for _, p := range patches {
		for i, v := range p.After {
			addrs = append(addrs, p.Addr+uint64(i))
			data = append(data, v)
		}
	}
	if b.arrange != nil {
		var err error
		if addrs, err = b.opened.Trace(b.arrange, addrs); err != nil {
			return nil, err
		}
	}
	var out []image.Segment
	for i, addr := range addrs {
		if n := len(out); n > 0 && out[n-1].Start+uint64(len(out[n-1].Data)) == addr {
			out[n-1].Data = append(out[n-1].Data, data[i])
			continue
		}
		out = append(out, image.Segment{Start: addr, Data: []byte{data[i]}})
	}
	return out, nil
}
