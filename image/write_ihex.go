package image

import (
	"encoding/binary"
	"fmt"
	"io"
)

// IntelHexAddressing chooses the base records of an Intel HEX file.
type IntelHexAddressing string

const (
	IntelHexAuto      IntelHexAddressing = ""        // 16bit if the image fits, else linear
	IntelHex16Bit     IntelHexAddressing = "16bit"   // no base records: addresses below 64 KiB
	IntelHexSegmented IntelHexAddressing = "segment" // type 02: addresses below 1 MiB
	IntelHexLinear    IntelHexAddressing = "linear"  // type 04: addresses below 4 GiB
)

// IntelHexOptions say how to write Intel HEX. The zero value is what most
// programs read.
type IntelHexOptions struct {
	RecordLength int                // data bytes a record, 1 to 255; 0 means DefaultRecordLength
	Addressing   IntelHexAddressing // base records
	Start        *uint64            // start address; nil keeps the image's
	NoStart      bool               // leaves out the start address the image has
	LineEnd      string             // "\n" (also for ""), "\r\n" or "\r"
}

// segmentedLimit is the first address that objcopy and we do not write with
// type 02 and 03 records.
const segmentedLimit = 1 << 20

// WriteIntelHex writes im as Intel HEX, upper case, in the order of addresses;
// no record crosses a multiple of 64 KiB. It writes nothing if an address does
// not fit.
//
// The start address is a type 05 record with linear addressing and a type 03
// record otherwise, with CS and IP as they were read, or else with CS a multiple
// of 0x1000 and the rest in IP.
func WriteIntelHex(w io.Writer, im *Image, opts IntelHexOptions) error {
	length, err := checkRecordLength(opts.RecordLength, ihexMaxData)
	if err != nil {
		return err
	}
	st, err := writableStart(im, opts.Start, opts.NoStart)
	if err != nil {
		return err
	}
	mode, err := ihexMode(im, st, opts.Addressing)
	if err != nil {
		return err
	}
	rw, err := newRecordWriter(w, opts.LineEnd)
	if err != nil {
		return err
	}
	base := uint64(0)
	err = forRecords(im, length, ihexSegmentedSize, func(addr uint64, data []byte) error {
		if b := addr &^ 0xFFFF; b != base {
			base = b
			kind, value := byte(ihexLinear), uint16(b>>16)
			if mode == IntelHexSegmented {
				kind, value = ihexSegment, uint16(b>>4)
			}
			if err := rw.intelHex(kind, 0, binary.BigEndian.AppendUint16(nil, value)); err != nil {
				return err
			}
		}
		for offset := uint16(addr); len(data) > 0; {
			n := min(length, len(data))
			if err := rw.intelHex(ihexData, offset, data[:n]); err != nil {
				return err
			}
			data = data[n:]
			offset += uint16(n)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if st != nil {
		if err := rw.intelHex(startRecord(st, mode)); err != nil {
			return err
		}
	}
	if err := rw.intelHex(ihexEnd, 0, nil); err != nil {
		return err
	}
	return rw.flush()
}

// intelHex adds one record.
func (r *recordWriter) intelHex(kind byte, offset uint16, data []byte) error {
	head := uint64(len(data))<<24 | uint64(offset)<<8 | uint64(kind)
	return r.record(":", head, 4, data, 1)
}

// ihexMode returns the addressing to use, never IntelHexAuto, or an error if
// the image or its start address is out of its reach.
func ihexMode(im *Image, st *start, asked IntelHexAddressing) (IntelHexAddressing, error) {
	limits := map[IntelHexAddressing]uint64{IntelHex16Bit: ihexSegmentedSize, IntelHexSegmented: segmentedLimit, IntelHexLinear: addressLimit}
	mode := asked
	if mode == IntelHexAuto {
		mode = IntelHexLinear
		if b := im.Bounds(); b.Size > 0 && b.Last() < ihexSegmentedSize && (st == nil || st.segmented || st.addr < segmentedLimit) {
			mode = IntelHex16Bit
		}
	}
	limit, ok := limits[mode]
	if !ok {
		return "", fmt.Errorf("addressing %q is unknown; choose 16bit, segment or linear", asked)
	}
	if err := checkReach(im, nil, limit, fmt.Sprintf("addresses of Intel HEX (%s)", mode)); err != nil {
		return "", err
	}
	if st == nil || st.segmented {
		return mode, nil
	}
	if mode == IntelHexLinear {
		return mode, checkReach(im, st, addressLimit, "type 05 records")
	}
	return mode, checkReach(im, st, segmentedLimit, "type 03 records as written here")
}

// startRecord returns type, offset and data of the record for st.
func startRecord(st *start, mode IntelHexAddressing) (kind byte, offset uint16, data []byte) {
	if mode == IntelHexLinear && !st.segmented {
		return ihexStartLinear, 0, binary.BigEndian.AppendUint32(nil, uint32(st.addr))
	}
	cs, ip := st.cs, st.ip
	if !st.segmented {
		cs, ip = uint16(st.addr>>16)<<12, uint16(st.addr)
	}
	return ihexStartSegment, 0, binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(nil, cs), ip)
}
