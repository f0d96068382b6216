package archive

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
)

// FuzzImport feeds files that claim to be exports. Whatever they are, nothing
// but a vehicle that verifies gets in, and nothing else is written.
func FuzzImport(f *testing.F) {
	a := newArchive(f)
	fill(f, a, "g", 20)
	good := export(f, a, "g")
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Add([]byte("PK\x05\x06" + string(make([]byte, 18))))
	for i := 0; i < len(good); i += len(good) / 20 {
		bad := bytes.Clone(good)
		bad[i] ^= 0x55
		f.Add(bad)
	}
	into := newArchive(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := importInto(into, data); err != nil {
			if n := len(entriesOf(t, into)); n != 0 && n != 3 {
				t.Fatalf("%d entries after a refused import", n)
			}
			return
		}
		if v := verifyAll(t, into); len(v.Findings) > 0 {
			t.Fatalf("imported, but %v", v.Findings)
		}
	})
}

// FuzzEntry feeds bag-info.txt and chain files. What is accepted must come out
// the same when it is written again.
func FuzzEntry(f *testing.F) {
	a := newArchive(f)
	fill(f, a, "g", 20)
	files := loadFS(f, a.Dir())
	for _, e := range []string{"0001-backup", "0002-modified", "0003-attachment"} {
		f.Add(files["g/"+e+"-2026-11-25/bag-info.txt"], files["g/"+chainFile])
	}
	f.Fuzz(func(t *testing.T, info, chain []byte) {
		if links, err := parseChain(chain); err == nil && !bytes.Equal(formatChain(links), chain) {
			t.Fatalf("chain %q is written as %q", chain, formatChain(links))
		}
		fields, err := bagit.ParseInfo(info)
		if err != nil {
			return
		}
		e, err := entryFromInfo(fields)
		if err != nil {
			return
		}
		text, err := e.info(fields.Get(labelOxum))
		if err != nil {
			return // values that we do not write
		}
		again, err := bagit.ParseInfo(text)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := entryFromInfo(again); err != nil {
			t.Fatalf("%q, then %q: %v", info, text, err)
		}
	})
}

// TestEntrySeeds proves that the seeds of FuzzEntry are accepted and come out
// byte for byte, and that those of FuzzImport include one that gets in.
func TestEntrySeeds(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 20)
	files := loadFS(t, a.Dir())
	_, err := parseChain(files["g/"+chainFile])
	require.NoError(t, err)
	for name, info := range files {
		if len(name) < 12 || name[len(name)-12:] != "bag-info.txt" {
			continue
		}
		fields, err := bagit.ParseInfo(info)
		require.NoError(t, err)
		e, err := entryFromInfo(fields)
		require.NoError(t, err)
		text, err := e.info(fields.Get(labelOxum))
		require.NoError(t, err)
		require.Equal(t, string(info), string(text))
	}
	_, err = importInto(newArchive(t), export(t, a, "g"))
	require.NoError(t, err)
}
