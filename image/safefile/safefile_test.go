package safefile_test

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/safefile"
)

// write returns a function that writes s in two pieces.
func write(s string) func(io.Writer) error {
	return func(w io.Writer) error {
		if _, err := io.WriteString(w, s[:len(s)/2]); err != nil {
			return err
		}
		_, err := io.WriteString(w, s[len(s)/2:])
		return err
	}
}

// folder is a test's folder and the files that must be in it at the end.
type folder struct {
	t    *testing.T
	path string
}

func newFolder(t *testing.T) folder { return folder{t, t.TempDir()} }

func (f folder) file(name string) string { return filepath.Join(f.path, name) }

func (f folder) put(name, content string) string {
	require.NoError(f.t, os.WriteFile(f.file(name), []byte(content), 0o644))
	return f.file(name)
}

// holds checks the folder's whole content: no temporary file, nothing else.
func (f folder) holds(want map[string]string) {
	f.t.Helper()
	entries, err := os.ReadDir(f.path)
	require.NoError(f.t, err)
	got := map[string]string{}
	for _, e := range entries {
		data, err := os.ReadFile(f.file(e.Name()))
		if err != nil {
			data = []byte("unreadable")
		}
		got[e.Name()] = string(data)
	}
	assert.Equal(f.t, want, got)
}

func TestNewFile(t *testing.T) {
	for _, force := range []bool{false, true} {
		f := newFolder(t)
		in := f.put("in", "old")
		require.NoError(t, safefile.Write(f.file("out"), safefile.Options{Force: force, Inputs: []string{in, "-"}}, write("content")))
		f.holds(map[string]string{"in": "old", "out": "content"})
	}
}

func TestRelativePath(t *testing.T) {
	f := newFolder(t)
	t.Chdir(f.path)
	require.NoError(t, safefile.Write("out", safefile.Options{}, write("content")))
	f.holds(map[string]string{"out": "content"})
}

func TestExistingFile(t *testing.T) {
	f := newFolder(t)
	out := f.put("out", "old")
	called := false
	err := safefile.Write(out, safefile.Options{}, func(io.Writer) error { called = true; return nil })
	require.ErrorIs(t, err, fs.ErrExist)
	assert.False(t, called, "the work is not done for nothing")
	f.holds(map[string]string{"out": "old"})
	require.NoError(t, safefile.Write(out, safefile.Options{Force: true}, write("new")))
	f.holds(map[string]string{"out": "new"})
}

// A file that another program creates while fn runs is not replaced.
func TestFileAppears(t *testing.T) {
	f := newFolder(t)
	err := safefile.Write(f.file("out"), safefile.Options{}, func(w io.Writer) error {
		f.put("out", "theirs")
		return write("ours")(w)
	})
	require.ErrorIs(t, err, fs.ErrExist)
	f.holds(map[string]string{"out": "theirs"})
}

func TestFailure(t *testing.T) {
	broken := errors.New("broken")
	for _, force := range []bool{false, true} {
		f := newFolder(t)
		want := map[string]string{}
		if force {
			f.put("out", "old")
			want["out"] = "old"
		}
		opts := safefile.Options{Force: force}
		err := safefile.Write(f.file("out"), opts, func(w io.Writer) error {
			require.NoError(t, write("half")(w))
			return broken
		})
		require.ErrorIs(t, err, broken)
		f.holds(want)
		assert.PanicsWithValue(t, "oops", func() {
			_ = safefile.Write(f.file("out"), opts, func(w io.Writer) error {
				require.NoError(t, write("half")(w))
				panic("oops")
			})
		})
		f.holds(want)
		// A function that closes the file under our feet: fsync fails.
		err = safefile.Write(f.file("out"), opts, func(w io.Writer) error { return w.(io.Closer).Close() })
		require.Error(t, err)
		f.holds(want)
	}
}

func TestBadPlaces(t *testing.T) {
	f := newFolder(t)
	err := safefile.Write(filepath.Join(f.path, "missing", "out"), safefile.Options{}, write("x"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.ErrorContains(t, err, filepath.Join(f.path, "missing")+" does not exist", "the folder is named, not a temporary file in it")
	require.NotContains(t, err.Error(), ".tmp")
	for _, force := range []bool{false, true} {
		require.ErrorIs(t, safefile.Write(f.path, safefile.Options{Force: force}, write("x")), safefile.ErrNotRegular)
	}
	f.holds(map[string]string{})
	require.Error(t, safefile.Write("", safefile.Options{}, write("x")))
}

// Every way to name an input is refused, with and without force.
func TestInput(t *testing.T) {
	f := newFolder(t)
	in := f.put("in", "input")
	names := map[string]string{"itself": in, "another spelling": filepath.Join(f.path, ".", "in") + ""}
	names["through the folder"] = f.path + string(filepath.Separator) + "." + string(filepath.Separator) + "in"
	want := map[string]string{"in": "input"}
	if err := os.Link(in, f.file("hard")); err == nil {
		names["hard link"], want["hard"] = f.file("hard"), "input"
	}
	if err := os.Symlink(in, f.file("soft")); err == nil {
		names["symbolic link"], want["soft"] = f.file("soft"), "input"
	}
	if _, err := os.Stat(f.file("IN")); err == nil { // a file system that ignores case
		names["other case"] = f.file("IN")
	}
	for name, out := range names {
		for _, force := range []bool{false, true} {
			err := safefile.Write(out, safefile.Options{Force: force, Inputs: []string{"other", in}}, write("output"))
			require.ErrorIs(t, err, safefile.ErrInput, name)
			assert.True(t, strings.Contains(err.Error(), in), "the message names the input: %v", err)
		}
	}
	if runtime.GOOS != "windows" {
		require.Len(t, names, 5, "links are made where they can be")
	}
	// The input given through a link, the output as the file itself.
	if link := f.file("soft"); names["symbolic link"] != "" {
		require.ErrorIs(t, safefile.Write(in, safefile.Options{Force: true, Inputs: []string{link}}, write("x")), safefile.ErrInput)
	}
	f.holds(want)
}

func TestSymbolicLink(t *testing.T) {
	f := newFolder(t)
	real := f.put("real", "old")
	if err := os.Symlink(real, f.file("link")); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	require.ErrorIs(t, safefile.Write(f.file("link"), safefile.Options{}, write("new")), fs.ErrExist)
	require.NoError(t, safefile.Write(f.file("link"), safefile.Options{Force: true}, write("new")))
	info, err := os.Lstat(f.file("link"))
	require.NoError(t, err)
	assert.NotZero(t, info.Mode()&fs.ModeSymlink, "the link stays a link")
	f.holds(map[string]string{"real": "new", "link": "new"})

	require.NoError(t, os.Remove(real))
	require.Error(t, safefile.Write(f.file("link"), safefile.Options{Force: true}, write("new")), "a link that leads nowhere")
	f.holds(map[string]string{"link": "unreadable"})
}

func TestPermission(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no permission bits")
	}
	f := newFolder(t)
	for _, perm := range []fs.FileMode{0o600, 0o640, 0o755, 0o444} {
		out := f.put("out", "old")
		require.NoError(t, os.Chmod(out, perm))
		require.NoError(t, safefile.Write(out, safefile.Options{Force: true}, write("new")))
		info, err := os.Stat(out)
		require.NoError(t, err)
		assert.Equal(t, perm, info.Mode().Perm())
		require.NoError(t, os.Remove(out))
	}
	// A new file gets what any new file gets: 0666 less the umask.
	require.NoError(t, safefile.Write(f.file("ours"), safefile.Options{}, write("x")))
	plain, err := os.Create(f.file("plain"))
	require.NoError(t, err)
	require.NoError(t, plain.Close())
	ours, err := os.Stat(f.file("ours"))
	require.NoError(t, err)
	theirs, err := os.Stat(f.file("plain"))
	require.NoError(t, err)
	assert.Equal(t, theirs.Mode(), ours.Mode())
}
