package diffmap

import (
	"bufio"
	"bytes"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/imagetest"
	regionmaps "example.com/calproof/maps"
)

func imageOf(t require.TestingT, segments ...image.Segment) *image.Image {
	im, err := image.FromSegments(segments...)
	require.NoError(t, err)
	return im
}

// sparse is an image as the plainest thing that can hold one.
type sparse map[uint64]byte

func (s sparse) image(t require.TestingT) *image.Image {
	var segments []image.Segment
	for _, addr := range slices.Sorted(maps.Keys(s)) {
		segments = append(segments, image.Segment{Start: addr, Data: []byte{s[addr]}})
	}
	return imageOf(t, segments...)
}

// pairGen draws two images that have much in common.
func pairGen(t *rapid.T) (a, b sparse) {
	a, b = sparse{}, sparse{}
	base := rapid.SampledFrom([]uint64{0, 0x1000, math.MaxUint64 - 99}).Draw(t, "base")
	for i := range uint64(100) {
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0:
			a[base+i] = byte(i)
		case 1:
			b[base+i] = byte(i)
		case 2:
		case 3, 4:
			a[base+i], b[base+i] = byte(i), byte(i)+1
		default:
			a[base+i], b[base+i] = byte(i), byte(i)
		}
	}
	return a, b
}

// expect computes what Compare must find, an address at a time.
func expect(a, b sparse) (changed, appeared, vanished []uint64) {
	for addr := range a {
		if v, ok := b[addr]; !ok {
			vanished = append(vanished, addr)
		} else if v != a[addr] {
			changed = append(changed, addr)
		}
	}
	for addr := range b {
		if _, ok := a[addr]; !ok {
			appeared = append(appeared, addr)
		}
	}
	slices.Sort(changed)
	slices.Sort(appeared)
	slices.Sort(vanished)
	return changed, appeared, vanished
}

func addresses(ranges []image.Range) []uint64 {
	var out []uint64
	for _, r := range ranges {
		for i := range r.Size {
			out = append(out, r.Start+i)
		}
	}
	return out
}

func regionsAt(base uint64) *regionmaps.Map {
	at := func(name string, start, size uint64) regionmaps.Region {
		return regionmaps.Region{Name: name, Range: image.Range{Start: base + start, Size: size}}
	}
	// Out of order, with holes between, so that the order is put to the test.
	return &regionmaps.Map{Regions: []regionmaps.Region{at("c", 60, 30), at("a", 5, 20), at("b", 25, 10)}}
}

func TestCompareAgainstPlainLoop(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := pairGen(t)
		gap := rapid.Uint64Range(0, 5).Draw(t, "gap")
		changed, appeared, vanished := expect(a, b)
		all := slices.Concat(slices.Collect(maps.Keys(a)), slices.Collect(maps.Keys(b)))
		var base uint64
		if len(all) > 0 {
			base = slices.Min(all) &^ 0xFF
			if base > math.MaxUint64-0x100 {
				base = math.MaxUint64 - 99
			}
		}
		m := regionsAt(base)
		res, err := Compare(a.image(t), b.image(t), m, Options{JoinGap: gap})
		require.NoError(t, err)

		require.Equal(t, uint64(len(changed)), res.BytesChanged)
		require.Equal(t, appeared, addresses(res.Appeared))
		require.Equal(t, vanished, addresses(res.Vanished))
		require.Equal(t, len(changed)+len(appeared)+len(vanished) == 0, res.Equal)
		require.Equal(t, uint64(len(res.Changes)), res.ChangeCount)

		// The changes hold every changed byte, are apart by more than the gap,
		// and start and end with a changed byte.
		var bytes uint64
		for i, c := range res.Changes {
			bytes += c.Bytes
			require.Contains(t, changed, c.Range.Start)
			require.Contains(t, changed, c.Range.Last())
			if i > 0 {
				require.Greater(t, c.Range.Start-res.Changes[i-1].Range.Last()-1, gap)
			}
		}
		require.Equal(t, res.BytesChanged, bytes)
		for _, addr := range changed {
			require.True(t, slices.ContainsFunc(res.Changes, func(c Change) bool { return c.Range.Contains(addr) }))
		}

		// Regions and the rest share the changed bytes among them.
		var sum, came, went uint64
		for _, r := range res.Regions {
			came, went = came+r.Appeared, went+r.Vanished
		}
		require.Equal(t, uint64(len(appeared)), came)
		require.Equal(t, uint64(len(vanished)), went)
		for i, r := range res.Regions {
			sum += r.Bytes
			if r.Outside {
				require.Equal(t, len(res.Regions)-1, i)
				require.NotZero(t, r.Bytes+r.Appeared+r.Vanished)
				continue
			}
			require.Equal(t, m.Regions[i].Name, r.Name, "map order")
			inside := 0
			for _, addr := range changed {
				if m.Regions[i].Range.Contains(addr) {
					inside++
				}
			}
			require.Equal(t, uint64(inside), r.Bytes)
			for _, part := range r.Ranges {
				require.True(t, m.Regions[i].Range.Covers(part))
			}
		}
		require.Equal(t, res.BytesChanged, sum)

		back, err := Compare(b.image(t), a.image(t), m, Options{JoinGap: gap})
		require.NoError(t, err)
		require.Equal(t, res.BytesChanged, back.BytesChanged)
		require.Equal(t, res.Appeared, back.Vanished)
		require.Equal(t, res.Vanished, back.Appeared)

		same, err := Compare(a.image(t), a.image(t), nil, Options{})
		require.NoError(t, err)
		require.True(t, same.Equal)
		require.Empty(t, same.Changes)
	})
}

// The regions of a change are those whose bytes differ, not those it spans.
func TestCompareJoinedChangeNamesChangedRegions(t *testing.T) {
	m := &regionmaps.Map{Regions: []regionmaps.Region{
		{Name: "first", Range: image.Range{Start: 0, Size: 4}},
		{Name: "between", Range: image.Range{Start: 4, Size: 4}},
		{Name: "last", Range: image.Range{Start: 8, Size: 4}},
	}}
	a := make([]byte, 14)
	b := bytes.Clone(a)
	b[3], b[8], b[13] = 1, 2, 3
	res, err := Compare(imageOf(t, image.Segment{Data: a}), imageOf(t, image.Segment{Data: b}), m, Options{JoinGap: 4})
	require.NoError(t, err)
	require.Equal(t, []Change{{
		Range: image.Range{Start: 3, Size: 11}, Bytes: 3, Regions: []string{"first", "last", OutsideName},
		Before: "0000000000000000000000", After: "0100000000020000000003",
	}}, res.Changes)
	assert.Equal(t, []uint64{1, 0, 1, 1}, []uint64{res.Regions[0].Bytes, res.Regions[1].Bytes, res.Regions[2].Bytes, res.Regions[3].Bytes})
	assert.Empty(t, res.Regions[1].Ranges)
}

// A list that is cut short says so, and the counts stay whole.
func TestCompareMaxChanges(t *testing.T) {
	a, b := make([]byte, 100), make([]byte, 100)
	for i := 0; i < 100; i += 10 {
		b[i], b[i+1] = 1, 1
	}
	m := &regionmaps.Map{Regions: []regionmaps.Region{{Name: "all", Range: image.Range{Size: 100}}}}
	compare := func(limit int) *Result {
		res, err := Compare(imageOf(t, image.Segment{Data: a}), imageOf(t, image.Segment{Data: b}), m, Options{MaxChanges: limit})
		require.NoError(t, err)
		assert.Equal(t, uint64(20), res.BytesChanged)
		assert.Equal(t, uint64(10), res.ChangeCount)
		return res
	}
	cut := compare(3)
	assert.Len(t, cut.Changes, 3)
	assert.Equal(t, Change{Range: image.Range{Start: 20, Size: 2}, Bytes: 2, Regions: []string{"all"}, Before: "0000", After: "0101"}, cut.Changes[2])
	assert.Equal(t, uint64(7), cut.Regions[0].Omitted)
	assert.Equal(t, uint64(20), cut.Regions[0].Bytes)
	assert.Len(t, compare(-1).Changes, 10)
	assert.Len(t, compare(0).Changes, 10)
}

// Bytes that appear or vanish make a difference, even if none changed.
func TestCompareCoverageAlone(t *testing.T) {
	short, long := imageOf(t, image.Segment{Data: make([]byte, 10)}), imageOf(t, image.Segment{Data: make([]byte, 12)})
	res, err := Compare(short, long, nil, Options{})
	require.NoError(t, err)
	assert.False(t, res.Equal)
	assert.Equal(t, []image.Range{{Start: 10, Size: 2}}, res.Appeared)
	cond := coverageSame(res, nil)
	assert.Equal(t, evidence.Fail, cond.Verdict)
	m := &regionmaps.Map{Regions: []regionmaps.Region{{Name: "all of it", Range: image.Range{Size: 10}}}}
	mapped, err := Compare(short, long, m, Options{})
	require.NoError(t, err)
	assert.Equal(t, []RegionChange{{Name: "all of it", Size: 10}, {Name: OutsideName, Appeared: 2, Outside: true}}, mapped.Regions)
	res, err = Compare(long, short, nil, Options{})
	require.NoError(t, err)
	assert.False(t, res.Equal)
	assert.Equal(t, []image.Range{{Start: 10, Size: 2}}, res.Vanished)
	cond = coverageSame(res, nil)
	assert.Equal(t, evidence.Fail, cond.Verdict)
}

func TestCompareNeedsImages(t *testing.T) {
	_, err := Compare(nil, imageOf(t), nil, Options{})
	assert.ErrorContains(t, err, "image is missing")
}

func writeTemp(t testing.TB, name string, data []byte) string {
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, data, 0o666))
	return path
}

func openRaw(t testing.TB, path string) *image.Image {
	im, err := image.Open(path, image.Options{Format: image.FormatRaw})
	require.NoError(t, err)
	t.Cleanup(func() { _ = im.Close() })
	return im
}

// GNU cmp -l lists the same bytes: offset from 1 in decimal, both values in
// octal.
func TestCompareAgainstCmp(t *testing.T) {
	cmp := imagetest.Tool(t, "cmp")
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 1))
		size := rng.IntN(300_000) + 1
		a := make([]byte, size)
		for i := range a {
			a[i] = byte(rng.Uint32())
		}
		b := bytes.Clone(a)
		switch seed % 4 {
		case 0: // unrelated content
			for i := range b {
				b[i] = byte(rng.Uint32())
			}
		case 1: // single bytes
			for range 200 {
				b[rng.IntN(size)] ^= byte(rng.IntN(255) + 1)
			}
		case 2: // long runs, also over the ends of blocks and pages
			for range 20 {
				from := rng.IntN(size)
				for i := from; i < min(size, from+rng.IntN(9000)); i++ {
					b[i] = ^b[i]
				}
			}
		}
		pathA, pathB := writeTemp(t, "a", a), writeTemp(t, "b", b)
		out, _ := exec.Command(cmp, "-l", pathA, pathB).Output() // exits with 1 for a difference
		var want []uint64
		for s := bufio.NewScanner(bytes.NewReader(out)); s.Scan(); {
			fields := strings.Fields(s.Text())
			n, err := strconv.ParseUint(fields[0], 10, 64)
			require.NoError(t, err)
			want = append(want, n-1)
		}
		res, err := Compare(openRaw(t, pathA), openRaw(t, pathB), nil, Options{MaxChanges: -1})
		require.NoError(t, err)
		var got []image.Range
		for _, c := range res.Changes {
			got = append(got, c.Range)
		}
		require.Equal(t, want, addresses(got), "seed %d", seed)
		require.Equal(t, uint64(len(want)), res.BytesChanged)
		require.Equal(t, seed%4 == 3, res.Equal)
	}
}

// Runs that touch the ends of words, pages and blocks.
func TestScanEdges(t *testing.T) {
	const size = blockSize + pageSize + wordSize + 3
	for _, at := range []int{0, 7, 8, pageSize - 1, pageSize, blockSize - 1, blockSize, size - 4, size - 1} {
		for _, n := range []int{1, 2, 8, 9, pageSize + 1} {
			n = min(n, size-at)
			a, b := make([]byte, size), make([]byte, size)
			for i := at; i < at+n; i++ {
				b[i] = 1
			}
			res, err := Compare(imageOf(t, image.Segment{Start: 100, Data: a}), imageOf(t, image.Segment{Start: 100, Data: b}), nil, Options{})
			require.NoError(t, err)
			require.Len(t, res.Changes, 1, "at %d, %d bytes", at, n)
			require.Equal(t, image.Range{Start: 100 + uint64(at), Size: uint64(n)}, res.Changes[0].Range)
		}
	}
}

// BenchmarkCompare compares two raw files of 64 MiB with 1,000 scattered
// changes; the peer is GNU cmp -l on the same files, a process and all.
func BenchmarkCompare(b *testing.B) {
	const size, changes = 64 << 20, 1000
	rng := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, size)
	for i := range data {
		data[i] = byte(rng.Uint32())
	}
	pathA := writeTemp(b, "a", data)
	for range changes {
		data[rng.IntN(size)] ^= 0x55
	}
	pathB := writeTemp(b, "b", data)
	b.Run(fmt.Sprintf("size=64MiB/changes=%d/by=calproof", changes), func(b *testing.B) {
		b.SetBytes(size)
		b.ReportAllocs()
		for b.Loop() {
			imA, err := image.Open(pathA, image.Options{Format: image.FormatRaw})
			require.NoError(b, err)
			imB, err := image.Open(pathB, image.Options{Format: image.FormatRaw})
			require.NoError(b, err)
			res, err := Compare(imA, imB, nil, Options{})
			require.NoError(b, err)
			require.Len(b, res.Changes, changes)
			require.NoError(b, imA.Close())
			require.NoError(b, imB.Close())
		}
	})
	b.Run(fmt.Sprintf("size=64MiB/changes=%d/by=cmp-l", changes), func(b *testing.B) {
		cmp := imagetest.Tool(b, "cmp")
		b.SetBytes(size)
		for b.Loop() {
			out, _ := exec.Command(cmp, "-l", pathA, pathB).Output()
			require.Equal(b, changes, bytes.Count(out, []byte("\n")))
		}
	})
}
