package edits_test

import (
	"bytes"
	"fmt"

	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image"
)

// An editing program raised a limit. The change is recorded under a name, and
// found in the next software version, where everything lies 16 bytes higher.
func Example() {
	text := []byte("what this memory holds before the limit: speed=25; and what it holds behind it, to the end")
	original := at(0x7000, text)
	modified := at(0x7000, bytes.Replace(text, []byte("speed=25"), []byte("speed=31"), 1))
	rec, err := edits.Record(original, modified, nil, edits.RecordOptions{Name: "speed limit"})
	if err != nil {
		fmt.Println(err)
		return
	}
	file := &edits.File{Edits: []edits.Edit{rec.Edit}}

	newer := at(0x7000, append([]byte("16 bytes of code"), text...))
	for _, im := range []*image.Image{original, modified, newer} {
		found, err := edits.Find(im, file)
		if err != nil {
			fmt.Println(err)
			return
		}
		s := found[0].Stretches[0]
		fmt.Println(found[0].Edit, found[0].State, s.At, s.Shift, s.Confidence)
	}
	explained, err := edits.Explain(original, modified, nil, file)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(explained.Recognised[0].Edit, "explains all but", explained.Bytes, "bytes")
	// Output:
	// speed limit absent 0x702F-0x7030 0 both-anchors
	// speed limit present 0x702F-0x7030 0 both-anchors
	// speed limit absent 0x703F-0x7040 16 both-anchors
	// speed limit explains all but 0 bytes
}

func at(start uint64, data []byte) *image.Image {
	im, err := image.FromSegments(image.Segment{Start: start, Data: data})
	if err != nil {
		panic(err)
	}
	return im
}
