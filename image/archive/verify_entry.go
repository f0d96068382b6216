package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"sync"

	"example.com/calproof/image/archive/bagit"
	"example.com/calproof/image/evidence"
)

// bagVerifier verifies one entry by itself.
type bagVerifier struct {
	ctx          context.Context
	fsys         fs.FS  // of the entry's folder
	folder, name string // its place, or the one it is meant for
	opts         VerifyOptions
	parent       func(sum string) *Kept // the entry before it that holds an image; nil if there is none to find
	hashed       func(n int64)          // told of bytes as they are hashed; may be nil

	res EntryVerification
}

func (b *bagVerifier) bad(severity evidence.Severity, code, format string, args ...any) {
	b.res.findings = append(b.res.findings, finding(severity, code, "%s: %s", b.folder+"/"+b.name, fmt.Sprintf(format, args...)))
}

// unreadableEntry is the result for an entry that cannot be read at all.
func unreadableEntry(folder, name string, err error) EntryVerification {
	b := bagVerifier{folder: folder, name: name, res: EntryVerification{Entry: name, Verdict: evidence.Fail}}
	b.bad(evidence.Fault, "entry-unreadable", "%v", err)
	return b.res
}

// verify returns what was found. The error is for a context that ended;
// everything else is a finding.
func (b *bagVerifier) verify() (EntryVerification, error) {
	b.res = EntryVerification{Entry: b.name}
	opts := bagit.Options{Payload: []string{"sha256"}, Hold: b.hold, Progress: b.hashed}
	if b.opts.BothHashes {
		opts.Payload = nil
	}
	report, err := bagit.Validate(b.ctx, b.fsys, opts)
	if b.ctx.Err() != nil {
		return b.res, b.ctx.Err()
	}
	if err != nil {
		return unreadableEntry(b.folder, b.name, err), nil
	}
	b.res.hashed, b.res.files = report.Hashed, len(report.Files)
	for _, p := range report.Problems {
		b.bad(evidence.Fault, p.Code, "%s", p)
	}
	for file := range report.Files {
		if !strings.Contains(file, "/") && !tagFiles[file] {
			b.bad(evidence.Fault, "foreign-file", "%s belongs to no entry", file)
		}
	}
	if text, ok := report.Text[tagManifest]; ok {
		sum := sha256.Sum256(text)
		b.res.sum = hex.EncodeToString(sum[:])
	}
	// The bag may be whole; now what it says.
	b.res.entry, err = entryFromInfo(report.Info)
	if err != nil {
		b.bad(evidence.Fault, "bad-info", "%v", err)
	} else {
		b.res.entry.Folder, b.res.entry.Name, b.res.entry.TagManifestSHA256 = b.folder, b.name, b.res.sum
		b.checkEntry(report)
	}
	b.res.Verdict = evidence.Judge(b.res.findings)
	if b.opts.Recompute != nil && b.res.Verdict == evidence.Pass && b.res.entry.Verdict != "" {
		b.recompute(report.Held)
		b.res.Verdict = evidence.Judge(b.res.findings)
	}
	return b.res, b.ctx.Err()
}

// hold names the files that are looked into after they were hashed.
func (b *bagVerifier) hold(info bagit.Fields) []string {
	labels := []string{labelJSON}
	if b.opts.Recompute != nil && info.Get(labelVerdict) != "" {
		labels = append(labels, labelImage, labelSecond, labelMap)
	}
	var files []string
	for _, l := range labels {
		if file := info.Get(l); file != "" {
			files = append(files, file)
		}
	}
	return files
}

// tagFiles are the files of an entry beside data/.
var tagFiles = map[string]bool{
	"bagit.txt": true, "bag-info.txt": true, "manifest-sha256.txt": true, "manifest-sha512.txt": true,
	"tagmanifest-sha256.txt": true, "tagmanifest-sha512.txt": true,
}

// checkEntry compares what bag-info.txt says with the bag around it.
func (b *bagVerifier) checkEntry(report *bagit.Report) {
	e := &b.res.entry
	if want := e.folderName(); want != e.Name {
		b.bad(evidence.Fault, "entry-renamed", "bag-info.txt is of %s", want)
	}
	paths := append([]string{e.ImagePath, e.SecondReadPath, e.MapPath, e.VerdictPath, e.VerdictTextPath, e.NotePath}, e.Attached...)
	named := map[string]bool{}
	for _, p := range paths {
		if p == "" {
			continue
		}
		if _, ok := report.Files[p]; !ok {
			b.bad(evidence.Fault, "file-missing", "%s is named in bag-info.txt but missing", p)
		}
		named[p] = true
	}
	for file := range report.Files {
		if strings.HasPrefix(file, "data/") && !named[file] {
			b.bad(evidence.Fault, "foreign-file", "%s is not named in bag-info.txt", file)
		}
	}
	changed := slices.ContainsFunc(report.Problems, func(p bagit.Problem) bool { return p.Path == e.ImagePath && p.Code == "hash-mismatch" })
	if e.ImagePath != "" && !changed { // that has been said
		if sum := report.Files[e.ImagePath].Sums["sha256"]; sum != nil && hex.EncodeToString(sum) != e.ImageSHA256 {
			b.bad(evidence.Fault, "hash-mismatch", "Image-SHA256 in bag-info.txt is not the hash of %s", e.ImagePath)
		}
	}
	if e.VerdictPath != "" {
		if data, ok := report.Held[e.VerdictPath]; !ok {
			b.bad(evidence.Fault, "verdict-mismatch", "kept verdict: %s cannot be read", e.VerdictPath)
		} else if err := checkVerdict(data, e.Verdict); err != nil {
			b.bad(evidence.Fault, "verdict-mismatch", "kept verdict: %v", err)
		}
	}
}

// recompute computes the kept verdict again.
func (b *bagVerifier) recompute(held map[string][]byte) {
	e := &b.res.entry
	kept := Kept{Entry: *e, FS: &heldFS{FS: b.fsys, held: held}}
	if e.ParentSHA256 != "" && b.parent != nil {
		kept.Parent = b.parent(e.ParentSHA256)
	}
	got, err := b.opts.Recompute(b.ctx, kept)
	if p := kept.Parent; p != nil && (err != nil || got != e.Verdict) && !b.whole(p) {
		b.bad(evidence.Caution, "verdict-not-recomputed", "kept verdict %q could not be computed again, because %s, which it was made from, is damaged", e.Verdict, p.Name)
		return
	}
	switch {
	case errors.Is(err, ErrNotRecomputed):
		b.bad(evidence.Note, "verdict-not-recomputed", "kept verdict %q was not computed again: %v", e.Verdict, err)
		return
	case err != nil:
		b.bad(evidence.Caution, "verdict-not-recomputed", "kept verdict %q could not be computed again: %v", e.Verdict, err)
		return
	}
	b.res.recomputed = true
	switch {
	case got == e.Verdict:
	case e.Verdict == evidence.Pass:
		b.bad(evidence.Fault, "verdict-differs", "kept verdict is pass (by %s), computed again it is %s; do not rely on this image", e.Tool, got)
	default:
		b.bad(evidence.Caution, "verdict-differs", "kept verdict is %s (by %s), computed again it is %s", e.Verdict, e.Tool, got)
	}
}

// whole reports whether the image of another entry is the one that was kept.
func (b *bagVerifier) whole(k *Kept) bool {
	f, err := k.FS.Open(k.ImagePath)
	if err != nil {
		return false
	}
	defer f.Close()
	s := newSummer(b.ctx)
	_, err = io.Copy(s, f)
	return err == nil && hex.EncodeToString(s.sums().sha256) == k.ImageSHA256
}

// ErrNotRecomputed is wrapped by a [Recompute] that does not judge an entry of
// this kind.
var ErrNotRecomputed = errors.New("not judged here")

// heldFS is a file system of which some files are in memory.
type heldFS struct {
	fs.FS
	mu   sync.Mutex
	held map[string][]byte
}

// ReadFile implements [fs.ReadFileFS]. Since the caller may change what it is
// given, a file is read from memory once.
func (h *heldFS) ReadFile(name string) ([]byte, error) {
	h.mu.Lock()
	data, ok := h.held[name]
	delete(h.held, name)
	h.mu.Unlock()
	if ok {
		return data, nil
	}
	return fs.ReadFile(h.FS, name)
}
