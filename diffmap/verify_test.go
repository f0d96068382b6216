package diffmap

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/checksum"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// counted binds a map to a file whose bytes are counted from now on.
func counted(t *testing.T, m *maps.Map, data []byte) (*maps.Bound, *imagetest.CountedFile) {
	f := &imagetest.CountedFile{Data: data}
	b, err := maps.New("file", f, int64(len(data)), m, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	f.Reset()
	return b, f
}

// apart are what is read by itself besides: stored values, cells and axes of
// tables, identity fields.
func apart(m *maps.Map, results []maps.RuleResult) (out []image.Range) {
	for _, r := range results {
		if r.Field != nil {
			out = append(out, *r.Field)
		}
	}
	for _, table := range m.Tables {
		out = append(out, table.Range())
		for _, axis := range []*maps.AxisSpec{table.X, table.Y} {
			if r, ok := axis.Range(); ok {
				out = append(out, r)
			}
		}
	}
	for _, id := range m.Identities {
		out = append(out, id.Range)
	}
	return out
}

func sum(data []byte) string { return fmt.Sprintf("%x", sha256.Sum256(data)) }

// Whatever is computed of an image, hash of its file included, each of its
// bytes is asked for once.
func TestBytesAreReadOnce(t *testing.T) {
	m := smallMap(t)
	data := smallImage(nil)
	edited, again := smallImage(setIdle(0, 1300)), smallImage(flip(0x3804))
	t.Run("verify", func(t *testing.T) {
		b, f := counted(t, m, data)
		h := sha256.New()
		v, agreed, err := VerifyFile(b, nil, h)
		require.NoError(t, err)
		assert.Nil(t, agreed)
		f.Once(t, apart(m, v.Checksums)...)
		assert.Equal(t, sum(data), fmt.Sprintf("%x", h.Sum(nil)))
	})
	t.Run("verify with a second read", func(t *testing.T) {
		b, f := counted(t, m, data)
		second, f2 := counted(t, m, again)
		h := sha256.New()
		v, agreed, err := VerifyFile(b, second, h)
		require.NoError(t, err)
		f.Once(t, apart(m, v.Checksums)...)
		f2.Once(t)
		assert.Equal(t, sum(data), fmt.Sprintf("%x", h.Sum(nil)))

		alone, err := readcheck.Agree(m, b.Image, second.Image)
		require.NoError(t, err)
		assert.Equal(t, alone, agreed, "as without the rest")
	})
	t.Run("verify without a map", func(t *testing.T) {
		b, f := counted(t, nil, data)
		_, _, err := VerifyFile(b, nil, sha256.New())
		require.NoError(t, err)
		f.Once(t)
	})
	t.Run("diff", func(t *testing.T) {
		before, f := counted(t, m, data)
		after, f2 := counted(t, m, edited)
		res, err := CompareBound(before, after, Options{Hash: true})
		require.NoError(t, err)
		assert.Equal(t, [2]string{sum(data), sum(edited)}, res.SHA256)
		for _, f := range []*imagetest.CountedFile{f, f2} {
			f.Once(t, append(apart(m, bound(t, m, f.Data).Check()), changed(res)...)...)
		}
	})
	t.Run("gate", func(t *testing.T) {
		original, f := counted(t, m, data)
		modified, f2 := counted(t, m, edited)
		second, f3 := counted(t, m, again)
		asked := ""
		res, err := Gate(GateInput{Original: original, Modified: modified, SecondRead: second, Hash: true,
			Archive: func(s string) (*ArchiveEvidence, error) { asked = s; return &ArchiveEvidence{}, nil }})
		require.NoError(t, err)
		f.Once(t, append(apart(m, bound(t, m, data).Check()), changed(res.Diff)...)...)
		f2.Once(t, append(apart(m, bound(t, m, edited).Check()), changed(res.Diff)...)...)
		f3.Once(t)
		assert.Equal(t, sum(data), asked)
		assert.Equal(t, [2]string{sum(data), sum(edited)}, res.Diff.SHA256)
		assert.Equal(t, sum(again), res.SecondReadSHA256)
	})
	t.Run("agree", func(t *testing.T) {
		b, f := counted(t, nil, data)
		second, f2 := counted(t, nil, data)
		third, f3 := counted(t, nil, data)
		_, err := readcheck.Agree(m, b.Image, second.Image, third.Image)
		require.NoError(t, err)
		f.Once(t, apart(m, bound(t, m, data).Check())...) // its rules and fields are judged too
		f2.Once(t)
		f3.Once(t)
		for _, f := range []*imagetest.CountedFile{f, f2, f3} {
			f.Reset()
		}
		_, err = readcheck.Majority(false, b.Image, second.Image, third.Image)
		require.NoError(t, err)
		for _, f := range []*imagetest.CountedFile{f, f2, f3} {
			f.Once(t)
		}
	})
	t.Run("readback", func(t *testing.T) {
		written, f := counted(t, nil, data)
		read, f2 := counted(t, nil, data)
		_, err := readcheck.CompareReadback(m, written.Image, read.Image)
		require.NoError(t, err)
		f.Once(t)
		f2.Once(t)
	})
	t.Run("sum", func(t *testing.T) {
		b, f := counted(t, nil, data)
		alg, err := checksum.Lookup("CRC-32/ISO-HDLC")
		require.NoError(t, err)
		_, err = checksum.Over(alg, b.Image, b.Image.Segments()...)
		require.NoError(t, err)
		f.Once(t)
	})
}

func changed(res *Result) (out []image.Range) {
	for _, c := range res.Changes {
		out = append(out, c.Range)
	}
	return out
}

// A bad read that was made twice: the reads agree, what they hold is judged with
// the image, and nothing is told twice.
func TestEqualBadReadsAreToldOnce(t *testing.T) {
	in := goodGate(t)
	m := in.Original.Map
	bad := smallImage(nil)
	bad[0x2200]++
	in.Original, in.SecondRead, in.Archive = bound(t, m, bad), bound(t, m, bad), nil
	v, agreed, err := VerifyFile(in.Original, in.SecondRead, nil)
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, v.Verdict)
	assert.Equal(t, evidence.Fail, agreed.Verdict)
	assert.Equal(t, evidence.Pass, agreed.Agree)
	require.Len(t, agreed.Differences(), 1)
	assert.Equal(t, readcheck.CodeReadsEqual, agreed.Differences()[0].Code)

	res, err := Gate(in)
	require.NoError(t, err)
	original := res.Conditions[0]
	assert.Equal(t, evidence.Fail, original.Verdict)
	assert.Contains(t, original.Evidence, "second read: agrees with the original")
	seen := map[string]int{}
	for _, f := range original.Findings {
		seen[f.String()]++
	}
	for f, n := range seen {
		assert.Equal(t, 1, n, f)
	}
}

// An archive is asked after the files were read, and only about a file.
func TestGateAsksTheArchive(t *testing.T) {
	in := goodGate(t)
	broken := errors.New("the disk is gone")
	in.Archive = func(string) (*ArchiveEvidence, error) { return nil, broken }
	_, err := Gate(in)
	require.ErrorIs(t, err, broken)
	in.Archive = func(sum string) (*ArchiveEvidence, error) {
		assert.Empty(t, sum, "an image that was made in memory has no file")
		return &ArchiveEvidence{Verified: evidence.Pass}, nil
	}
	_, err = Gate(in)
	require.NoError(t, err)
}
