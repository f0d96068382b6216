package bagit

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/unicode/norm"
)

// Algorithms that RFC 8493 or common practice names manifests after. MD5 and
// SHA-1 only find accidents; bags of ours never rest on them.
var algorithms = map[string]func() hash.Hash{
	"md5": md5.New, "sha1": sha1.New, "sha224": sha256.New224, "sha256": sha256.New,
	"sha384": sha512.New384, "sha512": sha512.New,
}

// Problem is one thing that is wrong with a bag.
type Problem struct {
	Code     string // stable: "hash-mismatch"
	Path     string // file in the bag it is about, "" for the bag
	Message  string // what is wrong, without the path
	Stricter bool   // BagIt allows it; bags of ours do not
}

func (p Problem) String() string {
	if p.Path == "" {
		return p.Message
	}
	return p.Path + ": " + p.Message
}

// File is one file of a bag with what was computed of it.
type File struct {
	Size int64
	Sums map[string][]byte // by algorithm; the manifests of the bag say which
}

// Report is what a validation found.
type Report struct {
	Version      string // "1.0"
	Info         Fields // bag-info.txt
	Problems     []Problem
	Files        map[string]File // every regular file by its path in the bag
	PayloadBytes int64
	Hashed       int64 // bytes that were read and hashed
}

// Conforms reports whether the bag is valid by BagIt.
func (r *Report) Conforms() bool {
	return !slices.ContainsFunc(r.Problems, func(p Problem) bool { return !p.Stricter })
}

// Accepted reports whether the bag is valid by BagIt and by our stricter rules.
func (r *Report) Accepted() bool { return len(r.Problems) == 0 }

// Options of a validation.
type Options struct {
	// Payload names the algorithms to recompute over payload files; nil means
	// every one the bag has a manifest of. A manifest left out is still read,
	// compared with the files that are there, and covered by the tag manifests.
	Payload []string
	// MaxFiles bounds the files and folders of a bag; 0 means 100,000.
	MaxFiles int
}

const (
	defaultMaxFiles = 100_000
	maxDepth        = 32
	maxProblems     = 200 // enough to see what is going on; a bag of noise would fill the memory
)

// Validate checks the bag whose folder is the root of fsys. It reads nothing
// but regular files of fsys and writes nothing. What is wrong with the bag
// goes into the report; the error is for a folder that could not be read, or a
// context that ended.
func Validate(ctx context.Context, fsys fs.FS, opts Options) (*Report, error) {
	if opts.MaxFiles == 0 {
		opts.MaxFiles = defaultMaxFiles
	}
	v := &validator{
		ctx: ctx, fsys: fsys, opts: opts,
		report:    &Report{Files: map[string]File{}},
		manifests: map[string]map[string][]byte{}, tagManifests: map[string]map[string][]byte{},
		raw: map[string][]byte{},
	}
	if err := v.walk(".", 0); err != nil {
		return nil, err
	}
	steps := []func() error{v.declaration, v.readManifests, v.fetch, v.hashes, v.canonical, v.info}
	for _, step := range steps {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return v.report, nil
}

type validator struct {
	ctx    context.Context
	fsys   fs.FS
	opts   Options
	report *Report

	entries int    // files and folders seen
	hasData bool   // the payload folder is there
	charset string // of every tag file but bagit.txt
	// Both by algorithm, then by the path of the file that is meant.
	manifests, tagManifests map[string]map[string][]byte
	raw                     map[string][]byte // manifests as they were read
}

func (v *validator) add(stricter bool, code, file, format string, args ...any) {
	switch n := len(v.report.Problems); {
	case n < maxProblems:
		v.report.Problems = append(v.report.Problems, Problem{Code: code, Path: file, Message: fmt.Sprintf(format, args...), Stricter: stricter})
	case n == maxProblems:
		v.report.Problems = append(v.report.Problems, Problem{Code: "too-many-problems", Message: fmt.Sprintf("more than %d problems; the rest is left out", maxProblems)})
	}
}

func (v *validator) bad(code, file, format string, args ...any) {
	v.add(false, code, file, format, args...)
}
func (v *validator) strict(code, file, format string, args ...any) {
	v.add(true, code, file, format, args...)
}

// errTooMany ends the walk of a folder that is no bag of anybody's.
var errTooMany = errors.New("too many files")

// walk lists every file and judges its name.
func (v *validator) walk(dir string, depth int) error {
	if err := v.ctx.Err(); err != nil {
		return err
	}
	entries, err := fs.ReadDir(v.fsys, dir)
	if err != nil {
		return fmt.Errorf("read bag folder: %w", err)
	}
	seen := make(map[string]string, len(entries))
	if len(entries) == 0 && dir != "data" && dir != "." {
		v.strict("empty-folder", dir, "folder is empty; no manifest can tell that it belongs here")
	}
	for _, e := range entries {
		if v.entries++; v.entries > v.opts.MaxFiles {
			return fmt.Errorf("%w: more than %d in one bag", errTooMany, v.opts.MaxFiles)
		}
		name := path.Join(dir, e.Name())
		if err := CheckElement(e.Name()); err != nil {
			v.strict("unsafe-name", name, "%v", err)
		} else if len(name) > MaxPath {
			v.strict("unsafe-name", name, "path has %d bytes, more than %d", len(name), MaxPath)
		}
		key := CollisionKey(e.Name())
		if other, ok := seen[key]; ok {
			v.strict("name-collision", name, "%q and %q are one name on some file systems", other, e.Name())
		}
		seen[key] = e.Name()
		switch {
		case e.IsDir():
			v.hasData = v.hasData || name == "data"
			if depth >= maxDepth {
				return fmt.Errorf("%w: folders deeper than %d", errTooMany, maxDepth)
			}
			if dir == "." && e.Name() != "data" {
				v.strict("extra-folder", name, "folder beside data/; tag files lie in the bag itself")
			}
			if err := v.walk(name, depth+1); err != nil {
				return err
			}
		case e.Type().IsRegular():
			info, err := e.Info()
			if err != nil {
				return fmt.Errorf("read bag folder: %w", err)
			}
			v.report.Files[name] = File{Size: info.Size(), Sums: map[string][]byte{}}
			if isPayload(name) {
				v.report.PayloadBytes += info.Size()
			}
		default:
			v.strict("not-a-file", name, "is a %s, neither file nor folder; it was not followed", typeName(e.Type()))
		}
	}
	return nil
}

func isPayload(name string) bool { return strings.HasPrefix(name, "data/") }

func typeName(t fs.FileMode) string {
	switch {
	case t&fs.ModeSymlink != 0:
		return "symbolic link"
	case t&fs.ModeNamedPipe != 0:
		return "named pipe"
	case t&fs.ModeSocket != 0:
		return "socket"
	default:
		return "device"
	}
}

// kind is the manifests of one kind, by algorithm and file.
type kind struct {
	prefix string // of the manifest's name: "" or "tag"
	sums   map[string]map[string][]byte
}

func (v *validator) kinds() []kind { return []kind{{"", v.manifests}, {"tag", v.tagManifests}} }

// tagFile returns the content of a tag file, or false and a problem.
func (v *validator) tagFile(name string) ([]byte, bool) {
	if v.report.Files[name].Size > MaxTagFile {
		v.bad("tag-file-too-large", name, "has %d bytes, more than %d", v.report.Files[name].Size, MaxTagFile)
		return nil, false
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
	return data, len(data) <= MaxTagFile
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
	v.raw[name] = data
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
		in, lists := 0, v.tagManifests
		if payload {
			lists = v.manifests
		}
		for _, sums := range lists {
			if _, ok := sums[file]; ok {
				in++
			}
		}
		switch {
		case in == len(lists):
		case !payload && strings.HasPrefix(file, "tagmanifest-"):
		case !payload:
			v.strict("tag-file-unlisted", file, "is listed in %d of %d tag manifests", in, len(lists))
		case in == 0 || v.report.Version == "1.0":
			v.bad("payload-unlisted", file, "is listed in %d of %d payload manifests", in, len(lists))
		default:
			v.strict("payload-unlisted", file, "is listed in %d of %d payload manifests", in, len(lists))
		}
	}
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

// hashes reads every listed file once and compares every sum.
func (v *validator) hashes() error {
	for _, file := range slices.Sorted(maps.Keys(v.report.Files)) {
		lists, prefix := v.tagManifests, "tag"
		if isPayload(file) {
			lists, prefix = v.manifests, ""
		}
		var names []string
		for algorithm, sums := range lists {
			if _, ok := sums[file]; ok && (prefix == "tag" || v.opts.Payload == nil || slices.Contains(v.opts.Payload, algorithm)) {
				names = append(names, algorithm)
			}
		}
		if len(names) == 0 {
			continue
		}
		slices.Sort(names)
		f := v.report.Files[file]
		n, err := hashFile(v.ctx, v.fsys, file, names, f.Sums)
		v.report.Hashed += n
		if err != nil {
			if v.ctx.Err() != nil {
				return v.ctx.Err()
			}
			v.bad("unreadable", file, "%v", err)
			continue
		}
		if n != f.Size {
			v.bad("size-changed", file, "has %d bytes where the folder says %d; it changes while it is read", n, f.Size)
		}
		for _, algorithm := range names {
			if want, got := lists[algorithm][file], f.Sums[algorithm]; !bytes.Equal(want, got) {
				v.bad("hash-mismatch", file, "%s is %.8x..., but %smanifest-%s.txt says %.8x...", algorithm, got, prefix, algorithm, want)
			}
		}
	}
	return nil
}

var buffers = sync.Pool{New: func() any { b := make([]byte, 128<<10); return &b }}

// hashFile reads a file once and puts its sums into sums.
func hashFile(ctx context.Context, fsys fs.FS, name string, names []string, sums map[string][]byte) (int64, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	hashes := make([]hash.Hash, len(names))
	for i, n := range names {
		hashes[i] = algorithms[n]()
	}
	buf := buffers.Get().(*[]byte)
	defer buffers.Put(buf)
	var total int64
	for {
		if err := ctx.Err(); err != nil {
			return total, err
		}
		n, err := f.Read(*buf)
		for _, h := range hashes {
			h.Write((*buf)[:n])
		}
		total += int64(n)
		if err == io.EOF {
			break
		}
		if err != nil {
			return total, err
		}
	}
	for i, n := range names {
		sums[n] = hashes[i].Sum(nil)
	}
	return total, nil
}

// canonical compares the manifests with the one form we write. The tag
// manifests are protected by nothing else, so each of their bytes is compared.
func (v *validator) canonical() error {
	for _, k := range v.kinds() {
		for _, algorithm := range slices.Sorted(maps.Keys(k.sums)) {
			name, sums := k.prefix+"manifest-"+algorithm+".txt", k.sums[algorithm]
			data, ok := v.raw[name]
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
