package diffmap

import (
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

func ptr[T any](v T) *T { return &v }

func minutes(m float64) *time.Duration { return ptr(time.Duration(m * float64(time.Minute))) }

// goodGate is an input for which everything holds: a good edit of a read that
// was repeated and archived, on a good bench.
func goodGate(t testing.TB) GateInput {
	m := smallMap(t)
	return GateInput{
		Original:   bound(t, m, smallImage(nil)),
		Modified:   bound(t, m, smallImage(setIdle(0, 1300))),
		SecondRead: bound(t, m, smallImage(flip(0x3804))), // a learned value moved
		Bench:      BenchFigures{SupplyVolts: ptr(13.2), AdapterLatencyMS: ptr(1.0), ReadTook: minutes(6)},
		Archive: known(&ArchiveEvidence{Entry: "groomer-2/0001", Verified: evidence.Pass, Kept: evidence.Pass,
			Restorable: evidence.Pass, Detail: "16,384 bytes compared"}),
	}
}

// rebind gives all images of in another map.
func rebind(t require.TestingT, in *GateInput, m *maps.Map) {
	for _, b := range []**maps.Bound{&in.Original, &in.Modified, &in.SecondRead} {
		with, err := maps.Bind(m, (*b).Image)
		require.NoError(t, err)
		*b = with
	}
}

var conditionOrder = []string{ConditionOriginal, ConditionCoverage, ConditionChecksums, ConditionEdits,
	ConditionProtected, ConditionTables, ConditionBench, ConditionRestorable}

func TestGate(t *testing.T) {
	const (
		fail     = evidence.Fail
		unproven = evidence.Unproven
	)
	type verdicts map[string]evidence.Verdict
	modify := func(fns ...func(p []byte)) func(t *testing.T, in *GateInput) {
		return func(t *testing.T, in *GateInput) { in.Modified = bound(t, in.Original.Map, smallImage(edits(fns...))) }
	}
	original := func(fns ...func(p []byte)) func(t *testing.T, in *GateInput) {
		return func(t *testing.T, in *GateInput) { in.Original = bound(t, in.Original.Map, smallImage(edits(fns...))) }
	}
	both := func(fns ...func(t *testing.T, in *GateInput)) func(t *testing.T, in *GateInput) {
		return func(t *testing.T, in *GateInput) {
			for _, fn := range fns {
				fn(t, in)
			}
		}
	}
	bench := func(b BenchFigures) func(t *testing.T, in *GateInput) {
		return func(_ *testing.T, in *GateInput) { in.Bench = b }
	}
	archive := func(a *ArchiveEvidence) func(t *testing.T, in *GateInput) {
		return func(_ *testing.T, in *GateInput) { in.Archive = known(a) }
	}
	accept := func(region, reason string) func(t *testing.T, in *GateInput) {
		return func(_ *testing.T, in *GateInput) { in.Accepted = map[string]string{region: reason} }
	}
	noSecond := func(_ *testing.T, in *GateInput) { in.SecondRead = nil }
	without := func(section string) func(t *testing.T, in *GateInput) {
		return func(t *testing.T, in *GateInput) {
			text, err := os.ReadFile("testdata/small.toml")
			require.NoError(t, err)
			m, err := maps.Parse("shorter.toml", []byte(withoutSection(t, string(text), section)))
			require.NoError(t, err)
			rebind(t, in, m)
		}
	}
	stale := func(addr int) func(t *testing.T, in *GateInput) {
		return func(t *testing.T, in *GateInput) {
			p := smallImage(setIdle(0, 1300))
			p[addr]++
			in.Modified = bound(t, in.Original.Map, p)
		}
	}

	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, in *GateInput)
		want  verdicts // what is not pass
		codes []string // findings that must be there
	}{
		{"all holds", func(*testing.T, *GateInput) {}, nil, nil},

		{"no second read, but archived", noSecond, nil, nil},
		{"no archive", archive(nil), verdicts{ConditionRestorable: unproven}, []string{CodeNoArchive}},
		{"neither", both(noSecond, archive(nil)), verdicts{ConditionOriginal: unproven, ConditionRestorable: unproven}, []string{CodeNoRepeat}},
		{"second read is the same image", both(archive(nil), func(_ *testing.T, in *GateInput) { in.SecondRead = in.Original }),
			verdicts{ConditionOriginal: unproven, ConditionRestorable: unproven}, []string{CodeSameRead}},
		{"second read is equal in every byte", func(t *testing.T, in *GateInput) { in.SecondRead = bound(t, in.Original.Map, smallImage(nil)) }, nil, []string{CodeIdenticalRead}},
		{"second read differs in a value", func(t *testing.T, in *GateInput) { in.SecondRead = bound(t, in.Original.Map, smallImage(flip(0x3010))) },
			verdicts{ConditionOriginal: fail}, nil},
		{"archive entry kept as unproven", both(noSecond, archive(&ArchiveEvidence{Verified: evidence.Pass, Kept: unproven, Restorable: evidence.Pass})),
			verdicts{ConditionOriginal: unproven}, []string{CodeArchiveEntry}},
		{"archive entry kept as unproven, but read twice", archive(&ArchiveEvidence{Verified: evidence.Pass, Kept: unproven, Restorable: evidence.Pass}),
			nil, nil},
		{"archive entry does not verify", archive(&ArchiveEvidence{Verified: fail, Kept: evidence.Pass, Restorable: evidence.Pass}),
			verdicts{ConditionOriginal: fail, ConditionRestorable: fail}, []string{CodeArchiveEntry, CodeNotRestorable}},
		{"archive holds another image", archive(&ArchiveEvidence{Verified: evidence.Pass, Kept: evidence.Pass, Restorable: fail}),
			verdicts{ConditionOriginal: fail, ConditionRestorable: fail}, []string{CodeNotRestorable}},
		{"archive proves nothing", archive(&ArchiveEvidence{}), verdicts{ConditionRestorable: unproven}, []string{CodeNotRestorable}},
		{"two equal reads that are bad", func(t *testing.T, in *GateInput) {
			p := smallImage(nil)
			p[0x2200]++ // now the checksum does not agree, in either read
			in.Original, in.SecondRead = bound(t, in.Original.Map, p), bound(t, in.Original.Map, p)
			in.Archive = nil
		}, verdicts{ConditionOriginal: fail, ConditionRestorable: unproven}, nil},

		{"shorter", func(t *testing.T, in *GateInput) {
			in.Modified = bound(t, in.Original.Map, smallImage(setIdle(0, 1300))[:0x3F00])
		},
			verdicts{ConditionCoverage: fail}, []string{CodeCoverageVanished}},
		{"longer", func(t *testing.T, in *GateInput) {
			in.Modified = bound(t, in.Original.Map, append(smallImage(setIdle(0, 1300)), 1, 2, 3))
		}, verdicts{ConditionCoverage: fail}, []string{CodeCoverageAppeared}},

		{"stale checksum", stale(0x2FFF), verdicts{ConditionChecksums: fail}, []string{maps.CodeMismatch}},
		{"no checksum rules", without("checksum"), verdicts{ConditionOriginal: unproven, ConditionChecksums: unproven}, []string{CodeNoChecksumRules}},

		{"ask, not accepted", modify(flip(0x3010)), verdicts{ConditionEdits: unproven}, []string{CodeEditNotAccepted}},
		{"ask, accepted", both(modify(flip(0x3010)), accept("exhaust values", "test bench only")), nil, []string{CodeEditAccepted}},
		{"ask, another accepted", both(modify(flip(0x3010)), accept("values", "because")), verdicts{ConditionEdits: unproven}, []string{CodeEditNotAccepted, CodeAcceptanceUnused}},
		{"accepted in vain", accept("exhaust values", "just in case"), nil, []string{CodeAcceptanceUnused}},
		{"forbidden", modify(flip(0x3804)), verdicts{ConditionEdits: fail}, []string{CodeChangedForbidden}},
		{"forbidden, accepted", both(modify(flip(0x3804)), accept("learned", "please")), verdicts{ConditionEdits: fail}, []string{CodeChangedForbidden, CodeAcceptanceUnused}},
		{"outside every region", modify(flip(0x3B10)), verdicts{ConditionEdits: fail, ConditionProtected: unproven}, []string{CodeChangedOutside}},

		{"boot", modify(flip(0x0010)), verdicts{ConditionEdits: fail, ConditionProtected: fail}, []string{CodeChangedProtected}},
		{"program", modify(flip(0x0810)), verdicts{ConditionEdits: fail, ConditionProtected: fail}, []string{CodeChangedProtected}},
		{"signature", modify(flip(0x3E10)), verdicts{ConditionEdits: fail, ConditionProtected: fail}, []string{CodeChangedProtected}},
		{"identity", modify(flip(0x2080)), verdicts{ConditionEdits: fail, ConditionProtected: fail}, []string{CodeChangedProtected}},
		{"identity, asked and accepted", both(modify(flip(0x3A10)), accept("keys", "new key")),
			verdicts{ConditionEdits: fail, ConditionProtected: fail}, []string{CodeChangedProtected, CodeAcceptanceUnused}},
		{"identity field in a calibration region", modify(flip(0x2F05)), verdicts{ConditionProtected: fail}, []string{CodeChangedIdentity}},

		{"cell above its limit", modify(setIdle(1, 1600.25)), verdicts{ConditionTables: fail}, []string{CodeCellOutside}},
		{"cell at its limit", modify(setIdle(1, 1600)), nil, nil},
		{"cell below its limit", modify(setIdle(3, 499.75)), verdicts{ConditionTables: fail}, []string{CodeCellOutside}},
		{"cell outside before", both(original(setIdle(2, 1700)), modify(setIdle(2, 1700), setIdle(0, 1300)),
			func(t *testing.T, in *GateInput) {
				in.SecondRead = bound(t, in.Original.Map, smallImage(setIdle(2, 1700)))
			}),
			verdicts{ConditionTables: unproven}, []string{CodeCellOutsideBefore}},
		{"table without limits", modify(flip(0x2131)), nil, []string{CodeNoLimits}},
		{"bytes of no table", modify(flip(0x2200)), nil, []string{CodeNoLimits}},
		{"no limits at all", without("table"), verdicts{ConditionTables: unproven}, []string{CodeNoLimits}},

		{"nothing stated", bench(BenchFigures{}), verdicts{ConditionBench: unproven}, []string{CodeSupplyMissing, CodeLatencyMissing}},
		{"read time not stated", bench(BenchFigures{SupplyVolts: ptr(12.0), AdapterLatencyMS: ptr(2.0)}), nil, nil},
		{"low supply", bench(BenchFigures{SupplyVolts: ptr(11.9), AdapterLatencyMS: ptr(1.0)}), verdicts{ConditionBench: fail}, []string{readcheck.CodeSupplyLow}},
		{"supply in millivolts", bench(BenchFigures{SupplyVolts: ptr(13200.0), AdapterLatencyMS: ptr(1.0)}), verdicts{ConditionBench: fail}, []string{readcheck.CodeSupplyHigh}},
		{"supply of 60 V", bench(BenchFigures{SupplyVolts: ptr(60.0), AdapterLatencyMS: ptr(1.0)}), nil, nil},
		{"slow adapter", bench(BenchFigures{SupplyVolts: ptr(13.0), AdapterLatencyMS: ptr(2.1)}), verdicts{ConditionBench: fail}, []string{readcheck.CodeLatencyHigh}},
		{"read too fast", bench(BenchFigures{SupplyVolts: ptr(13.0), AdapterLatencyMS: ptr(1.0), ReadTook: minutes(4.9)}), verdicts{ConditionBench: fail}, []string{readcheck.CodeReadQuick}},
		{"read too slow", bench(BenchFigures{SupplyVolts: ptr(13.0), AdapterLatencyMS: ptr(1.0), ReadTook: minutes(8.1)}), verdicts{ConditionBench: fail}, []string{readcheck.CodeReadSlow}},

		{"nothing changed", func(_ *testing.T, in *GateInput) { in.Modified = in.Original }, nil, []string{CodeNothingChanged}},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := goodGate(t)
			c.spoil(t, &in)
			res, err := Gate(in)
			require.NoError(t, err)
			var order []string
			overall := evidence.Pass
			for _, cond := range res.Conditions {
				order = append(order, cond.Code)
				want, ok := c.want[cond.Code]
				if !ok {
					want = evidence.Pass
				}
				assert.Equal(t, want, cond.Verdict, "%s: %s", cond.Code, strings.Join(cond.Evidence, "\n"))
				assert.NotEmpty(t, cond.Evidence, cond.Code)
				assert.NotEmpty(t, cond.Title, cond.Code)
				overall = evidence.Combine(overall, want)
			}
			assert.Equal(t, conditionOrder, order)
			assert.Equal(t, overall, res.Verdict)
			codes := map[string]bool{}
			for _, f := range res.Findings() {
				codes[f.Code] = true
				assert.NotEmpty(t, f.Message, f.Code)
			}
			for _, code := range c.codes {
				assert.True(t, codes[code], "no finding %s in %v", code, codes)
			}
			assert.Equal(t, CautionChecksum, res.Cautions[len(res.Cautions)-1].Code, "the caution that belongs to every gate")
			again, err := Gate(in)
			require.NoError(t, err)
			assert.Equal(t, res, again, "the same input gives the same result")
		})
	}
}

func TestGateCautions(t *testing.T) {
	cautionsOf := func(fns ...func(p []byte)) (codes []string, regions []string) {
		in := goodGate(t)
		in.Modified = bound(t, in.Original.Map, smallImage(edits(fns...)))
		res, err := Gate(in)
		require.NoError(t, err)
		for _, c := range res.Cautions {
			codes = append(codes, c.Code)
			regions = append(regions, c.Regions...)
		}
		return codes, regions
	}
	codes, regions := cautionsOf(setIdle(0, 1300))
	assert.Equal(t, []string{CautionSafety, CautionSignature, CautionChecksum}, codes)
	assert.Equal(t, []string{"values", "signature"}, regions)
	codes, _ = cautionsOf(flip(0x3010), flip(0x3A10))
	assert.Equal(t, []string{CautionEmissions, CautionImmobiliser, CautionSignature, CautionChecksum}, codes)
	codes, _ = cautionsOf()
	assert.Equal(t, []string{CautionChecksum}, codes, "nothing changed: no tag counts")
}

func TestGateRefusesWhatItCannotJudge(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(in *GateInput)
		want  []string
	}{
		{"no map", func(in *GateInput) { rebind(t, in, nil) }, []string{"no region map"}},
		{"another map", func(in *GateInput) { in.SecondRead = bound(t, smallMap(t), smallImage(nil)) }, []string{"different maps"}},
		{"no images", func(in *GateInput) { in.Original, in.Modified = nil, nil }, []string{"image is missing"}},
		{"unknown region", func(in *GateInput) { in.Accepted = map[string]string{"valves": "x"} }, []string{`"valves" is not in the map`, `"exhaust values"`}},
		{"no reason", func(in *GateInput) { in.Accepted = map[string]string{"exhaust values": "  "} }, []string{"without a reason"}},
		{"all at once", func(in *GateInput) {
			in.Accepted = map[string]string{"a": "x", "b": "y"}
			in.Bench = BenchFigures{SupplyVolts: ptr(math.NaN()), AdapterLatencyMS: ptr(-1.0), ReadTook: ptr(-time.Second)}
		}, []string{`"a" is not`, `"b" is not`, "supply voltage", "adapter latency", "read duration"}},
		{"infinite volts", func(in *GateInput) { in.Bench.SupplyVolts = ptr(math.Inf(1)) }, []string{"no measurement"}},
	} {
		in := goodGate(t)
		c.spoil(&in)
		_, err := Gate(in)
		require.Error(t, err, c.name)
		for _, want := range c.want {
			assert.ErrorContains(t, err, want, c.name)
		}
	}
}

// The limits of common practice hold where the map gives none, and say so.
func TestBenchDefaults(t *testing.T) {
	c := benchStated(maps.Bench{}, BenchFigures{SupplyVolts: ptr(12.4), AdapterLatencyMS: ptr(1.0), ReadTook: minutes(1)})
	assert.Equal(t, evidence.Fail, c.Verdict)
	text := strings.Join(c.Evidence, "\n")
	assert.Contains(t, text, "12.4 V is below 12.5 V (common practice, no source)")
	assert.Contains(t, text, "at most 1 ms (common practice, no source)")
	assert.Contains(t, text, "not judged")
}

func TestVerify(t *testing.T) {
	m := smallMap(t)
	good, err := Verify(m, raw(t, smallImage(nil)))
	require.NoError(t, err)
	assert.Equal(t, evidence.Pass, good.Verdict, "%v", good.Findings())
	assert.Len(t, good.Checksums, 2)

	bad := smallImage(nil)
	bad[0x2FFF]++
	failed, err := Verify(m, raw(t, bad))
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, failed.Verdict)
	n := 0
	for _, f := range failed.Findings() {
		if f.Code == maps.CodeMismatch {
			n++
		}
	}
	assert.Equal(t, 1, n, "a finding that the read and the rules both have stands once")

	bare, err := Verify(nil, raw(t, smallImage(nil)))
	require.NoError(t, err)
	assert.Equal(t, evidence.Unproven, bare.Verdict)
	assert.Equal(t, CodeNoMap, bare.Findings()[len(bare.Findings())-1].Code)

	_, err = Verify(m, nil)
	assert.ErrorContains(t, err, "image is missing")

	short, err := Verify(m, imageOf(t, image.Segment{Data: smallImage(nil)[:0x3000]}))
	require.NoError(t, err)
	assert.Equal(t, evidence.Fail, short.Verdict)
	assert.NotEmpty(t, short.Coverage)
}
