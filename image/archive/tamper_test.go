package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// fullTamper asks for every damage there is instead of some at every byte, and
// for every fault.
const fullTamper = "CALPROOF_TAMPER_FULL"

// tamperArchive is a small archive with every kind of file: a backup with all
// that an entry can hold, and an edit that names it as its parent.
func tamperArchive(t testing.TB) map[string][]byte {
	t.Helper()
	a := newArchive(t)
	image := noise(1, 16)
	_, err := a.Add(ctx, backup("Groomer 2", image))
	require.NoError(t, err)
	_, err = a.Add(ctx, Addition{Vehicle: "Groomer 2", Kind: Modified, Image: BytesSource("edited.bin", noise(2, 16)), Parent: sumOf(image), Verdict: passed(evidence.Unproven)})
	require.NoError(t, err)
	return loadFS(t, a.Dir())
}

// refused counts damage after which a folder is no archive any more.
const refused evidence.Verdict = "refused"

// judge verifies a damaged archive, all of it, and returns the verdict. It is an
// error if the damage is not found, or no finding says where it is: exactly in
// file, or only in its entry or vehicle.
func judge(fsys fs.FS, file string, exactly bool) (evidence.Verdict, error) {
	r, err := NewReader(fsys)
	if err != nil {
		if errors.Is(err, ErrNotArchive) && (file == markerFile || !exactly) {
			return refused, nil
		}
		return "", err
	}
	v, err := r.Verify(ctx, VerifyOptions{Workers: 1})
	if err != nil {
		return "", fmt.Errorf("not examined: %w", err)
	}
	if v.Verdict == evidence.Pass {
		return "", fmt.Errorf("not found: %v", v.Findings)
	}
	parts := strings.SplitN(file, "/", 3)
	for _, f := range v.Findings {
		if f.Severity == evidence.Note {
			continue
		}
		switch msg := f.Message; {
		case len(parts) == 1 && strings.HasPrefix(msg, file+" "), // of the archive itself
			len(parts) == 2 && strings.HasPrefix(msg, parts[0]+": "), // of the vehicle
			len(parts) == 3 && strings.HasPrefix(msg, parts[0]+"/"+parts[1]+": ") && (!exactly || strings.Contains(msg, parts[2])),
			len(parts) == 3 && !exactly && strings.HasPrefix(msg, parts[0]+": ") && strings.Contains(msg, parts[1]):
			return v.Verdict, nil
		}
	}
	return "", fmt.Errorf("found, but not in %s: %v", file, v.Findings)
}

// hunt counts damages and what verify says of them. It is safe for concurrent
// use.
type hunt struct {
	mu       sync.Mutex
	kinds    map[string]int
	verdicts map[evidence.Verdict]int
	missed   []string
}

func newHunt() *hunt {
	return &hunt{kinds: map[string]int{}, verdicts: map[evidence.Verdict]int{}}
}

func (h *hunt) try(kind, where string, fsys fs.FS, file string, exactly bool) {
	verdict, err := judge(fsys, file, exactly)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.kinds[kind]++
	if err != nil {
		h.missed = append(h.missed, fmt.Sprintf("%s of %s: %v", kind, where, err))
		return
	}
	h.verdicts[verdict]++
}

// report fails for each damage that was missed and logs the counts.
func (h *hunt) report(t testing.TB, over string, args ...any) {
	t.Helper()
	total := 0
	for _, n := range h.kinds {
		total += n
	}
	for _, m := range h.missed[:min(len(h.missed), 20)] {
		t.Error(m)
	}
	require.NotZero(t, total)
	t.Logf("%d of %d damages found %s: %v, judged %v", total-len(h.missed), total, fmt.Sprintf(over, args...), h.kinds, h.verdicts)
}

// effort says how many damages are tried at every byte.
type effort int

const (
	sample   effort = iota // a few bytes
	quick                  // one change at every byte, the rest at some
	thorough               // two changes at every byte, and the rest once
	all                    // everything
)

func tamperEffort() effort {
	switch {
	case everything():
		return all
	case testing.Short():
		return sample
	case full():
		return thorough
	}
	return quick
}

// damages calls try with each damage to data at one place, at most len(data).
// No two damages of one file are equal, so what repeats another one is left
// out: removing either of two equal bytes, inserting a byte before an equal one,
// cutting off the last byte. damaged is only good until try returns.
func (e effort) damages(data []byte, at int, buf []byte, try func(kind string, damaged []byte)) {
	insert := func(v byte) {
		if at == len(data) || v != data[at] {
			try("insertion", append(append(append(buf[:0], data[:at]...), v), data[at:]...))
		}
	}
	// Not all at every place: the quick form has a few seconds.
	if e == sample && at%19 != 0 {
		return
	}
	now := func(i int) bool { return e >= thorough || at%4 == i }
	if e == all {
		for v := range 256 {
			insert(byte(v))
		}
	} else if now(0) {
		insert([]byte(" \n0\x00=")[at%5])
	}
	if at == len(data) {
		return
	}
	masks := []byte{1 << (at % 8)}
	switch e {
	case thorough:
		masks = append(masks, 0xFF)
	case all:
		masks = masks[:0]
		for m := 1; m < 256; m++ {
			masks = append(masks, byte(m))
		}
	}
	for _, mask := range masks {
		changed := append(buf[:0], data...)
		changed[at] ^= mask
		try("change", changed)
	}
	last := at == len(data)-1
	if now(1) && (last || data[at] != data[at+1]) {
		try("removal", append(append(buf[:0], data[:at]...), data[at+1:]...))
	}
	if (now(2) || at > 0 && data[at-1] == '\n') && !last { // at a line's end nothing looks cut off
		try("truncation", data[:at:at])
	}
	if now(3) && !last && data[at] != data[at+1] {
		swapped := append(buf[:0], data...)
		swapped[at], swapped[at+1] = swapped[at+1], swapped[at]
		try("swap", swapped)
	}
}

// TestEveryByteCounts damages every byte of every file of a small archive, one
// damage at a time, and has the whole of it verified each time: it must be found
// and its file named. With CALPROOF_TAMPER_FULL=1 the damages are every other
// value of every byte, every byte removed, every value inserted before every
// byte and at the end, every two neighbours exchanged, and every length cut off.
func TestEveryByteCounts(t *testing.T) {
	files := tamperArchive(t)
	base := newMemFS(files)
	clean, err := (&Reader{fsys: base}).Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	require.Equal(t, evidence.Pass, clean.Verdict)
	require.Empty(t, clean.Findings)

	level := tamperEffort()
	if _, limited := t.Deadline(); limited && level == all {
		t.Fatal("this takes longer than the default limit; run it with -timeout 0")
	}
	defer debug.SetGCPercent(debug.SetGCPercent(800)) // many small, short lives
	type job struct {
		file string
		at   int
	}
	jobs := make(chan job)
	h, size := newHunt(), 0
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			buf := make([]byte, 0, 64<<10)
			for j := range jobs {
				level.damages(files[j.file], j.at, buf, func(kind string, damaged []byte) {
					h.try(kind, fmt.Sprintf("byte %d of %s", j.at, j.file), base.with(j.file, damaged), j.file, true)
				})
			}
		})
	}
	for _, file := range slices.Sorted(maps.Keys(files)) {
		size += len(files[file])
		for at := range len(files[file]) + 1 {
			jobs <- job{file, at}
		}
	}
	close(jobs)
	wg.Wait()
	h.report(t, "over %d bytes in %d files", size, len(files))
}

// TestDamagesAreAll compares the damages of the full form with a count: every
// text that one edit of a byte makes, every cut, every exchange of neighbours.
func TestDamagesAreAll(t *testing.T) {
	data := []byte("aabc")
	got := map[string]bool{}
	n := 0
	for at := range len(data) + 1 {
		all.damages(data, at, make([]byte, 0, 64), func(_ string, damaged []byte) {
			got[string(damaged)] = true
			n++
		})
	}
	require.Len(t, got, n, "some are equal")
	want := map[string]bool{"": true, "a": true, "aa": true, "abac": true, "aacb": true, "aab": true, "aac": true, "abc": true}
	for at := range len(data) + 1 {
		for v := range 256 {
			want[string(data[:at])+string([]byte{byte(v)})+string(data[at:])] = true
			if at < len(data) {
				want[string(data[:at])+string([]byte{byte(v)})+string(data[at+1:])] = true
			}
		}
	}
	delete(want, string(data))
	require.Equal(t, want, got)
}
