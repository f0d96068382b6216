package readcheck

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
)

func goodRead() []byte { return faults.Synth(rand.New(rand.NewPCG(3, 3)), 32<<10) }

// learning is a map with one adaptation region.
func learning() *maps.Map {
	return &maps.Map{
		Image: maps.ImageSpec{Size: 32 << 10, Erased: 0xFF},
		Regions: []maps.Region{
			{Name: "program", Range: image.Range{Start: 0, Size: 0x7000}, Role: maps.RoleProgram, Content: maps.ContentExpected},
			{Name: "learned", Range: image.Range{Start: 0x7000, Size: 0x1000}, Role: maps.RoleAdaptation, Content: maps.ContentMayBeErased},
		},
	}
}

func agree(t *testing.T, m *maps.Map, reads ...[]byte) *Agreement {
	t.Helper()
	var images []*image.Image
	for _, r := range reads {
		images = append(images, imageOf(t, r))
	}
	ag, err := Agree(m, images...)
	require.NoError(t, err)
	return ag
}

func codes(list []evidence.Finding) (c []string) {
	for _, f := range list {
		c = append(c, f.Code)
	}
	return c
}

func TestAgreeEqualReadsWithoutMapAreUnproven(t *testing.T) {
	ag := agree(t, nil, goodRead(), goodRead())
	assert.Equal(t, evidence.Unproven, ag.Verdict)
	assert.Equal(t, evidence.Pass, ag.Agree)
	require.Len(t, ag.NotJudged, 2)
	assert.Contains(t, ag.NotJudged[0], "without a region map")
	assert.Equal(t, []string{"reads-equal"}, codes(ag.Findings))
	assert.Contains(t, ag.Findings[0].Message, "no proof")
	assert.EqualValues(t, 32<<10, ag.Compared)
}

func TestAgreeEqualReadsWithStuckLineFail(t *testing.T) {
	data := goodRead()
	for i := range data {
		data[i] = data[i&^0x400]
	}
	ag := agree(t, nil, data, data)
	assert.Equal(t, evidence.Fail, ag.Verdict)
	assert.Contains(t, codes(ag.Findings), "address-line-stuck")
}

// Equal copies of a bad read agree, and are no better than the read.
func TestAgreeEqualBadReads(t *testing.T) {
	m, good := scenario(t, "backup.bin")
	_, short := scenario(t, "short-read.bin")
	_, learned := scenario(t, "second-read.bin")
	blank := bytes.Repeat([]byte{0xFF}, len(good))
	for _, tc := range []struct {
		name   string
		m      *maps.Map
		read   []byte
		second []byte // nil for read
		want   evidence.Verdict
		code   string
	}{
		{"good", m, good, nil, evidence.Pass, CodeReadsEqual},
		{"padded", m, short, nil, evidence.Fail, CodeShortRead},
		{"cut", m, good[:400_000], nil, evidence.Fail, maps.CodeSize},
		{"cut, no map", nil, good[:400_000], nil, evidence.Unproven, CodeSizeOdd},
		{"blank", m, blank, nil, evidence.Fail, CodeBlank},
		{"blank, no map", nil, blank, nil, evidence.Fail, CodeBlank},
		{"a wrong bit", m, flipped(good, 0x70200), nil, evidence.Fail, maps.CodeMismatch},
		{"a wrong bit beside learned values", m, flipped(good, 0x70200), flipped(learned, 0x70200), evidence.Fail, maps.CodeMismatch},
	} {
		t.Run(tc.name, func(t *testing.T) {
			second := tc.second
			if second == nil {
				second = tc.read
			}
			ag := agree(t, tc.m, tc.read, second)
			assert.Equal(t, tc.want, ag.Verdict)
			assert.Equal(t, evidence.Pass, ag.Agree, "with one another they agree")
			assert.Contains(t, codes(ag.Findings), tc.code)
			assert.Len(t, ag.Differences(), 1)

			rep, err := Examine(tc.m, imageOf(t, tc.read))
			require.NoError(t, err)
			assert.Equal(t, rep.NotJudged, ag.NotJudged)
			assert.ElementsMatch(t, append(ag.Differences(), rep.Findings...), ag.Findings, "what the examination says, and nothing twice")
		})
	}
}

func flipped(data []byte, at int) []byte {
	out := bytes.Clone(data)
	out[at] ^= 1
	return out
}

// Reads that differ are not cleared by a first read that passes.
func TestAgreeGoodFirstReadProvesNoOther(t *testing.T) {
	m, good := scenario(t, "backup.bin")
	ag := agree(t, m, good, flipped(good, 0x70200))
	assert.Equal(t, evidence.Fail, ag.Agree)
	assert.Equal(t, evidence.Fail, ag.Verdict)
	assert.Equal(t, []string{CodeReadsDiffer}, codes(ag.Findings))
	assert.Contains(t, ag.Findings[0].Message, "at 1 address outside")
	ag = agree(t, m, good, good[:400_000])
	assert.Equal(t, evidence.Fail, ag.Agree)
	assert.Equal(t, evidence.Fail, ag.Verdict)
}

func TestAgreeBoundNeedsOneMap(t *testing.T) {
	a, err := maps.Bind(learning(), imageOf(t, goodRead()))
	require.NoError(t, err)
	b, err := maps.Bind(nil, imageOf(t, goodRead()))
	require.NoError(t, err)
	_, err = AgreeBound(a, b)
	require.ErrorContains(t, err, "read 2 is missing, or bound to another map")
	_, err = AgreeBound(nil, b)
	require.ErrorContains(t, err, "read 1 is missing")
	_, err = AgreeBound()
	require.ErrorContains(t, err, "two or more")
}

func TestAgreeLearnedValuesAgreeWithNote(t *testing.T) {
	second := goodRead()
	second[0x7010]++
	second[0x7011]--
	ag := agree(t, learning(), goodRead(), second)
	assert.Equal(t, evidence.Pass, ag.Agree)
	assert.Equal(t, evidence.Unproven, ag.Verdict, "the map has no checksum rule")
	assert.Equal(t, []string{"reads-differ-learned"}, codes(ag.Findings))
	assert.Equal(t, []RegionDiff{{Name: "learned", Role: maps.RoleAdaptation, Bytes: 2}}, ag.Where)
	assert.Equal(t, []image.Range{{Start: 0x7010, Size: 2}}, ag.Ranges)
}

func TestAgreeDifferenceOutsideAdaptationFails(t *testing.T) {
	second := goodRead()
	second[0x7010]++
	second[0x100] ^= 0x10
	ag := agree(t, learning(), goodRead(), second)
	assert.Equal(t, evidence.Fail, ag.Verdict)
	require.Equal(t, []string{"reads-differ"}, codes(ag.Findings))
	assert.Equal(t, []image.Range{{Start: 0x100, Size: 1}}, ag.Findings[0].Ranges, "the learned byte is no part of the fault")

	ag = agree(t, nil, goodRead(), second)
	assert.Equal(t, evidence.Unproven, ag.Verdict, "without a map nothing says which bytes may change")
}

func TestAgreeSizesDiffer(t *testing.T) {
	ag := agree(t, nil, goodRead(), goodRead()[:30<<10])
	assert.Equal(t, evidence.Fail, ag.Verdict)
	assert.Contains(t, codes(ag.Findings), "reads-coverage")
	assert.EqualValues(t, 30<<10, ag.Compared)
}

func TestAgreeDirectionOfBits(t *testing.T) {
	second := goodRead()
	fell := 0
	for i := 0x1000; i < 0x1400; i += 7 {
		if second[i]&4 != 0 {
			second[i] &^= 4
			fell++
		}
	}
	require.Greater(t, fell, limitsFor(nil).causeBytes)
	ag := agree(t, learning(), goodRead(), second)
	p := ag.Pairs[0]
	assert.EqualValues(t, fell, p.OneToZero)
	assert.Zero(t, p.ZeroToOne)
	assert.EqualValues(t, fell, p.ByBit[2])
	assert.Equal(t, "data bit 2 fell from 1 to 0, and no other bit differs", p.Cause)
	assert.Contains(t, ag.Findings[0].Message, "one direction only")
}

func TestAgreeFindsTransferBlocks(t *testing.T) {
	for _, size := range []int{64, 128, 254, 512, 1000} {
		second := goodRead()
		for _, n := range []int{3, 9, 17} {
			for i := n * size; i < (n+1)*size; i++ {
				second[i] = byte(i * 37)
			}
		}
		ag := agree(t, nil, goodRead(), second)
		assert.Equal(t, size, ag.Pairs[0].Block, "blocks of %d", size)
	}
	second := goodRead()
	for i := 0x1000; i < 0x1080; i++ {
		second[i] ^= 0xA5
	}
	assert.Equal(t, 128, agree(t, nil, goodRead(), second).Pairs[0].Block)
	m := learning()
	m.Read.TransferBlockBytes = 64
	assert.Equal(t, 64, agree(t, m, goodRead(), second).Pairs[0].Block, "two blocks of the size that the map names")
	second = goodRead()
	for _, at := range []int{100, 3000, 9001} {
		second[at] ^= 0xFF
	}
	assert.Zero(t, agree(t, nil, goodRead(), second).Pairs[0].Block, "single bytes are no blocks")
}

func TestAgreeNamesTheCause(t *testing.T) {
	good := goodRead()
	remap := func(f func(int) int) []byte {
		out := make([]byte, len(good))
		for i := range out {
			out[i] = good[f(i)]
		}
		return out
	}
	swap := func(a, b int) func(int) int {
		return func(i int) int {
			if i>>a&1 != i>>b&1 {
				return i ^ 1<<a ^ 1<<b
			}
			return i
		}
	}
	for _, tc := range []struct {
		name   string
		second []byte
		want   string
	}{
		{"lost", append(append(bytes.Clone(good[:5000]), good[5001:]...), 0xFF), "moved down by 1"},
		{"doubled", append(bytes.Clone(good[:5001]), good[5000:len(good)-1]...), "moved up by 1"},
		{"swapped bytes", remap(func(i int) int { return i ^ 1 }), "16-bit word in the other order"},
		{"swapped words", remap(func(i int) int { return i ^ 3 }), "32-bit word in the other order"},
		{"stuck line", remap(func(i int) int { return i &^ 0x80 }), "address line 7 stuck"},
		{"swapped lines", remap(swap(4, 11)), "address lines 4 and 11 swapped"},
		{"stopped and padded", append(bytes.Clone(good[:20000]), bytes.Repeat([]byte{0xFF}, len(good)-20000)...), "holds 0xFF wherever it differs"},
		{"another controller", faults.Synth(rand.New(rand.NewPCG(99, 1)), len(good)), ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := agree(t, nil, good, tc.second).Pairs[0].Cause
			if tc.want == "" {
				assert.Empty(t, got)
				return
			}
			assert.Contains(t, got, tc.want)
			assert.NotContains(t, got, "where it differs, ", "it holds over the whole read")
			if strings.Contains(tc.want, "line") {
				ag := agree(t, nil, good, tc.second)
				assert.Zero(t, ag.Pairs[0].Block, "a line moves blocks of its own")
				assert.NotContains(t, ag.Differences()[0].Message, "the transfer, not the memory")
			}
		})
	}
}

// A fault that explains what differs and is contradicted by the rest of the
// read is said to hold where the reads differ only: blocks that came from
// another place, not lines that are exchanged.
func TestAgreeCauseOfAPart(t *testing.T) {
	good := goodRead()
	blocks, part, behind := bytes.Clone(good), bytes.Clone(good), bytes.Clone(good)
	for _, at := range []int{0x2800, 0x4180, 0x3680} {
		copy(blocks[at:at+128], good[at^0x6000:])
	}
	for i := 0x2000; i < 0x3000; i++ {
		part[i] = good[i&^0x80]
	}
	copy(behind[0x2000:0x3000], good[0x2001:])
	for _, tc := range []struct {
		second []byte
		want   string
	}{
		{blocks, "where it differs, it is the first read with address lines 13 and 14 swapped"},
		{part, "where it differs, it is the first read with address line 7 stuck"},
		{behind, "where it differs, from 0x2000 on it is the first read moved down by 1"},
	} {
		assert.Contains(t, agree(t, nil, good, tc.second).Pairs[0].Cause, tc.want)
	}
	assert.Equal(t, 128, agree(t, nil, good, blocks).Pairs[0].Block, "here they are of the transfer")
}

func TestAgreeNeedsTwoReads(t *testing.T) {
	_, err := Agree(nil, imageOf(t, goodRead()))
	require.ErrorContains(t, err, "two or more")
	_, err = Majority(false, imageOf(t, goodRead()), imageOf(t, goodRead()))
	require.ErrorContains(t, err, "three or more")
}

func TestMajority(t *testing.T) {
	a, b, c := goodRead(), goodRead(), goodRead()
	a[10], b[20], c[30] = ^a[10], ^b[20], ^c[30]
	im, err := Majority(false, imageOf(t, a), imageOf(t, b), imageOf(t, c))
	require.NoError(t, err)
	got, err := im.Bytes(image.Range{Size: uint64(len(a))})
	require.NoError(t, err)
	assert.True(t, bytes.Equal(goodRead(), got))

	a[40], b[40], c[40] = 1, 2, 3
	_, err = Majority(false, imageOf(t, a), imageOf(t, b), imageOf(t, c))
	require.ErrorIs(t, err, ErrNoMajority)
	assert.ErrorContains(t, err, "at 1 address (0x28-0x28)")
	assert.ErrorContains(t, err, "--take-first")
	im, err = Majority(true, imageOf(t, a), imageOf(t, b), imageOf(t, c))
	require.NoError(t, err)
	got, err = im.Bytes(image.Range{Start: 40, Size: 1})
	require.NoError(t, err)
	assert.Equal(t, []byte{1}, got, "the first read counts where told")

	ag := agree(t, nil, a, b, c)
	assert.Equal(t, []image.Range{{Start: 40, Size: 1}}, ag.NoMajority)

	_, err = Majority(true, imageOf(t, a), imageOf(t, b), imageOf(t, c[:100]))
	require.ErrorContains(t, err, "read 1 holds")
}

// A majority by counting in a map, for comparison.
func TestMajorityAgainstCounting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 7).Draw(t, "reads")
		bufs := make([][]byte, n)
		for i := range bufs {
			bufs[i] = rapid.SliceOfN(rapid.ByteRange(0, 3), 16, 16).Draw(t, "read")
		}
		for j := range 16 {
			count := map[byte]int{}
			for _, b := range bufs {
				count[b[j]]++
			}
			want, ok := byte(0), false
			for v, k := range count {
				if 2*k > n {
					want, ok = v, true
				}
			}
			got, gotOK := majorityOf(bufs, j)
			if gotOK != ok || ok && got != want {
				t.Fatalf("position %d: got %d %v, want %d %v", j, got, gotOK, want, ok)
			}
		}
	})
}

// Counts must not depend on how many differences are listed.
func TestAgreeListIsBounded(t *testing.T) {
	good := goodRead()
	second := bytes.Clone(good)
	for i := 0; i < len(second); i += 2 {
		second[i] ^= 1
	}
	ag := agree(t, nil, good, second)
	assert.EqualValues(t, len(good)/2, ag.Differ)
	assert.Len(t, ag.Ranges, maxRanges)
	assert.True(t, ag.Truncated)
}

// Two equal files of a part prove that part only.
func TestReadbackOfAPart(t *testing.T) {
	m, good := scenario(t, "edited.bin")
	readback := func(m *maps.Map, written, read []byte) *Readback {
		rb, err := CompareReadback(m, imageOf(t, written), imageOf(t, read))
		require.NoError(t, err)
		return rb
	}
	rb := readback(m, good[:300_000], good[:300_000])
	assert.Equal(t, evidence.Unproven, rb.Verdict)
	require.Equal(t, []string{CodeReadbackCoverage, CodeReadbackEqual}, codes(rb.Findings))
	assert.Equal(t, []image.Range{{Start: 300_000, Size: 0x80000 - 300_000}}, rb.Findings[0].Ranges)

	rb = readback(m, good[:300_000], good[:400_000])
	assert.Equal(t, evidence.Fail, rb.Verdict, "what is missing in one of them is a fault as before")
	assert.Equal(t, []string{CodeReadbackCoverage, CodeReadbackCoverage, CodeReadbackEqual}, codes(rb.Findings))

	assert.Equal(t, evidence.Pass, readback(m, good, good).Verdict)
	assert.Equal(t, evidence.Pass, readback(nil, good[:300_000], good[:300_000]).Verdict, "nothing says how much there is")

	// Records that leave out what by the map is unused are as good as whole ones.
	var parts []image.Segment
	for _, r := range image.SubtractRanges(m.Extent(), m.Empty()) {
		parts = append(parts, image.Segment{Start: r.Start, Data: good[r.Start : r.Last()+1]})
	}
	im, err := image.FromSegments(parts...)
	require.NoError(t, err)
	rb, err = CompareReadback(m, im, im)
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, rb.Verdict)
	assert.ElementsMatch(t, []string{CodeReadbackCoverage, CodeReadbackEqual}, codes(rb.Findings))

	rb = readback(m, good, flipped(good, 0x70200))
	assert.Contains(t, rb.Findings[0].Message, "1 byte outside the adaptation regions differs")
}
