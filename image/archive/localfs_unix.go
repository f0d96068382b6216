//go:build unix

package archive

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// folder is an open folder. What lies in it is opened by openat, one name at a
// time, and no symbolic link is followed, so that no path leads out of it.
//
// An archive is thousands of small files, of which opening costs more than
// hashing. [os.Root] does the same, but with about twice the system calls:
// it makes each file ready to be waited for, looks at each name it lists, and
// walks down to each file anew.
type folder struct {
	fd   int
	path string
	keep bool // open folders below stay open until Close

	mu    sync.Mutex         // guards what follows, and the place in list
	list  *os.File           // fd, made when it is listed: most folders are only opened in
	below map[string]*folder // by path, only with keep
}

// openFolder opens a folder of this machine by its path.
func openFolder(dir string) (*folder, error) {
	fd, err := openat(unix.AT_FDCWD, dir, unix.O_DIRECTORY)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: dir, Err: plain(err)}
	}
	return &folder{fd: fd, path: dir}, nil
}

// openat opens a file or folder for reading. It waits for no pipe: one is
// opened without waiting, or is no folder where a folder is wanted.
func openat(dir int, name string, flags int) (fd int, err error) {
	err = uninterrupted(func() (err error) {
		fd, err = unix.Openat(dir, name, unix.O_RDONLY|unix.O_CLOEXEC|flags, 0)
		return err
	})
	return fd, err
}

// Close closes the folder and those below that were kept open.
func (f *folder) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, b := range f.below {
		b.Close()
	}
	f.below = nil
	if f.list != nil {
		return f.list.Close()
	}
	return unix.Close(f.fd)
}

// enter opens a folder below that keeps what is opened in it until it is
// closed.
func (f *folder) enter(name string) (*folder, error) {
	if err := localPath("open", name); err != nil {
		return nil, err
	}
	below, err := f.open(name)
	if err != nil {
		return nil, err
	}
	below.keep, below.below = true, map[string]*folder{}
	return below, nil
}

// open opens a folder below.
func (f *folder) open(name string) (*folder, error) {
	parent, base, done, err := f.parent(name)
	if err != nil {
		return nil, err
	}
	defer done()
	fd, err := openat(parent.fd, base, unix.O_DIRECTORY|unix.O_NOFOLLOW)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: plain(err)}
	}
	return &folder{fd: fd, path: path.Join(f.path, name)}, nil
}

// parent returns the open folder that name lies in, and its last element.
func (f *folder) parent(name string) (parent *folder, base string, done func(), err error) {
	dir, base := path.Split(name)
	if dir == "" {
		return f, base, func() {}, nil
	}
	dir = strings.TrimSuffix(dir, "/")
	if parent, done, err = f.at(dir); err != nil {
		return nil, "", nil, err
	}
	return parent, base, done, nil
}

// at returns the folder below of that name; done must be called when it is used
// no more.
func (f *folder) at(name string) (below *folder, done func(), err error) {
	if name == "." {
		return f, func() {}, nil
	}
	f.mu.Lock()
	below, kept := f.below[name]
	f.mu.Unlock()
	if kept {
		return below, func() {}, nil
	}
	if below, err = f.open(name); err != nil {
		return nil, nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	// Another goroutine may have been faster.
	if _, kept = f.below[name]; kept || !f.keep || len(f.below) >= maxKept {
		return below, func() { below.Close() }, nil
	}
	f.below[name] = below
	return below, func() {}, nil
}

// maxKept bounds the folders that stay open: the system has a limit too, and an
// entry of ours has six.
const maxKept = 32

// plain puts the errors of an open that may surprise into words.
func plain(err error) error {
	switch err {
	case unix.ELOOP:
		return errors.New("is a symbolic link; none is followed here")
	case unix.ENOTDIR:
		return errors.New("is no folder")
	}
	return err
}

// Open implements [fs.FS].
func (f *folder) Open(name string) (fs.File, error) {
	if err := localPath("open", name); err != nil {
		return nil, err
	}
	parent, base, done, err := f.parent(name)
	if err != nil {
		return nil, err
	}
	defer done()
	fd, err := openat(parent.fd, base, unix.O_NONBLOCK|unix.O_NOFOLLOW)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: plain(err)}
	}
	file := &localFile{fd: fd, info: localInfo{name: base}}
	err = uninterrupted(func() error { return unix.Fstat(fd, &file.info.stat) })
	mode := file.info.Mode()
	switch {
	case err == nil && mode.IsDir():
		file.Close()
		return &localDir{info: file.info, in: f, name: name}, nil
	case err == nil && !mode.IsRegular():
		err = fmt.Errorf("is neither file nor folder (%v)", mode.Type())
	}
	if err != nil {
		file.Close()
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return file, nil
}

// ReadDir implements [fs.ReadDirFS].
func (f *folder) ReadDir(name string) ([]fs.DirEntry, error) {
	if err := localPath("readdir", name); err != nil {
		return nil, err
	}
	below, done, err := f.at(name)
	if err != nil {
		return nil, err
	}
	defer done()
	below.mu.Lock()
	defer below.mu.Unlock()
	if below.list == nil {
		below.list = os.NewFile(uintptr(below.fd), below.path)
	} else if _, err := below.list.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	names, err := below.list.ReadDir(-1)
	entries := make([]fs.DirEntry, len(names))
	for i, n := range names {
		entries[i] = localEntry{n, f, path.Join(name, n.Name())}
	}
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return entries, err
}

// Stat implements [fs.StatFS]; it follows no symbolic link.
func (f *folder) Stat(name string) (fs.FileInfo, error) {
	if err := localPath("stat", name); err != nil {
		return nil, err
	}
	parent, base, done, err := f.parent(name)
	if err != nil {
		return nil, err
	}
	defer done()
	info := localInfo{name: base}
	err = uninterrupted(func() error { return unix.Fstatat(parent.fd, base, &info.stat, unix.AT_SYMLINK_NOFOLLOW) })
	if err != nil {
		return nil, &fs.PathError{Op: "stat", Path: name, Err: err}
	}
	return &info, nil
}

// localEntry is an entry of a folder, looked at without its path.
type localEntry struct {
	fs.DirEntry
	in   *folder
	path string // in that folder
}

func (e localEntry) Info() (fs.FileInfo, error) { return e.in.Stat(e.path) }

// localFile is an open file.
type localFile struct {
	fd   int
	info localInfo
	off  int64
}

func (f *localFile) Stat() (fs.FileInfo, error) { return &f.info, nil }
func (f *localFile) Fd() uintptr                { return uintptr(f.fd) }

// Read implements [io.Reader]. A read that stops where the file ended when it
// was opened tells the end at once, which spares small files a second call.
func (f *localFile) Read(p []byte) (n int, err error) {
	if len(p) == 0 {
		return 0, nil
	}
	err = uninterrupted(func() (err error) {
		n, err = unix.Read(f.fd, p)
		return err
	})
	if err != nil {
		return 0, &fs.PathError{Op: "read", Path: f.info.name, Err: err}
	}
	f.off += int64(n)
	if n == 0 || n < len(p) && f.off == f.info.Size() {
		err = io.EOF
	}
	return n, err
}

func (f *localFile) Close() error {
	fd := f.fd
	f.fd = -1
	return unix.Close(fd)
}

// localDir is a folder that was opened as a file, to be listed.
type localDir struct {
	info   localInfo
	in     *folder
	name   string // in that folder
	listed bool
	left   []fs.DirEntry
}

func (d *localDir) Stat() (fs.FileInfo, error) { return &d.info, nil }
func (d *localDir) Close() error               { return nil }
func (d *localDir) Read([]byte) (int, error) {
	return 0, &fs.PathError{Op: "read", Path: d.name, Err: errors.New("is a folder")}
}

// ReadDir implements [fs.ReadDirFile].
func (d *localDir) ReadDir(n int) ([]fs.DirEntry, error) {
	if !d.listed {
		var err error
		if d.left, err = d.in.ReadDir(d.name); err != nil {
			return nil, err
		}
		d.listed = true
	}
	if n <= 0 {
		n = len(d.left)
	} else if len(d.left) == 0 {
		return nil, io.EOF
	}
	n = min(n, len(d.left))
	out := d.left[:n:n]
	d.left = d.left[n:]
	return out, nil
}

// uninterrupted calls fn until no signal interrupts it.
func uninterrupted(fn func() error) error {
	for {
		if err := fn(); err != unix.EINTR {
			return err
		}
	}
}

// localInfo is what the system says of a file or folder.
type localInfo struct {
	name string
	stat unix.Stat_t
}

func (i *localInfo) Name() string { return i.name }
func (i *localInfo) Size() int64  { return i.stat.Size }
func (i *localInfo) IsDir() bool  { return i.Mode().IsDir() }
func (i *localInfo) Sys() any     { return nil }

func (i *localInfo) ModTime() time.Time { return time.Unix(i.stat.Mtim.Unix()) }

func (i *localInfo) Mode() fs.FileMode {
	mode := fs.FileMode(i.stat.Mode & 0o777)
	switch uint32(i.stat.Mode) & unix.S_IFMT {
	case unix.S_IFREG:
		return mode
	case unix.S_IFDIR:
		return mode | fs.ModeDir
	case unix.S_IFLNK:
		return mode | fs.ModeSymlink
	case unix.S_IFIFO:
		return mode | fs.ModeNamedPipe
	case unix.S_IFSOCK:
		return mode | fs.ModeSocket
	default:
		return mode | fs.ModeDevice
	}
}
