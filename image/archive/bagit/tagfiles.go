package bagit

import (
	"fmt"
	"io"
	"io/fs"
	"regexp"
	"strings"
	"sync"
)

// tagFile reads a tag file, or returns false and a problem. What is hashed
// later are the bytes that were read here.
func (v *validator) tagFile(name string) ([]byte, bool) {
	tooLarge := func(size int64) ([]byte, bool) {
		v.bad("tag-file-too-large", name, "has %d bytes, more than %d", size, MaxTagFile)
		return nil, false
	}
	if size := v.report.Files[name].Size; size > MaxTagFile {
		return tooLarge(size)
	}
	f, err := v.fsys.Open(name)
	if err != nil {
		v.bad("unreadable", name, "%v", err)
		return nil, false
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxTagFile+1))
	if err != nil {
		v.bad("unreadable", name, "%v", err)
		return nil, false
	}
	if len(data) > MaxTagFile { // it has grown meanwhile
		return tooLarge(int64(len(data)))
	}
	v.report.Text[name] = data
	return data, true
}

var (
	declared = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^BagIt-Version: ([0-9]+\.[0-9]+)(?:\r\n|\n|\r)Tag-File-Character-Encoding: ([^ \t\r\n]+)(?:\r\n|\n|\r)?$`)
	})
	hasVersion = map[string]bool{"0.93": true, "0.94": true, "0.95": true, "0.96": true, "0.97": true, "1.0": true}
)

// declaration reads bagit.txt.
func (v *validator) declaration() error {
	v.charset = "UTF-8"
	if _, ok := v.report.Files["bagit.txt"]; !ok {
		v.bad("no-declaration", "bagit.txt", "is missing")
		return nil
	}
	data, ok := v.tagFile("bagit.txt")
	if !ok {
		return nil
	}
	m := declared().FindSubmatch(data)
	if m == nil {
		v.bad("bad-declaration", "bagit.txt", `is not the two lines "BagIt-Version: M.N" and "Tag-File-Character-Encoding: NAME"`)
		return nil
	}
	v.report.Version, v.charset = string(m[1]), string(m[2])
	if !hasVersion[v.report.Version] {
		v.bad("unknown-version", "bagit.txt", "BagIt version %s is not known", v.report.Version)
	}
	if string(data) != Declaration {
		v.strict("declaration-not-canonical", "bagit.txt", "is not, byte for byte, the declaration of BagIt 1.0 in UTF-8")
	}
	return nil
}

// fetch judges fetch.txt; nothing is ever fetched.
func (v *validator) fetch() error {
	const name = "fetch.txt"
	if _, ok := v.report.Files[name]; !ok {
		return nil
	}
	v.strict("fetch", name, "asks for payload from the network; an entry must be whole by itself")
	data, ok := v.tagFile(name)
	if !ok {
		return nil
	}
	text, err := decodeText(data, v.charset)
	if err != nil {
		v.bad("bad-encoding", name, "%v", err)
		return nil
	}
	for number, line := range splitLines(string(text)) {
		if strings.Trim(line, " \t") == "" {
			continue
		}
		// URL, length or "-", path: the path may hold spaces.
		fields := strings.SplitN(strings.Join(strings.Fields(line), " "), " ", 3)
		if len(fields) != 3 {
			v.bad("bad-fetch", name, `line %d is not "URL LENGTH PATH"`, number)
			continue
		}
		if file := strings.TrimPrefix(fields[2], "./"); !fs.ValidPath(file) || !isPayload(file) || strings.Contains(file, `\`) {
			v.bad("path-outside", name, "line %d: %.100q is not a path in data/", number, fields[2])
		}
	}
	return nil
}

// info reads bag-info.txt and compares the payload's size with it.
func (v *validator) info() error {
	name := "bag-info.txt"
	if _, ok := v.report.Files[name]; !ok {
		if name = "package-info.txt"; v.report.Version >= "0.96" || v.report.Files[name].Sums == nil {
			v.strict("no-bag-info", "bag-info.txt", "is missing")
			return nil
		}
	}
	data, ok := v.tagFile(name)
	if !ok {
		return nil
	}
	text, err := decodeText(data, v.charset)
	if err != nil {
		v.bad("bad-encoding", name, "%v", err)
		return nil
	}
	if v.report.Info, err = ParseInfo(text); err != nil {
		v.bad("bad-info", name, "%v", err)
		return nil
	}
	files := 0
	for file := range v.report.Files {
		if isPayload(file) {
			files++
		}
	}
	want := fmt.Sprintf("%d.%d", v.report.PayloadBytes, files)
	switch oxums := v.report.Info.All("Payload-Oxum"); {
	case len(oxums) == 0:
		v.strict("no-oxum", name, "has no Payload-Oxum")
	case len(oxums) > 1:
		v.bad("oxum", name, "has %d Payload-Oxum lines", len(oxums))
	case oxums[0] != want:
		v.bad("oxum", name, "Payload-Oxum is %q, but the payload has %s (bytes.files)", oxums[0], want)
	}
	return nil
}
