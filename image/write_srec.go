package image

import (
	"fmt"
	"io"
	"strings"
)

// SRecordOptions say how to write S-records. The zero value is what most
// programs read.
type SRecordOptions struct {
	RecordLength int     // data bytes a record, 1 to 254 less the address bytes minus 1; 0 means DefaultRecordLength
	AddressBytes int     // 2 (S1, S9), 3 (S2, S8) or 4 (S3, S7); 0 means the fewest that reach
	Header       *string // text of the S0 record, a record for each line; nil keeps the image's
	Start        *uint64 // start address; nil keeps the image's
	NoStart      bool    // leaves out the start address the image has
	Count        bool    // adds the number of data records, as S5 or, above 65535, S6
	LineEnd      string  // "\n" (also for ""), "\r\n" or "\r"
}

// WriteSRecord writes im as S-records, upper case, in the order of addresses:
// S0, data records of one width, the count if asked for, and the end record,
// whose address is 0 if there is no start address. It writes nothing if an
// address does not fit.
func WriteSRecord(w io.Writer, im *Image, opts SRecordOptions) error {
	st, err := writableStart(im, opts.Start, opts.NoStart)
	if err != nil {
		return err
	}
	width, err := srecWidth(im, st, opts.AddressBytes)
	if err != nil {
		return err
	}
	length, err := checkRecordLength(opts.RecordLength, srecMaxCount-1-width)
	if err != nil {
		return err
	}
	headers, err := srecHeaders(im, opts.Header)
	if err != nil {
		return err
	}
	total := uint64(0)
	for _, s := range im.segments {
		total += (s.Size-1)/uint64(length) + 1
	}
	if opts.Count && total >= 1<<24 {
		return fmt.Errorf("%d data records are too many for a count record (S6 counts to %d); choose longer records, or no count", total, 1<<24-1)
	}
	rw, err := newRecordWriter(w, opts.LineEnd)
	if err != nil {
		return err
	}
	for _, text := range headers {
		if err := rw.sRecord("S0", 2, 0, []byte(text)); err != nil {
			return err
		}
	}
	mark := fmt.Sprintf("S%d", width-1)
	err = forRecords(im, length, 0, func(addr uint64, data []byte) error {
		for len(data) > 0 {
			n := min(length, len(data))
			if err := rw.sRecord(mark, width, addr, data[:n]); err != nil {
				return err
			}
			data = data[n:]
			addr += uint64(n)
		}
		return nil
	})
	if err != nil {
		return err
	}
	switch {
	case !opts.Count:
	case total <= 0xFFFF:
		err = rw.sRecord("S5", 2, total, nil)
	default:
		err = rw.sRecord("S6", 3, total, nil)
	}
	if err != nil {
		return err
	}
	entry := uint64(0)
	if st != nil {
		entry = st.addr
	}
	if err := rw.sRecord(fmt.Sprintf("S%d", 11-width), width, entry, nil); err != nil {
		return err
	}
	return rw.flush()
}

// sRecord adds one record with width address bytes.
func (r *recordWriter) sRecord(mark string, width int, addr uint64, data []byte) error {
	count := uint64(width + len(data) + 1)
	return r.record(mark, count<<(8*width)|addr, 1+width, data, 0)
}

// srecWidth returns the number of address bytes to use, or an error if the
// image or its start address is out of its reach.
func srecWidth(im *Image, st *start, asked int) (int, error) {
	switch asked {
	case 0:
		for width := 2; width < 4; width++ {
			if checkReach(im, st, 1<<(8*width), "") == nil {
				return width, nil
			}
		}
		asked = 4
	case 2, 3, 4:
	default:
		return 0, fmt.Errorf("an address in S-records has 2, 3 or 4 bytes, not %d", asked)
	}
	return asked, checkReach(im, st, 1<<(8*asked), fmt.Sprintf("addresses of S%d records", asked-1))
}

// srecHeaders returns the text of each S0 record.
func srecHeaders(im *Image, given *string) ([]string, error) {
	text := im.header
	if given != nil {
		text = *given
	}
	lines := strings.Split(text, "\n")
	for _, line := range lines {
		if most := srecMaxCount - 3; len(line) > most {
			return nil, fmt.Errorf("header text of %d bytes is too long; an S0 record holds %d", len(line), most)
		}
	}
	return lines, nil
}
