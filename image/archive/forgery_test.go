package archive

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

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
