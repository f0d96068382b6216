package main

import (
	"bytes"
	"errors"
	"fmt"
	"runtime"
	"sort"
	"strings"
	"sync"
	"sync/atomic"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// fileSet is a list of files and what the checks said of them.
type fileSet struct {
	name    string
	files   []file
	alarmed int            // files with a fault or a caution
	bySize  int            // those of them where only the size is odd
	opaque  int            // files with an alarm about anything but the size when their first bytes do not say what they are
	kinds   map[string]int // files by kind
	alarms  map[string]int // files with an alarm by kind
	codes   map[string]*severities
}

// severities counts files by the worst that one finding was on them.
type severities struct{ fault, caution, note int }

// examine runs all checks on every file and counts the findings.
func (s *fileSet) examine(log func(string, ...any)) error {
	s.kinds, s.alarms, s.codes = map[string]int{}, map[string]int{}, map[string]*severities{}
	reports, opaque := make([]*readcheck.Report, len(s.files)), make([]*readcheck.Report, len(s.files))
	err := eachAtOnce(len(s.files), func(i int) error {
		data, err := s.files[i].read()
		if err == nil {
			reports[i], err = examineFile(data)
		}
		if err == nil {
			clear(data[:hidden])
			opaque[i], err = examine(nil, data)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", s.files[i].name, err)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i, rep := range reports {
		f := s.files[i]
		for _, fd := range opaque[i].Findings {
			if fd.Severity != evidence.Note && fd.Code != readcheck.CodeSizeOdd && fd.Code != readcheck.CodeSizeNear {
				log("alarm: %s, first bytes hidden: %s: %s", s.name, f.name, fd)
				s.opaque++
				break
			}
		}
		s.kinds[f.kind]++
		worst := map[string]evidence.Severity{}
		alarm, other := false, false
		for _, fd := range rep.Findings {
			if fd.Severity != evidence.Note {
				alarm = true
				other = other || fd.Code != readcheck.CodeSizeOdd
				log("alarm: %s: %s: %s", s.name, f.name, fd)
			}
			if w, ok := worst[fd.Code]; !ok || w == evidence.Note || fd.Severity == evidence.Fault {
				worst[fd.Code] = fd.Severity
			}
		}
		if alarm {
			s.alarms[f.kind]++
			s.alarmed++
			if !other {
				s.bySize++
			}
		}
		for code, sev := range worst {
			if s.codes[code] == nil {
				s.codes[code] = &severities{}
			}
			switch c := s.codes[code]; sev {
			case evidence.Fault:
				c.fault++
			case evidence.Caution:
				c.caution++
			default:
				c.note++
			}
		}
	}
	return nil
}

// hidden is how many bytes are cleared so that a file does not say what it is.
const hidden = 16

// surveyAlarms runs all checks on every file of every set and tells what they
// found.
func surveyAlarms(sets []fileSet, log func(string, ...any)) (string, error) {
	for i := range sets {
		if err := sets[i].examine(log); err != nil {
			return "", err
		}
	}
	var b strings.Builder
	row := func(s *fileSet) {
		n, other := len(s.files), s.alarmed-s.bySize
		fmt.Fprintf(&b, "| %s | %d | %d | %s | %d | %d | %s | %d | %s |\n", s.name, n, s.alarmed, percent(s.alarmed, n), s.bySize, other, percent(other, n), s.opaque, percent(s.opaque, n))
	}
	b.WriteString("| files | number | with an alarm | share | of them by `size-odd` only | with another alarm | share | with another alarm, first bytes hidden | share |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n")
	known := fileSet{name: "all but blind"} // the thresholds were tuned on these, in the end
	counted := 0
	for _, s := range sets {
		if s.name == blind {
			continue
		}
		row(&s)
		counted++
		known.files = append(known.files, s.files...)
		known.alarmed, known.bySize, known.opaque = known.alarmed+s.alarmed, known.bySize+s.bySize, known.opaque+s.opaque
	}
	if counted > 1 {
		row(&known)
	}
	for _, s := range sets {
		if s.name == blind {
			row(&s)
		}
	}

	head := func(first string, columns ...string) {
		fmt.Fprintf(&b, "\n| %s |", first)
		for _, s := range sets {
			for _, c := range columns {
				fmt.Fprintf(&b, " %s: %s |", s.name, c)
			}
		}
		b.WriteString("\n| --- |" + strings.Repeat(" ---: |", len(sets)*len(columns)) + "\n")
	}
	head("kind", "files", "with an alarm", "share")
	kinds, codes := map[string]bool{}, map[string]bool{}
	for _, s := range sets {
		for k := range s.kinds {
			kinds[k] = true
		}
		for c := range s.codes {
			codes[c] = true
		}
	}
	kindRow := func(name string, of ...string) {
		fmt.Fprintf(&b, "| %s |", name)
		for _, s := range sets {
			n, alarms := 0, 0
			for _, k := range of {
				n, alarms = n+s.kinds[k], alarms+s.alarms[k]
			}
			fmt.Fprintf(&b, " %d | %d | %s |", n, alarms, percent(alarms, n))
		}
		b.WriteString("\n")
	}
	for _, k := range sortedKeys(kinds) {
		kindRow(k, k)
	}
	delete(kinds, kindOther)
	kindRow("all but "+kindOther, sortedKeys(kinds)...)
	head("finding", "files with a fault", "with a caution", "with a note only")
	for _, code := range sortedKeys(codes) {
		fmt.Fprintf(&b, "| `%s` |", code)
		for _, s := range sets {
			c := s.codes[code]
			if c == nil {
				c = &severities{}
			}
			fmt.Fprintf(&b, " %d | %d | %d |", c.fault, c.caution, c.note)
		}
		b.WriteString("\n")
	}
	b.WriteString("\nFindings not listed were raised on no file.\n")
	return b.String(), nil
}

// eachAtOnce calls do for 0 to n-1, as many at once as there are processors,
// and returns the errors.
func eachAtOnce(n int, do func(i int) error) error {
	errs := make([]error, n)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(runtime.NumCPU(), n) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				errs[i] = do(i)
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// examine runs the checks on data as a raw file. m may be nil.
func examine(m *maps.Map, data []byte) (*readcheck.Report, error) {
	opts := image.Options{Format: image.FormatRaw}
	if m != nil {
		opts.Base = &m.Image.Base
	}
	return examineAs(m, data, opts)
}

// examineFile runs the checks on data as a user's command does, which tells the
// format by the bytes; as a raw file if it is refused in that format.
func examineFile(data []byte) (*readcheck.Report, error) {
	rep, err := examineAs(nil, data, image.Options{})
	if err != nil {
		return examine(nil, data)
	}
	return rep, nil
}

func examineAs(m *maps.Map, data []byte, opts image.Options) (*readcheck.Report, error) {
	im, err := image.New(bytes.NewReader(data), int64(len(data)), opts)
	if err != nil {
		return nil, err
	}
	defer im.Close()
	return readcheck.Examine(m, im)
}

func percent(n, of int) string {
	return fmt.Sprintf("%.2f %%", 100*float64(n)/float64(max(of, 1)))
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
