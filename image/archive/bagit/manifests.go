package bagit

import (
	"bytes"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/unicode/norm"
)

// kind is the manifests of one kind, by algorithm and file.
type kind struct {
	prefix string // of the manifest's name: "" or "tag"
	sums   map[string]map[string][]byte
}

func (v *validator) kinds() []kind { return []kind{{"", v.manifests}, {"tag", v.tagManifests}} }

var manifestName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(tag)?manifest-([A-Za-z0-9]+)\.txt$`) })

// readManifests reads every manifest and compares their lists with the files.
func (v *validator) readManifests() error {
	for _, name := range slices.Sorted(maps.Keys(v.report.Files)) {
		m := manifestName().FindStringSubmatch(name)
		if m == nil {
			continue
		}
		tag, algorithm := m[1] == "tag", strings.ToLower(m[2])
		newHash := algorithms[algorithm]
		if newHash == nil {
			v.bad("unknown-algorithm", name, "hash algorithm %q is not known, so this manifest cannot be checked", algorithm)
			continue
		}
		sums := v.readManifest(name, tag, newHash().Size())
		if tag {
			v.tagManifests[algorithm] = sums
		} else {
			v.manifests[algorithm] = sums
		}
	}
	if len(v.manifests) == 0 {
		v.bad("no-manifest", "", "bag holds no payload manifest")
	}
	for _, algorithm := range []string{"sha256", "sha512"} {
		for _, k := range v.kinds() {
			if k.sums[algorithm] == nil {
				v.strict("manifest-missing", k.prefix+"manifest-"+algorithm+".txt", "is missing; a bag of ours has both SHA-256 and SHA-512 of payload and tag files")
			}
		}
	}
	v.completeness()
	return nil
}

// readManifest returns the sums of one manifest by the file that is meant.
func (v *validator) readManifest(name string, tag bool, hashSize int) map[string][]byte {
	sums := map[string][]byte{}
	data, ok := v.tagFile(name)
	if !ok {
		return sums
	}
	text, err := decodeText(data, v.charset)
	if err != nil {
		v.bad("bad-encoding", name, "%v", err)
		return sums
	}
	lines, err := ParseManifest(text, hashSize)
	if err != nil {
		v.bad("bad-manifest", name, "%v", err)
		return sums
	}
	written := map[string]writtenLine{} // by collision key
	for _, l := range lines {
		file := l.Path
		if rest, ok := strings.CutPrefix(file, "*"); ok {
			v.strict("binary-mark", name, "line %d marks its path with *, as md5sum does", l.Number)
			file = rest
		}
		if rest, ok := strings.CutPrefix(file, "./"); ok {
			v.strict("dot-path", name, "line %d begins its path with ./", l.Number)
			file = rest
		}
		if v.report.Version == "1.0" {
			file = percent.Replace(file)
		}
		if strings.Contains(l.Path, "%") {
			v.strict("percent", name, "line %d holds %%, which programs decode differently", l.Number)
		}
		if !fs.ValidPath(file) || strings.Contains(file, `\`) {
			v.bad("path-outside", name, "line %d: %.100q is not a path inside the bag", l.Number, l.Path)
			continue
		}
		if tag == isPayload(file) {
			v.bad("path-outside", name, "line %d: %.100q does not belong in this manifest: payload lies in data/, tag files do not", l.Number, l.Path)
			continue
		}
		if tag && strings.HasPrefix(file, "tagmanifest-") {
			v.strict("tag-manifest-listed", name, "line %d lists a tag manifest", l.Number)
		}
		key := CollisionKey(file)
		if first, ok := written[key]; ok {
			v.duplicate(name, first, l, file)
		} else {
			written[key] = writtenLine{l, file}
		}
		file = v.resolve(file)
		sums[file] = l.Sum
	}
	return sums
}

// writtenLine is a manifest line and the path it gives after clean-up.
type writtenLine struct {
	Line
	file string
}

// duplicate judges a second line for one file. Before version 1.0 a repeated
// line with the same hash was tolerated.
func (v *validator) duplicate(name string, first writtenLine, l Line, file string) {
	if file != first.file {
		v.strict("name-collision", name, "lines %d and %d give names that are one name on some file systems", first.Number, l.Number)
		if v.resolve(file) != v.resolve(first.file) {
			return
		}
	}
	switch {
	case !bytes.Equal(first.Sum, l.Sum):
		v.bad("listed-twice", name, "lines %d and %d give different hashes for one file", first.Number, l.Number)
	case file == first.file:
		v.add(v.report.Version != "1.0", "listed-twice", name, "lines %d and %d list one file", first.Number, l.Number)
	}
}

// percent undoes the encoding of RFC 8493 section 2.1.3, which writes these
// three characters so, and no others.
var percent = strings.NewReplacer("%25", "%", "%0A", "\n", "%0a", "\n", "%0D", "\r", "%0d", "\r")

// resolve returns the file of the bag that a manifest means: the one of that
// name, or the one whose name differs only in Unicode normalisation, since
// copying a bag to another system may change that.
func (v *validator) resolve(file string) string {
	if _, ok := v.report.Files[file]; ok {
		return file
	}
	if want := norm.NFC.String(file); want != file || !norm.NFC.IsNormalString(file) || hasNonASCII(file) {
		for have := range v.report.Files {
			if norm.NFC.String(have) == want {
				return have
			}
		}
	}
	return file
}

func hasNonASCII(s string) bool {
	return strings.ContainsFunc(s, func(c rune) bool { return c > 0x7F })
}

// completeness compares the lists of the manifests with the files that exist.
func (v *validator) completeness() {
	for _, k := range v.kinds() {
		for _, algorithm := range slices.Sorted(maps.Keys(k.sums)) {
			for _, file := range slices.Sorted(maps.Keys(k.sums[algorithm])) {
				if _, ok := v.report.Files[file]; !ok {
					v.bad("file-missing", file, "is listed in %smanifest-%s.txt but missing", k.prefix, algorithm)
				}
			}
		}
	}
	if !v.hasData {
		v.bad("no-payload-folder", "data", "the payload folder is missing")
	}
	for _, file := range slices.Sorted(maps.Keys(v.report.Files)) {
		payload := isPayload(file)
		lists, prefix := v.tagManifests, "tag"
		if payload {
			lists, prefix = v.manifests, ""
		}
		var lacking []string
		for algorithm, sums := range lists {
			if _, ok := sums[file]; !ok {
				lacking = append(lacking, prefix+"manifest-"+algorithm+".txt")
			}
		}
		slices.Sort(lacking)
		where := strings.Join(lacking, ", ")
		switch {
		case len(lacking) == 0:
		case !payload && strings.HasPrefix(file, "tagmanifest-"):
		case !payload:
			v.strict("tag-file-unlisted", file, "is not listed in %s", where)
		case len(lacking) == len(lists) || v.report.Version == "1.0":
			v.bad("payload-unlisted", file, "is not listed in %s", where)
		default:
			v.strict("payload-unlisted", file, "is not listed in %s", where)
		}
	}
}

// canonical compares the manifests with the one form we write. The tag
// manifests are protected by nothing else, so each of their bytes is compared.
func (v *validator) canonical() error {
	for _, k := range v.kinds() {
		for _, algorithm := range slices.Sorted(maps.Keys(k.sums)) {
			name, sums := k.prefix+"manifest-"+algorithm+".txt", k.sums[algorithm]
			data, ok := v.report.Text[name]
			if !ok {
				continue // it could not be read, which has been said
			}
			lines := make([]Line, 0, len(sums))
			for file, sum := range sums {
				lines = append(lines, Line{Sum: sum, Path: file})
			}
			if !bytes.Equal(data, FormatManifest(lines)) {
				v.strict("manifest-not-canonical", name, "is not in the one form we write: lower-case hash, two spaces, path, LF, sorted, each once")
			}
		}
	}
	return nil
}
