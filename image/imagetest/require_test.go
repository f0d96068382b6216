package imagetest_test

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/imagetest"
)

// recorder is a testing.TB that notes how the function under test ended the test.
type recorder struct {
	testing.TB
	ended string
}

func (r *recorder) Helper()               {}
func (r *recorder) Skipf(string, ...any)  { r.ended = "skip"; runtime.Goexit() }
func (r *recorder) Fatalf(string, ...any) { r.ended = "fail"; runtime.Goexit() }

// ending runs fn as a test of its own would and tells how it ended.
func ending(t *testing.T, fn func(tb testing.TB)) string {
	r := &recorder{TB: t, ended: "return"}
	done := make(chan struct{})
	go func() {
		defer close(done)
		fn(r)
	}()
	<-done
	return r.ended
}

func TestMissing(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "pkg", "usr"), 0o777))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "pkg", "usr", "file"), []byte("abc"), 0o666))
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" // FIPS 180-2, appendix B.1

	cases := map[string]struct {
		inputs string
		call   func(tb testing.TB)
		ends   bool
	}{
		"absent tool":     {dir, func(tb testing.TB) { imagetest.Tool(tb, "no-such-program-here") }, true},
		"go is a tool":    {dir, func(tb testing.TB) { imagetest.Tool(tb, "go") }, false},
		"absent module":   {dir, func(tb testing.TB) { imagetest.Python(tb, "no_such_module_here") }, true},
		"inputs not set":  {"", func(tb testing.TB) { imagetest.RealFile(tb, "pkg/usr/file", abc) }, true},
		"file absent":     {dir, func(tb testing.TB) { imagetest.RealFile(tb, "pkg/usr/other", abc) }, true},
		"another version": {dir, func(tb testing.TB) { imagetest.RealFile(tb, "pkg/usr/file", "00") }, true},
		"file is right":   {dir, func(tb testing.TB) { imagetest.RealFile(tb, "pkg/usr/file", abc) }, false},
		"made by another": {dir, func(tb testing.TB) { imagetest.Version(tb, "file", []byte("abd"), abc) }, true},
		"made by it":      {dir, func(tb testing.TB) { imagetest.Version(tb, "file", []byte("abc"), abc) }, false},
		"any version":     {dir, func(tb testing.TB) { imagetest.RealFile(tb, "pkg/usr/file", "") }, false},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Setenv(imagetest.RealInputsEnv, c.inputs)
			for require, want := range map[string]string{"": "skip", "1": "fail"} {
				t.Setenv(imagetest.RequireToolsEnv, require)
				if !c.ends {
					want = "return"
				}
				assert.Equal(t, want, ending(t, c.call))
			}
		})
	}
}
