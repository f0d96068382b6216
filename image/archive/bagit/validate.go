package bagit

import (
	"context"
	"fmt"
	"io/fs"
	"slices"
)

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
	Hashed       int64             // bytes that were read and hashed
	Text         map[string][]byte // bagit.txt, bag-info.txt and the manifests, as they were read
	Held         map[string][]byte // files that Options.Hold named, as they were read; those over MaxHeld and the unreadable are left out
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
	// Hold names payload files whose bytes the report is to hold, by what
	// bag-info.txt says; nil means none. They are the bytes that were hashed:
	// who judges them judges what was proved, and nothing is read twice.
	Hold func(info Fields) []string
	// Progress is told of bytes as they are hashed, in pieces of a MiB or so;
	// nil means that nobody asks.
	Progress func(bytes int64)
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
		report:    &Report{Files: map[string]File{}, Text: map[string][]byte{}, Held: map[string][]byte{}},
		manifests: map[string]map[string][]byte{}, tagManifests: map[string]map[string][]byte{},
	}
	if err := v.walk(".", 0); err != nil {
		return nil, err
	}
	steps := []func() error{v.declaration, v.readManifests, v.fetch, v.info, v.hashes, v.canonical}
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
	untold  int64  // bytes hashed since Options.Progress was called
	// Both by algorithm, then by the path of the file that is meant.
	manifests, tagManifests map[string]map[string][]byte
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
