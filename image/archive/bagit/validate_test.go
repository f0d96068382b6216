package bagit_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
)

// bagOf makes a bag of ours around payload files.
func bagOf(payload map[string]string) fstest.MapFS {
	bag := fstest.MapFS{}
	size := 0
	for name, data := range payload {
		bag["data/"+name] = &fstest.MapFile{Data: []byte(data)}
		size += len(data)
	}
	bag["bagit.txt"] = &fstest.MapFile{Data: []byte(bagit.Declaration)}
	bag["bag-info.txt"] = &fstest.MapFile{Data: fmt.Appendf(nil, "Payload-Oxum: %d.%d\n", size, len(payload))}
	return seal(bag)
}

// seal writes the manifests of a bag anew.
func seal(bag fstest.MapFS) fstest.MapFS {
	bag = maps.Clone(bag)
	for _, prefix := range []string{"", "tag"} {
		var short, long []bagit.Line
		for name, f := range bag {
			if strings.HasPrefix(name, "data/") == (prefix == "") && !strings.HasPrefix(name, prefix+"manifest-") && !strings.HasPrefix(name, "tagmanifest-") {
				a, b := sha256.Sum256(f.Data), sha512.Sum512(f.Data)
				short = append(short, bagit.Line{Sum: a[:], Path: name})
				long = append(long, bagit.Line{Sum: b[:], Path: name})
			}
		}
		bag[prefix+"manifest-sha256.txt"] = &fstest.MapFile{Data: bagit.FormatManifest(short)}
		bag[prefix+"manifest-sha512.txt"] = &fstest.MapFile{Data: bagit.FormatManifest(long)}
	}
	return bag
}

func validate(t testing.TB, fsys fs.FS) *bagit.Report {
	t.Helper()
	report, err := bagit.Validate(context.Background(), fsys, bagit.Options{})
	require.NoError(t, err)
	return report
}

func TestOurBagIsAccepted(t *testing.T) {
	report := validate(t, bagOf(map[string]string{"a.bin": "image", "b/ü.txt": "text"}))
	assert.True(t, report.Accepted(), "%v", report.Problems)
	assert.Equal(t, int64(9), report.PayloadBytes)
	assert.Equal(t, "9.2", report.Info.Get("payload-oxum"))
}

// TestStricterRules breaks one of our own rules at a time in a bag whose hashes
// agree: BagIt allows it, we do not.
func TestStricterRules(t *testing.T) {
	good := bagOf(map[string]string{"a.bin": "image"})
	file := func(data string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(data)} }
	utf16BE := func(s string) *fstest.MapFile {
		var out []byte
		for _, u := range utf16.Encode([]rune("\uFEFF" + s)) {
			out = append(out, byte(u>>8), byte(u))
		}
		return &fstest.MapFile{Data: out}
	}
	for code, change := range map[string]func(fstest.MapFS) fstest.MapFS{
		"unsafe-name":    func(b fstest.MapFS) fstest.MapFS { b["data/aux.txt"] = file("x"); return seal(info(b)) },
		"name-collision": func(b fstest.MapFS) fstest.MapFS { b["data/A.BIN"] = file("x"); return seal(info(b)) },
		"fetch": func(b fstest.MapFS) fstest.MapFS {
			b["fetch.txt"] = file("http://127.0.0.1/a - data/a.bin\n")
			return seal(b)
		},
		"tag-file-unlisted": func(b fstest.MapFS) fstest.MapFS { b["more.txt"] = file("x"); return b },
		"extra-folder":      func(b fstest.MapFS) fstest.MapFS { b["more/x.txt"] = file("x"); return seal(b) },
		"empty-folder": func(b fstest.MapFS) fstest.MapFS {
			b["data/empty"] = &fstest.MapFile{Mode: fs.ModeDir | 0o755}
			return b
		},
		"no-oxum":          func(b fstest.MapFS) fstest.MapFS { b["bag-info.txt"] = file("A: b\n"); return seal(b) },
		"no-bag-info":      func(b fstest.MapFS) fstest.MapFS { delete(b, "bag-info.txt"); return seal(b) },
		"manifest-missing": func(b fstest.MapFS) fstest.MapFS { delete(b, "tagmanifest-sha512.txt"); return b },
		"not-a-file": func(b fstest.MapFS) fstest.MapFS {
			b["data/link"] = &fstest.MapFile{Mode: fs.ModeSymlink, Data: []byte("a.bin")}
			return b
		},
		"manifest-not-canonical": func(b fstest.MapFS) fstest.MapFS {
			m := b["tagmanifest-sha256.txt"]
			b["tagmanifest-sha256.txt"] = &fstest.MapFile{Data: bytes.ToUpper(m.Data[:64])}
			b["tagmanifest-sha256.txt"].Data = append(b["tagmanifest-sha256.txt"].Data, m.Data[64:]...)
			return b
		},
		"declaration-not-canonical": func(b fstest.MapFS) fstest.MapFS {
			b["bagit.txt"] = file("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n")
			b["bag-info.txt"] = utf16BE("Payload-Oxum: 5.1\n")
			b = seal(b)
			for name, f := range b {
				if strings.Contains(name, "manifest-") && !strings.HasPrefix(name, "tag") {
					b[name] = utf16BE(string(f.Data))
				}
			}
			tags := seal(b)
			for _, name := range []string{"tagmanifest-sha256.txt", "tagmanifest-sha512.txt"} {
				// Over the manifests as they now are, not as seal would write them.
				b[name] = utf16BE(string(tagLines(b, tags[name].Data)))
			}
			return b
		},
	} {
		report := validate(t, change(maps.Clone(good)))
		assert.Contains(t, codes(report), code, "%v", report.Problems)
		assert.True(t, report.Conforms(), "%s: %v", code, report.Problems)
		assert.False(t, report.Accepted(), code)
	}
}

// info brings Payload-Oxum up to date.
func info(b fstest.MapFS) fstest.MapFS {
	size, n := 0, 0
	for name, f := range b {
		if strings.HasPrefix(name, "data/") {
			size, n = size+len(f.Data), n+1
		}
	}
	b["bag-info.txt"] = &fstest.MapFile{Data: fmt.Appendf(nil, "Payload-Oxum: %d.%d\n", size, n)}
	return b
}

// tagLines computes the sums of a tag manifest anew from the files of b.
func tagLines(b fstest.MapFS, old []byte) []byte {
	size := 32
	lines, err := bagit.ParseManifest(old, size)
	if err != nil {
		size = 64
		lines, _ = bagit.ParseManifest(old, size)
	}
	for i, l := range lines {
		if size == 32 {
			sum := sha256.Sum256(b[l.Path].Data)
			lines[i].Sum = sum[:]
		} else {
			sum := sha512.Sum512(b[l.Path].Data)
			lines[i].Sum = sum[:]
		}
	}
	return bagit.FormatManifest(lines)
}

// TestBrokenBags breaks BagIt itself.
func TestBrokenBags(t *testing.T) {
	good := bagOf(map[string]string{"a.bin": "image"})
	sum := strings.Repeat("0", 64)
	file := func(data string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(data)} }
	for what, c := range map[string]struct {
		code   string
		change func(fstest.MapFS)
	}{
		"absolute path":      {"path-outside", func(b fstest.MapFS) { b["manifest-sha256.txt"] = file(sum + "  /etc/passwd\n") }},
		"traversal":          {"path-outside", func(b fstest.MapFS) { b["manifest-sha256.txt"] = file(sum + "  data/../../x\n") }},
		"encoded traversal":  {"file-missing", func(b fstest.MapFS) { b["manifest-sha256.txt"] = file(sum + "  data/%2e%2e/x\n") }},
		"backslash":          {"path-outside", func(b fstest.MapFS) { b["manifest-sha256.txt"] = file(sum + "  data\\x\n") }},
		"tag file in it":     {"path-outside", func(b fstest.MapFS) { b["manifest-sha256.txt"] = file(sum + "  bagit.txt\n") }},
		"payload in tag one": {"path-outside", func(b fstest.MapFS) { b["tagmanifest-sha256.txt"] = file(sum + "  data/a.bin\n") }},
		"other algorithm":    {"unknown-algorithm", func(b fstest.MapFS) { b["manifest-crc32.txt"] = file("00000000  data/a.bin\n") }},
		"version": {"unknown-version", func(b fstest.MapFS) {
			b["bagit.txt"] = file("BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n")
		}},
		"encoding": {"bad-encoding", func(b fstest.MapFS) {
			b["bagit.txt"] = file("BagIt-Version: 1.0\nTag-File-Character-Encoding: EBCDIC\n")
		}},
		"not UTF-8":         {"bad-encoding", func(b fstest.MapFS) { b["bag-info.txt"] = file("A: \xff\n") }},
		"oxum":              {"oxum", func(b fstest.MapFS) { b["bag-info.txt"] = file("Payload-Oxum: 6.1\n") }},
		"two oxums":         {"oxum", func(b fstest.MapFS) { b["bag-info.txt"] = file("Payload-Oxum: 5.1\nPayload-Oxum: 5.1\n") }},
		"no payload folder": {"no-payload-folder", func(b fstest.MapFS) { delete(b, "data/a.bin") }},
		"no manifest":       {"no-manifest", func(b fstest.MapFS) { delete(b, "manifest-sha256.txt"); delete(b, "manifest-sha512.txt") }},
		"huge tag file":     {"tag-file-too-large", func(b fstest.MapFS) { b["bagit.txt"] = &fstest.MapFile{Data: make([]byte, bagit.MaxTagFile+1)} }},
		"bad fetch":         {"bad-fetch", func(b fstest.MapFS) { b["fetch.txt"] = file("x\n") }},
	} {
		bag := maps.Clone(good)
		c.change(bag)
		report := validate(t, bag)
		assert.Contains(t, codes(report), c.code, "%s: %v", what, report.Problems)
		assert.False(t, report.Conforms(), what)
	}
}

// TestPercentEncodedNames: RFC 8493 section 2.1.3 writes %, CR and LF in paths
// encoded, and nothing else. We read such a bag and do not accept it.
func TestPercentEncodedNames(t *testing.T) {
	bag := bagOf(map[string]string{"50%": "x"})
	for _, name := range []string{"manifest-sha256.txt", "manifest-sha512.txt"} {
		bag[name] = &fstest.MapFile{Data: bytes.Replace(bag[name].Data, []byte("50%"), []byte("50%25"), 1)}
	}
	for _, name := range []string{"tagmanifest-sha256.txt", "tagmanifest-sha512.txt"} {
		bag[name] = &fstest.MapFile{Data: tagLines(bag, bag[name].Data)}
	}
	report := validate(t, bag)
	assert.True(t, report.Conforms(), "%v", report.Problems)
	assert.Subset(t, codes(report), []string{"percent", "unsafe-name"})
}

// TestLimits: a folder of noise ends early, whatever it holds.
func TestLimits(t *testing.T) {
	_, err := bagit.Validate(context.Background(), bagOf(map[string]string{"a": "", "b": "", "c": ""}), bagit.Options{MaxFiles: 5})
	assert.ErrorContains(t, err, "more than 5")
	_, err = bagit.Validate(context.Background(), bagOf(map[string]string{strings.Repeat("d/", 40) + "x": ""}), bagit.Options{})
	assert.ErrorContains(t, err, "deeper than")
	bag := bagOf(map[string]string{"a.bin": "image"})
	var lines bytes.Buffer
	for i := range 5000 {
		fmt.Fprintf(&lines, "%064x  data/missing-%d\n", i, i)
	}
	bag["manifest-sha256.txt"] = &fstest.MapFile{Data: lines.Bytes()}
	report := validate(t, bag)
	assert.Len(t, report.Problems, 201)
	assert.True(t, slices.ContainsFunc(report.Problems, func(p bagit.Problem) bool { return p.Code == "too-many-problems" }))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err = bagit.Validate(ctx, bag, bagit.Options{})
	assert.ErrorIs(t, err, context.Canceled)
}

// FuzzValidate feeds the text files of a bag; whatever they are, the answer
// comes without a panic and without looking outside.
func FuzzValidate(f *testing.F) {
	for _, bag := range suite(f) {
		var declaration, info, manifest, fetch []byte
		for name, file := range bag {
			switch {
			case name == "bagit.txt":
				declaration = file.Data
			case name == "bag-info.txt":
				info = file.Data
			case name == "fetch.txt":
				fetch = file.Data
			case strings.HasPrefix(name, "manifest-"):
				manifest = file.Data
			}
		}
		f.Add(declaration, info, manifest, fetch)
	}
	f.Fuzz(func(t *testing.T, declaration, info, manifest, fetch []byte) {
		bag := fstest.MapFS{
			"bagit.txt": {Data: declaration}, "bag-info.txt": {Data: info}, "manifest-md5.txt": {Data: manifest},
			"manifest-sha256.txt": {Data: manifest}, "fetch.txt": {Data: fetch}, "data/hello.txt": {Data: []byte("hello\n")},
		}
		report, err := bagit.Validate(context.Background(), bag, bagit.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if report.Accepted() {
			t.Fatal("a bag with fetch.txt and without tag manifests is accepted")
		}
	})
}
