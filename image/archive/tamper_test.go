package archive

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// fullTamper asks for every one of the 255 other values of every byte.
const fullTamper = "CALPROOF_TAMPER_FULL"

// found reports what is wrong when verify does not notice damage to file, or
// does not say where it is.
func found(fsys fs.FS, file string) error {
	r := &Reader{fsys: fsys} // the marker itself may be what was damaged
	v, err := r.Verify(ctx, VerifyOptions{Workers: 1})
	if err != nil {
		return nil // refused with an error: noticed
	}
	if v.Verdict == evidence.Pass {
		return fmt.Errorf("not found: %v", v.Findings)
	}
	place := path.Base(file) // a file of the archive itself
	if parts := strings.Split(file, "/"); len(parts) > 1 {
		place = parts[0] // the vehicle
		if len(parts) > 2 {
			place = parts[1] // the entry
		}
	}
	for _, f := range v.Findings {
		if f.Severity != evidence.Note && strings.Contains(f.Message, place) {
			return nil
		}
	}
	return fmt.Errorf("found, but not its place %q: %v", place, v.Findings)
}

// TestEveryByteCounts changes (one bit; with CALPROOF_TAMPER_FULL=1 all 255
// other values), removes, inserts and swaps every byte of every
// file of a small archive and cuts every file off at every length: verify must
// find each, in its fast form, and say in which entry. The count is logged.
func TestEveryByteCounts(t *testing.T) {
	a := newArchive(t)
	image := noise(1, 64)
	_, err := a.Add(ctx, backup("Groomer 2", image))
	require.NoError(t, err)
	_, err = a.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Modified, Image: BytesSource("edited.bin", noise(2, 64)), Parent: sumOf(image)})
	require.NoError(t, err)
	files := loadFS(t, a.Dir())
	base := newMemFS(files)
	clean, err := (&Reader{fsys: base}).Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	require.Equal(t, evidence.Pass, clean.Verdict)

	full, step := os.Getenv(fullTamper) == "1", 1
	if testing.Short() {
		step = 19 // a sample
	}
	defer debug.SetGCPercent(debug.SetGCPercent(800)) // many small, short lives
	var count, size atomic.Int64
	type job struct {
		file string
		at   int
	}
	jobs := make(chan job)
	var wg sync.WaitGroup
	var mu sync.Mutex
	var missed []string
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for j := range jobs {
				data := files[j.file]
				try := func(what string, damaged []byte) {
					count.Add(1)
					if err := found(base.with(j.file, damaged), j.file); err != nil {
						mu.Lock()
						missed = append(missed, fmt.Sprintf("%s at %d of %s: %v", what, j.at, j.file, err))
						mu.Unlock()
					}
				}
				if j.at < len(data) {
					size.Add(1)
					masks := []byte{1 << (j.at % 8)}
					if full {
						masks = masks[:0]
						for m := 1; m < 256; m++ {
							masks = append(masks, byte(m))
						}
					}
					for _, m := range masks {
						changed := bytes.Clone(data)
						changed[j.at] ^= m
						try("change", changed)
					}
					try("removal", slices.Delete(bytes.Clone(data), j.at, j.at+1))
					try("truncation", data[:j.at:j.at])
					if j.at+1 < len(data) && data[j.at] != data[j.at+1] {
						swapped := bytes.Clone(data)
						swapped[j.at], swapped[j.at+1] = swapped[j.at+1], swapped[j.at]
						try("swap", swapped)
					}
				}
				try("insertion", slices.Insert(bytes.Clone(data), j.at, []byte(" \n0\x00")[j.at%4]))
			}
		})
	}
	for _, file := range slices.Sorted(maps.Keys(files)) {
		for at := 0; at <= len(files[file]); at += step {
			jobs <- job{file, at}
		}
	}
	close(jobs)
	wg.Wait()
	for _, m := range missed[:min(len(missed), 20)] {
		t.Error(m)
	}
	t.Logf("%d of %d damages found, over %d bytes in %d files", count.Load()-int64(len(missed)), count.Load(), size.Load(), len(files))
}

// TestEveryFileCounts removes, adds, links, renames and swaps whole files and
// folders.
func TestEveryFileCounts(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "Groomer 2", 64)
	_, err := a.Add(ctx, backup("Groomer 3", noise(5, 64)))
	require.NoError(t, err)
	files := loadFS(t, a.Dir())
	names := slices.Sorted(maps.Keys(files))
	count := 0
	skipped := 0
	try := func(what, file string, change func(map[string][]byte)) {
		t.Helper()
		if skipped++; testing.Short() && skipped%9 != 0 {
			return
		}
		damaged := maps.Clone(files)
		change(damaged)
		count++
		if err := found(newMemFS(damaged), file); err != nil {
			t.Errorf("%s of %s: %v", what, file, err)
		}
	}
	folders := map[string]bool{}
	for _, f := range names {
		if f == lockFile {
			continue // an archive that was copied may lack it
		}
		if f != markerFile { // without it this is no archive: NewReader refuses it
			try("removal", f, func(m map[string][]byte) { delete(m, f) })
		}
		try("link in place", f, func(m map[string][]byte) { m[f] = nil })
		try("copy beside", f, func(m map[string][]byte) { m[f+"x"] = m[f] })
		try("emptied", f, func(m map[string][]byte) {
			m[f] = []byte{}
			if len(files[f]) == 0 {
				m[f] = []byte("x")
			}
		})
		for _, other := range names {
			if !bytes.Equal(files[f], files[other]) && f < other {
				try("swap with "+other, f, func(m map[string][]byte) { m[f], m[other] = m[other], m[f] })
			}
			if f != other && strings.Count(f, "/") > 0 {
				try("replaced by "+other, f, func(m map[string][]byte) {
					m[f] = m[other]
					if bytes.Equal(files[f], files[other]) {
						m[f] = append(bytes.Clone(m[other]), '!')
					}
				})
			}
		}
		for dir := path.Dir(f); dir != "."; dir = path.Dir(dir) {
			folders[dir] = true
		}
	}
	for dir := range folders {
		if strings.Contains(dir, "/") { // a whole vehicle may be moved away
			try("removal", dir, func(m map[string][]byte) {
				maps.DeleteFunc(m, func(f string, _ []byte) bool { return strings.HasPrefix(f, dir+"/") })
			})
			try("renaming", dir, func(m map[string][]byte) {
				for f, data := range files {
					if rest, ok := strings.CutPrefix(f, dir+"/"); ok {
						delete(m, f)
						m[dir+"x/"+rest] = data
					}
				}
			})
		}
		try("empty folder in", dir+"/new", func(m map[string][]byte) { m[dir+"/new/"] = []byte{} })
	}
	entries := []string{"groomer-2/0001-backup-2026-11-25", "groomer-2/0002-modified-2026-11-25", "groomer-2/0003-attachment-2026-11-25", "groomer-3/0001-backup-2026-11-25"}
	for i, from := range entries {
		for _, to := range entries[i+1:] {
			try("swap of entries", from, func(m map[string][]byte) {
				for f, data := range files {
					if rest, ok := strings.CutPrefix(f, from+"/"); ok {
						delete(m, f)
						m[to+"/"+rest] = data
					}
				}
				for f, data := range files {
					if rest, ok := strings.CutPrefix(f, to+"/"); ok {
						if _, there := files[from+"/"+rest]; !there {
							delete(m, f)
						}
						m[from+"/"+rest] = data
					}
				}
			})
		}
	}
	t.Logf("%d damages to whole files and folders found, over %d files", count, len(files))
}

// TestLargeArchiveBySample damages single bytes at random places of an archive
// with larger images.
func TestLargeArchiveBySample(t *testing.T) {
	a := newArchive(t)
	for _, name := range []string{"a", "b", "c"} {
		fill(t, a, name, 200_000)
	}
	files := loadFS(t, a.Dir())
	names := slices.Sorted(maps.Keys(files))
	base := newMemFS(files)
	r := rand.New(rand.NewPCG(1, 2))
	const samples = 150
	for range samples {
		file := names[r.IntN(len(names))]
		if len(files[file]) == 0 {
			continue
		}
		damaged := bytes.Clone(files[file])
		at := r.IntN(len(damaged))
		damaged[at] ^= byte(1 + r.IntN(255))
		assert.NoError(t, found(base.with(file, damaged), file), "byte %d of %s", at, file)
	}
	t.Logf("%d of %d samples found", samples, samples)
}

// TestRewrittenEntryIsFound: an entry that was made anew, manifests and all,
// is a valid bag; only the chain can tell.
func TestRewrittenEntryIsFound(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 64)
	other := newArchive(t)
	forged := backup("g", noise(66, 64))
	_, err := other.Add(ctx, forged)
	require.NoError(t, err)
	files, fake := loadFS(t, a.Dir()), loadFS(t, other.Dir())
	for f := range fake {
		if strings.Contains(f, "/0001-") {
			files[f] = fake[f]
		}
	}
	v, err := (&Reader{fsys: newMemFS(files)}).Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, v.Verdict)
	var codes []string
	for _, f := range v.Findings {
		codes = append(codes, f.Code)
	}
	assert.Contains(t, codes, "chain-broken")
	assert.Contains(t, codes, "parent-missing")
	assert.NotContains(t, codes, "hash-mismatch")
	// With the forger's chain file beside it, the next entry still tells.
	files["g/"+chainFile] = bytes.Replace(files["g/"+chainFile], files["g/"+chainFile][:64], fake["g/"+chainFile][:64], 1)
	v, err = (&Reader{fsys: newMemFS(files)}).Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, v.Verdict)
	assert.Contains(t, fmt.Sprint(v.Findings), "was not written after the entry before it")
}

// TestRenamedEntry: an entry under another kind or day, with a chain file that
// says the same.
func TestRenamedEntry(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 64)
	for from, to := range map[string]string{"0002-modified-2026-11-25": "0002-backup-2026-11-25", "0001-backup-2026-11-25": "0001-backup-2020-01-01"} {
		files := map[string][]byte{}
		for f, data := range loadFS(t, a.Dir()) {
			files[strings.Replace(f, from, to, 1)] = data
		}
		files["g/"+chainFile] = bytes.Replace(files["g/"+chainFile], []byte(from), []byte(to), 1)
		v, err := (&Reader{fsys: newMemFS(files)}).Verify(ctx, VerifyOptions{})
		require.NoError(t, err)
		require.Len(t, v.Findings, 1)
		assert.Equal(t, "entry-renamed", v.Findings[0].Code)
	}
}

// TestNewestEntryRewritten: the newest entry has no successor; the chain file
// tells.
func TestNewestEntryRewritten(t *testing.T) {
	a, forge := newArchive(t), newArchive(t)
	for i, x := range []*Archive{a, forge} {
		_, err := x.Add(ctx, backup("g", noise(1, 64)))
		require.NoError(t, err)
		_, err = x.Add(ctx, Addition{Vehicle: "g", Kind: Readback, Image: BytesSource("r.bin", noise(uint64(10+i), 64))})
		require.NoError(t, err)
	}
	files := loadFS(t, a.Dir())
	for f, data := range loadFS(t, forge.Dir()) {
		if strings.Contains(f, "/0002-") {
			files[f] = data
		}
	}
	v, err := (&Reader{fsys: newMemFS(files)}).Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	require.Len(t, v.Findings, 1, "each entry by itself is sound")
	assert.Equal(t, "chain-broken", v.Findings[0].Code)
	assert.Equal(t, evidence.Fail, v.Verdict)
}

func TestRestoreRefusesDamage(t *testing.T) {
	a := newArchive(t)
	added, err := a.Add(ctx, backup("g", noise(1, 64)))
	require.NoError(t, err)
	files := loadFS(t, a.Dir())
	e := added.Entry
	for _, file := range []string{e.ImagePath, e.MapPath, e.VerdictPath} {
		damaged := bytes.Clone(files[e.Ref()+"/"+file])
		damaged[3] ^= 1
		r := &Reader{fsys: newMemFS(files).with(e.Ref()+"/"+file, damaged)}
		assert.ErrorContains(t, r.RestoreFile(ctx, &e, file, io.Discard), "the archive is damaged here", file)
		if file == e.ImagePath {
			assert.ErrorContains(t, r.Restore(ctx, &e, io.Discard), "the archive is damaged here")
		}
	}
	r := &Reader{fsys: newMemFS(files)}
	assert.ErrorContains(t, r.RestoreFile(ctx, &e, "data/none", io.Discard), "holds no data/none")
	e.ImagePath = "../../" + markerFile
	assert.ErrorContains(t, r.Restore(ctx, &e, io.Discard), "is no payload file")
	e.ImagePath = ""
	assert.ErrorContains(t, r.Restore(ctx, &e, io.Discard), "holds no image")
}
