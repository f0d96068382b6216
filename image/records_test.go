package image_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
)

// plainRecord makes one record digit by digit, straight from the definition:
// the bytes of the line, then what makes their sum total modulo 256.
func plainRecord(mark string, total byte, line ...byte) string {
	for _, b := range line {
		mark += fmt.Sprintf("%02X", b)
		total -= b
	}
	return mark + fmt.Sprintf("%02X", total)
}

// plainIntelHex and plainSRecord make the lines of a file whose data from
// 0x1FFF0 on comes in records of the given lengths; they may not cross 0x20000
// but at a record's end.
func plainIntelHex(data []byte, lengths []int) []string {
	var lines []string
	base, addr := 0, 0x1FFF0
	for _, n := range lengths {
		if addr>>16 != base {
			base = addr >> 16
			lines = append(lines, plainRecord(":", 0, 2, 0, 0, 4, byte(base>>8), byte(base)))
		}
		lines = append(lines, plainRecord(":", 0, append([]byte{byte(n), byte(addr >> 8), byte(addr), 0}, data[:n]...)...))
		data, addr = data[n:], addr+n
	}
	return append(lines, ":00000001FF")
}

func plainSRecord(data []byte, lengths []int) []string {
	lines := []string{"S0030000FC"}
	addr := 0x1FFF0
	for _, n := range lengths {
		lines = append(lines, plainRecord("S2", 0xFF, append([]byte{byte(n + 4), byte(addr >> 16), byte(addr >> 8), byte(addr)}, data[:n]...)...))
		data, addr = data[n:], addr+n
	}
	return append(lines, "S804000000FB")
}

// cut returns the lengths of records of at most length bytes for size bytes,
// with a record's end at first if that is not 0.
func cut(size, length, first int) (lengths []int) {
	for at := 0; at < size; {
		n := min(length, size-at)
		if at < first {
			n = min(n, first-at)
		}
		lengths, at = append(lengths, n), at+n
	}
	return lengths
}

// Both writers give the plain lines for every length of a record, and the
// readers take them, in lower case and with every line end too. The last record
// is short, and so is the one before the multiple of 64 KiB in Intel HEX.
func TestEveryRecordLength(t *testing.T) {
	const start = 0x1FFF0
	for length := 1; length <= 255; length++ {
		data := counting(3*length + 7 + 0x10)
		im := mustImage(t, image.Segment{Start: start, Data: data})
		end := []string{"\n", "\r\n", "\r"}[length%3]
		check := func(lines []string, write func(w *bytes.Buffer) error) {
			text := strings.Join(lines, end) + end
			require.Equal(t, text, string(written(t, write)), "length %d", length)
			for _, text := range []string{text, strings.ToLower(text), strings.TrimSuffix(text, end)} {
				requireData(t, text, start, data)
			}
		}
		check(plainIntelHex(data, cut(len(data), length, 0x10)), func(w *bytes.Buffer) error {
			return image.WriteIntelHex(w, im, image.IntelHexOptions{RecordLength: length, LineEnd: end})
		})
		if length > 251 { // the most with three address bytes
			continue
		}
		check(plainSRecord(data, cut(len(data), length, 0)), func(w *bytes.Buffer) error {
			return image.WriteSRecord(w, im, image.SRecordOptions{RecordLength: length, LineEnd: end})
		})
	}
}

// Images of more bytes than are read at a time.
func TestManyRecords(t *testing.T) {
	data := counting(200_000)
	im := mustImage(t, image.Segment{Start: 0x1FFF0, Data: data})
	for _, length := range []int{7, 16, 37, 251} {
		var lengths []int
		for at := 0; at < len(data); at += lengths[len(lengths)-1] {
			room := 0x10000 - (at+0xFFF0)%0x10000 // up to the next multiple of 64 KiB
			lengths = append(lengths, min(length, room, len(data)-at))
		}
		require.Equal(t, plainIntelHex(data, lengths), strings.Fields(string(written(t, func(w *bytes.Buffer) error {
			return image.WriteIntelHex(w, im, image.IntelHexOptions{RecordLength: length})
		}))), "length %d", length)
		require.Equal(t, plainSRecord(data, cut(len(data), length, 0)), strings.Fields(string(written(t, func(w *bytes.Buffer) error {
			return image.WriteSRecord(w, im, image.SRecordOptions{RecordLength: length})
		}))), "length %d", length)
	}
}

// Records of changing length, whose data does not end where the reader's memory
// blocks do, with the three line ends in turn and blanks here and there.
func TestMixedRecordLengths(t *testing.T) {
	data := counting(200_000)
	lengths := cut(0x10, 5, 0)
	for at, n := 0x10, 1; at < len(data); at, n = at+lengths[len(lengths)-1], n%250+1 {
		room := 0x10000 - (at-0x10)%0x10000 // up to the next multiple of 64 KiB
		lengths = append(lengths, min(n, room, len(data)-at))
	}
	for _, lines := range [][]string{plainIntelHex(data, lengths), plainSRecord(data, lengths)} {
		var text strings.Builder
		for i, line := range lines {
			if i%7 == 3 {
				line = strings.ToLower(line)
			}
			if i%11 == 5 {
				line += " \t"
			}
			text.WriteString(line + []string{"\n", "\r\n", "\r"}[i%3])
		}
		requireData(t, text.String(), 0x1FFF0, data)
	}
}

// requireData reads text and requires data from start on, and nothing else.
func requireData(t *testing.T, text string, start uint64, data []byte) {
	t.Helper()
	im, err := read(text, image.Options{})
	require.NoError(t, err)
	all := image.Range{Start: start, Size: uint64(len(data))}
	require.Equal(t, []image.Range{all}, im.Segments())
	got, err := im.Bytes(all)
	require.NoError(t, err)
	require.True(t, bytes.Equal(data, got), "%.200q", text)
}

// A digit that is none, at every place of a record, is found there.
func TestWrongDigitAnywhere(t *testing.T) {
	data := counting(40)
	for _, lines := range [][]string{plainIntelHex(data, []int{16, 24}), plainSRecord(data, []int{16, 24})} {
		line := lines[1]
		for at := 2; at < len(line); at++ {
			for _, bad := range []string{"G", "/", ":", "@", "g", "`", "\x80", "\xB0", " "} {
				lines[1] = line[:at] + bad + line[at+1:]
				if strings.TrimRight(lines[1], " ") != lines[1] {
					continue // a blank at the end is no part of the record
				}
				_, err := read(strings.Join(lines, "\n"), image.Options{})
				require.Error(t, err, "%q", lines[1])
				require.ErrorContains(t, err, fmt.Sprintf("%q is no hexadecimal digit", bad[0]), "%q", lines[1])
			}
		}
		lines[1] = line
	}
}
