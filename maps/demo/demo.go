// Package demo makes the demo scenario: the workshop of a small ski hill keeps
// three snow groomers, each with the same invented 512 KiB drive controller.
// The mechanic raises the warm-up idle speed and changes a track-speed limit.
//
// Everything here is invented: the controller, its memory layout, its numbers
// and the hill. [Files] makes the region map and the images from code with a
// fixed seed, so that they are the same bytes every time and everywhere:
//
//	groomer.toml          the region map, commented for readers
//	backup.bin            a good read
//	second-read.bin       its repeat; only values the controller learns differ
//	short-read.bin        a read that stopped early and was padded out with 0xFF
//	stuck-line-read.bin   a read with address line 14 stuck low
//	edited.bin            the good edit, every checksum right
//	edited-stale.bin      the same edit, one checksum not recomputed
//	edited-boot.bin       the edit also touches the boot region, every checksum right
package demo

import (
	_ "embed"
	"encoding/binary"
	"fmt"
	"slices"

	"example.com/calproof/image"
	"example.com/calproof/maps"
)

// mapText is groomer.toml. It is read only.
//
//go:embed groomer.toml
var mapText []byte

// MapName is the file name of the region map of the scenario.
const MapName = "groomer.toml"

// File is one file of the scenario.
type File struct {
	Name string // file name without a folder
	Data []byte
}

// Where a read of the scenario went wrong.
const (
	shortReadStop    = 0x74C00 // first address that the short read never saw
	stuckAddressLine = 14      // stuck low: an address with this bit set gives the byte at the address without it
)

// Files generates the scenario, in the order of the package comment. It gives
// the same bytes every time. An error means that the scenario contradicts its
// own map, which a test rules out.
func Files() ([]File, error) {
	m, err := maps.Parse(MapName, mapText)
	if err != nil {
		return nil, err
	}

	backup, err := sealed(m, goodRead())
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}

	second := slices.Clone(backup)
	learn(second)
	if second, err = sealed(m, second); err != nil {
		return nil, fmt.Errorf("second read: %w", err)
	}

	edit := slices.Clone(backup)
	editTables(edit)
	edited, err := sealed(m, edit)
	if err != nil {
		return nil, fmt.Errorf("edit: %w", err)
	}

	boot := slices.Clone(edited)
	editBoot(boot)
	if boot, err = sealed(m, boot); err != nil {
		return nil, fmt.Errorf("boot edit: %w", err)
	}

	return []File{
		{MapName, slices.Clone(mapText)},
		{"backup.bin", backup},
		{"second-read.bin", second},
		{"short-read.bin", shortRead(backup)},
		{"stuck-line-read.bin", stuckLine(backup)},
		{"edited.bin", edited},
		{"edited-stale.bin", staleCRC(edited, backup)},
		{"edited-boot.bin", boot},
	}, nil
}

// sealed returns a copy of data in which every checksum rule of m agrees.
func sealed(m *maps.Map, data []byte) ([]byte, error) {
	out := slices.Clone(data)
	im, err := image.FromSegments(image.Segment{Start: m.Image.Base, Data: data})
	if err != nil {
		return nil, err
	}
	bound, err := maps.Bind(m, im)
	if err != nil {
		return nil, err
	}
	patches, err := bound.Seal()
	if err != nil {
		return nil, err
	}
	for _, p := range patches {
		copy(out[p.Addr-m.Image.Base:], p.After)
	}
	return out, nil
}

// shortRead gives what a reader leaves behind that loses the line and pads its
// file to the expected size.
func shortRead(data []byte) []byte {
	out := slices.Clone(data)
	for i := shortReadStop; i < len(out); i++ {
		out[i] = erased
	}
	return out
}

// stuckLine gives what is read when one address line is stuck low.
func stuckLine(data []byte) []byte {
	out := make([]byte, len(data))
	for i := range out {
		out[i] = data[i&^(1<<stuckAddressLine)]
	}
	return out
}

// editTables makes the mechanic's edit: a higher idle speed while the engine
// is cold, and a lower limit for driving downhill in the two upper ranges.
func editTables(data []byte) {
	for i, rpm := range editedIdle {
		binary.BigEndian.PutUint16(data[idleCells+2*i:], idleRaw(rpm))
	}
	for _, c := range editedLimits {
		data[limitCells+c.gear*len(slopes)+c.slope] = limitRaw(c.kmh)
	}
}

// editBoot changes one constant of the boot program: the time it waits for a
// programming session before it starts the controller.
func editBoot(data []byte) {
	binary.BigEndian.PutUint16(data[bootWaitMS:], 2500)
}

// staleCRC returns edited with the calibration CRC of original, as an editor
// leaves it that does not know of it. The word that balances the region is
// right for what is stored, so that exactly one rule disagrees.
func staleCRC(edited, original []byte) []byte {
	out := slices.Clone(edited)
	word := func(b []byte, at int) uint32 { return binary.BigEndian.Uint32(b[at:]) }
	copy(out[driveCRC:driveCRC+4], original[driveCRC:])
	balance := word(edited, driveBalance) + word(edited, driveCRC) - word(original, driveCRC)
	binary.BigEndian.PutUint32(out[driveBalance:], balance)
	return out
}
