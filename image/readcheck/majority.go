package readcheck

import (
	"errors"
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// ErrNoMajority says that reads leave some addresses undecided.
var ErrNoMajority = errors.New("no majority")

// NoMajorityError lists the addresses at which no value was read by more than
// half of the reads.
type NoMajorityError struct{ Ranges []image.Range }

func (e *NoMajorityError) Error() string {
	return evidence.Sprintf("no value was read by more than half of the reads at %s (%s); add another read, or let the first read count there with --take-first",
		addresses(image.TotalSize(e.Ranges)), evidence.RangeList(e.Ranges))
}

func (e *NoMajorityError) Unwrap() error { return ErrNoMajority }

// Majority returns the image that more than half of three or more reads agree
// on, byte by byte. Where no value has a majority the first read counts if
// takeFirst is set; otherwise the result is a *NoMajorityError. The reads must
// hold the same addresses.
func Majority(takeFirst bool, reads ...*image.Image) (*image.Image, error) {
	if len(reads) < 3 {
		return nil, fmt.Errorf("a majority needs three or more reads, %d given; read the controller again", len(reads))
	}
	common := commonRanges(reads)
	for i, r := range reads {
		if extra := image.SubtractRanges(r.Segments(), common); len(extra) > 0 {
			return nil, fmt.Errorf("read %d holds %s, which another read lacks; leave out the reads that are short", i+1, evidence.Ranges(extra))
		}
	}
	segments := make([]image.Segment, len(common))
	for i, r := range common {
		segments[i] = image.Segment{Start: r.Start, Data: make([]byte, 0, r.Size)}
	}
	var open []image.Range
	at := 0 // the segment that is being filled
	err := sideBySide("read %d", reads, func(addr uint64, blocks [][]byte) error {
		for !common[at].Contains(addr) {
			at++
		}
		out := &segments[at]
		for j, v := range blocks[0] {
			if most, ok := majorityOf(blocks, j); ok {
				v = most
			} else {
				open = appendNear(open, addr+uint64(j), 0, maxRanges)
			}
			out.Data = append(out.Data, v)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(open) > 0 && !takeFirst {
		return nil, &NoMajorityError{Ranges: open}
	}
	return image.FromSegments(segments...)
}

// hasMajority reports whether more than half of the reads hold the same byte
// at position j.
func hasMajority(bufs [][]byte, j int) bool {
	_, ok := majorityOf(bufs, j)
	return ok
}

// majorityOf returns the byte that more than half of the reads hold at
// position j.
func majorityOf(bufs [][]byte, j int) (byte, bool) {
	var candidate byte
	votes := 0
	for _, b := range bufs {
		switch {
		case votes == 0:
			candidate, votes = b[j], 1
		case b[j] == candidate:
			votes++
		default:
			votes--
		}
	}
	n := 0
	for _, b := range bufs {
		if b[j] == candidate {
			n++
		}
	}
	return candidate, 2*n > len(bufs)
}
