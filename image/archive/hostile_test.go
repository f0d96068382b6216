package archive

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// zipOf writes a zip file by hand. Order of names is the order of files.
func zipOf(t testing.TB, files map[string][]byte, edit func(h *zip.FileHeader)) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		h := &zip.FileHeader{Name: name, Method: zip.Store}
		if edit != nil {
			edit(h)
		}
		w, err := z.CreateHeader(h)
		require.NoError(t, err)
		_, err = w.Write(files[name])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return out.Bytes()
}

// TestHostileImports: what is no export is refused, and not a byte is written
// in the archive or beside it.
func TestHostileImports(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 500)
	good := unzipped(t, export(t, a, "g"))
	with := func(name string, data []byte) map[string][]byte {
		m := maps.Clone(good)
		m[name] = data
		return m
	}
	without := func(name string) map[string][]byte {
		m := maps.Clone(good)
		delete(m, name)
		return m
	}
	flipped := func(name string) map[string][]byte {
		data := bytes.Clone(good[name])
		data[len(data)/2] ^= 1
		return with(name, data)
	}
	twice := func() []byte {
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		for _, name := range append(slices.Sorted(maps.Keys(good)), "g/bagit.txt") {
			w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
			require.NoError(t, err)
			_, _ = w.Write(good[name])
		}
		require.NoError(t, z.Close())
		return out.Bytes()
	}
	inFolder := func(name string) []byte {
		return rebag(t, good, func(f bagit.Fields) {
			for i := range f {
				if f[i].Label == labelFolder {
					f[i].Value = name
				}
			}
		})
	}
	// Where a second check would refuse it too, the first one is asked for.
	says := map[string]string{
		"zip bomb": "is compressed or encrypted", "compressed": "is compressed or encrypted", "encrypted": "is compressed or encrypted",
		"name twice": "is there twice", "case": "is there twice, perhaps in another spelling",
		"one file for many": "claims more bytes than the file has", "more bytes than are there": "claims more bytes than the file has",
		"traversal": "points to a folder of its own", "traversal at once": "points to a folder of its own", "absolute": "name is empty",
		"link": "is no file in its one folder", "link as a folder": "is no file in its one folder", "pipe": "is no file in its one folder",
		"NUL": "holds '\\x00'", "escape": "holds '\\x1b'", "line feed": "holds '\\n'", "not UTF-8": "is not UTF-8", "stream": "holds ':'",
		"normal form D": "is not in Unicode normal form C", "reserved name": "is a device on Windows", "deep folders": "deeper than 32",
		"huge manifest": "more than 16777216", "fetch": "fetch.txt",
	}
	bomb := zipOf(t, map[string][]byte{"g/data/zeros": make([]byte, 4<<20)}, func(h *zip.FileHeader) { h.Method = zip.Deflate })
	require.Less(t, len(bomb), 20_000)
	for name, data := range map[string][]byte{
		"empty":                         {},
		"no zip":                        []byte("hello"),
		"zip of nothing":                zipOf(t, nil, nil),
		"cut off":                       zipOf(t, good, nil)[:2000],
		"zip bomb":                      bomb,
		"traversal":                     zipOf(t, with("g/../../evil", []byte("x")), nil),
		"traversal at once":             zipOf(t, with("../evil", []byte("x")), nil),
		"absolute":                      zipOf(t, with("/evil", []byte("x")), nil),
		"drive":                         zipOf(t, with(`g/C:\evil`, []byte("x")), nil),
		"backslashes":                   zipOf(t, with(`g/..\..\evil`, []byte("x")), nil),
		"network share":                 zipOf(t, with(`g/\\server\share\evil`, []byte("x")), nil),
		"dot":                           zipOf(t, with("g/data/./evil", []byte("x")), nil),
		"empty element":                 zipOf(t, with("g//etc/evil", []byte("x")), nil),
		"percent traversal":             zipOf(t, with("g/data/%2e%2e/evil", []byte("x")), nil),
		"NUL":                           zipOf(t, with("g/data/e\x00vil", []byte("x")), nil),
		"line feed":                     zipOf(t, with("g/data/e\nvil", []byte("x")), nil),
		"escape":                        zipOf(t, with("g/data/\x1b[31mevil", []byte("x")), nil),
		"right to left":                 zipOf(t, with("g/data/\u202egnp.exe", []byte("x")), nil),
		"not UTF-8":                     zipOf(t, with("g/data/\xff\xfe", []byte("x")), nil),
		"normal form D":                 zipOf(t, with("g/data/e\u0301", []byte("x")), nil),
		"stream":                        zipOf(t, with("g/data/chain-sha256.txt:evil", []byte("x")), nil),
		"dot at the end":                zipOf(t, with("g/data/evil.", []byte("x")), nil),
		"space at the end":              zipOf(t, with("g/data/evil ", []byte("x")), nil),
		"star":                          zipOf(t, with("g/data/*", []byte("x")), nil),
		"long name":                     zipOf(t, with("g/data/"+strings.Repeat("e", 300), []byte("x")), nil),
		"deep folders":                  zipOf(t, with("g/data/"+strings.Repeat("e/", 90)+"x", []byte("x")), nil),
		"folder is a file":              zipOf(t, with("g/data/0001-backup-2026-11-25", []byte("x")), nil),
		"file is a folder":              zipOf(t, with("g/bagit.txt/evil", []byte("x")), nil),
		"folders in capitals":           zipOf(t, with("g/DATA/evil", []byte("x")), nil),
		"hidden entry":                  zipOf(t, with("g/data/.incoming-0004-backup-2026-11-25/evil", []byte("x")), nil),
		"second folder":                 zipOf(t, with("h/bagit.txt", []byte("x")), nil),
		"reserved name":                 zipOf(t, with("g/data/nul", []byte("x")), nil),
		"name twice":                    twice(),
		"case":                          zipOf(t, with("g/BAGIT.txt", good["g/bagit.txt"]), nil),
		"fetch":                         zipOf(t, with("g/fetch.txt", []byte("http://127.0.0.1/x - data/x\n")), nil),
		"unlisted file":                 zipOf(t, with("g/data/new", []byte("x")), nil),
		"missing file":                  zipOf(t, without("g/data/"+chainFile), nil),
		"flipped payload":               zipOf(t, flipped("g/data/0001-backup-2026-11-25/data/image/backup.bin"), nil),
		"flipped manifest":              zipOf(t, flipped("g/manifest-sha512.txt"), nil),
		"flipped bag-info":              zipOf(t, flipped("g/bag-info.txt"), nil),
		"huge manifest":                 zipOf(t, with("g/manifest-sha256.txt", bytes.Repeat([]byte("0"), bagit.MaxTagFile+1)), nil),
		"manifest of nothing but lines": zipOf(t, with("g/tagmanifest-sha256.txt", bytes.Repeat([]byte("\n"), 1<<20)), nil),
		"huge manifest line":            zipOf(t, with("g/manifest-sha256.txt", bytes.Repeat([]byte("0"), 1<<20)), nil),
		"UTF-16":                        zipOf(t, with("g/bagit.txt", []byte("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n")), nil),
		"link": zipOf(t, good, func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, "backup.bin") {
				h.SetMode(fs.ModeSymlink | 0o777)
			}
		}),
		"link as a folder": zipOf(t, with("g/data/link", []byte("/etc")), func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, "/link") {
				h.SetMode(fs.ModeSymlink | 0o777)
			}
		}),
		"pipe": zipOf(t, with("g/data/pipe", nil), func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, "/pipe") {
				h.SetMode(fs.ModeNamedPipe | 0o666)
			}
		}),
		"foreign folder":             inFolder("../h"),
		"device as folder":           inFolder("nul"),
		"hidden folder":              inFolder(".h"),
		"two folders":                inFolder("h/i"),
		"encrypted":                  patched(t, zipOf(t, good, nil), 8, 1, 0),
		"more bytes than are there":  patched(t, zipOf(t, good, nil), 20, 0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF, 0x7F),
		"fewer bytes than are there": patched(t, zipOf(t, good, nil), 20, 1, 0, 0, 0, 1, 0, 0, 0),
		"other bytes unpacked":       patched(t, zipOf(t, good, nil), 24, 0xFF, 0xFF, 0, 0),
		"one file for many":          overlapping(t, 2000),
		"rewritten entry":            rewritten(t, good),
		"compressed":                 zipOf(t, good, func(h *zip.FileHeader) { h.Method = zip.Deflate }),
	} {
		t.Run(name, func(t *testing.T) {
			b := newArchive(t)
			parent := filepath.Dir(b.Dir())
			before := loadFS(t, parent)
			_, err := importInto(b, data)
			assert.ErrorIs(t, err, ErrRefused)
			assert.ErrorContains(t, err, says[name])
			assert.Empty(t, changes(before, loadFS(t, parent)), "something was written")
			assert.Empty(t, entriesOf(t, b))
		})
	}
	b := newArchive(t)
	_, err := importInto(b, zipOf(t, good, nil))
	require.NoError(t, err, "the good one must pass, or this test proves nothing")
	b = newArchive(t)
	_, err = importInto(b, inFolder("Calproof-Archive.TXT"))
	assert.ErrorIs(t, err, ErrRefused)
	assert.ErrorContains(t, err, "is taken by")
	assert.Empty(t, entriesOf(t, b))
	_, err = importInto(newArchive(t), inFolder("h"))
	require.NoError(t, err, "another folder is no reason to refuse")
}

// TestImportCollides: a folder of the archive that differs in case or Unicode
// normalisation only is not written into, nor beside.
func TestImportCollides(t *testing.T) {
	from := newArchive(t)
	add := backup("b", noise(1, 50))
	add.Folder = "Schneefr\u00e4se"
	_, err := from.Add(ctx, add)
	require.NoError(t, err)
	data := export(t, from, "b")
	for _, taken := range []string{"schneefr\u00e4se", "SCHNEEFR\u00c4SE", "Schneefra\u0308se"} {
		a := newArchive(t)
		require.NoError(t, os.Mkdir(filepath.Join(a.Dir(), taken), 0o755))
		_, err := importInto(a, data)
		assert.ErrorIs(t, err, ErrRefused)
		assert.ErrorContains(t, err, "is taken by")
		names, err := os.ReadDir(a.Dir())
		require.NoError(t, err)
		assert.Len(t, names, 3, "lock, text and the folder that was there")
	}
}

// changes returns the names of files that differ.
func changes(before, after map[string][]byte) []string {
	var out []string
	for f := range after {
		if have, ok := before[f]; !ok || !bytes.Equal(have, after[f]) {
			out = append(out, f)
		}
	}
	for f := range before {
		if _, ok := after[f]; !ok {
			out = append(out, f)
		}
	}
	return out
}

// patched overwrites bytes of every file header in the directory of a zip file,
// from an offset in the header (APPNOTE.TXT of the zip format, section 4.3.12).
func patched(t testing.TB, data []byte, at int, b ...byte) []byte {
	t.Helper()
	out, n := bytes.Clone(data), 0
	for i := 0; i+at+len(b) < len(out); i++ {
		if bytes.HasPrefix(out[i:], []byte("PK\x01\x02")) {
			copy(out[i+at:], b)
			n++
		}
	}
	require.Positive(t, n)
	return out
}

// overlapping returns a zip file whose directory gives many names to the bytes
// of one file: unpacked, it would be as many times as large.
func overlapping(t testing.TB, names int) []byte {
	t.Helper()
	one := zipOf(t, map[string][]byte{"g/data/aaaa": make([]byte, 100_000)}, nil)
	dir := bytes.Index(one, []byte("PK\x01\x02"))
	end := bytes.Index(one, []byte("PK\x05\x06"))
	require.Positive(t, dir)
	header, tail := one[dir:end], bytes.Clone(one[end:])
	out := bytes.Clone(one[:dir])
	for i := range names {
		out = append(out, bytes.Replace(header, []byte("aaaa"), fmt.Appendf(nil, "%04d", i), 1)...)
	}
	binary.LittleEndian.PutUint16(tail[8:], uint16(names))
	binary.LittleEndian.PutUint16(tail[10:], uint16(names))
	binary.LittleEndian.PutUint32(tail[12:], uint32(names*len(header)))
	out = append(out, tail...)
	z, err := zip.NewReader(bytes.NewReader(out), int64(len(out)))
	require.NoError(t, err)
	require.Len(t, z.File, names)
	return out
}

func unzipped(t testing.TB, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	files := map[string][]byte{}
	for _, f := range z.File {
		files[f.Name], err = fs.ReadFile(z, f.Name)
		require.NoError(t, err)
	}
	return files
}

// rebag changes an export's bag-info.txt or payload and makes its manifests
// anew: a sound outer bag.
func rebag(t testing.TB, files map[string][]byte, change func(bagit.Fields)) []byte {
	t.Helper()
	fields, err := bagit.ParseInfo(files["g/bag-info.txt"])
	require.NoError(t, err)
	change(fields)
	info, err := bagit.FormatInfo(fields)
	require.NoError(t, err)
	out, all := map[string][]byte{}, map[string]sums{}
	for name, data := range files {
		if rest, ok := strings.CutPrefix(name, "g/data/"); ok {
			out["data/"+rest] = data
		}
	}
	put := func(name string, data []byte) error {
		out[name] = data
		s := newSummer(ctx)
		_, err := s.Write(data)
		all[name] = s.sums()
		return err
	}
	for name, data := range maps.Clone(out) {
		require.NoError(t, put(name, data))
	}
	require.NoError(t, writeTagFiles(all, info, put))
	named := map[string][]byte{}
	for name, data := range out {
		named["g/"+name] = data
	}
	return zipOf(t, named, nil)
}

// rewritten replaces an image and its hashes in the first entry, so that every
// bag is sound and only the chain contradicts.
func rewritten(t testing.TB, good map[string][]byte) []byte {
	t.Helper()
	forge := newArchive(t)
	_, err := forge.Add(ctx, backup("g", noise(77, 500)))
	require.NoError(t, err)
	files := maps.Clone(good)
	for name, data := range loadFS(t, forge.Dir()) {
		if rest, ok := strings.CutPrefix(name, "g/0001-"); ok {
			files["g/data/0001-"+rest] = data
		}
	}
	return rebag(t, files, func(bagit.Fields) {})
}

// TestForgedEntries: an entry whose manifests, chain and export all agree, made
// by somebody who knows the format, and yet is none of ours: verify finds it, and
// import refuses it and writes nothing.
func TestForgedEntries(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 100)
	good := loadFS(t, a.Dir())
	const entry = "g/0003-attachment-2026-11-25/"
	zeros := strings.Repeat("0", 64)
	sum := sumOf([]byte("pin 1: supply\n"))
	addLine := func(line string) func(m map[string][]byte) {
		return func(m map[string][]byte) {
			m["manifest-sha256.txt"] = append(bytes.Clone(m["manifest-sha256.txt"]), line...)
		}
	}
	put := func(name, data string) func(m map[string][]byte) {
		return func(m map[string][]byte) { m[name] = []byte(data) }
	}
	inInfo := func(old, new string) func(m map[string][]byte) {
		return func(m map[string][]byte) {
			require.Contains(t, string(m["bag-info.txt"]), old)
			m["bag-info.txt"] = bytes.Replace(m["bag-info.txt"], []byte(old), []byte(new), 1)
		}
	}
	for name, c := range map[string]struct {
		code   string
		change func(m map[string][]byte)
	}{
		"absolute name":            {"path-outside", addLine(zeros + "  /etc/passwd\n")},
		"absolute name on Windows": {"path-outside", addLine(zeros + "  C:\\evil\n")},
		"network share":            {"path-outside", addLine(zeros + "  \\\\server\\share\n")},
		"home folder":              {"path-outside", addLine(zeros + "  ~/evil\n")},
		"traversal":                {"path-outside", addLine(zeros + "  data/../../../evil\n")},
		"encoded traversal":        {"percent", addLine(zeros + "  data/%2e%2e/evil\n")},
		"NUL in a name":            {"file-missing", addLine(zeros + "  data/e\x00vil\n")},
		"missing file":             {"file-missing", addLine(zeros + "  data/evil\n")},
		"same line twice":          {"listed-twice", addLine(sum + "  data/attached/wiring.txt\n")},
		"two hashes for one file":  {"listed-twice", addLine(zeros + "  data/attached/wiring.txt\n")},
		"the file in other case":   {"name-collision", addLine(sum + "  data/attached/WIRING.txt\n")},
		"huge line":                {"bad-manifest", addLine(zeros + "  data/" + strings.Repeat("e", 1<<20) + "\n")},
		"no hash":                  {"bad-manifest", addLine("data/evil\n")},
		"short hash":               {"bad-manifest", addLine("00  data/evil\n")},
		"many lines":               {"too-many-problems", addLine(strings.Repeat(zeros+"  data/evil\n", 5000))},
		"Latin-1 in a manifest":    {"bad-encoding", addLine(zeros + "  data/\xe9\n")},
		"byte order mark": {"manifest-not-canonical", func(m map[string][]byte) {
			m["manifest-sha256.txt"] = append([]byte("\uFEFF"), m["manifest-sha256.txt"]...)
		}},
		"UTF-16 declared":            {"declaration-not-canonical", put("bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n")},
		"Latin-1 declared":           {"declaration-not-canonical", put("bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: ISO-8859-1\n")},
		"older BagIt":                {"declaration-not-canonical", put("bagit.txt", "BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n")},
		"fetch.txt":                  {"fetch", put("fetch.txt", "http://127.0.0.1/x 1 data/attached/wiring.txt\n")},
		"other tag file":             {"foreign-file", put("readme.txt", "hello\n")},
		"folder beside data":         {"extra-folder", put("more/readme.txt", "hello\n")},
		"payload nobody names":       {"foreign-file", put("data/evil", "x")},
		"payload with a bad name":    {"unsafe-name", put("data/attached/nul", "x")},
		"payload and its other case": {"name-collision", put("data/attached/WIRING.txt", "x")},
		"attached outside":           {"file-missing", inInfo("Attached-File: data/attached/wiring.txt", "Attached-File: ../../../evil")},
		"named twice":                {"bad-info", inInfo("Entry-Kind: attachment", "Entry-Kind: attachment\nEntry-Kind: backup")},
		"other kind":                 {"bad-info", inInfo("Entry-Kind: attachment", "Entry-Kind: backup")},
		"other number":               {"entry-renamed", inInfo("Entry-Number: 3", "Entry-Number: 4")},
		"other vehicle":              {"other-vehicle", inInfo("Vehicle: g", "Vehicle: h")},
		"wrong size":                 {"oxum", inInfo("Payload-Oxum: 14.1", "Payload-Oxum: 15.1")},
		"no successor":               {"chain-broken", inInfo("Previous-Tag-Manifest-SHA256: ", "Previous-Tag-Manifest-SHA256: none\nX: ")},
		"unknown parent":             {"parent-missing", inInfo("Previous-Tag", "Parent-Image-SHA256: "+zeros+"\nPrevious-Tag")},
	} {
		t.Run(name, func(t *testing.T) {
			files := maps.Clone(good)
			bag := map[string][]byte{}
			for f, data := range files {
				if rest, ok := strings.CutPrefix(f, entry); ok {
					bag[rest] = data
					delete(files, f)
				}
			}
			c.change(bag)
			reseal(bag, strings.HasPrefix(name, "payload"))
			for f, data := range bag {
				files[entry+f] = data
			}
			lines := bytes.SplitAfter(good["g/"+chainFile], []byte("\n"))
			files["g/"+chainFile] = bytes.Join([][]byte{lines[0], lines[1], fmt.Appendf(nil, "%s%s", sumOf(bag[tagManifest]), lines[2][64:])}, nil)

			v, err := (&Reader{fsys: newMemFS(files)}).Verify(ctx, VerifyOptions{})
			require.NoError(t, err)
			assert.Equal(t, evidence.Fail, v.Verdict)
			var codes []string
			for _, f := range v.Findings {
				codes = append(codes, f.Code)
			}
			assert.Contains(t, codes, c.code)
			if c.code != "listed-twice" {
				assert.NotContains(t, codes, "hash-mismatch", "the manifests were to agree")
			}
			assert.NotContains(t, fmt.Sprint(v.Findings), "put on the chain", "the chain was to agree")

			outer := map[string][]byte{"g/bag-info.txt": unzipped(t, export(t, a, "g"))["g/bag-info.txt"]}
			for f, data := range files {
				if rest, ok := strings.CutPrefix(f, "g/"); ok {
					outer["g/data/"+rest] = data
				}
			}
			b := newArchive(t)
			parent := filepath.Dir(b.Dir())
			before := loadFS(t, parent)
			_, err = importInto(b, rebag(t, outer, func(bagit.Fields) {}))
			assert.ErrorIs(t, err, ErrRefused)
			assert.Empty(t, changes(before, loadFS(t, parent)), "something was written")
		})
	}
}

// reseal makes the tag manifests of a bag anew, and with payload the payload
// manifests first.
func reseal(bag map[string][]byte, payload bool) {
	all := map[string]sums{}
	for _, prefix := range []string{"", "tag"} {
		clear(all)
		for f, data := range bag {
			if strings.HasPrefix(f, "data/") == (prefix == "") && !strings.HasPrefix(f, "tagmanifest-") {
				s := newSummer(ctx)
				_, _ = s.Write(data)
				all[f] = s.sums()
			}
		}
		if prefix == "tag" || payload {
			bag[prefix+"manifest-sha256.txt"], bag[prefix+"manifest-sha512.txt"] = manifests(all, prefix == "")
		}
	}
}
