package maps

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/vin"
)

// draftStretches is how many stretches a draft describes; an image with more
// gets its longest ones.
const draftStretches = 48

// Draft returns a commented starting map for im, as TOML. It parses without
// mistakes and fits im. It states the format of the file where the bytes alone
// would tell another one. It claims nothing that the bytes do not show: stretches
// that are erased become regions of role unused, all others regions that must
// not be edited until the user says what they are. Possible identity fields
// are listed in comments.
func Draft(im *image.Image) ([]byte, error) {
	bounds := im.Bounds()
	if bounds.Size == 0 {
		return nil, errors.New("draft: the image holds no bytes")
	}
	s := &survey{least: max(256, bounds.Size/64)}
	for _, seg := range im.Segments() {
		s.begin(seg.Start)
		if err := im.Blocks(seg, func(addr uint64, block []byte) error { s.bytes(addr, block); return nil }); err != nil {
			return nil, fmt.Errorf("draft: %w", err)
		}
		s.end(seg.Last())
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, draftHead, im.Format(), evidence.Count(im.Size(), "byte"), evidence.Count(uint64(len(im.Segments())), "segment"), literal(bounds.Size), literal(bounds.Start), s.erased())
	if f := im.File(); f != nil {
		if told, err := image.Tell(f, f.Size()); err != nil || told != im.Format() {
			fmt.Fprintf(&out, draftFormat, im.Format())
		}
	}
	out.WriteString(draftBench)
	stretches, dropped := s.longest()
	if dropped > 0 {
		fmt.Fprintf(&out, "\n# %d shorter stretches are left out.\n", dropped)
	}
	for i, st := range stretches {
		role, name := "program", fmt.Sprintf("content %d", i+1)
		if st.erased {
			role, name = "unused", fmt.Sprintf("erased %d", i+1)
		}
		fmt.Fprintf(&out, "\n[[region]]\nname  = %q\nrange = %q\nrole  = %q\n", name, st.where.String(), role)
		if !st.erased {
			out.WriteString("edit  = \"forbidden\"\n")
		}
	}
	if len(s.found) > 0 {
		out.WriteString("\n# Text that may identify the controller. Take the marks away where it does:\n")
		for _, f := range s.found {
			fmt.Fprintf(&out, "# [[identity]]\n# name  = \"...\"            # holds %q\n# range = %q\n# as    = %q\n", f.text, f.where.String(), f.as)
		}
	}
	if len(s.found) == 0 {
		fmt.Fprintf(&out, draftIdentity, bounds.Start)
	}
	fmt.Fprintf(&out, draftTail, bounds.Start, bounds.Start+0x100)
	return out.Bytes(), nil
}

// literal writes a number as TOML: as a string where an integer cannot hold it.
func literal(n uint64) string {
	if n > math.MaxInt64 {
		return fmt.Sprintf("\"0x%X\"", n)
	}
	return fmt.Sprintf("0x%X", n)
}

const draftHead = `# Region map, begun by calproof from an image: %s, %s in %s.
# Nothing in it is known but what the bytes show. Go through every line, then
# check the map with "calproof map check". Every key is explained in the JSON
# Schema that "calproof map schema" prints, and in maps/LANGUAGE.md of the source.
# Addresses are hexadecimal; a range is "FIRST-LAST" (last byte included) or
# "START+SIZE".

format = 1
title  = "(which controller this is)"

[image]
size       = %s
base       = %s
byte_order = "big" # of numbers that state none of their own: see the controller's manual
erased     = 0x%02X
`

const draftFormat = `file_format = %q # the first bytes look like another format
`

const draftBench = `
# What the bench has to provide. Common practice, no source; your own figures win.
# [bench]
# min_supply_volts       = 12.5
# max_adapter_latency_ms = 1
# line_bits_per_second   = 9600
# read_minutes           = [60, 75]

# Roles: boot, program, calibration, identity, adaptation (values the controller
# learns), signature, unused. All content is called "program" here, and must not
# be edited, until you know better.
`

const draftIdentity = `
# A field that tells which controller or software this is: text, hex, bcd or VIN.
# [[identity]]
# name  = "..."
# range = "0x%X+0x10"
# as    = "text"
`

const draftTail = `
# A checksum rule: which algorithm, over which bytes, gives which stored value.
# [[checksum]]
# name      = "..."
# algorithm = "CRC-32/ISO-HDLC"
# cover     = ["0x%[1]X+0x100"]
# stored    = { at = 0x%[2]X, byte_order = "big" }

# A calibration value with units: value = stored number * scale + offset.
# [[table]]
# name = "..."
# at   = 0x%[1]X
# cell = { type = "u16", scale = 1, unit = "1/min", min = 0, max = 8000 }
# x    = { at = 0x%[1]X, count = 8, type = "u8", unit = "degC" }
`

// stretch is a run of addresses that is erased as a whole, or is not.
type stretch struct {
	where  image.Range
	erased bool
}

// text is a piece of text that may be an identity field.
type text struct {
	where image.Range
	text  string
	as    IdentityForm
}

// survey cuts an image into erased and other stretches while its bytes pass.
type survey struct {
	least     uint64 // shortest run of one byte that is a stretch of its own
	stretches []stretch
	runs      [2]uint64 // bytes in erased stretches of 0x00 and of 0xFF

	from     uint64 // start of what has not become a stretch yet
	runStart uint64
	runByte  byte
	running  bool

	line      []byte // printable text right before the current byte
	lineStart uint64
	found     []text
}

func (s *survey) begin(addr uint64) {
	s.from, s.running, s.line = addr, false, s.line[:0]
}

func (s *survey) bytes(addr uint64, block []byte) {
	for i, b := range block {
		at := addr + uint64(i)
		if !s.running || b != s.runByte {
			s.closeRun(at)
			s.runStart, s.runByte, s.running = at, b, true
		}
		if b >= 0x20 && b < 0x7F {
			if len(s.line) == 0 {
				s.lineStart = at
			}
			if len(s.line) <= vin.Length {
				s.line = append(s.line, b)
			}
			continue
		}
		s.closeLine()
	}
}

func (s *survey) end(last uint64) {
	s.closeLine()
	s.closeRun(last + 1)
	s.add(s.from, last+1-s.from, false)
}

// closeRun makes a long run of an erased byte that ends before at a stretch.
func (s *survey) closeRun(at uint64) {
	size := at - s.runStart
	if !s.running || size < s.least || s.runByte != 0x00 && s.runByte != 0xFF {
		return
	}
	s.add(s.from, s.runStart-s.from, false)
	s.add(s.runStart, size, true)
	s.runs[s.runByte&1] += size
	s.from = at
}

func (s *survey) add(start, size uint64, erased bool) {
	if size > 0 {
		s.stretches = append(s.stretches, stretch{image.Range{Start: start, Size: size}, erased})
	}
}

// closeLine notes the text that just ended if it is a whole VIN.
func (s *survey) closeLine() {
	if len(s.line) == vin.Length && len(s.found) < 8 {
		if _, err := vin.Check(string(s.line)); err == nil && strings.ContainsAny(string(s.line), "0123456789") {
			s.found = append(s.found, text{image.Range{Start: s.lineStart, Size: vin.Length}, string(s.line), AsVIN})
		}
	}
	s.line = s.line[:0]
}

// erased returns the byte that most erased stretches hold.
func (s *survey) erased() byte {
	if s.runs[0] > s.runs[1] {
		return 0x00
	}
	return 0xFF
}

// longest returns the stretches of a draft in address order, and how many are
// left out.
func (s *survey) longest() (kept []stretch, dropped int) {
	all := s.stretches
	if len(all) <= draftStretches {
		return all, 0
	}
	sizes := make([]uint64, len(all))
	for i, st := range all {
		sizes[i] = st.where.Size
	}
	slices.Sort(sizes)
	least := sizes[len(sizes)-draftStretches]
	for _, st := range all {
		if st.where.Size >= least && len(kept) < draftStretches {
			kept = append(kept, st)
		}
	}
	return kept, len(all) - len(kept)
}
