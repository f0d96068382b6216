package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/image/readcheck/internal/faults"
)

// base is a healthy image into which faults are injected.
type base struct {
	name string
	data []byte
}

// realBases cuts the binaries that look like a controller's memory (machine
// code, not compressed) to a power of two.
func realBases(files []file) ([]base, error) {
	var out []base
	for _, f := range files {
		if f.kind != "ELF" && f.kind != "firmware" || len(f.data) < 64<<10 {
			continue
		}
		size := 64 << 10
		for size*2 <= len(f.data) && size < 512<<10 {
			size *= 2
		}
		data := f.data[:size]
		if h := entropy(data); h > 7.2 || h < 4 {
			continue
		}
		rep, err := examine(data)
		if err != nil {
			return nil, err
		}
		if evidence.Judge(rep.Findings) == evidence.Pass {
			out = append(out, base{f.name, data})
		}
	}
	return out, nil
}

// entropy is the Shannon entropy of the bytes of data, in bits per byte.
func entropy(data []byte) float64 {
	var h [256]float64
	for _, b := range data {
		h[b]++
	}
	sum := 0.0
	for _, n := range h {
		if n > 0 {
			p := n / float64(len(data))
			sum -= p * math.Log2(p)
		}
	}
	return sum
}

// score counts the outcomes of one class over one set of images.
type score struct{ injected, detected, named int }

// surveyDetection injects faults of every class and counts what is found.
func surveyDetection(files []file, each int, seed uint64, log func(string, ...any)) (string, error) {
	real, err := realBases(files)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d injections for each class and column, into %d real images.\n\n", each, len(real))
	b.WriteString("| fault injected | found | named |\n| --- | ---: | ---: |\n")
	for i, class := range faults.Classes() {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		var s score
		for s.injected < each {
			img := real[r.IntN(len(real))]
			bad, how, ok := faults.Inject(class, r, img.data)
			if !ok {
				continue
			}
			rep, err := examine(bad)
			if err != nil {
				return "", err
			}
			s.injected++
			found, named := judge(rep, class)
			if found {
				s.detected++
			} else {
				log("missed: %s: %s: %s", class.Name, img.name, how)
			}
			if named {
				s.named++
			}
		}
		fmt.Fprintf(&b, "| %s | %s | %s |\n", class.Name, percent(s.detected, s.injected), percent(s.named, s.injected))
	}
	return b.String(), nil
}

// judge says whether a report raises an alarm, and whether one of its alarms
// names the fault.
func judge(rep *readcheck.Report, class faults.Class) (found, named bool) {
	for _, f := range rep.Findings {
		if f.Severity == evidence.Note {
			continue
		}
		found = true
		for _, code := range class.Codes {
			named = named || f.Code == code
		}
	}
	return found, named
}
