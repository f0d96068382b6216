package readcheck

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/readcheck/internal/faults"
)

// foreignTexts are texts that get into an image in place of memory, with LF.
var foreignTexts = []struct{ name, code, text string }{
	{"login", "session-text", "pump login: mechanic\nPassword: \nLast login: Tue Nov 24 09:12:44 on ttyS0\n$ readmem 0 8000\nreadmem: command not found\n"},
	{"shell", "session-text", "root@pump:~# dd if=/dev/mem of=read.bin bs=512\n512+0 records in\n512+0 records out\n262144 bytes (262 kB, 256 KiB) copied, 0.91 s, 288 kB/s\nroot@pump:~# "},
	{"shell, prompts only", "session-text", "mechanic@bench:/srv/reads$ cat first.bin\nmechanic@bench:/srv/reads$ exit\n"},
	{"shell in brackets", "session-text", "[mechanic@bench reads]$ cat first.bin\n[mechanic@bench reads]$ \n"},
	{"copy", "session-text", "8192+0 records in\n8192+0 records out\n4194304 bytes (4.2 MB) copied, 3.1 s\n"},
	{"refused", "session-text", "$ cat /dev/mtd0\ncat: /dev/mtd0: Permission denied\n$ \n"},
	{"colours", "session-text", "\x1b[32mroot@pump\x1b[0m:\x1b[34m~\x1b[0m# readmem\n\x1b[31mreadmem\x1b[0m: command not found\n"},
	{"boot console", "session-text", "=> md.b 0x80000000 20\n80000000: 00 11 22 33 44 55 66 77 88 99 aa bb cc dd ee ff    ..\"3DUfw........\n80000010: 01 11 22 33 44 55 66 77 88 99 aa bb cc dd ee ff    ..\"3DUfw........\n=> "},
	{"dump of words", "session-text", "80000000: ea000016 e59ff014 e59ff014 e59ff014    ................\n80000010: 00000060 000000c0 00000120 00000180    `...............\n"},
	{"dump in halves", "session-text", "00000000: 7f11 4c46 0201 0100 0000 0000 0000 0000  ..LF............\n00000010: 0200 3e00 0100 0000 d05a 0000 0000 0000  ..>......Z......\n"},
	{"kernel's log", "session-text", "[    0.000000] Booting on processor 0\n[    0.000000] Memory: 65536K of 65536K\n[    0.231004] serial: ttyS0 at 0x101f1000\n[    1.118200] mounting the root\n"},
	{"drive prompt", "session-text", "C:\\reads\\pump>type first.bin\nThe system cannot find the file.\n\nC:\\reads\\pump>dir\n"},
	{"errors with addresses", "session-text", "ERROR: read failed at 0x00012000: timeout\nERROR: read failed at 0x00012400: timeout\n"},
	{"traceback", "session-text", "Traceback (most recent call last):\n  File \"/srv/read.py\", line 41, in <module>\n    block = port.read(256)\n  File \"/srv/port.py\", line 7, in read\n    raise TimeoutError(at)\nTimeoutError: 0x4000\n"},
	{"modem", "session-text", "ATZ\nOK\nATDT 0\nAT+CSQ\n+CSQ: 12,99\nOK\nATDT5550100\nNO CARRIER\nRING\n"},
	{"page", "html-text", "<!doctype html><html><head><title>404 Not Found</title></head><body><h1>gone</h1></body></html>\n"},
	{"page with a percent sign", "html-text", "<html><head><title>Sign in</title></head><body><table width=\"100%\" border=0><tr><td>100% of it; 50% done</td></tr></table></body></html>\n"},
	{"page cut off", "html-text", "<html>\n<head><title>502 Bad Gateway</title></head>\n<body width=\"100%\">\n<h1>502 Bad Gateway</h1>\n<p>The bench server got no answer from the contro"},
	{"answer", "html-text", "HTTP/1.1 502 Bad Gateway\nServer: bench\nContent-Type: text/plain\nContent-Length: 0\n\n"},
	{"answer with a time", "html-text", "HTTP/1.1 200 OK\nDate: Tue, 24 Nov 2026 09:12:44 GMT\nContent-Length: 4096\n\n"},
}

// textOf runs the check for text alone.
func textOf(data []byte) *Report {
	x := &examiner{c: contentOf(0, data), lim: limitsFor(nil)}
	x.checkText()
	return &Report{Findings: x.findings}
}

// Each kind of text is found over erased memory and over content, with LF and
// with CR LF.
func TestForeignTextIsFound(t *testing.T) {
	synth := faults.Synth(rand.New(rand.NewPCG(61, 1)), 64<<10)
	for _, tc := range foreignTexts {
		t.Run(tc.name, func(t *testing.T) {
			for _, text := range []string{tc.text, strings.ReplaceAll(tc.text, "\n", "\r\n")} {
				for _, fill := range []int{0, 0xFF, -1} {
					data := bytes.Clone(synth)
					if fill >= 0 {
						fillWith(data[0x1F00:0x2800], []byte{byte(fill)})
					}
					data[0x2000+len(text)] = 0xFF // no text, and no end of a string
					copy(data[0x2000:], text)
					f := findingOf(t, textOf(data), tc.code)
					assert.LessOrEqual(t, f.Ranges[0].Start, uint64(0x2000))
					assert.GreaterOrEqual(t, f.Ranges[0].End(), uint64(0x2000+len(text)))
				}
			}
		})
	}
}

// A read that stopped within a page leaves it at the end.
func TestPageAtTheEndOfAShortRead(t *testing.T) {
	data := faults.Synth(rand.New(rand.NewPCG(62, 1)), 64<<10)
	page := "<html><head><title>504 Gateway Timeout</title></head>\n<body>\n"
	copy(data[len(data)-len(page):], page)
	findingOf(t, textOf(data), "html-text")
}

// What programs hold of the kind raises nothing.
func TestTextOfProgramsIsNoForeignText(t *testing.T) {
	synth := faults.Synth(rand.New(rand.NewPCG(63, 1)), 64<<10)
	for name, text := range map[string]string{
		"formats of a copier":         "%lu+%lu records in\n%lu+%lu records out\n%s copied, %s s, %s\n\x00",
		"formats in one text":         "512+0 records in\n512+0 records out\n%s: done with all of it\n",
		"formats of a log":            "[%5lu.%06lu] Booting on processor %d\n\x00[    0.000000] Booting\n\x00",
		"one line of a log":           "[    0.000000] this is how a line begins\nand this is how it goes on after that\n",
		"times that fall":             "[   12.000000] the later line of an example\n[    1.000000] the earlier line of an example\n",
		"times that stand":            "[    0.000000] the first line of an example\n[    0.000000] the next line of an example\n",
		"formats of a dump":           "%08lx: %02x %02x %02x %02x %02x %02x %02x %02x\n%08lx  |%s|\n\x00",
		"table that is no dump":       "0000 00 01 02 03 04 05 06 07\n1000 10 11 12 13 14 15 16 17\n0800 20 21 22 23 24 25 26 27\n",
		"usage":                       "usage: pump [options] FILE\n  -x  dump 100% of it in hex\nexamples:\n$ pump -x first.bin\n$ pump -q second.bin\n# comments begin so\n> and replies so\n",
		"usage with a prompt":         "user@host:~$ pump -x FILE\n  -n NUMBER  of blocks, %d if there is none\nuser@host:~$ pump -q\n",
		"messages":                    "error: none\nError: no answer\nERROR: read failed\nfatal: out of memory\nthe end of the list\n",
		"one error":                   "the reader has said:\nERROR: read failed at 0x00012000: timeout\nand that was all it said\n",
		"tails of messages":           ": No such file or directory\n: Permission denied\n: command not found\nand so on it goes\n",
		"formats of a traceback":      "Traceback (most recent call last):\n  File \"%s\", line %d, in %s\n    and what stands there\n",
		"documentation with an error": ">>> pump.read(1)\nTraceback (most recent call last):\n  File \"<stdin>\", line 1, in <module>\nValueError: too short\n",
		"answers of a modem":          "OK\nCONNECT\nRING\nNO CARRIER\nERROR\nNO DIALTONE\nBUSY\nNO ANSWER\nDELAYED\n",
		"commands of a modem":         "ATZ\x00OK\x00ATDT\x00CONNECT\x00NO CARRIER\x00the texts of a dialling program follow\n",
		"lines with NUL between":      "root@pump:~# readmem --from 0 --to 0x7ffff of it\n\x00root@pump:~# readmem --from 0 --to 0x7ffff of it\n\x00",
		"template of a page":          "<html><head><title>%d %s</title></head>\n<body width=\"100%\"><h1>%s</h1></body></html>\n",
		"another template":            "<html><head><title>${title}</title></head>\n<body><h1>Not found</h1></body></html>\n",
		"a third template":            "<html><head><title>$title</title></head>\n<body><h1>Not found</h1></body></html>\n",
		"a template with names":       "<html><head><title>{url}</title></head>\n<body><h1>Not found</h1>{files}</body></html>\n",
		"piece of a page":             "<html>\r\n<head><title>404 Not Found</title></head>\r\n<body>\r\n<center><h1>404 Not Found</h1></center>\r\n\x00and more",
		"piece in front of a name":    "<html><head><title>404 Not Found</title></head>\n<body>\n<h1>Not Found</h1>\nThe file \xFF",
		"page of its own, cut off":    "<html><head><title>Settings of the pump</title></head>\n<body>\n<h1>Settings</h1>\n<p>The rat\xFF",
		"head of an answer":           "HTTP/1.0 404 File not found\r\nServer: pump/1.0\r\nContent-Type: text/html\r\n\r\n\x00and more",
		"head with two lines":         "HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain\r\nConnection: close\r\n\r\n400 Bad Request",
		"head of a good answer":       "HTTP/1.0 200 OK\r\nServer: pump/1.0\r\nContent-Type: text/html\r\nConnection: close\r\n\r\n",
		"format of an answer":         "HTTP/1.1 %d %s\r\nDate: %s GMT\r\nServer: pump\r\n\r\nHTTP/1.1 502 Bad Gateway\r\nDate: %a, %d 09:12:44 GMT\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			data := bytes.Clone(synth)
			clear(data[0x1FE0:0x2000])
			copy(data[0x2000:], text)
			copy(data[0x2000+len(text):], "\xFF\x01")
			found := codes(textOf(data).Findings)
			assert.False(t, slices.Contains(found, "session-text") || slices.Contains(found, "html-text"), "%v", found)
		})
	}
}

// The line stands alone on a terminal, whatever ends it.
func TestClosedConnection(t *testing.T) {
	assert.Equal(t, 2, sessionLines([]byte("root@bench:/tmp# exit\nConnection closed by foreign host.\n")))
	assert.Equal(t, 2, sessionLines([]byte("root@bench:/tmp# exit\r\nConnection closed by foreign host.\r\n")))
}

func TestHasConversion(t *testing.T) {
	for _, text := range []string{"%s", "at %-8d", "%08lx", "%5.2f%%", "%.*s", "%1$s", "x%p", "%zu", "%(name)s", "%%d", "100% %s"} {
		assert.True(t, hasConversion([]byte(text)), text)
	}
	for _, text := range []string{"", "%", "100%", "100% done", "100%;", "width=\"100%\"", "%2F", "50%\nof it"} {
		assert.False(t, hasConversion([]byte(text)), text)
	}
}

func TestDumpLine(t *testing.T) {
	for line, want := range map[string]struct {
		at uint64
		n  int
	}{
		"80000000: 00 11 22 33    ..\"3":                  {0x80000000, 4},
		"00000010  00 11 22 33  44 55 66 77  |..\"3DUfw|": {0x10, 8},
		"0100  00 11 22 33-44 55 66 77   ..":              {0x100, 8},
		"80000000: ea000016 e59ff014    ........":         {0x80000000, 8},
		"0000000000000040: 7f45 4c46 0201 0100":           {0x40, 8},
	} {
		at, n, ok := dumpLine([]byte(line))
		assert.True(t, ok, line)
		assert.Equal(t, want.at, at, line)
		assert.Equal(t, want.n, n, line)
	}
	for _, line := range []string{"", "0000", "0000:", "0000: 00", "000: 00 11 22 33", "12345678 people", "dead beef", "00000000000000000: 00 11 22 33"} {
		_, _, ok := dumpLine([]byte(line))
		assert.False(t, ok, line)
	}
}

// FuzzForeignText proves that no text makes the rules panic, and that a text
// with a conversion of printf is never a session.
func FuzzForeignText(f *testing.F) {
	for _, tc := range foreignTexts {
		f.Add([]byte(tc.text), []byte{0})
	}
	f.Add([]byte("\x1b[\r\r\n[1.000000] \nAT\nOK"), []byte{})
	f.Fuzz(func(t *testing.T, text, rest []byte) {
		n := sessionLines(text)
		require.GreaterOrEqual(t, n, 0)
		require.LessOrEqual(t, n, 2*(bytes.Count(text, []byte("\n"))+bytes.Count(text, []byte("\r"))+1))
		if hasConversion(text) {
			require.Zero(t, n)
		}
		isHTML(text, rest)
		isHTTP(text, rest)
	})
}
