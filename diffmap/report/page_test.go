package report

import (
	"bytes"
	"io"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// thousandChanges is a comparison of two images of 1 MiB that differ in 1,000
// places.
func thousandChanges(t testing.TB) (DiffData, Sources) {
	r := rand.New(rand.NewPCG(5, 5))
	a := make([]byte, 1<<20)
	for i := range a {
		a[i] = byte(r.Uint32())
	}
	b := bytes.Clone(a)
	for i := range 1000 {
		b[i*1048+r.IntN(1000)] ^= 0x55
	}
	before, err := image.FromSegments(image.Segment{Data: a})
	require.NoError(t, err)
	after, err := image.FromSegments(image.Segment{Data: b})
	require.NoError(t, err)
	d, err := diffmap.Compare(before, after, nil, diffmap.Options{})
	require.NoError(t, err)
	return DiffData{Original: "a.bin", Modified: "b.bin", Result: d}, Sources{Before: before, After: after}
}

// A page of 1 MiB with 1,000 changes stays below 1 MB.
func TestPageSize(t *testing.T) {
	data, src := thousandChanges(t)
	var out bytes.Buffer
	require.NoError(t, HTML(&out, New("1", data), src))
	assert.Less(t, out.Len(), 1_000_000)
	assert.Equal(t, 1000, strings.Count(out.String(), `<article class="stretch"`), "every change is on it")
}

// A page against what else is written of the same comparison.
func BenchmarkHTML(b *testing.B) {
	data, src := thousandChanges(b)
	doc := New("1", data)
	b.Run("form=html", func(b *testing.B) {
		b.SetBytes(1 << 20)
		for b.Loop() {
			if err := HTML(io.Discard, doc, src); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("form=json", func(b *testing.B) {
		b.SetBytes(1 << 20)
		for b.Loop() {
			if err := JSON(io.Discard, doc); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// What disproves an image comes first, and a checksum that follows from it last.
func TestWorstFindings(t *testing.T) {
	fault := func(code, message string) evidence.Finding {
		return evidence.Finding{Code: code, Severity: evidence.Fault, Message: message}
	}
	list := []evidence.Finding{fault(maps.CodeMismatch, "sum one"), {Severity: evidence.Caution, Message: "look"}, fault("short-read", "it stopped"), fault(maps.CodeMismatch, "sum two"), fault(maps.CodeMismatch, "sum three")}
	assert.Equal(t, []string{"It stopped.", "Sum one.", "Sum two.", "1 more; all are below."}, worstFindings(list))
	assert.Equal(t, []string{"Look."}, worstFindings(list[1:2]))
	assert.Empty(t, worstFindings([]evidence.Finding{{Severity: evidence.Note, Message: "n"}}))
}

// A condition that does not hold is never worded as if it did.
func TestGateReasons(t *testing.T) {
	g := &diffmap.GateResult{Conditions: []diffmap.Condition{
		{Title: "the first", Verdict: evidence.Pass, Evidence: []string{"fine"}},
		{Title: "the second", Verdict: evidence.Unproven, Evidence: []string{"nothing was given"}},
		{Title: "boot bytes are untouched", Verdict: evidence.Fail, Evidence: []string{"4 bytes changed"}},
	}}
	assert.Equal(t, []string{
		"4 bytes changed. That is why condition 3 is broken, which demands that boot bytes are untouched.",
		"Nothing was given. That is why condition 2 is not proved, which demands that the second.",
	}, gateReasons(g))
}

// The bytes of a changed stretch say whose they are.
func TestHolds(t *testing.T) {
	field, cell := rng(0x100, 4), rng(0x110, 4)
	d := &diffmap.Result{
		Tables:    []diffmap.TableChange{{After: maps.TableValue{Name: "idle", Range: rng(0x20, 8), X: &maps.Axis{Ranges: []image.Range{rng(0x10, 4)}}}}},
		Checksums: []diffmap.RuleChange{{After: maps.RuleResult{Rule: "crc", Field: &field}}, {After: maps.RuleResult{Rule: "zero", Repeat: 2, Cell: &cell}}},
		Identity:  []diffmap.IdentityChange{{After: maps.IdentityValue{Name: "number", Range: rng(0x200, 16)}}},
	}
	for at, want := range map[uint64]string{0x10: "axis of table idle", 0x27: "table idle", 0x103: "stored value of checksum crc", 0x110: "balancing cell of checksum zero (2)", 0x20F: "identity field number"} {
		assert.Equal(t, []string{want}, holds(d, rng(at, 1)))
	}
	assert.Empty(t, holds(d, rng(0x28, 4)))
	assert.Len(t, holds(d, rng(0, 0x1000)), 5)
}

// Rows of a large table are those that changed, not the first that come.
func TestShownRows(t *testing.T) {
	rows, note := shownRows(maps.TableValue{Rows: 64, Cols: 64}, []int{5, 63*64 + 1, 63*64 + 2})
	assert.Equal(t, []int{0, 63}, rows)
	assert.Equal(t, "2 of 64 rows are shown: those with a change.", note)
	var all []int
	for r := range 20 {
		all = append(all, r*64)
	}
	rows, note = shownRows(maps.TableValue{Rows: 64, Cols: 64}, all)
	assert.Len(t, rows, 16)
	assert.Equal(t, "16 of 64 rows are shown; 4 more have changes.", note)
	rows, note = shownRows(maps.TableValue{Rows: 2, Cols: 3}, []int{4})
	assert.Equal(t, []int{0, 1}, rows)
	assert.Empty(t, note)
}
