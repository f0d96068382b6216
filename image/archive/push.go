package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// ErrWrongBytes says that a store holds other bytes than it should.
var ErrWrongBytes = errors.New("the store holds other bytes than were sent; it must not be trusted with this archive")

// ErrDiverged says that two places hold different histories of one vehicle.
var ErrDiverged = errors.New("different histories")

// Moved tells what a push or pull did with a vehicle.
type Moved struct {
	Folder string
	Moved  []string // entries that were copied
	Had    int      // entries that were there
	Ahead  int      // entries the other side has and this one lacks (push only)
}

// Push copies the entries of a vehicle that a store lacks. The vehicle must
// verify. Each object is created if it is not there, then read back and
// hashed, whoever wrote it: two shops never overwrite one another, and a store
// that lies is caught. A push that was interrupted goes on where it stopped.
func (r *Reader) Push(ctx context.Context, s Store, vehicle string) (*Moved, error) {
	return r.push(newStoreFS(ctx, s, retryWait), vehicle)
}

func (r *Reader) push(to *storeFS, vehicle string) (*Moved, error) {
	ctx := to.ctx
	v, err := r.Vehicle(ctx, vehicle)
	if err != nil {
		return nil, err
	}
	check, err := r.Verify(ctx, VerifyOptions{Vehicle: v.Folder, BothHashes: true})
	if err != nil {
		return nil, err
	}
	if check.Verdict == evidence.Fail {
		return nil, fmt.Errorf("vehicle %s is damaged and is not pushed: %w", v.Folder, faults(check))
	}
	chain, err := readChain(subFolder(r.fsys, v.Folder))
	if err != nil {
		return nil, err
	}
	p := &pusher{ctx: ctx, fsys: r.fsys, to: to}
	if existed, err := p.create(markerFile, []byte(marker)); err != nil && !existed {
		return nil, err
	}
	if _, err := NewReader(p.to); err != nil { // another version may have made it
		return nil, fmt.Errorf("store: %w", err)
	}
	remote, err := p.to.chain(v.Folder)
	if err != nil {
		return nil, err
	}
	if at := diverge(chain, remote); at >= 0 {
		return nil, fmt.Errorf("vehicle %s: %w: entry %d is %s here and %s in the store", v.Folder, ErrDiverged, at+1, chain[at].entry, remote[at].entry)
	}
	out := &Moved{Folder: v.Folder, Had: min(len(chain), len(remote)), Ahead: max(0, len(remote)-len(chain))}
	for i := out.Had; i < len(chain); i++ {
		if i >= len(v.Entries) || v.Entries[i].Name != chain[i].entry {
			break // a writer here has not finished it
		}
		if err := p.entry(v.Folder, i, chain[i]); err != nil {
			return out, fmt.Errorf("%s/%s: %w", v.Folder, chain[i].entry, err)
		}
		out.Moved = append(out.Moved, chain[i].entry)
	}
	return out, nil
}

// pusher copies into a store.
type pusher struct {
	ctx  context.Context
	fsys fs.FS
	to   *storeFS
}

// entry copies the files of an entry, then puts it on the chain.
func (p *pusher) entry(folder string, index int, l link) error {
	var files []string
	err := fs.WalkDir(p.fsys, folder+"/"+l.entry, func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, strings.TrimPrefix(name, folder+"/"+l.entry+"/"))
		}
		return err
	})
	if err != nil {
		return err
	}
	slices.Sort(files)
	for _, file := range files {
		if err := p.copy(path.Join(folder, l.entry, file), path.Join(entryPrefix(folder, l), file)); err != nil {
			return err
		}
	}
	name := chainObject(folder, index+1)
	existed, err := p.create(name, formatChain([]link{l}))
	if existed && errors.Is(err, ErrWrongBytes) && p.isChainLine(name) {
		return fmt.Errorf("%w: another shop has just put its own entry %d there", ErrDiverged, index+1)
	}
	return err
}

// isChainLine reports whether an object is a line of a chain, if not ours.
func (p *pusher) isChainLine(name string) bool {
	data, err := p.to.readAll(name)
	if err != nil {
		return false
	}
	lines, err := bagit.ParseManifest(data, sha256.Size)
	return err == nil && len(lines) == 1 && strings.HasSuffix(lines[0].Path, "/"+tagManifest)
}

// copy copies a file of the archive to an object.
func (p *pusher) copy(from, to string) error {
	info, err := fs.Stat(p.fsys, from)
	if err != nil {
		return err
	}
	h := sha256.New()
	f, err := p.fsys.Open(from)
	if err != nil {
		return err
	}
	_, err = io.Copy(h, f)
	f.Close()
	if err != nil {
		return err
	}
	_, err = p.put(to, hex.EncodeToString(h.Sum(nil)), info.Size(), func() (io.ReadCloser, error) { return p.fsys.Open(from) })
	return err
}

// create is put for a small object in memory.
func (p *pusher) create(name string, data []byte) (existed bool, err error) {
	sum := sha256.Sum256(data)
	return p.put(name, hex.EncodeToString(sum[:]), int64(len(data)), func() (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(data)), nil
	})
}

// put creates an object unless it is there, and reads it back in either case.
// After a broken connection it cannot be known whether the object was created;
// the next try finds out.
func (p *pusher) put(name, sum string, size int64, open func() (io.ReadCloser, error)) (existed bool, err error) {
	err = again(p.ctx, p.to.wait, func() error {
		r, err := open()
		if err != nil {
			return err
		}
		defer r.Close()
		return p.to.store.Create(p.ctx, name, r, size)
	})
	existed = errors.Is(err, fs.ErrExist)
	if err != nil && !existed {
		return false, fmt.Errorf("write %s to the store: %w", name, err)
	}
	back := &storeReader{s: p.to, name: name}
	defer back.close()
	h := sha256.New()
	n, err := io.Copy(h, io.LimitReader(back, size+1))
	if errors.Is(err, fs.ErrNotExist) {
		return existed, fmt.Errorf("%s is not there: %w", name, ErrWrongBytes)
	}
	if err != nil {
		return existed, fmt.Errorf("read %s back from the store: %w", name, err)
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != sum || n != size {
		return existed, fmt.Errorf("%s: %w", name, ErrWrongBytes)
	}
	return existed, nil
}

// Pull copies the entries of a vehicle that the archive lacks from a store.
// folder is the vehicle's in the store. Each entry is verified from this disk
// before it counts.
func (a *Archive) Pull(ctx context.Context, s Store, folder string) (*Moved, error) {
	return a.pull(newStoreFS(ctx, s, retryWait), folder)
}

func (a *Archive) pull(from *storeFS, folder string) (*Moved, error) {
	ctx := from.ctx
	if err := checkFolder(folder); err != nil {
		return nil, err
	}
	in, err := NewReader(from)
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	chain, err := from.chain(folder)
	if err != nil {
		return nil, err
	}
	if len(chain) == 0 {
		return nil, fmt.Errorf("vehicle %q: %w in the store", folder, ErrNotFound)
	}
	unlock, err := a.lock(ctx)
	if err != nil {
		return nil, err
	}
	defer unlock()
	got, err := a.takeIn(ctx, in, folder, chain)
	if got == nil {
		return nil, err
	}
	return &Moved{Folder: folder, Moved: got.Added, Had: got.Had}, err
}

// StoredVehicles returns the folders of the vehicles in a store.
func StoredVehicles(ctx context.Context, s Store) ([]string, error) {
	r, err := StoreReader(ctx, s)
	if err != nil {
		return nil, err
	}
	folders, _, err := r.folders()
	return folders, err
}
