package readcheck

import (
	"bytes"
	"fmt"
	"math"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Text of a terminal session or an error page gets into an image when the
// program that saved the read took what the other side said for data.
const entropyUnit = 4096 // bytes whose entropy is taken

// checkText looks for a terminal session, an HTML page or the head of an
// HTTP answer in the image.
func (x *examiner) checkText() {
	if text, ok := x.c.mostlyText(x.lim.textFile); ok && x.c.size >= x.lim.textBytes {
		x.found(CodeTextFile, evidence.Fault, x.all(),
			"%d of %d bytes are plain text: this is a listing or what a program said, no memory; if it is a hex dump, convert it, else read again", text, x.c.size)
	}
	for _, s := range x.c.spans {
		for _, t := range textRuns(s.data, x.lim.textBytes) {
			text := s.data[t.start:t.end]
			r := s.rng(t.start, t.end)
			if rest := s.data[t.end:]; isHTML(text, rest) || isHTTP(text, rest) {
				x.found(CodeHTMLText, evidence.Fault, []image.Range{r},
					"an HTML page or the head of one (%q) stands at %s: what was saved there is the answer of a web server, no memory; read the whole memory again and compare the two reads", excerpt(text), r)
			} else if n := sessionLines(text); n >= x.lim.sessionLines {
				x.found(CodeSessionText, evidence.Fault, []image.Range{r},
					"%d lines of a terminal session (%q) stand at %s: what was saved there is what a program said, no memory; read the whole memory again and compare the two reads", n, excerpt(text), r)
			}
		}
	}
}

// mostlyText counts the bytes of text and reports whether their share is least
// or more. It stops counting when they cannot be so many any more.
func (c *content) mostlyText(least float64) (text int, ok bool) {
	rest := 0
	for _, s := range c.spans {
		for from := 0; from < len(s.data); from += entropyUnit {
			for _, b := range s.data[from:min(from+entropyUnit, len(s.data))] {
				if !isSession(b) {
					rest++
				}
			}
			if float64(c.size-rest) < least*float64(c.size) {
				return 0, false
			}
		}
	}
	return c.size - rest, true
}

// textRuns returns the stretches of least or more bytes of unbroken text in
// data. The text bytes of a session are printable ASCII, tab, CR, LF,
// backspace and escape.
func textRuns(data []byte, least int) []fillRun {
	var runs []fillRun
	for i := least - 1; i < len(data); i += least {
		if !isSession(data[i]) {
			continue
		}
		from, to := i, i+1
		for from > 0 && isSession(data[from-1]) {
			from--
		}
		for to < len(data) && isSession(data[to]) {
			to++
		}
		if to-from >= least {
			runs = append(runs, fillRun{from, to})
		}
		i += (to - i) / least * least
	}
	return runs
}

func isSession(b byte) bool {
	const controls = 1<<'\b' | 1<<'\t' | 1<<'\n' | 1<<'\r' | 1<<0x1B
	if b < 0x20 {
		return controls>>b&1 == 1
	}
	return b < 0x7F
}

// indexFold is bytes.Index for a word that begins with no letter, whatever the
// case of text.
func indexFold(text []byte, word string) int {
	for from := 0; ; from++ {
		i := bytes.IndexByte(text[from:], word[0])
		if i < 0 || len(text)-from-i < len(word) {
			return -1
		}
		from += i
		if bytes.EqualFold(text[from:from+len(word)], []byte(word)) {
			return from
		}
	}
}

func excerpt(text []byte) string {
	const most = 40
	text = bytes.TrimSpace(text)
	if len(text) > most {
		return string(text[:most]) + "..."
	}
	return string(text)
}

// checkEntropy looks for stretches that are compressed, encrypted or random.
// Only a map says whether that is wrong.
func (x *examiner) checkEntropy(proved []image.Range) {
	high := highEntropy(x.lim.entropyBits)
	for _, s := range x.c.spans {
		for _, run := range entropyRuns(s.data, high, x.lim.entropyBytes) {
			r := s.rng(run.start, run.end)
			if x.m == nil {
				x.found(CodeHighEntropy, evidence.Note, []image.Range{r},
					"%s is compressed, encrypted or random (%g bits a byte or more); a map tells whether it should be", r, x.lim.entropyBits)
				continue
			}
			for _, region := range x.m.Regions {
				both, ok := region.Range.Intersect(r)
				if !ok || both.Size < entropyUnit || region.Role == maps.RoleProgram || region.Role == maps.RoleSignature {
					continue
				}
				if len(image.SubtractRanges([]image.Range{both}, proved)) == 0 {
					continue
				}
				x.found(CodeHighEntropy, evidence.Caution, []image.Range{both},
					"%s of region %q is compressed, encrypted or random (%g bits a byte or more), which %s is not; no agreeing checksum covers it, so compare it with a second read", both, region.Name, x.lim.entropyBits, roleText(region.Role))
			}
		}
	}
}

func roleText(r maps.Role) string { return fmt.Sprintf("a region of role %q", r) }

// entropyRuns returns the stretches of units of high entropy that are long
// enough.
func entropyRuns(data []byte, high func([]byte) bool, least int) []fillRun {
	var runs []fillRun
	for at := 0; at+entropyUnit <= len(data); at += entropyUnit {
		if !high(data[at : at+entropyUnit]) {
			continue
		}
		if n := len(runs); n > 0 && runs[n-1].end == at {
			runs[n-1].end = at + entropyUnit
		} else {
			runs = append(runs, fillRun{at, at + entropyUnit})
		}
	}
	out := runs[:0]
	for _, r := range runs {
		if r.end-r.start >= least {
			out = append(out, r)
		}
	}
	return out
}

// highEntropy returns a function that tells whether a block of entropyUnit
// bytes has least bits a byte or more.
//
// With counts n of N bytes the entropy is log2 N less the sum of n*log2 n over
// N, so that a table spares the logarithms. A value that occurs too often rules
// the block out before all of it is counted: if a value has the share p, the
// entropy is at most that of p against the rest, plus log2 255 for the rest.
func highEntropy(least float64) func(b []byte) bool {
	var nLog [entropyUnit + 1]float64
	for n := 2; n <= entropyUnit; n++ {
		nLog[n] = float64(n) * math.Log2(float64(n))
	}
	tooOften := uint16(entropyUnit)
	for n := entropyUnit - 1; n > entropyUnit/256; n-- {
		p := float64(n) / entropyUnit
		if -p*math.Log2(p)-(1-p)*math.Log2(1-p)+(1-p)*math.Log2(255) >= least {
			break
		}
		tooOften = uint16(n)
	}
	return func(b []byte) bool {
		var h [256]uint16
		for from := 0; from < entropyUnit; from += 256 {
			for _, v := range b[from : from+256] {
				h[v]++
			}
			if h[0] >= tooOften || h[0xFF] >= tooOften {
				return false
			}
		}
		sum := 0.0
		for _, n := range h {
			sum += nLog[n]
		}
		return math.Log2(entropyUnit)-sum/entropyUnit >= least
	}
}
