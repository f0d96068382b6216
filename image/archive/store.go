package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path"
	"slices"
	"strings"
	"sync"
	"time"
)

// Store is a place for objects with slash-separated names that never change,
// such as a bucket. Package objectstore has one for the usual buckets.
type Store interface {
	// Create writes an object of size bytes. If one of that name is there it
	// is left alone, and the error wraps [fs.ErrExist].
	Create(ctx context.Context, name string, r io.Reader, size int64) error
	// Open returns an object's bytes from offset on. If there is none the
	// error wraps [fs.ErrNotExist].
	Open(ctx context.Context, name string, offset int64) (io.ReadCloser, error)
	// List yields what lies directly in a folder ("" is the top): objects and
	// folders.
	List(ctx context.Context, folder string) iter.Seq2[Object, error]
}

// Object is an object or folder of a store.
type Object struct {
	Name   string // its last element
	Size   int64
	Folder bool
}

// In a store an entry is there when its line of the chain is: an object of its
// own, created last, named by the number alone, so that two shops cannot both
// add a third entry. The files of an entry lie in a folder named by its hash
// too, so that what one shop left unfinished is in no other's way:
//
//	calproof-archive.txt
//	groomer-2/chain/0001                                   the chain file's line
//	groomer-2/0001-backup-2026-11-25.0123456789abcdef/...  the entry
const chainFolder = "chain"

func chainObject(folder string, number int) string {
	return fmt.Sprintf("%s/%s/%04d", folder, chainFolder, number)
}

func entryPrefix(folder string, l link) string {
	return folder + "/" + l.entry + "." + l.sum[:16]
}

// tries is how often something is tried that may fail in passing.
const tries = 4

// again calls fn until it succeeds, fails for good, or has been tried enough.
// A missing or existing object is an answer, not a failure.
func again(ctx context.Context, wait time.Duration, fn func() error) error {
	var err error
	for i := range tries {
		if i > 0 {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(wait << i):
			}
		}
		if err = fn(); err == nil || errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrExist) || errors.Is(err, ErrWrongBytes) || ctx.Err() != nil {
			return err
		}
	}
	return err
}

// retryWait is the first pause before another try; it doubles.
const retryWait = 100 * time.Millisecond

// StoreReader returns a reader of the archive in a store. What a push has not
// finished is not there for it. It remembers the chains it has read.
func StoreReader(ctx context.Context, s Store) (*Reader, error) {
	return NewReader(newStoreFS(ctx, s, retryWait))
}

// storeFS shows a store in the form the archive has on disk.
type storeFS struct {
	ctx   context.Context
	store Store
	wait  time.Duration // before another try

	mu     sync.Mutex
	chains map[string][]link // by vehicle
}

func newStoreFS(ctx context.Context, s Store, wait time.Duration) *storeFS {
	return &storeFS{ctx: ctx, store: s, wait: wait, chains: map[string][]link{}}
}

// chain returns the chain of a vehicle: every object of it, by number.
func (s *storeFS) chain(folder string) ([]link, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if chain, ok := s.chains[folder]; ok {
		return chain, nil
	}
	objects, err := s.list(folder + "/" + chainFolder)
	if err != nil {
		return nil, err
	}
	var text strings.Builder
	for i := range objects {
		name := chainObject(folder, i+1) // a gap is an object that is missing
		data, err := s.readAll(name)
		if err != nil {
			return nil, fmt.Errorf("chain of %s: %w", folder, err)
		}
		text.Write(data)
	}
	chain, err := parseChain([]byte(text.String()))
	if err != nil {
		return nil, fmt.Errorf("chain of %s: %w", folder, err)
	}
	if len(chain) != len(objects) {
		return nil, fmt.Errorf("chain of %s: %d objects hold %d lines", folder, len(objects), len(chain))
	}
	s.chains[folder] = chain
	return chain, nil
}

// list returns what lies in a folder, sorted by name.
func (s *storeFS) list(folder string) ([]Object, error) {
	var out []Object
	err := again(s.ctx, s.wait, func() error {
		out = out[:0]
		for o, err := range s.store.List(s.ctx, folder) {
			if err != nil {
				return err
			}
			if strings.Contains(o.Name, "/") || !fs.ValidPath(o.Name) || o.Name == "." {
				return fmt.Errorf("%.100q is no name of an object in folder %q", o.Name, folder)
			}
			if len(out) >= maxZipFiles {
				return fmt.Errorf("folder %q of the store holds more than %d objects", folder, maxZipFiles)
			}
			out = append(out, o)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list %q of the store: %w", folder, err)
	}
	slices.SortFunc(out, func(a, b Object) int { return cmp.Compare(a.Name, b.Name) })
	return out, nil
}

// readAll reads a small object.
func (s *storeFS) readAll(name string) ([]byte, error) {
	r := &storeReader{s: s, name: name}
	defer r.close()
	data, err := io.ReadAll(io.LimitReader(r, maxText+1))
	if err == nil && len(data) > maxText {
		err = fmt.Errorf("%s has more than %d bytes", name, maxText)
	}
	return data, err
}

// key returns the object or folder of the store that stands for a path of the
// archive.
func (s *storeFS) key(name string) (string, error) {
	folder, rest, ok := strings.Cut(name, "/")
	if !ok {
		return name, nil
	}
	entry, file, _ := strings.Cut(rest, "/")
	chain, err := s.chain(folder)
	if err != nil {
		return "", err
	}
	for _, l := range chain {
		if l.entry == entry {
			return path.Join(entryPrefix(folder, l), file), nil
		}
	}
	return "", fs.ErrNotExist
}

// Open implements [fs.FS]. A folder can be listed with ReadDir only.
func (s *storeFS) Open(name string) (fs.File, error) {
	fail := func(err error) (fs.File, error) { return nil, &fs.PathError{Op: "open", Path: name, Err: err} }
	if !fs.ValidPath(name) {
		return fail(fs.ErrInvalid)
	}
	if name == "." || !strings.Contains(name, "/") && name != markerFile {
		return &storeFile{info: storeInfo{Object{Name: path.Base(name), Folder: true}}}, nil
	}
	if folder, file := path.Split(name); file == chainFile && strings.Count(name, "/") == 1 {
		chain, err := s.chain(strings.TrimSuffix(folder, "/"))
		if err != nil {
			return fail(err)
		}
		text := formatChain(chain)
		return &storeFile{Reader: strings.NewReader(string(text)), info: storeInfo{Object{Name: file, Size: int64(len(text))}}}, nil
	}
	key, err := s.key(name)
	if err != nil {
		return fail(err)
	}
	r := &storeReader{s: s, name: key}
	if err := r.open(); err != nil { // now, so that a missing object is a missing file
		if !errors.Is(err, fs.ErrNotExist) {
			return fail(err)
		}
		if objects, listErr := s.list(key); listErr == nil && len(objects) > 0 {
			return &storeFile{info: storeInfo{Object{Name: path.Base(name), Folder: true}}}, nil
		}
		return fail(err)
	}
	return &storeFile{Reader: r, close: r.close, info: storeInfo{Object{Name: path.Base(name)}}}, nil
}

// ReadDir implements [fs.ReadDirFS].
func (s *storeFS) ReadDir(name string) ([]fs.DirEntry, error) {
	var objects []Object
	var err error
	switch {
	case name == ".":
		objects, err = s.list("")
	case !strings.Contains(name, "/"):
		var chain []link
		if chain, err = s.chain(name); err == nil {
			objects = append(objects, Object{Name: chainFile})
			objects, err = s.entries(name, chain, objects)
		}
	default:
		var key string
		if key, err = s.key(name); err == nil {
			objects, err = s.list(key)
		}
	}
	if err != nil {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: err}
	}
	out := make([]fs.DirEntry, len(objects))
	for i, o := range objects {
		out[i] = fs.FileInfoToDirEntry(storeInfo{o})
	}
	slices.SortFunc(out, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return out, nil
}

// entries adds the entries on a chain to objects, then what else lies in the
// vehicle's folder: entries that are not on the chain, under their full names.
func (s *storeFS) entries(folder string, chain []link, objects []Object) ([]Object, error) {
	there, err := s.list(folder)
	if err != nil {
		return nil, err
	}
	committed := map[string]bool{chainFolder: true}
	for _, l := range chain {
		objects = append(objects, Object{Name: l.entry, Folder: true})
		committed[path.Base(entryPrefix(folder, l))] = true
	}
	for _, o := range there {
		if !committed[o.Name] {
			objects = append(objects, o)
		}
	}
	return objects, nil
}

type storeInfo struct{ o Object }

func (i storeInfo) Name() string       { return i.o.Name }
func (i storeInfo) Size() int64        { return i.o.Size }
func (i storeInfo) ModTime() time.Time { return time.Time{} }
func (i storeInfo) IsDir() bool        { return i.o.Folder }
func (i storeInfo) Sys() any           { return nil }
func (i storeInfo) Mode() fs.FileMode {
	if i.o.Folder {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

type storeFile struct {
	io.Reader
	info  storeInfo
	close func() error
}

func (f *storeFile) Stat() (fs.FileInfo, error) { return f.info, nil }

func (f *storeFile) Read(p []byte) (int, error) {
	if f.Reader == nil {
		return 0, errors.New("is a folder")
	}
	return f.Reader.Read(p)
}

func (f *storeFile) Close() error {
	if f.close == nil {
		return nil
	}
	return f.close()
}

// storeReader reads an object and goes on where it was when the connection
// breaks.
type storeReader struct {
	s      *storeFS
	name   string
	offset int64
	body   io.ReadCloser
	broken int // times in a row without a byte
}

func (r *storeReader) open() error {
	return again(r.s.ctx, r.s.wait, func() (err error) {
		r.body, err = r.s.store.Open(r.s.ctx, r.name, r.offset)
		return err
	})
}

func (r *storeReader) Read(p []byte) (int, error) {
	for {
		if err := r.s.ctx.Err(); err != nil {
			return 0, err
		}
		if r.body == nil {
			if err := r.open(); err != nil {
				return 0, err
			}
		}
		n, err := r.body.Read(p)
		r.offset += int64(n)
		if n > 0 {
			r.broken = 0
			return n, nil // an error comes again with the next call
		}
		if err == nil || err == io.EOF {
			return 0, err
		}
		if r.broken++; r.broken >= tries {
			return 0, err
		}
		_ = r.close() // the connection is broken already
	}
}

func (r *storeReader) close() error {
	if r.body == nil {
		return nil
	}
	err := r.body.Close()
	r.body = nil
	return err
}
