package demo

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
)

// The memory of the invented controller. groomer.toml says the same in the
// language of region maps; a test holds the two against one another.
const (
	imageSize = 0x80000
	erased    = 0xFF

	bootStart     = 0x00000
	bootHeader    = 0x00100 // name, then start and length of the program
	bootWaitMS    = 0x00120 // u16
	programStart  = 0x04000
	programEnd    = 0x4C000
	programBlocks = 0x4BF00 // four records: first byte, last byte, sum
	hydraulics    = 0x50000 // four blocks of 0x800 bytes
	afterTreat    = 0x52000
	adaptation    = 0x56000
	identity      = 0x58000
	keyData       = 0x59000
	signature     = 0x5A000
	signatureEnd  = 0x5A200
	drive         = 0x70000

	idleAxis     = drive + 0x0100 // coolant temperature, s8
	idleCells    = drive + 0x0120 // u16, 0.25 1/min
	slopeAxis    = drive + 0x0180 // slope, s8
	limitCells   = drive + 0x0190 // u8, 0.125 km/h; a row for each gear
	driveScalars = drive + 0x0200
	driveText    = drive + 0xFF00 // software number
	driveBalance = drive + 0xFFF0 // makes the 32-bit words of the region sum to zero
	driveCRC     = drive + 0xFFFC
)

// The tables the mechanic edits, in physical units.
var (
	coolant      = [...]int8{-30, -20, -10, 0, 20, 40, 60, 80}
	originalIdle = [...]int{1100, 1080, 1040, 980, 900, 820, 760, 720}
	editedIdle   = [...]int{1220, 1180, 1120, 1040, 940, 840, 760, 720}

	slopes         = [...]int8{-30, -20, -10, 0, 10, 20, 30}
	originalLimits = [4][len(slopes)]float64{
		{4, 5, 6, 7, 7, 6, 5},
		{6, 8, 10, 11, 11, 9, 7},
		{8, 11, 14, 16, 15, 12, 9},
		{10, 13, 17, 20, 18, 14, 10},
	}
	editedLimits = [...]struct {
		gear, slope int // row and column
		kmh         float64
	}{{2, 0, 7}, {2, 1, 9.5}, {3, 0, 8}, {3, 1, 11}}
)

func idleRaw(rpm int) uint16     { return uint16(rpm * 4) }
func limitRaw(kmh float64) uint8 { return uint8(math.Round(kmh * 8)) }

// goodRead makes the bytes of a good read; its checksum fields are not right yet.
func goodRead() []byte {
	g := &generator{data: make([]byte, imageSize), src: rand.NewPCG(0x67726F6F6D6572, 3)}
	for i := range g.data {
		g.data[i] = erased
	}
	g.code(bootStart, programStart)
	g.vectors()
	g.code(programStart, programEnd)
	g.programTables()
	g.calibration(hydraulics, hydraulics+4*0x800)
	g.hydraulicsTables()
	g.calibration(afterTreat, adaptation)
	g.u16(afterTreat+0x100, 5231) // warm-up temperature, 0.1 K
	g.learned()
	g.identity()
	g.noise(keyData, keyData+0x3E)
	g.noise(signature, signatureEnd)
	g.calibration(drive, imageSize)
	g.driveTables()
	return g.data
}

// generator writes bytes that look like what a controller holds: varied code,
// smooth tables, text. It draws on the source directly, whose output is fixed.
type generator struct {
	data []byte
	src  *rand.PCG
}

func (g *generator) upTo(n int) int        { return int(g.src.Uint64() >> 33 % uint64(n)) }
func (g *generator) u8(at int, v uint8)    { g.data[at] = v }
func (g *generator) u16(at int, v uint16)  { binary.BigEndian.PutUint16(g.data[at:], v) }
func (g *generator) u32(at int, v uint32)  { binary.BigEndian.PutUint32(g.data[at:], v) }
func (g *generator) f32(at int, v float32) { g.u32(at, math.Float32bits(v)) }
func (g *generator) text(at int, s string) { copy(g.data[at:], s) }
func (g *generator) clear(from, to int)    { clear(g.data[from:to]) }
func (g *generator) noise(from, to int) {
	g.each(from, to, func() byte { return byte(g.src.Uint64() >> 56) })
}
func (g *generator) each(from, to int, f func() byte) {
	for i := from; i < to; i++ {
		g.data[i] = f()
	}
}

// code fills a range with instructions of an invented 16-bit big-endian
// machine: a few opcodes are common, most are rare, operands vary.
func (g *generator) code(from, to int) {
	common := [...]byte{0x48, 0x4A, 0x60, 0x61, 0x66, 0x67, 0xA0, 0xA4, 0xC2, 0xC8, 0xD0, 0xE1}
	for at := from; at < to; at += 2 {
		op := common[g.upTo(len(common))]
		if g.upTo(4) == 0 {
			op = byte(g.upTo(256))
		}
		g.data[at] = op
		g.data[at+1] = byte(g.upTo(256))
		if op >= 0xC0 && at+4 <= to-2 { // these carry an address within the program
			g.u16(at+2, uint16(g.upTo(0x4C)))
			at += 2
		}
	}
}

// vectors puts the exception vectors and the header at the start of the boot
// region.
func (g *generator) vectors() {
	for i := range 64 {
		g.u32(bootStart+4*i, uint32(0x200+2*g.upTo(0x1E00)))
	}
	g.clear(bootHeader, bootHeader+0x40)
	g.text(bootHeader, "SLOPE-BOOT 1.4")
	g.u32(bootHeader+0x10, programStart)
	g.u32(bootHeader+0x14, programEnd-programStart-8) // its last eight bytes hold the sum
	g.u16(bootWaitMS, 400)
}

// programTables puts constants, text and the table of block sums into the
// program.
func (g *generator) programTables() {
	g.calibration(0x30000, 0x32000)
	at := 0x32000
	for _, s := range []string{
		"DRIVE CONTROL GROOMER", "TRACK LEFT", "TRACK RIGHT", "SLOPE SENSOR", "COOLANT",
		"WINCH PULL", "BLADE FLOAT", "TILLER", "PARK BRAKE", "OIL LEVEL",
	} {
		g.text(at, s)
		g.u8(at+len(s), 0)
		at += len(s) + 1
	}
	const block = (programBlocks - programStart) / 4
	for i := range 4 {
		record := programBlocks + 12*i
		g.u32(record, uint32(programStart+block*i))
		g.u32(record+4, uint32(programStart+block*(i+1)-1))
		g.u32(record+8, 0) // the sum
	}
	g.clear(programEnd-8, programEnd)
}

// calibration fills a range with curves and maps: a count, a rising axis, and
// cells that run smoothly over it.
func (g *generator) calibration(from, to int) {
	at := from
	put := func(v int) {
		if at+2 <= to {
			g.u16(at, uint16(v))
			at += 2
		}
	}
	for at+2 <= to {
		columns, rows := 4+g.upTo(13), 1+g.upTo(12)
		put(columns<<8 | rows)
		axis := g.upTo(400)
		for range columns {
			put(axis)
			axis += 20 + g.upTo(700)
		}
		value, slope := 500+g.upTo(30000), g.upTo(200)-80
		for range rows * columns {
			put(value)
			value = min(max(value+slope+g.upTo(30)-15, 0), 0xFFFF)
			if g.upTo(9) == 0 {
				slope = g.upTo(300) - 150
			}
		}
	}
}

// hydraulicsTables writes the tables of the hydraulics calibration that the
// map names.
func (g *generator) hydraulicsTables() {
	for i, centikilonewtons := range []uint16{4000, 4150, 4200, 4100, 3900, 3600} {
		binary.LittleEndian.PutUint16(g.data[hydraulics+0x100+2*i:], centikilonewtons)
	}
	copy(g.data[hydraulics+0x140:], []byte{90, 60, 140, 110, 160, 130}) // column by column, 0.5 %
}

// learned fills the adaptation region: operating hours, start counter, and
// trims that the controller has learned.
func (g *generator) learned() {
	g.clear(adaptation, adaptation+0x200)
	g.u32(adaptation+0x10, 31842) // 0.1 h
	g.u16(adaptation+0x14, 2977)  // starts
	g.calibration(adaptation+0x20, adaptation+0x200)
	for i := range len(coolant) { // idle trim over coolant temperature, s16, 0.25 1/min
		g.u16(adaptation+0x40+2*i, uint16(int16(g.upTo(60)-30)))
	}
}

// learn changes what the controller changes by itself between two reads: it
// was switched on once more, and has learned a little.
func learn(data []byte) {
	binary.BigEndian.PutUint32(data[adaptation+0x10:], 31843)
	binary.BigEndian.PutUint16(data[adaptation+0x14:], 2978)
	data[adaptation+0x41]++
	data[adaptation+0x47]--
}

// identity writes who the controller is. The 17 characters of the machine
// number carry a check digit; no manufacturer's code starts with 0.
func (g *generator) identity() {
	g.clear(identity, identity+0x100)
	g.text(identity+0x10, "PISTE-DRV-16/2")
	copy(g.data[identity+0x20:], []byte{0x20, 0x14, 0x00, 0x03, 0x17}) // packed decimal
	copy(g.data[identity+0x28:], []byte{0x20, 0x14, 0x11, 0x07})       // date of make
	g.text(identity+0x30, "0HGDR4170EHL00003")
	copy(g.data[identity+0x44:], []byte{0x5A, 0x17, 0xC3, 0x08})
	g.noise(identity+0x50, identity+0xF0) // production record
	g.u8(identity+0x4F, 3)                // how often it was programmed: held at zero while the sum is made
}

// driveTables writes the tables of the drive calibration that the map names.
func (g *generator) driveTables() {
	for i, t := range coolant {
		g.u8(idleAxis+i, uint8(t))
	}
	for i, rpm := range originalIdle {
		g.u16(idleCells+2*i, idleRaw(rpm))
	}
	for i, s := range slopes {
		g.u8(slopeAxis+i, uint8(s))
	}
	for gear, row := range originalLimits {
		for slope, kmh := range row {
			g.u8(limitCells+gear*len(slopes)+slope, limitRaw(kmh))
		}
	}
	g.u16(driveScalars, 2400)              // engine speed limit, 1/min
	g.f32(driveScalars+4, 0.0385)          // track drive ratio
	g.u8(driveScalars+8, 92+40)            // fan switches on, offset -40 degC
	g.u16(driveScalars+10, uint16(0xFFF6)) // steering trim, s16, 0.1 deg
	for i := range 0x100 {
		g.u8(driveText+i, 0)
	}
	g.text(driveText, "HILL-DRV-0417-C ")
	g.noise(driveText+0x10, driveText+0xF0)
	g.clear(driveBalance, drive+0x10000)
}
