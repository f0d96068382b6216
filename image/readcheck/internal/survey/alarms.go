package main

import (
	"bytes"
	"fmt"
	"sort"
	"strings"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// surveyAlarms runs all checks on every file and counts the findings.
func surveyAlarms(files []file, log func(string, ...any)) (string, error) {
	type count struct{ fault, caution, note int }
	codes := map[string]*count{}
	kinds := map[string]*struct{ files, alarmed int }{}
	alarmed, bySize := 0, 0
	for _, f := range files {
		rep, err := examine(nil, f.data)
		if err != nil {
			return "", fmt.Errorf("%s: %w", f.name, err)
		}
		k := kinds[f.kind]
		if k == nil {
			k = new(struct{ files, alarmed int })
			kinds[f.kind] = k
		}
		k.files++
		worst := map[string]evidence.Severity{}
		alarm, other := false, false
		for _, fd := range rep.Findings {
			if fd.Severity != evidence.Note {
				alarm = true
				other = other || fd.Code != readcheck.CodeSizeOdd
				log("alarm: %s: %s", f.name, fd)
			}
			if w, ok := worst[fd.Code]; !ok || w == evidence.Note || fd.Severity == evidence.Fault {
				worst[fd.Code] = fd.Severity
			}
		}
		if alarm {
			k.alarmed++
			alarmed++
			if !other {
				bySize++
			}
		}
		for code, sev := range worst {
			c := codes[code]
			if c == nil {
				c = &count{}
				codes[code] = c
			}
			switch sev {
			case evidence.Fault:
				c.fault++
			case evidence.Caution:
				c.caution++
			default:
				c.note++
			}
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d files, %d with an alarm (a fault or a caution): %s. On %d of them nothing is odd but a size that no memory has (`size-odd`); %d have an alarm about their content: %s.\n\n",
		len(files), alarmed, percent(alarmed, len(files)), bySize, alarmed-bySize, percent(alarmed-bySize, len(files)))
	b.WriteString("| kind | files | with an alarm | share |\n| --- | ---: | ---: | ---: |\n")
	for _, name := range sortedKeys(kinds) {
		k := kinds[name]
		fmt.Fprintf(&b, "| %s | %d | %d | %s |\n", name, k.files, k.alarmed, percent(k.alarmed, k.files))
	}
	b.WriteString("\n| finding | files with a fault | with a caution | with a note only |\n| --- | ---: | ---: | ---: |\n")
	for _, code := range sortedKeys(codes) {
		c := codes[code]
		fmt.Fprintf(&b, "| `%s` | %d | %d | %d |\n", code, c.fault, c.caution, c.note)
	}
	b.WriteString("\nFindings not listed were raised on no file.\n")
	return b.String(), nil
}

// examine runs the checks on data as a raw file. m may be nil.
func examine(m *maps.Map, data []byte) (*readcheck.Report, error) {
	opts := image.Options{Format: image.FormatRaw}
	if m != nil {
		opts.Base = &m.Image.Base
	}
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
