package readcheck

import (
	"bytes"
	"strconv"
)

// Programs hold session lines and pages of their own: as formats, in help
// texts, as templates. What follows therefore asks for lines that carry what
// only a running program puts in (a time, a count, an address that goes on), and
// for text that holds no conversion of printf.

// sessionLines counts the lines of text that a terminal session has and a
// program's own text hardly ever. Text with a conversion of printf has none.
func sessionLines(text []byte) int {
	if bytes.IndexByte(text, '\n') < 0 && bytes.IndexByte(text, '\r') < 0 || hasConversion(text) {
		return 0
	}
	var s session
	for first := true; len(text) > 0; first = false {
		end := bytes.IndexAny(text, "\r\n")
		line, crlf := text, false
		if end < 0 {
			text = nil
		} else {
			line = text[:end]
			for end < len(text) && text[end] == '\r' { // a terminal's echo may end in more than one
				end++
			}
			if end < len(text) && text[end] == '\n' {
				crlf = end > len(line)
				end++
			}
			text = text[end:]
		}
		line = bytes.TrimRight(withoutEscapes(line), " ")
		// Bytes of the image that happen to be text stand in front of the first line.
		const most = 64
		for skip := 0; !s.take(line, crlf) && first && skip < most && len(line) > 1; skip++ {
			line = line[1:]
		}
	}
	if s.sure == 0 {
		return 0
	}
	return s.sure + s.perhaps
}

// session counts lines as they come.
type session struct {
	sure    int // lines that only a session has
	perhaps int // prompts that an example in a help text has too

	dumped     bool   // a line of a hex dump was seen
	dumpEnd    uint64 // the address behind it
	dumpFirst  bool   // it was the first of its dump, which does not count before the next goes on
	timed      bool   // a line of a kernel's log was seen
	logTime    uint64 // its time, in millionths of a second
	logFirst   bool   // it was the first, which does not count before time goes on
	logLines   int    // lines since
	command    bool   // the last line was a modem command
	traceBegun bool   // the last line was the head of a traceback
}

// take judges one line without its end and reports whether it is one of a session.
func (s *session) take(line []byte, crlf bool) bool {
	if len(line) == 0 {
		return false
	}
	command, begun := s.command, s.traceBegun
	s.command, s.traceBegun = false, false
	if at, n, ok := dumpLine(line); ok {
		if s.dumped && at == s.dumpEnd {
			if s.dumpFirst {
				s.sure++
			}
			s.sure++
			s.dumpFirst = false
		} else {
			s.dumpFirst = true
		}
		s.dumped, s.dumpEnd = true, at+uint64(n)
		return true
	}
	if at, ok := kernelTime(line); ok {
		if s.timed && at >= s.logTime {
			s.logLines++
			if s.logFirst && at > s.logTime {
				s.sure += s.logLines // those before were of one time
				s.logFirst = false
			}
			if !s.logFirst {
				s.sure++
			}
		} else {
			s.logFirst, s.logLines = true, 0
		}
		s.timed, s.logTime = true, at
		return true
	}
	switch {
	case isModemCommand(line):
		s.command = true
		return true
	case command && isModemAnswer(line):
		s.sure += 2
	case bytes.Equal(line, []byte("Traceback (most recent call last):")):
		s.traceBegun = true
		if crlf {
			s.sure++
		}
	case isTraceFile(line):
		s.sure++
		if begun && !crlf {
			s.sure++
		}
	case isSessionLine(line), crlf && isTerminalLine(line):
		s.sure++
	case isPrompt(line):
		s.perhaps++
	default:
		return false
	}
	return true
}

// isSessionLine judges a line whatever it ends in.
func isSessionLine(line []byte) bool {
	for _, end := range []string{": command not found", ": Permission denied", ": No such file or directory"} {
		if len(line) > len(end) && bytes.HasSuffix(line, []byte(end)) {
			return true
		}
	}
	return bytes.HasSuffix(line, []byte("Connection closed by foreign host.")) || isUserPrompt(line) || isDrivePrompt(line) || isCopyCount(line) || isErrorAt(line) || isLogin(line)
}

// isTerminalLine judges a line that ended in CR LF, as a terminal's do.
func isTerminalLine(line []byte) bool {
	for _, end := range []string{"login:", "Password:", "password:", "NO CARRIER"} {
		if bytes.HasSuffix(line, []byte(end)) {
			return true
		}
	}
	for _, begin := range []string{"$ ", "# ", "> ", "Last login: ", "Traceback (most recent call last)", "error: ", "Error: ", "ERROR: "} {
		if bytes.HasPrefix(line, []byte(begin)) {
			return true
		}
	}
	return bytes.Equal(line, []byte("$")) || bytes.Contains(line, []byte(" login: "))
}

// isPrompt judges a prompt that examples have too.
func isPrompt(line []byte) bool {
	for _, begin := range []string{"$ ", "# ", "> ", "=> "} {
		if rest, ok := bytes.CutPrefix(line, []byte(begin)); ok {
			return len(rest) > 0 && isLower(rest[0])
		}
	}
	return false
}

// isUserPrompt judges "user@host:dir#" and "[user@host dir]#", or $ for #.
func isUserPrompt(line []byte) bool {
	rest, bracket := bytes.CutPrefix(line, []byte("["))
	user := leading(rest, isNameByte)
	if user == 0 || user == len(rest) || rest[user] != '@' || !isLower(rest[0]) {
		return false
	}
	rest = rest[user+1:]
	host := leading(rest, isNameByte)
	if host == 0 || host == len(rest) {
		return false
	}
	between := rest[host]
	rest = rest[host+1:]
	dir := leading(rest, func(b byte) bool { return isNameByte(b) || b == '/' || b == '~' })
	if dir == 0 || dir == len(rest) {
		return false
	}
	rest = rest[dir:]
	if bracket {
		if between != ' ' || rest[0] != ']' || len(rest) < 2 {
			return false
		}
		rest = rest[1:]
	} else if between != ':' || line[user+host+2] != '/' && line[user+host+2] != '~' {
		return false
	}
	return (rest[0] == '#' || rest[0] == '$') && (len(rest) == 1 || rest[1] == ' ')
}

// isDrivePrompt judges "C:\dir>" with a command behind it or nothing.
func isDrivePrompt(line []byte) bool {
	if len(line) < 4 || line[0] < 'A' || line[0] > 'Z' || line[1] != ':' || line[2] != '\\' {
		return false
	}
	end := bytes.IndexByte(line, '>')
	return end > 0 && !bytes.ContainsAny(line[3:end], "<\"|?*:/") && (end+1 == len(line) || isLower(line[end+1]|0x20))
}

// isCopyCount judges "512+0 records in" and the line of the bytes copied.
func isCopyCount(line []byte) bool {
	n := leading(line, isDigit)
	if n == 0 {
		return false
	}
	rest := line[n:]
	if len(rest) > 1 && rest[0] == '+' {
		m := leading(rest[1:], isDigit)
		return m > 0 && (bytes.Equal(rest[1+m:], []byte(" records in")) || bytes.Equal(rest[1+m:], []byte(" records out")))
	}
	return bytes.HasPrefix(rest, []byte(" bytes ")) && bytes.Contains(rest, []byte(" copied, "))
}

// isErrorAt judges an error with an address: programs hold the conversion.
func isErrorAt(line []byte) bool {
	word := leading(line, func(b byte) bool { return isLower(b | 0x20) })
	if !bytes.EqualFold(line[:word], []byte("error")) || word == len(line) || line[word] != ':' {
		return false
	}
	i := bytes.Index(line, []byte("0x"))
	return i >= 0 && leading(line[i+2:], isHex) >= 4
}

// isLogin judges a login that was answered and the times of the last one.
func isLogin(line []byte) bool {
	if rest, ok := bytes.CutPrefix(line, []byte("Last login: ")); ok {
		return bytes.ContainsFunc(rest, func(r rune) bool { return '0' <= r && r <= '9' }) && bytes.Count(rest, []byte(":")) >= 2
	}
	host := leading(line, isNameByte)
	rest, ok := bytes.CutPrefix(line[host:], []byte(" login: "))
	return ok && host > 0 && len(rest) > 0 && leading(rest, isNameByte) == len(rest)
}

// isTraceFile judges `  File "NAME", line NUMBER` of a traceback. Examples in
// documentation were typed in and name no file ("<stdin>").
func isTraceFile(line []byte) bool {
	rest, ok := bytes.CutPrefix(line, []byte("  File \""))
	if !ok || len(rest) == 0 || rest[0] == '<' {
		return false
	}
	_, rest, ok = bytes.Cut(rest, []byte("\", line "))
	return ok && len(rest) > 0 && isDigit(rest[0])
}

// isModemCommand judges a line that is a modem command and nothing else.
func isModemCommand(line []byte) bool {
	return bytes.HasPrefix(line, []byte("AT")) && leading(line, func(b byte) bool {
		return 'A' <= b && b <= 'Z' || isDigit(b) || bytes.IndexByte([]byte("&+=?,;\"*#"), b) >= 0
	}) == len(line)
}

// isModemAnswer judges what a modem says to a command.
func isModemAnswer(line []byte) bool {
	for _, a := range []string{"OK", "ERROR", "NO CARRIER", "BUSY", "NO DIALTONE", "NO ANSWER", "RING"} {
		if bytes.Equal(line, []byte(a)) {
			return true
		}
	}
	for _, a := range []string{"CONNECT", "+CME ERROR: "} {
		if bytes.HasPrefix(line, []byte(a)) {
			return true
		}
	}
	return false
}

// kernelTime returns the time at the head of a line of a kernel's log, in
// millionths of a second.
func kernelTime(line []byte) (at uint64, ok bool) {
	if line[0] != '[' {
		return 0, false
	}
	head, _, ok := bytes.Cut(line[1:], []byte("] "))
	if !ok || len(head) < 8 {
		return 0, false
	}
	whole, part, ok := bytes.Cut(bytes.TrimLeft(head, " "), []byte("."))
	if !ok || len(part) != 6 || len(whole) == 0 || len(whole) > 10 || leading(whole, isDigit) != len(whole) || leading(part, isDigit) != 6 {
		return 0, false
	}
	at, err := strconv.ParseUint(string(whole)+string(part), 10, 64)
	return at, err == nil
}

// dumpLine reads a line of a hex dump: an address of four digits or more, and
// groups of 1, 2, 4 or 8 bytes, n bytes in all, four at least.
func dumpLine(line []byte) (at uint64, n int, ok bool) {
	digits := leading(line, isHex)
	if digits < 4 || digits > 16 {
		return 0, 0, false
	}
	at, err := strconv.ParseUint(string(line[:digits]), 16, 64)
	if err != nil {
		return 0, 0, false
	}
	rest := line[digits:]
	if len(rest) > 0 && rest[0] == ':' {
		rest = rest[1:]
	}
	size := 0
	for n < 64 {
		gap := leading(rest, func(b byte) bool { return b == ' ' || b == '\t' })
		if gap == 0 && n > 0 && len(rest) > 0 && rest[0] == '-' {
			gap = 1
		}
		// What follows two blanks behind some groups is the same in letters.
		d := leading(rest[gap:], isHex)
		if gap == 0 || d == 0 || size > 0 && d > size || n >= 4 && gap > 2 {
			break
		}
		if end := gap + d; end < len(rest) && rest[end] != ' ' && rest[end] != '\t' && rest[end] != '-' {
			break
		}
		if size == 0 {
			if d != 2 && d != 4 && d != 8 && d != 16 {
				break
			}
			size = d
		}
		if d != size {
			break
		}
		n += d / 2
		rest = rest[gap+d:]
	}
	return at, n, n >= 4
}

// hasConversion reports whether text holds a conversion of printf. A blank is
// no flag here: "100% done" has none.
func hasConversion(text []byte) bool {
	for {
		i := bytes.IndexByte(text, '%')
		if i < 0 {
			return false
		}
		text = text[i+1:]
		rest := text[leading(text, func(b byte) bool { return isDigit(b) || bytes.IndexByte([]byte("-+#.*'$"), b) >= 0 }):]
		rest = rest[leading(rest, func(b byte) bool { return bytes.IndexByte([]byte("hlLqjzt"), b) >= 0 }):]
		if len(rest) > 0 && bytes.IndexByte([]byte("diouxXeEfgGcspnm%("), rest[0]) >= 0 {
			return true
		}
	}
}

// isHTML reports whether text holds an HTML page that a server made. Behind
// text stands rest. A page may be cut off, if its title tells of an error and
// the text does not end as a program's string does.
func isHTML(text, rest []byte) bool {
	i := indexFold(text, "<html")
	if j := indexFold(text, "<!doctype html"); i < 0 || j >= 0 && j < i {
		i = j
	}
	if i < 0 {
		return false
	}
	page := text[i:]
	if hasConversion(page) || isTemplate(page) {
		return false
	}
	if indexFold(page, "</html>") >= 0 {
		return indexFold(page, "<title>") >= 0 || indexFold(page, "<h1>") >= 0
	}
	return (tellsError(between(page, "<title>", "</title>")) || tellsError(between(page, "<h1>", "</h1>"))) && isCutOff(page, rest)
}

// isHTTP reports whether text holds the head of a web server's answer: with the
// time at which it was sent and another line, or of an error with three lines or
// more in a text that does not end as a program's string does.
func isHTTP(text, rest []byte) bool {
	for {
		i := bytes.Index(text, []byte("HTTP/"))
		if i < 0 {
			return false
		}
		text = text[i+len("HTTP/"):]
		status, head, _ := bytes.Cut(text, []byte("\n"))
		v := leading(status, func(b byte) bool { return isDigit(b) || b == '.' })
		code := status[v:]
		if v == 0 || len(code) < 4 || code[0] != ' ' || leading(code[1:], isDigit) != 3 || hasConversion(text) {
			continue
		}
		headers, dated := 0, false
		for line := range bytes.Lines(head) {
			name := leading(line, func(b byte) bool { return isLower(b|0x20) || isDigit(b) || b == '-' })
			if name == 0 || !bytes.HasPrefix(line[name:], []byte(": ")) || !bytes.HasSuffix(line, []byte("\n")) {
				break
			}
			headers++
			dated = dated || bytes.EqualFold(line[:name], []byte("date")) && bytes.Contains(line, []byte(" GMT")) && bytes.Count(line[name+1:], []byte(":")) == 2
		}
		if dated && headers >= 2 || headers >= 3 && (code[1] == '4' || code[1] == '5') && !isString(rest) {
			return true
		}
	}
}

// isTemplate reports whether page has places that are filled in later.
func isTemplate(page []byte) bool {
	for i, b := range page {
		rest := page[i+1:]
		if b == '$' && len(rest) > 0 && isLower(rest[0]|0x20) {
			return true
		}
		if b != '{' {
			continue
		}
		name := leading(rest, func(b byte) bool { return isLower(b) || isDigit(b) || b == '_' })
		if name > 0 && name < len(rest) && rest[name] == '}' {
			return true
		}
	}
	for _, mark := range []string{"{{", "{%", "${", "<%", "<?php", "<?=", "<!--#"} {
		if bytes.Contains(page, []byte(mark)) {
			return true
		}
	}
	return false
}

// tellsError reports whether a title is that of an error.
func tellsError(title []byte) bool {
	for _, word := range []string{"error", "not found", "forbidden", "denied", "unauthorized", "unavailable", "bad gateway", "bad request", "timeout", "timed out", "refused"} {
		if bytes.Contains(bytes.ToLower(title), []byte(word)) {
			return true
		}
	}
	return false
}

// between returns what stands between two tags, nil if one is missing.
func between(page []byte, from, to string) []byte {
	i := indexFold(page, from)
	if i < 0 {
		return nil
	}
	page = page[i+len(from):]
	return page[:max(indexFold(page, to), 0)]
}

// inFill reports whether rest is the end of the image or fill.
func inFill(rest []byte) bool {
	const enough = 64
	rest = rest[:min(len(rest), enough)]
	return len(rest) == 0 || (rest[0] == 0 || rest[0] == 0xFF) && leading(rest, func(b byte) bool { return b == rest[0] }) == len(rest)
}

// isString reports whether text in front of rest ends as a string in C does: in
// a NUL and perhaps some more to the next boundary, but not in fill.
func isString(rest []byte) bool { return !inFill(rest) && rest[0] == 0 }

// isCutOff reports whether a page in front of rest was cut off by chance: in
// front of fill, or within a word. Programs put pages together from pieces that
// end behind a tag, a blank or a quotation mark.
func isCutOff(page, rest []byte) bool {
	if inFill(rest) {
		return true
	}
	last := page[len(page)-1]
	return rest[0] != 0 && (isLower(last|0x20) || isDigit(last) || last == '<' || last == '-')
}

// withoutEscapes returns line without the sequences that set colours and move
// the cursor.
func withoutEscapes(line []byte) []byte {
	if bytes.IndexByte(line, 0x1B) < 0 {
		return line
	}
	var out []byte
	for len(line) > 0 {
		if line[0] != 0x1B {
			out = append(out, line[0])
			line = line[1:]
			continue
		}
		line = line[1:]
		if len(line) > 0 && line[0] == '[' {
			line = line[1:]
			line = line[leading(line, func(b byte) bool { return isDigit(b) || b == ';' || b == '?' }):]
			line = line[min(1, len(line)):]
		}
	}
	return out
}

// leading counts the bytes at the head of b that is holds for.
func leading(b []byte, is func(byte) bool) int {
	for i, v := range b {
		if !is(v) {
			return i
		}
	}
	return len(b)
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }
func isLower(b byte) bool { return 'a' <= b && b <= 'z' }
func isHex(b byte) bool   { return isDigit(b) || 'a' <= b|0x20 && b|0x20 <= 'f' }

func isNameByte(b byte) bool {
	return isLower(b|0x20) || isDigit(b) || b == '-' || b == '_' || b == '.'
}
