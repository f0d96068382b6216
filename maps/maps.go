package maps

import (
	"example.com/calproof/image"
)

// Map is a region map: what lies where in an image. Its fields mirror the
// TOML file; [Load] and [Parse] make one that has passed every check, and
// other packages only read it.
type Map struct {
	// File the map came from; "" for one that was parsed from memory.
	Path string `toml:"-"`

	// Version of the map language. This program knows 1.
	Format int `toml:"format" jsonschema:"required"`
	// What the map describes, in a few words.
	Title string `toml:"title"`
	// The whole image: its size, place, byte order and arrangement in a file.
	Image ImageSpec `toml:"image" jsonschema:"required"`
	// What the bench has to provide while a controller is read or written.
	Bench Bench `toml:"bench"`
	// Thresholds for the examination of a read.
	Read Read `toml:"read"`
	// Named address ranges with a role. No two may overlap.
	Regions []Region `toml:"region"`
	// Checksum rules, evaluated in the order they are written.
	Checksums []Rule `toml:"checksum"`
	// Calibration values with units.
	Tables []Table `toml:"table"`
	// Fields that tell which controller or software an image belongs to.
	Identities []Identity `toml:"identity"`
}

// ImageSpec is the [image] section. See [Map.Arrange] for the order in which
// swapped, interleaved and parts are undone.
type ImageSpec struct {
	// Bytes of a full read: the size of a raw file.
	Size uint64 `toml:"size" jsonschema:"required"`
	// Address of the first byte of a raw file. Not used when there are parts.
	Base uint64 `toml:"base"`
	// Byte order of numbers that state none of their own.
	ByteOrder ByteOrder `toml:"byte_order" jsonschema:"required"`
	// Value of an erased byte, 0xFF if not given.
	Erased byte `toml:"erased"`
	// Format of the image files, told by their bytes if not given. For raw files whose first bytes look like something else.
	FileFormat FileFormat `toml:"file_format"`
	// Bytes of a word that stand in reverse order in the file: 2 or 4.
	Swapped int `toml:"swapped"`
	// Number of memories whose bytes take turns in the file: 2 to 16.
	Interleaved int `toml:"interleaved"`
	// Memories that share one file, each with its own place in the address space.
	Parts []Part `toml:"parts"`
}

// Part is one of several memories in one file.
type Part struct {
	// Name of the memory, unique among the parts.
	Name string `toml:"name" jsonschema:"required"`
	// Where its bytes lie in the file, as offsets from the file's first byte: one range, or a list of ranges of equal size whose bytes take turns in the address space (one range a chip).
	File []image.Range `toml:"file" jsonschema:"required"`
	// Address of its first byte.
	Base uint64 `toml:"base"`
	// Bytes each range of the list gives before it is the next one's turn: 1, 2 or 4. 1 if not given.
	Unit int `toml:"unit"`
}

// Range returns the addresses of the part.
func (p Part) Range() image.Range {
	return image.Range{Start: p.Base, Size: image.TotalSize(p.File)}
}

// Bench is the [bench] section. Every figure in it is common practice without
// a source; the user's own figures win. Zero means not stated.
type Bench struct {
	// Lowest supply voltage at which the controller may be read or written.
	MinSupplyVolts float64 `toml:"min_supply_volts"`
	// Highest delay the adapter may add to a transfer, in milliseconds.
	MaxAdapterLatencyMS float64 `toml:"max_adapter_latency_ms"`
	// Speed of the line to the controller, in bits a second.
	LineBitsPerSecond float64 `toml:"line_bits_per_second"`
	// Bits one byte takes on the line: 10 for a start bit, eight data bits and a stop bit (8N1), 11 with parity (8E1, 8O1) or a second stop bit (8N2).
	LineBitsPerByte uint64 `toml:"line_bits_per_byte"`
	// Bytes of a request for a transfer block.
	RequestBytes uint64 `toml:"request_bytes"`
	// Bytes of its answer besides the data.
	AnswerBytes uint64 `toml:"answer_bytes"`
	// Shortest and longest time a full read takes, in minutes.
	ReadMinutes [2]float64 `toml:"read_minutes"`
}

// Read is the optional [read] section: thresholds for the examination of a
// read. Zero means that the examiner's own default holds.
type Read struct {
	// Shortest run of one repeated byte that is called a hole where content is expected, in bytes.
	MinHoleBytes uint64 `toml:"min_hole_bytes"`
	// Smallest block whose repetition is called a stuck transfer buffer, in bytes.
	MinRepeatBytes uint64 `toml:"min_repeat_bytes"`
	// Different byte values that a block needs before its repetition counts.
	MinRepeatValues uint64 `toml:"min_repeat_values"`
	// Score from which a repetition is called a block delivered again; each point is worth about a factor of two in the odds.
	MinRepeatScore float64 `toml:"min_repeat_score"`
	// Shortest constant or repeating tail that is called padding, in bytes. MinHoleBytes, if that is given, else the examiner's own.
	MinTailBytes uint64 `toml:"min_tail_bytes"`
	// Share of the image, in percent, below which such a tail is ordinary padding.
	MinTailPercent float64 `toml:"min_tail_percent"`
	// Different 256-byte blocks that must read the same at both settings of an address line before a part of the image is called read through a stuck line.
	MinLineBlocks uint64 `toml:"min_line_blocks"`
	// The same for address lines 0 to 7. MinLineBlocks twice, if that is given, else the examiner's own.
	MinLowLineBlocks uint64 `toml:"min_low_line_blocks"`
	// The same over a whole image in which nothing contradicts the finding.
	MinWholeLineBlocks uint64 `toml:"min_whole_line_blocks"`
	// Different byte values that a 256-byte block must hold before it counts as content whose repetition means something.
	MinBlockValues uint64 `toml:"min_block_values"`
	// Largest share of such a block that one value may fill, in percent.
	MaxBlockFillPercent uint64 `toml:"max_block_fill_percent"`
	// Bytes of content needed before a data line that never moves is called stuck.
	MinDataBytes uint64 `toml:"min_data_bytes"`
	// Share of text in content, in percent, above which data bit 7 may rest at 0.
	MaxTextPercent uint64 `toml:"max_text_percent"`
	// Share of bytes of 0x80 and up in the other bytes of the bus, in percent, below which data bit 7 of one byte may rest at 0.
	MinHighPercent uint64 `toml:"min_high_percent"`
	// Data lines that may be called stuck in one part of the image; more of them at rest are a table of small values.
	MaxStillLines uint64 `toml:"max_still_lines"`
	// Shortest tail that is called a copy of what stands further up, in bytes; 64 or more.
	MinCopyBytes uint64 `toml:"min_copy_bytes"`
	// Points from which patterns out of step with their places show a byte lost or doubled; 14 are the most.
	MinShiftScore float64 `toml:"min_shift_score"`
	// Windows of 256 bytes, in front of a place and behind it, whose patterns must show that a byte was lost or doubled there.
	MinShiftWindows uint64 `toml:"min_shift_windows"`
	// Such windows behind a place near the end of the image, where there are few.
	MinShiftEndWindows uint64 `toml:"min_shift_end_windows"`
	// Points that are needed there.
	MinShiftEndScore float64 `toml:"min_shift_end_score"`
	// Places one byte beside which calls of x86 code must lead that calls further up lead to, before a byte is called lost or doubled.
	MinShiftCalls uint64 `toml:"min_shift_calls"`
	// Places one byte beside which calls and addresses of texts in x86 code must lead across a place, before a byte is called lost or doubled there.
	MinShiftReferences uint64 `toml:"min_shift_references"`
	// Instructions one byte beside which jumps of x86 code must lead across a place that lies amid code, before a byte is called lost or doubled there.
	MinShiftJumps uint64 `toml:"min_shift_jumps"`
	// Places one byte beside multiples of 16 to which calls of x86 code must lead, before a byte is called lost or doubled in front of them.
	MinShiftFunctions uint64 `toml:"min_shift_functions"`
	// Returns from functions that must stand one byte beside multiples of the word, before a byte is called lost or doubled in front of them.
	MinShiftReturns uint64 `toml:"min_shift_returns"`
	// Nats of evidence that joints between blocks need, before two address lines are called exchanged without a rule.
	MinExchangeNats float64 `toml:"min_exchange_nats"`
	// The same in standard deviations; where few joints are torn, half the root of their number is enough.
	MinExchangeDeviations float64 `toml:"min_exchange_deviations"`
	// Pairs of letters that must make words in another order of bytes before the image is called swapped or interleaved.
	MinOrderPairs uint64 `toml:"min_order_pairs"`
	// Times as many pairs of letters as the image as it is that another order must make.
	MinOrderRatio float64 `toml:"min_order_ratio"`
	// Standard deviations by which another order must make more of them.
	MinOrderDeviations float64 `toml:"min_order_deviations"`
	// Letters in a row that make a word whose pairs count.
	MinWordLetters uint64 `toml:"min_word_letters"`
	// Shortest unbroken text that is searched for a terminal session or an HTML page, and shortest image that is called a text file, in bytes.
	MinTextBytes uint64 `toml:"min_text_bytes"`
	// Share of text, in percent, from which the whole image is called a text file.
	MinTextFilePercent uint64 `toml:"min_text_file_percent"`
	// Lines that only a terminal session has, needed before a text is called one.
	MinSessionLines uint64 `toml:"min_session_lines"`
	// Entropy from which a block of 4096 bytes is called compressed, encrypted or random, in bits a byte; 8 at most.
	MinEntropyBits float64 `toml:"min_entropy_bits"`
	// Shortest run of such blocks that is reported, in bytes; 4096 or more.
	MinEntropyBytes uint64 `toml:"min_entropy_bytes"`
	// Share of the content, in percent, that agreeing checksum rules must cover before a read is called proved.
	MinProvedPercent uint64 `toml:"min_proved_percent"`
	// Width of a checksum rule, in bits, from which its agreeing counts as proof, and from which it can tell how a read went wrong.
	MinProofBits uint64 `toml:"min_proof_bits"`
	// Smallest region that is called blank, in bytes.
	MinRegionBytes uint64 `toml:"min_region_bytes"`
	// Largest number of bytes lost or doubled that is tried on rules that fail.
	MaxRuleShiftBytes uint64 `toml:"max_rule_shift_bytes"`
	// Largest number of bytes lost or doubled that is tried between two reads that differ.
	MaxReadShiftBytes uint64 `toml:"max_read_shift_bytes"`
	// Bytes in which two reads must differ before one simple fault is named as the cause.
	MinCauseBytes uint64 `toml:"min_cause_bytes"`
	// Share of the differing bytes, in percent, that such a fault may leave unexplained.
	MaxCauseMissPercent uint64 `toml:"max_cause_miss_percent"`
	// Bits that must all differ in one direction between two reads before that means anything.
	MinDirectionBits uint64 `toml:"min_direction_bits"`
	// Equal bytes between differing ones that still belong to one stretch when differences are held against transfer blocks.
	MaxStretchGapBytes uint64 `toml:"max_stretch_gap_bytes"`
	// Share of the differing stretches, in percent, that must keep to transfer blocks.
	MinBlockFitPercent uint64 `toml:"min_block_fit_percent"`
	// Bytes the adapter transfers at a time; differences between reads that fall into whole blocks point at the adapter.
	TransferBlockBytes uint64 `toml:"transfer_block_bytes"`
}

// Region is a named address range with a role.
type Region struct {
	// Name of the region, unique in the map.
	Name string `toml:"name" jsonschema:"required"`
	// Addresses of the region: "FIRST-LAST" (last byte included) or "START+SIZE".
	Range image.Range `toml:"range" jsonschema:"required"`
	// What the region holds.
	Role Role `toml:"role" jsonschema:"required"`
	// Whether it may be edited: if not given, allowed for calibration that has no immobiliser tag, and forbidden for everything else.
	Edit EditRule `toml:"edit"`
	// What an edit here touches; each tag calls for its own caution.
	Tags []Tag `toml:"tags"`
	// Whether a good read must hold content here: may_be_erased for adaptation and unused, expected for every other role, if not given.
	Content Content `toml:"content"`
	// For a signature: the ranges it covers, if known. A change there breaks the signature.
	Cover []image.Range `toml:"cover"`
}

// Named values of the map language.
type (
	Role      string // what a region holds
	EditRule  string // whether a region may be edited
	Tag       string // what an edit of a region touches
	Content   string // whether a region must hold content
	ByteOrder string // which end of a number comes first

	FileFormat string // an image.Format
)

const (
	RoleBoot        Role = "boot"        // code that starts the controller and lets it be programmed
	RoleProgram     Role = "program"     // the program
	RoleCalibration Role = "calibration" // values the program works with
	RoleIdentity    Role = "identity"    // numbers that say what the controller is
	RoleAdaptation  Role = "adaptation"  // values the controller learns
	RoleSignature   Role = "signature"   // a cryptographic signature
	RoleUnused      Role = "unused"      // nothing

	EditAllowed   EditRule = "allowed"
	EditAsk       EditRule = "ask" // only if the user accepts it by name, with a reason
	EditForbidden EditRule = "forbidden"

	TagEmissions   Tag = "emissions"
	TagImmobiliser Tag = "immobiliser"
	TagSafety      Tag = "safety"

	ContentExpected    Content = "expected"
	ContentMayBeErased Content = "may_be_erased"

	BigEndian    ByteOrder = "big"
	LittleEndian ByteOrder = "little"
)

func (Role) values() []string {
	return []string{"boot", "program", "calibration", "identity", "adaptation", "signature", "unused"}
}
func (EditRule) values() []string  { return []string{"allowed", "ask", "forbidden"} }
func (Tag) values() []string       { return []string{"emissions", "immobiliser", "safety"} }
func (Content) values() []string   { return []string{"expected", "may_be_erased"} }
func (ByteOrder) values() []string { return []string{"big", "little"} }
func (FileFormat) values() (names []string) {
	for _, f := range image.Formats() {
		names = append(names, string(f))
	}
	return names
}

// RegionAt returns the region that holds addr.
func (m *Map) RegionAt(addr uint64) (Region, bool) {
	for _, r := range m.Regions {
		if r.Range.Contains(addr) {
			return r, true
		}
	}
	return Region{}, false
}

// regionName returns the name of the region that holds addr, or "".
func (m *Map) regionName(addr uint64) string {
	r, _ := m.RegionAt(addr)
	return r.Name
}

// Extent returns the addresses a full image holds, sorted and merged: size
// bytes from base on, or what the parts cover.
func (m *Map) Extent() []image.Range { return m.Image.extent() }

func (s ImageSpec) extent() []image.Range {
	if len(s.Parts) == 0 {
		return []image.Range{{Start: s.Base, Size: s.Size}}
	}
	all := make([]image.Range, len(s.Parts))
	for i, p := range s.Parts {
		all[i] = p.Range()
	}
	return image.MergeRanges(all)
}

// Empty returns the addresses at which by the map there is nothing: in regions
// of role unused, and in none.
func (m *Map) Empty() []image.Range {
	empty := m.Unmapped()
	for _, r := range m.Regions {
		if r.Role == RoleUnused && r.Content != ContentExpected {
			empty = append(empty, r.Range)
		}
	}
	return image.MergeRanges(empty)
}

// Unmapped returns the addresses of the image that no region describes.
func (m *Map) Unmapped() []image.Range {
	regions := make([]image.Range, len(m.Regions))
	for i, r := range m.Regions {
		regions[i] = r.Range
	}
	return image.SubtractRanges(m.Extent(), regions)
}
