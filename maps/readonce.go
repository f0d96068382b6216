package maps

import (
	"errors"
	"fmt"
	"io"
	"iter"

	"example.com/calproof/image"
)

// Pass is an image that [ReadOnce] goes through, and what is to be computed of it
// on the way.
type Pass struct {
	Bound *Bound
	Name  string    // of the image, for messages; "" for none
	Rules bool      // evaluate the checksum rules of the map
	File  io.Writer // is written the file, byte for byte: it may be a hash; nil for none

	Results []RuleResult // set by ReadOnce, if Rules: what [Bound.Check] gives
	err     error
}

// ReadOnce reads images once, side by side, for everything that is to be computed
// of their bytes: checksum rules, hashes of the files, and whatever visit does.
// Bytes are read in blocks of at most 64 KiB, and each block is given to all
// that want bytes of it before the next one is read; nothing is kept.
//
// visit may be nil. It is called with stretches of addresses in ascending
// order; blocks[i] holds the bytes of passes[i], or is nil where that image
// holds none of the stretch. The slices are valid during the call only, and the bytes
// must not be changed. An
// error of visit ends the reading.
//
// These bytes are read a second time:
//
//   - those of the file, for [Pass.File], where the image is not the file byte
//     for byte: Intel HEX, S-record and ELF files, and raw files that the map
//     arranges. (Records were read once already when the file was opened.)
//   - what [Bound.Check] names.
//
// It is an error if bytes cannot be read, if a File gives one, and if there is
// no file for a File: the image was made in memory or is a view of others. The
// Results hold even then, except after an error of visit.
func ReadOnce(visit func(addr uint64, blocks [][]byte) error, passes ...*Pass) error {
	switch {
	case visit == nil:
		for _, p := range passes {
			p.read(nil)
		}
	case len(passes) == 1:
		one := make([][]byte, 1)
		passes[0].read(func(addr uint64, block []byte) error {
			one[0] = block
			return visit(addr, one)
		})
	default:
		if err := sideBySide(visit, passes); err != nil {
			return err
		}
	}
	var errs []error
	for _, p := range passes {
		if p.err != nil && p.Name != "" {
			p.err = fmt.Errorf("%s: %w", p.Name, p.err)
		}
		errs = append(errs, p.err)
	}
	return errors.Join(errs...)
}

// read goes through one image; the error is left in p.
func (p *Pass) read(visit func(addr uint64, block []byte) error) {
	b, file := p.Bound, p.File
	m := b.Map
	if !p.Rules {
		m = nil
	}
	ev := newEvaluator(m, b.Image)
	if file != nil && !b.isFile() {
		p.err = b.copyFile(file)
		file = nil
	}
	var all *cursor
	if file != nil || visit != nil {
		all = &cursor{}
		for _, s := range ev.held {
			all.pieces = append(all.pieces, piece{where: s})
		}
		all.w = tap{all, file, visit}
	}
	p.Results = ev.check(all)
	if all != nil && p.err == nil {
		p.err = all.err
	}
}

// isFile reports whether the image is its file, byte for byte.
func (b *Bound) isFile() bool {
	return b.Image.File() != nil && b.Image.Format() == image.FormatRaw && len(b.Image.Segments()) == 1
}

func (b *Bound) copyFile(w io.Writer) error {
	file := b.Opened().File()
	if file == nil {
		return errors.New("the image has no file; it was made in memory, or of other images")
	}
	_, err := io.Copy(w, file)
	return err
}

// tap passes on all bytes of an image.
type tap struct {
	cu    *cursor
	file  io.Writer                             // nil for none
	visit func(addr uint64, block []byte) error // nil for none
}

func (t tap) Write(p []byte) (int, error) {
	if t.file != nil {
		if n, err := t.file.Write(p); err != nil {
			return n, err
		}
	}
	if t.visit != nil {
		if err := t.visit(t.cu.at, p); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

// errStopped ends a pass whose bytes nobody takes any more.
var errStopped = errors.New("stopped")

// blocks reads one image and gives its blocks.
func (p *Pass) blocks() iter.Seq2[uint64, []byte] {
	return func(yield func(uint64, []byte) bool) {
		p.read(func(addr uint64, block []byte) error {
			if !yield(addr, block) {
				return errStopped
			}
			return nil
		})
	}
}

// stream is a pass that waits with a block in its hands.
type stream struct {
	next  func() (uint64, []byte, bool)
	addr  uint64
	block []byte // what is left of it
	live  bool
}

func (s *stream) pull() { s.addr, s.block, s.live = s.next() }

// sideBySide reads several images, each in a coroutine of its own.
func sideBySide(visit func(addr uint64, blocks [][]byte) error, passes []*Pass) error {
	streams := make([]stream, len(passes))
	for i, p := range passes {
		next, stop := iter.Pull2(p.blocks())
		defer stop()
		streams[i].next = next
		streams[i].pull()
	}
	blocks := make([][]byte, len(passes))
	for {
		addr, n, any := step(streams)
		if !any {
			return nil
		}
		for i := range streams {
			blocks[i] = nil
			if s := &streams[i]; s.live && s.addr == addr {
				blocks[i] = s.block[:n]
			}
		}
		if err := visit(addr, blocks); err != nil {
			return err
		}
		for i := range streams {
			s := &streams[i]
			if !s.live || s.addr != addr {
				continue
			}
			if s.addr, s.block = s.addr+n, s.block[n:]; len(s.block) == 0 {
				s.pull()
			}
		}
	}
}

// step returns the next stretch that each of the streams holds whole or not at
// all.
func step(streams []stream) (addr, n uint64, any bool) {
	for _, s := range streams {
		if s.live && (!any || s.addr < addr) {
			addr, any = s.addr, true
		}
	}
	for _, s := range streams {
		if !s.live {
			continue
		}
		left := s.addr - addr // to where it begins
		if left == 0 {
			left = uint64(len(s.block))
		}
		if n == 0 || left < n {
			n = left
		}
	}
	return addr, n, any
}
