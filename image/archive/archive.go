package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/gofrs/flock"
)

// markerFile makes a folder an archive and explains it to whoever opens it.
const markerFile = "calproof-archive.txt"

// marker is the whole content of markerFile; `verify` compares every byte.
const marker = `calproof archive, format 1

Each folder here is a vehicle. Each folder in it, such as 0001-backup-2026-11-25, keeps one image with what
belongs to it: a BagIt 1.0 bag (RFC 8493). No program of ours is needed to use it.

  data/image/        the image, byte for byte as it was given
  data/              beside it: region map, second read, verdict, note, attached files
  bag-info.txt       vehicle, kind, hashes, read conditions; open it in a text editor

To check an entry, in its folder:   sha256sum -c --strict manifest-sha256.txt tagmanifest-sha256.txt
                                    sha512sum -c --strict manifest-sha512.txt tagmanifest-sha512.txt
To check that no entry is missing, in the vehicle's folder:   sha256sum -c --strict chain-sha256.txt
To restore an image:   cp 0001-backup-2026-11-25/data/image/NAME somewhere, then compare its hash.

Entries never change. Folders whose name begins with ".incoming-" are what an interrupted writer left; the next
writer removes them.
`

const (
	lockFile       = ".lock"
	incomingPrefix = ".incoming-"
)

// Options of an archive.
type Options struct {
	Tool     string           // program and version that writes, for bag-info.txt; "calproof" if empty
	Now      func() time.Time // clock; nil is time.Now
	LockWait time.Duration    // how long a writer waits for another; 0 means one minute, negative not at all
}

// Archive is an archive in a folder of this machine. It is safe for concurrent
// use, by other processes too.
type Archive struct {
	*Reader
	dir  string
	opts Options
	disk disk
	root localFS
}

// ErrNotArchive says that a folder is no archive, or one of an unknown format.
var ErrNotArchive = errors.New("not an archive")

// Init makes the folder dir an archive. It may exist if it is empty.
func Init(dir string, opts Options) (*Archive, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("make archive: %w", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("make archive: %w", err)
	}
	if slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return e.Name() == markerFile }) {
		return nil, fmt.Errorf("%s is an archive already", dir)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), incomingPrefix) { // left by an interrupted Init
			return nil, fmt.Errorf("%s is not empty (it holds %q); name a new folder", dir, e.Name())
		}
	}
	d := osDisk{}
	temp := filepath.Join(dir, incomingPrefix+"archive")
	if err := d.RemoveAll(temp); err != nil {
		return nil, fmt.Errorf("make archive: %w", err)
	}
	if err := writeWhole(d, temp, []byte(marker)); err != nil {
		return nil, fmt.Errorf("make archive: %w", err)
	}
	if err := d.Rename(temp, filepath.Join(dir, markerFile)); err != nil {
		return nil, fmt.Errorf("make archive: %w", err)
	}
	for _, folder := range []string{dir, filepath.Dir(dir)} {
		if err := d.SyncDir(folder); err != nil {
			return nil, fmt.Errorf("make archive: %w", err)
		}
	}
	return Open(dir, opts)
}

// Open opens the archive in the folder dir. Close releases it.
func Open(dir string, opts Options) (*Archive, error) {
	root, err := openLocal(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w: there is no such folder; `archive init` makes one", dir, ErrNotArchive)
	}
	if err != nil {
		return nil, fmt.Errorf("open archive: %w", err)
	}
	r, err := NewReader(root)
	if err != nil {
		root.Close()
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	if opts.Tool == "" {
		opts.Tool = "calproof"
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.LockWait == 0 {
		opts.LockWait = time.Minute
	}
	return &Archive{Reader: r, dir: dir, opts: opts, disk: osDisk{}, root: root}, nil
}

// Close releases the archive's folder.
func (a *Archive) Close() error { return a.root.Close() }

// Dir returns the archive's folder.
func (a *Archive) Dir() string { return a.dir }

// lock waits until this process is the only writer.
func (a *Archive) lock(ctx context.Context) (unlock func(), err error) {
	place := filepath.Join(a.dir, lockFile)
	// An archive from elsewhere may hold a link, whose end opening would make.
	if info, err := os.Lstat(place); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("lock archive %s: %s is no regular file (%s); remove it", a.dir, lockFile, info.Mode())
	}
	l := flock.New(place, flock.SetPermissions(0o666))
	if a.opts.LockWait > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, a.opts.LockWait)
		defer cancel()
		_, err = l.TryLockContext(ctx, 20*time.Millisecond)
		if errors.Is(err, context.DeadlineExceeded) {
			err = fmt.Errorf("another program is writing to it, and did not finish within %s", a.opts.LockWait)
		}
	} else {
		var ok bool
		if ok, err = l.TryLock(); err == nil && !ok {
			err = errors.New("another program is writing to it")
		}
	}
	if err != nil {
		return nil, fmt.Errorf("lock archive %s: %w", a.dir, err)
	}
	return func() { l.Unlock() }, nil
}

// Reader reads an archive from any file system.
type Reader struct {
	fsys fs.FS
}

// NewReader returns a reader of the archive whose folder is the root of fsys.
// Files of fsys should implement [io.ReaderAt] where images are large.
func NewReader(fsys fs.FS) (*Reader, error) {
	data, err := readLimited(fsys, markerFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: it holds no %s; `archive init` makes one", ErrNotArchive, markerFile)
	}
	if err != nil {
		return nil, err
	}
	first, _, _ := strings.Cut(marker, "\n")
	if line, _, _ := strings.Cut(string(data), "\n"); line != first {
		return nil, fmt.Errorf("%w: %s begins with %.60q where this version reads %q", ErrNotArchive, markerFile, line, first)
	}
	return &Reader{fsys: fsys}, nil
}

// maxText bounds the text files of an archive that are read whole.
const maxText = 16 << 20

// readLimited reads a regular file of at most maxText bytes.
func readLimited(fsys fs.FS, name string) ([]byte, error) {
	var data bytes.Buffer
	if err := appendLimited(&data, fsys, name); err != nil {
		return nil, err
	}
	return data.Bytes(), nil
}

// appendLimited is readLimited into a buffer that can be used again.
func appendLimited(data *bytes.Buffer, fsys fs.FS, name string) error {
	f, err := fsys.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	data.Grow(4 << 10) // most are smaller: one read and the end
	n, err := data.ReadFrom(io.LimitReader(f, maxText+1))
	if err == nil && n > maxText {
		err = fmt.Errorf("%s has more than %d bytes", name, maxText)
	}
	return err
}
