package bagit

import (
	"bytes"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"runtime/debug"
	"slices"
	"sync"
)

// Algorithms that RFC 8493 or common practice names manifests after. MD5 and
// SHA-1 only find accidents; bags of ours never rest on them.
var algorithms = map[string]func() hash.Hash{
	"md5": md5.New, "sha1": sha1.New, "sha224": sha256.New224, "sha256": sha256.New,
	"sha384": sha512.New384, "sha512": sha512.New,
}

// hashes reads every listed file once and compares every sum.
func (v *validator) hashes() error {
	defer v.tell()
	var held []string
	if v.opts.Hold != nil {
		held = v.opts.Hold(v.report.Info)
	}
	for _, file := range slices.Sorted(maps.Keys(v.report.Files)) {
		lists, prefix := v.tagManifests, "tag"
		if isPayload(file) {
			lists, prefix = v.manifests, ""
		}
		var names []string
		for algorithm, sums := range lists {
			if _, ok := sums[file]; ok && (prefix == "tag" || v.opts.Payload == nil || slices.Contains(v.opts.Payload, algorithm)) {
				names = append(names, algorithm)
			}
		}
		if len(names) == 0 {
			continue
		}
		slices.Sort(names)
		f := v.report.Files[file]
		n, sums, err := v.hashFile(file, names, slices.Contains(held, file))
		if err != nil {
			if v.ctx.Err() != nil {
				return v.ctx.Err()
			}
			v.bad("unreadable", file, "%v", err)
			continue
		}
		if n != f.Size {
			v.bad("size-changed", file, "has %d bytes where the folder says %d; it changes while it is read", n, f.Size)
		}
		for i, algorithm := range names {
			f.Sums[algorithm] = sums[i]
			if want, got := lists[algorithm][file], sums[i]; !bytes.Equal(want, got) {
				v.bad("hash-mismatch", file, "%s is %.8x..., but %smanifest-%s.txt says %.8x...", algorithm, got, prefix, algorithm, want)
			}
		}
	}
	return nil
}

// MaxHeld is the size of the largest file that a report holds, in bytes.
const MaxHeld = 64 << 20

// hashFile reads a file once, unless it is there already, and returns its size
// and its sum by each of the algorithms.
func (v *validator) hashFile(name string, algorithms []string, hold bool) (int64, [][]byte, error) {
	d := newDigest(algorithms)
	data, ok := v.report.Text[name]
	if ok {
		v.hashed(d.add(data))
		return d.size, d.sums(), nil
	}
	f, err := v.fsys.Open(name)
	if err != nil {
		return 0, nil, err
	}
	defer f.Close()
	if hold && v.report.Files[name].Size <= MaxHeld {
		if data, err = readHeld(f, v.report.Files[name].Size); err != nil {
			return 0, nil, err
		}
		v.hashed(d.add(data))
		v.report.Held[name] = data
		return d.size, d.sums(), nil
	}
	if size, sums, ok := v.hashMapped(f, algorithms, v.report.Files[name].Size); ok {
		return size, sums, v.ctx.Err()
	}
	buf := buffers.Get().(*[]byte)
	defer buffers.Put(buf)
	for {
		if err := v.ctx.Err(); err != nil {
			return d.size, nil, err
		}
		n, err := f.Read(*buf)
		v.hashed(d.add((*buf)[:n]))
		if err == io.EOF {
			return d.size, d.sums(), nil
		}
		if err != nil {
			return d.size, nil, err
		}
	}
}

// Files from minMapped bytes on are mapped into memory where the system can do
// that. Reading copies every byte first, which costs about a sixth of the speed
// of SHA-256; mapping costs less than a twentieth. Smaller files are not worth
// the two system calls.
const (
	minMapped = 256 << 10
	piece     = 256 << 10 // bytes hashed between looks at the context; stays in the cache for a second algorithm
)

// hashMapped is hashFile by a mapping. It returns false where that cannot be
// done; reading then tells why, if anything is wrong with the file.
func (v *validator) hashMapped(f fs.File, algorithms []string, size int64) (int64, [][]byte, bool) {
	file, ok := f.(interface{ Fd() uintptr })
	if !ok || size < minMapped {
		return 0, nil, false
	}
	if info, err := f.Stat(); err != nil || info.Size() != size {
		return 0, nil, false
	}
	data, unmap, err := mapFile(file.Fd(), size)
	if err != nil {
		return 0, nil, false
	}
	defer unmap()
	d := newDigest(algorithms)
	for part := range slices.Chunk(data, piece) {
		if v.ctx.Err() != nil {
			return d.size, nil, true
		}
		if !d.addMapped(part) {
			v.report.Hashed -= d.size
			return 0, nil, false
		}
		v.hashed(len(part))
	}
	return d.size, d.sums(), true
}

// addMapped is add for a piece of a mapping. It returns false if a page cannot
// be read, because another program has cut the file off or the disk fails. Such
// an access is a fault of the processor, which would end the program; here it
// is made a panic, and ends there.
func (d *digest) addMapped(p []byte) (ok bool) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if fault := recover(); fault != nil {
			if _, isFault := fault.(interface{ Addr() uintptr }); !isFault {
				panic(fault)
			}
			ok = false
		}
	}()
	d.add(p)
	return true
}

// buffers are small enough for the cache next to a processor.
var buffers = sync.Pool{New: func() any { b := make([]byte, 128<<10); return &b }}

// readHeld reads a file of about size bytes whole.
func readHeld(f io.Reader, size int64) ([]byte, error) {
	var out bytes.Buffer
	out.Grow(int(size) + bytes.MinRead) // which the end of the file needs
	if _, err := out.ReadFrom(io.LimitReader(f, MaxHeld+1)); err != nil {
		return nil, err
	}
	if out.Len() > MaxHeld {
		return nil, fmt.Errorf("grows while it is read")
	}
	return out.Bytes(), nil
}

// digest computes several sums of what is added to it.
type digest struct {
	size   int64
	hashes []hash.Hash
}

func newDigest(names []string) *digest {
	d := &digest{}
	for _, n := range names {
		d.hashes = append(d.hashes, algorithms[n]())
	}
	return d
}

func (d *digest) add(p []byte) int {
	for _, h := range d.hashes {
		h.Write(p)
	}
	d.size += int64(len(p))
	return len(p)
}

func (d *digest) sums() [][]byte {
	out := make([][]byte, len(d.hashes))
	for i, h := range d.hashes {
		out[i] = h.Sum(nil)
	}
	return out
}

// hashed counts bytes and passes them on in pieces.
func (v *validator) hashed(n int) {
	v.report.Hashed += int64(n)
	if v.untold += int64(n); v.untold >= 1<<20 {
		v.tell()
	}
}

func (v *validator) tell() {
	if v.opts.Progress != nil {
		v.opts.Progress(v.untold)
	}
	v.untold = 0
}
