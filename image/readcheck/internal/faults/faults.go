// Package faults damages images the way bad reads do, each time another way,
// so that the checks of readcheck can be tested for what they find.
//
// An injection is drawn from a seeded generator and is repeatable. Images are
// a power of two bytes long, at least 16 KiB, as memories are.
package faults

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/bits"
	"math/rand/v2"
	"strings"
)

// Class is one kind of bad read.
type Class struct {
	Name string
	What string // one line for the docs

	// Whole says that the damage reaches so far that it must show in a
	// checksum of nearly any map.
	Whole bool

	// Group names the classes that are counted together: what is wrong, however
	// far it reaches. It is empty where no rate is aimed at.
	Group string

	// Codes are the findings that name the fault.
	Codes []string

	// Damage returns a damaged copy of data, which stays as it is, and what
	// was done.
	Damage func(r *rand.Rand, data []byte) (bad []byte, how string)
}

// Classes returns every kind of bad read, in a fixed order.
func Classes() []Class {
	return []Class{
		{"address-line-stuck", "one address line stuck at 0 or 1, any line, whole image", true, "address lines", []string{"address-line-stuck"}, stuckLine},
		{"address-line-stuck-part", "the same inside an aligned window of 16 KiB or more", false, "address lines", []string{"address-line-stuck"}, stuckLinePart},
		{"address-lines-shorted", "two address lines touching, either level winning", true, "address lines", []string{"address-lines-shorted"}, shortedLines},
		{"address-lines-swapped", "two address lines exchanged", true, "address lines", []string{"address-lines-swapped"}, swappedLines},
		{"data-line-stuck", "one data line of an 8, 16 or 32-bit bus stuck at 0 or 1", true, "data lines", []string{"data-line-stuck"}, stuckData},
		{"data-lines-shorted", "two data lines of such a bus touching, either level winning", true, "data lines", []string{"data-lines-shorted"}, shortedData},
		{"block-repeated", "a transfer block of 64 to 4096 bytes, 8 values or more, delivered 3 to 16 times in a row", false, "repeated blocks", []string{"block-repeated", "tail-repeats"}, repeatedBlock},
		{"block-repeated-small", "such a block of 16 to 63 bytes delivered 3 to 16 times in a row", false, "repeated blocks", []string{"block-repeated", "tail-repeats"}, repeatedSmall},
		{"block-repeated-once", "such a block of 16 to 4096 bytes delivered twice", false, "repeated blocks", []string{"block-repeated", "tail-repeats"}, repeatedOnce},
		{"truncated-padded", "stopped after 5 to 95 % and padded with 0xFF, 0x00, a short pattern, the last block or the start of the image", true, "reads that stopped", []string{"short-read", "tail-constant", "tail-repeats", "tail-copy", "address-line-stuck"}, padded},
		{"truncated", "stopped after 5 to 95 %, file left short", true, "reads that stopped", []string{"size-wrong", "size-odd", "size-near", "file-short"}, truncated},
		{"shifted", "a byte lost or doubled at 2 to 98 %, length kept or not", true, "bytes lost or doubled", []string{"shifted", "size-near"}, shifted},
		{"bytes-swapped", "the bytes of every 16 or 32-bit word reversed", true, "", []string{"bytes-swapped"}, swapped},
		{"interleaved", "the even bytes first, then the odd ones", true, "", []string{"interleaved"}, interleaved},
		{"hole", "one to eight transfer blocks of 64 to 1024 bytes replaced by 0xFF or 0x00", false, "", []string{"hole"}, hole},
		{"erased-part", "an aligned sector of 4 to 64 KiB erased", false, "", []string{"erased-part", "hole", "region-blank", "tail-constant", "short-read"}, erasedPart},
		{"session-text", "a stretch overwritten by the text of a terminal session", false, "", []string{"session-text"}, sessionText},
		{"html-error", "a stretch overwritten by an HTML error page, whole or cut off, or an HTTP answer", false, "", []string{"html-text"}, htmlError},
		{"random-filler", "stopped after 25 to 90 % and padded with random bytes", false, "", []string{"high-entropy"}, randomFiller},
		{"bit-flips", "one to eight single bits flipped", false, "", []string{"checksum-mismatch"}, bitFlips},
	}
}

// MinChanged is how many bytes an injection must change to count; a stuck line
// over erased memory changes nothing and harms nothing. Bit flips and lost
// bytes are exempt.
const MinChanged = 16

// Inject damages data with class c, drawing again until the damage shows.
func Inject(c Class, r *rand.Rand, data []byte) (bad []byte, how string, ok bool) {
	for range 50 {
		bad, how = c.Damage(r, data)
		if c.Name == "bit-flips" || len(bad) != len(data) {
			return bad, how, true
		}
		changed := 0
		for i := range bad {
			if bad[i] != data[i] {
				changed++
			}
		}
		if changed >= MinChanged {
			return bad, how, true
		}
	}
	return nil, "", false
}

// MinValues is how many different byte values a block must hold to be
// repeated. A block of fill that is delivered again is the class "hole".
const MinValues = 8

func values(b []byte) int {
	var have [256]bool
	n := 0
	for _, v := range b {
		if !have[v] {
			have[v] = true
			n++
		}
	}
	return n
}

func lines(data []byte) int { return bits.Len(uint(len(data))) - 1 }

func stuckLine(r *rand.Rand, data []byte) ([]byte, string) {
	k, high := r.IntN(lines(data)), r.IntN(2)
	return stick(data, 0, len(data), k, high), fmt.Sprintf("line %d at %d", k, high)
}

func stuckLinePart(r *rand.Rand, data []byte) ([]byte, string) {
	n := lines(data)
	w := 14
	if n > 14 {
		w += r.IntN(n - 14)
	}
	k, high := r.IntN(w), r.IntN(2)
	from := r.IntN(len(data)>>w) << w
	return stick(data, from, from+1<<w, k, high), fmt.Sprintf("line %d at %d in 0x%X+0x%X", k, high, from, 1<<w)
}

func stick(data []byte, from, to, k, high int) []byte {
	out := bytes.Clone(data)
	for i := from; i < to; i++ {
		out[i] = data[i&^(1<<k)|high<<k]
	}
	return out
}

func twoLines(r *rand.Rand, n int) (a, b int) {
	a = r.IntN(n)
	b = r.IntN(n - 1)
	if b >= a {
		b++
	}
	return min(a, b), max(a, b)
}

func shortedLines(r *rand.Rand, data []byte) ([]byte, string) {
	a, b := twoLines(r, lines(data))
	or := r.IntN(2) == 1
	out := make([]byte, len(data))
	for i := range out {
		j := i
		if i>>a&1 != i>>b&1 {
			j &^= 1<<a | 1<<b
			if or {
				j |= 1<<a | 1<<b
			}
		}
		out[i] = data[j]
	}
	return out, fmt.Sprintf("lines %d and %d, high wins %v", a, b, or)
}

func swappedLines(r *rand.Rand, data []byte) ([]byte, string) {
	a, b := twoLines(r, lines(data))
	out := make([]byte, len(data))
	for i := range out {
		j := i
		if i>>a&1 != i>>b&1 {
			j ^= 1<<a | 1<<b
		}
		out[i] = data[j]
	}
	return out, fmt.Sprintf("lines %d and %d", a, b)
}

func bus(r *rand.Rand) int { return 1 << r.IntN(3) }

func stuckData(r *rand.Rand, data []byte) ([]byte, string) {
	w := bus(r)
	lane, bit, high := r.IntN(w), r.IntN(8), r.IntN(2)
	out := bytes.Clone(data)
	for i := lane; i < len(out); i += w {
		out[i] = out[i]&^(1<<bit) | byte(high<<bit)
	}
	return out, fmt.Sprintf("bit %d of lane %d of %d at %d", bit, lane, w, high)
}

func shortedData(r *rand.Rand, data []byte) ([]byte, string) {
	w := bus(r)
	p, q := twoLines(r, 8*w)
	or := r.IntN(2) == 1
	out := bytes.Clone(data)
	for i := 0; i+w <= len(out); i += w {
		x, y := out[i+p/8]>>(p%8)&1, out[i+q/8]>>(q%8)&1
		v := x & y
		if or {
			v = x | y
		}
		out[i+p/8] = out[i+p/8]&^(1<<(p%8)) | v<<(p%8)
		out[i+q/8] = out[i+q/8]&^(1<<(q%8)) | v<<(q%8)
	}
	return out, fmt.Sprintf("lines %d and %d of %d bits, high wins %v", p, q, 8*w, or)
}

// blockSize draws 16 to 4096: half of the time a power of two, else any size,
// each octave as likely as the others.
func blockSize(r *rand.Rand, low, high int) int {
	k := bits.Len(uint(low)) - 1 + r.IntN(bits.Len(uint(high))-bits.Len(uint(low))+1)
	b := 1 << k
	if r.IntN(2) == 0 {
		b += r.IntN(b)
	}
	return min(b, high)
}

func repeatedBlock(r *rand.Rand, data []byte) ([]byte, string) {
	return repeat(r, data, blockSize(r, 64, 4096), 2+r.IntN(14))
}

func repeatedSmall(r *rand.Rand, data []byte) ([]byte, string) {
	return repeat(r, data, blockSize(r, 16, 63), 2+r.IntN(14))
}

func repeatedOnce(r *rand.Rand, data []byte) ([]byte, string) {
	return repeat(r, data, blockSize(r, 16, 4096), 1)
}

func repeat(r *rand.Rand, data []byte, b, extra int) ([]byte, string) {
	extra = min(extra, len(data)/b-1)
	at := r.IntN(len(data)/b-extra) * b
	out := bytes.Clone(data)
	if values(data[at:at+b]) < MinValues {
		return out, "" // to be drawn again
	}
	for i := 1; i <= extra; i++ {
		copy(out[at+i*b:], data[at:at+b])
	}
	return out, fmt.Sprintf("block of %d at 0x%X, %d times", b, at, extra+1)
}

func cut(r *rand.Rand, data []byte, low, high float64) (at, block int) {
	block = blockSize(r, 16, 1024)
	at = int(float64(len(data)) * (low + r.Float64()*(high-low)))
	return max(at/block, 1) * block, block
}

func padded(r *rand.Rand, data []byte) ([]byte, string) {
	at, block := cut(r, data, 0.05, 0.95)
	out := bytes.Clone(data)
	tail := out[at:]
	kind := []string{"0xFF", "0x00", "pattern", "last block", "start of the image"}[r.IntN(5)]
	fill := func(p []byte) {
		for i := range tail {
			tail[i] = p[i%len(p)]
		}
	}
	switch kind {
	case "0xFF":
		fill([]byte{0xFF})
	case "0x00":
		fill([]byte{0})
	case "pattern":
		fill(binary.BigEndian.AppendUint32(nil, r.Uint32())[:1+r.IntN(4)])
	case "last block":
		fill(bytes.Clone(data[at-block : at]))
	default:
		fill(data[:at])
	}
	return out, fmt.Sprintf("at 0x%X with %s", at, kind)
}

func truncated(r *rand.Rand, data []byte) ([]byte, string) {
	at, _ := cut(r, data, 0.05, 0.95)
	return bytes.Clone(data[:at]), fmt.Sprintf("at 0x%X", at)
}

func shifted(r *rand.Rand, data []byte) ([]byte, string) {
	at := int(float64(len(data)) * (0.02 + 0.96*r.Float64()))
	keep := r.IntN(2) == 0
	var out []byte
	how := "lost"
	if r.IntN(2) == 0 {
		out = append(bytes.Clone(data[:at]), data[at+1:]...)
		if keep {
			out = append(out, 0xFF)
		}
	} else {
		how = "doubled"
		out = append(bytes.Clone(data[:at+1]), data[at:]...)
		if keep {
			out = out[:len(data)]
		}
	}
	return out, fmt.Sprintf("byte %s at 0x%X, length kept %v", how, at, keep)
}

func swapped(r *rand.Rand, data []byte) ([]byte, string) {
	w := 2 << r.IntN(2)
	out := make([]byte, len(data))
	for i := range out {
		out[i] = data[i^(w-1)]
	}
	return out, fmt.Sprintf("words of %d bytes", w)
}

func interleaved(_ *rand.Rand, data []byte) ([]byte, string) {
	out := make([]byte, len(data))
	half := len(data) / 2
	for i := range half {
		out[i], out[half+i] = data[2*i], data[2*i+1]
	}
	return out, "two halves"
}

func hole(r *rand.Rand, data []byte) ([]byte, string) {
	b := blockSize(r, 64, 1024)
	n := 1 + r.IntN(8)
	n = min(n, len(data)/b-1)
	at := r.IntN(len(data)/b-n) * b
	v := byte(r.IntN(2) * 0xFF)
	out := bytes.Clone(data)
	for i := at; i < at+n*b; i++ {
		out[i] = v
	}
	return out, fmt.Sprintf("%d blocks of %d at 0x%X with 0x%02X", n, b, at, v)
}

func erasedPart(r *rand.Rand, data []byte) ([]byte, string) {
	size := min(4096<<r.IntN(5), len(data)/2)
	at := r.IntN(len(data)/size) * size
	out := bytes.Clone(data)
	for i := at; i < at+size; i++ {
		out[i] = 0xFF
	}
	return out, fmt.Sprintf("0x%X+0x%X", at, size)
}

func overwrite(r *rand.Rand, data []byte, text string) ([]byte, string) {
	at := r.IntN(len(data) - len(text))
	out := bytes.Clone(data)
	copy(out[at:], text)
	return out, fmt.Sprintf("%d bytes at 0x%X", len(text), at)
}

// ended ends every line in LF or in CR LF.
func ended(r *rand.Rand, text string) string {
	if r.IntN(2) == 0 {
		return text
	}
	return strings.ReplaceAll(text, "\n", "\r\n")
}

func sessionText(r *rand.Rand, data []byte) ([]byte, string) {
	kinds := []struct {
		name string
		make func(r *rand.Rand) string
	}{
		{"login", loginText}, {"shell", shellText}, {"boot console", consoleText}, {"boot log", bootText},
		{"drive prompt", driveText}, {"errors", errorText}, {"traceback", traceText}, {"modem", modemText},
	}
	k := kinds[r.IntN(len(kinds))]
	out, how := overwrite(r, data, ended(r, k.make(r)))
	return out, k.name + ", " + how
}

func loginText(r *rand.Rand) string {
	lines := []string{
		"bench login: mechanic\nPassword: \nLast login: Tue Nov 24 09:12:44 on ttyS0\n",
		"$ read-memory --from 0 --to 0x7ffff\nread-memory: command not found\n",
		"cat: /dev/ttyUSB0: Permission denied\n$ \n",
		"error: timeout while waiting for an answer, retry 3 of 3\nConnection closed by foreign host.\n",
		"\x1b[31mError:\x1b[0m no answer from the controller\n",
	}
	text := ""
	for range 3 + r.IntN(6) {
		text += lines[r.IntN(len(lines))]
	}
	return text
}

func shellText(r *rand.Rand) string {
	prompt := []string{"root@pump:~# ", "mechanic@bench:/srv/reads$ ", "[root@pump mnt]# "}[r.IntN(3)]
	n := 1 << (3 + r.IntN(10))
	return prompt + fmt.Sprintf("dd if=/dev/mtd%d of=/tmp/part.bin bs=512 count=%d\n", r.IntN(4), n) +
		fmt.Sprintf("%d+0 records in\n%d+0 records out\n%d bytes copied, 0.%d s\n", n, n, 512*n, 1+r.IntN(9)) + prompt
}

func consoleText(r *rand.Rand) string {
	at := r.IntN(0x8000) << 16
	text := fmt.Sprintf("=> md.b 0x%08x 40\n", at)
	for i := range 2 + r.IntN(8) {
		row, letters := "", ""
		for range 16 {
			v := byte(r.Uint32())
			row += fmt.Sprintf(" %02x", v)
			if v < 0x20 || v > 0x7E {
				v = '.'
			}
			letters += string(rune(v))
		}
		text += fmt.Sprintf("%08x:%s    %s\n", at+16*i, row, letters)
	}
	return text + "=> "
}

func bootText(r *rand.Rand) string {
	what := []string{"memory: 32 MiB in one bank", "clock: 48 MHz", "serial: port 0 at 0x40004000", "flash: 2 banks of 1 MiB", "can0: link is down, waiting", "watchdog: started, 10 s"}
	text, at := "[    0.000000] Booting on processor 0\n", 0
	for range 3 + r.IntN(8) {
		at += r.IntN(900000) + 1
		text += fmt.Sprintf("[%5d.%06d] %s\n", at/1000000, at%1000000, what[r.IntN(len(what))])
	}
	return text
}

func driveText(r *rand.Rand) string {
	dir := []string{`C:\Users\mechanic>`, `D:\reads\pump>`, `C:\>`}[r.IntN(3)]
	return "\n" + dir + "type part.bin\nThe file cannot be found.\n\n" + dir + "dir /b\nnotes.txt\n\n" + dir
}

func errorText(r *rand.Rand) string {
	at, step := r.IntN(256)<<12, 1<<(6+r.IntN(6))
	text := ""
	for i := range 2 + r.IntN(4) {
		text += fmt.Sprintf("ERROR: no answer for the block at 0x%08X: timed out\n", at+i*step)
	}
	return text
}

func traceText(r *rand.Rand) string {
	return fmt.Sprintf("Traceback (most recent call last):\n  File \"/srv/reader/main.py\", line %d, in <module>\n    out.write(port.block(at))\n", 10+r.IntN(90)) +
		fmt.Sprintf("  File \"/srv/reader/port.py\", line %d, in block\n    raise NoAnswer(at)\nNoAnswer: 0x%X\n", 10+r.IntN(90), r.IntN(1<<20))
}

func modemText(r *rand.Rand) string {
	text := "ATZ\nOK\nATE0V1\nOK\n"
	for range 1 + r.IntN(3) {
		text += fmt.Sprintf("ATDT555%04d\n", r.IntN(10000)) + []string{"BUSY\n", "NO CARRIER\n", "CONNECT 9600\n"}[r.IntN(3)]
	}
	return text + "NO CARRIER\n"
}

func htmlError(r *rand.Rand, data []byte) ([]byte, string) {
	code := []string{"404 Not Found", "500 Internal Server Error", "403 Forbidden", "502 Bad Gateway"}[r.IntN(4)]
	page := []string{
		"<!DOCTYPE html>\n<html><head><title>" + code + "</title></head>\n<body>\n<h1>" + code +
			"</h1>\n<p>The file could not be delivered.</p>\n<hr>\n<address>bench server, port 8080</address>\n</body></html>\n",
		"<html>\n<head><title>" + code + "</title></head>\n<body>\n<table width=\"100%\" border=\"0\"><tr><td><h1>" + code +
			"</h1></td></tr>\n<tr><td>The bench server could not deliver what was asked for.</td></tr></table>\n</body>\n</html>\n",
	}[r.IntN(2)]
	head := "HTTP/1.1 " + code + fmt.Sprintf("\nServer: bench\nDate: Tue, 24 Nov 2026 %02d:%02d:%02d GMT\nContent-Type: text/html\n", r.IntN(24), r.IntN(60), r.IntN(60))
	var text, how string
	switch r.IntN(4) {
	case 0:
		text, how = ended(r, page), "page"
	case 1:
		text, how = ended(r, page), "page cut off"
		from := strings.Index(text, "</h1>") + len("</h1>")
		text = text[:from+r.IntN(len(text)-len("</html>\r\n")-from)]
	case 2:
		text, how = ended(r, head+fmt.Sprintf("Content-Length: %d\n\n", len(page))+page), "answer"
	default:
		text, how = ended(r, head+"Content-Length: 0\n\n"), "head of an answer"
	}
	out, where := overwrite(r, data, text)
	return out, how + ", " + where
}

func randomFiller(r *rand.Rand, data []byte) ([]byte, string) {
	at, _ := cut(r, data, 0.25, 0.90)
	out := bytes.Clone(data)
	for i := at; i < len(out); i++ {
		out[i] = byte(r.Uint32())
	}
	return out, fmt.Sprintf("from 0x%X", at)
}

func bitFlips(r *rand.Rand, data []byte) ([]byte, string) {
	out := bytes.Clone(data)
	n := 1 + r.IntN(8)
	for range n {
		out[r.IntN(len(out))] ^= 1 << r.IntN(8)
	}
	return out, fmt.Sprintf("%d bits", n)
}
