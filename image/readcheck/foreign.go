package readcheck

import (
	"bytes"
	"fmt"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Text of a terminal session or an error page gets into an image when the
// program that saved the read took what the other side said for data.
const entropyUnit = 4096 // bytes whose entropy is taken

// checkText looks for a terminal session or an HTML page in the image.
func (x *examiner) checkText() {
	var text uint64
	for v, n := range x.c.hist {
		if isSession(byte(v)) {
			text += n
		}
	}
	if n := uint64(x.c.size); n >= uint64(x.lim.textBytes) && float64(text) >= x.lim.textFile*float64(n) {
		x.found(CodeTextFile, evidence.Fault, x.all(),
			"%d of %d bytes are plain text: this is a listing or what a program said, no memory; if it is a hex dump, convert it, else read again", text, n)
	}
	for _, s := range x.c.spans {
		for _, t := range textRuns(s.data, x.lim.textBytes) {
			text := s.data[t.start:t.end]
			r := s.rng(t.start, t.end)
			if isHTML(text) {
				x.found(CodeHTMLText, evidence.Fault, []image.Range{r},
					"an HTML page (%q) stands at %s: what was saved there is the answer of a web server, no memory; read %s again", excerpt(text), r, r)
			} else if n := sessionLines(text); n >= x.lim.sessionLines {
				x.found(CodeSessionText, evidence.Fault, []image.Range{r},
					"%d lines of a terminal session (%q) stand at %s: what was saved there is what a program said, no memory; read %s again", n, excerpt(text), r, r)
			}
		}
	}
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

func isSession(b byte) bool { return isText(b) || b == 0x1B || b == '\b' }

// isHTML reports whether text holds a whole HTML page. A page with a percent
// sign is a format of the program's own.
func isHTML(text []byte) bool {
	i := indexFold(text, "<html")
	if j := indexFold(text, "<!doctype html"); i < 0 || j >= 0 && j < i {
		i = j
	}
	if i < 0 {
		return false
	}
	page := text[i:]
	return !bytes.ContainsRune(page, '%') && indexFold(page, "</html>") >= 0 && (indexFold(page, "<title>") >= 0 || indexFold(page, "<h1>") >= 0)
}

// indexFold is bytes.Index for a lower-case word, whatever the case of text.
func indexFold(text []byte, word string) int {
	return bytes.Index(bytes.ToLower(text), []byte(word))
}

// sessionLines counts the lines of text that a terminal session has and a
// program's own text hardly ever.
func sessionLines(text []byte) int {
	n := 0
	for line := range bytes.Lines(text) {
		crlf := bytes.HasSuffix(line, []byte("\r\n"))
		line = bytes.TrimRight(line, "\r\n ")
		if isSessionLine(line, crlf) {
			n++
		}
	}
	return n
}

func isSessionLine(line []byte, crlf bool) bool {
	for _, end := range []string{": command not found", ": Permission denied", ": No such file or directory", "login:", "Password:", "password:", "Connection closed by foreign host.", "NO CARRIER"} {
		if crlf && bytes.HasSuffix(line, []byte(end)) {
			return true
		}
	}
	for _, begin := range []string{"$ ", "# ", "> ", "Last login: ", "Traceback (most recent call last)", "error: ", "Error: ", "ERROR: "} {
		if crlf && bytes.HasPrefix(line, []byte(begin)) {
			return true
		}
	}
	return crlf && (bytes.Equal(line, []byte("$")) || bytes.Contains(line, []byte(" login: ")))
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
	for _, s := range x.c.spans {
		for _, run := range entropyRuns(s.data, x.lim) {
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
func entropyRuns(data []byte, lim limits) []fillRun {
	var runs []fillRun
	for at := 0; at+entropyUnit <= len(data); at += entropyUnit {
		if entropyOf(data[at:at+entropyUnit]) < lim.entropyBits {
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
		if r.end-r.start >= lim.entropyBytes {
			out = append(out, r)
		}
	}
	return out
}
