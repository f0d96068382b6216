package readcheck

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Figures of the bench. Where none is named they have no source: they are
// common practice in the trade, and the map's own figures win.
const (
	MinSupplyVolts      = 12.5 // volts, with a charger connected
	MaxSupplyVolts      = 60.0 // volts; more is a slip of the keyboard, such as millivolts: from 60 V on a vehicle's circuit counts as high voltage (UN Regulation No. 100, from memory)
	MaxAdapterLatencyMS = 1.0  // milliseconds an adapter may hold an answer back
	SlowAdapterMS       = 16.0 // milliseconds many adapters hold an answer back until they are set otherwise
	LineBitsPerSecond   = 9600.0
	TransferBlock       = 128 // bytes asked for at a time
	RequestBytes        = 9   // a request: header, service, address, length, checksum
	AnswerBytes         = 6   // what an answer holds besides the data
)

// Figures beyond these are slips of the keyboard.
const (
	mostBitsPerSecond = 1_000_000_000
	mostLatencyMS     = 60_000
)

// BitsPerByte is what one byte takes on an asynchronous serial line with
// start-stop framing and no parity (8N1): a start bit, eight data bits, a stop
// bit. Common practice, no source.
const BitsPerByte = 10

// PlanInput is what is known about the bench; zero values are not stated.
type PlanInput struct {
	SupplyVolts       *float64       // measured at the controller
	AdapterLatencyMS  *float64       // as set
	LineBitsPerSecond float64        // 0: the map's, or LineBitsPerSecond
	Block             int            // bytes asked for at a time; 0: the map's, or TransferBlock
	Took              *time.Duration // how long a read took
}

// Plan is the time a full read should take, and whether the bench is ready.
type Plan struct {
	Verdict  evidence.Verdict   `json:"verdict"`
	Findings []evidence.Finding `json:"findings"`

	Bytes         uint64  `json:"bytes"`
	BitsPerSecond float64 `json:"bits_per_second"`
	BitsPerByte   int     `json:"bits_per_byte"`
	Block         int     `json:"block"`
	Exchanges     uint64  `json:"exchanges"`        // a request and its answer each
	LineSeconds   float64 `json:"line_seconds"`     // the memory's own bytes on the line: no read is quicker
	OverSeconds   float64 `json:"overhead_seconds"` // requests, and what frames the answers
	Times         []Time  `json:"times"`            // for each adapter latency, the lowest first

	Checks []BenchCheck `json:"checks"`

	// ReadMinutes is how long a full read takes by the map, zero if it does
	// not say: controllers take pauses of their own.
	ReadMinutes [2]float64 `json:"read_minutes"`
	TookSeconds *float64   `json:"took_seconds,omitempty"`
}

// Time is how long a full read takes with an adapter that holds every answer
// back for LatencyMS.
type Time struct {
	LatencyMS float64 `json:"latency_ms"`
	Seconds   float64 `json:"seconds"`
	Stated    bool    `json:"stated"` // the user's own figure
}

// BenchCheck is one thing to see to before a read.
type BenchCheck struct {
	Title   string           `json:"title"`
	Verdict evidence.Verdict `json:"verdict"` // unproven for what was not stated and cannot be computed
	Detail  string           `json:"detail"`
}

// NewPlan computes the plan for the controller that m describes.
func NewPlan(m *maps.Map, in PlanInput) (*Plan, error) {
	if m == nil {
		return nil, errors.New("plan: a map is needed for the size of the memory")
	}
	p := &Plan{Bytes: m.Image.Size, BitsPerByte: cmp.Or(int(m.Bench.LineBitsPerByte), BitsPerByte), ReadMinutes: m.Bench.ReadMinutes,
		BitsPerSecond: firstSet(in.LineBitsPerSecond, m.Bench.LineBitsPerSecond, LineBitsPerSecond),
		Block:         int(firstSet(float64(in.Block), float64(m.Read.TransferBlockBytes), TransferBlock))}
	var wrong []error
	if !(p.BitsPerSecond >= 1 && p.BitsPerSecond <= mostBitsPerSecond) {
		wrong = append(wrong, fmt.Errorf("plan: the line speed is %g bits a second; give 1 to %d", p.BitsPerSecond, mostBitsPerSecond))
	}
	if p.Block < 1 || uint64(p.Block) > max(p.Bytes, 1) {
		wrong = append(wrong, fmt.Errorf("plan: the transfer block is %d bytes; give 1 to %d", p.Block, p.Bytes))
	}
	unfit := func(v *float64, most float64) bool { return v != nil && !(*v >= 0 && *v <= most) }
	if unfit(in.SupplyVolts, math.MaxFloat64) {
		wrong = append(wrong, fmt.Errorf("plan: the supply is %g volts; give a number of 0 or more", *in.SupplyVolts))
	}
	if unfit(in.AdapterLatencyMS, mostLatencyMS) {
		wrong = append(wrong, fmt.Errorf("plan: the adapter latency is %g ms; give 0 to %d", *in.AdapterLatencyMS, mostLatencyMS))
	}
	if wrong != nil {
		return nil, errors.Join(wrong...)
	}
	perByte := float64(p.BitsPerByte) / p.BitsPerSecond
	p.Exchanges = (p.Bytes + uint64(p.Block) - 1) / uint64(p.Block)
	p.LineSeconds = float64(p.Bytes) * perByte
	p.OverSeconds = float64(p.Exchanges*(cmp.Or(m.Bench.RequestBytes, RequestBytes)+cmp.Or(m.Bench.AnswerBytes, AnswerBytes))) * perByte
	p.time(MaxAdapterLatencyMS, false)
	p.time(SlowAdapterMS, false)
	if in.AdapterLatencyMS != nil {
		p.time(*in.AdapterLatencyMS, true)
	}
	p.check(m, in)
	p.Verdict = evidence.Judge(p.Findings)
	return p, nil
}

// Framing names the start-stop framing in which a byte takes BitsPerByte bits.
func (p *Plan) Framing() string {
	switch p.BitsPerByte {
	case BitsPerByte:
		return "8N1: start-stop framing, no parity"
	case BitsPerByte + 1:
		return "8E1, 8O1 or 8N2: start-stop framing, parity or a second stop bit"
	default:
		return "8E2 or 8O2: start-stop framing, parity and a second stop bit"
	}
}

// firstSet returns the first value that is not 0.
func firstSet(values ...float64) float64 {
	for _, v := range values {
		if v != 0 {
			return v
		}
	}
	return 0
}

// time adds the time with an adapter of the given latency, in order.
func (p *Plan) time(latencyMS float64, stated bool) {
	t := Time{latencyMS, p.LineSeconds + p.OverSeconds + float64(p.Exchanges)*latencyMS/1000, stated}
	at := len(p.Times)
	for i, o := range p.Times {
		if o.LatencyMS == latencyMS {
			p.Times[i].Stated = o.Stated || stated
			return
		}
		if o.LatencyMS > latencyMS {
			at = i
			break
		}
	}
	p.Times = append(p.Times[:at], append([]Time{t}, p.Times[at:]...)...)
}

func (p *Plan) found(code string, sev evidence.Severity, format string, args ...any) {
	p.Findings = append(p.Findings, evidence.Finding{Code: code, Severity: sev, Message: evidence.Sprintf(format, args...)})
}

// check judges the figures stated and lists what else to see to.
func (p *Plan) check(m *maps.Map, in PlanInput) {
	p.Findings = []evidence.Finding{}
	add := func(title string, v evidence.Verdict, format string, args ...any) {
		p.Checks = append(p.Checks, BenchCheck{title, v, evidence.Sprintf(format, args...)})
	}
	volts := firstSet(m.Bench.MinSupplyVolts, MinSupplyVolts)
	switch {
	case in.SupplyVolts == nil:
		add("supply", evidence.Unproven, "not stated; at least %g V at the controller, with a charger connected", volts)
	case *in.SupplyVolts < volts:
		add("supply", evidence.Fail, "%g V, below %g V", *in.SupplyVolts, volts)
		p.found(CodeSupplyLow, evidence.Fault, "the supply is %g V and should be at least %g V: connect a charger before reading or writing", *in.SupplyVolts, volts)
	case *in.SupplyVolts > MaxSupplyVolts:
		add("supply", evidence.Fail, "%g V, above %g V", *in.SupplyVolts, MaxSupplyVolts)
		p.found(CodeSupplyHigh, evidence.Fault, "the supply is %g V, and no controller runs on more than %g V: measure again, and state it in volts", *in.SupplyVolts, MaxSupplyVolts)
	default:
		add("supply", evidence.Pass, "%g V, at least %g V", *in.SupplyVolts, volts)
	}
	latency := firstSet(m.Bench.MaxAdapterLatencyMS, MaxAdapterLatencyMS)
	switch {
	case in.AdapterLatencyMS == nil:
		add("adapter latency", evidence.Unproven, "not stated; at most %g ms", latency)
	case *in.AdapterLatencyMS > latency:
		add("adapter latency", evidence.Fail, "%g ms, above %g ms", *in.AdapterLatencyMS, latency)
		p.found(CodeLatencyHigh, evidence.Fault, "the adapter latency is %g ms and should be at most %g ms: set it in the adapter's driver before reading or writing", *in.AdapterLatencyMS, latency)
	default:
		add("adapter latency", evidence.Pass, "%g ms, at most %g ms", *in.AdapterLatencyMS, latency)
	}
	p.checkTook(in, add)
	for _, c := range [][2]string{
		{"computer", "on its own supply, sleep and screen lock off for as long as the read takes"},
		{"wiring", "connections tight, nothing else on the line"},
		{"second read", "read twice and compare the reads with calproof agree before anything is written"},
		{"backup", "keep the proved read in the archive before anything is written"},
	} {
		add(c[0], evidence.Unproven, "%s", c[1])
	}
}

// checkTook compares how long a read took with how long it must take.
func (p *Plan) checkTook(in PlanInput, add func(string, evidence.Verdict, string, ...any)) {
	if in.Took == nil {
		return
	}
	s := in.Took.Seconds()
	p.TookSeconds = &s
	latency := 0.0 // what is not stated may be none
	if in.AdapterLatencyMS != nil {
		latency = *in.AdapterLatencyMS
	}
	planned := p.LineSeconds + p.OverSeconds + float64(p.Exchanges)*latency/1000
	least, most := 60*p.ReadMinutes[0], 60*p.ReadMinutes[1]
	switch {
	case s < p.LineSeconds:
		add("duration", evidence.Fail, "%s, less than the %s the bytes alone take on the line", seconds(s), seconds(p.LineSeconds))
		p.found(CodeReadTooQuick, evidence.Fault, "the read took %s, but %d bytes take %s at %g bits a second and %d bits a byte: it cannot be complete, or the line speed is another one; read again",
			seconds(s), p.Bytes, seconds(p.LineSeconds), p.BitsPerSecond, p.BitsPerByte)
	case least == 0 && s < planned: // the map's own minutes go before what is computed
		add("duration", evidence.Unproven, "%s, less than the %s that bytes, requests and answers take at %g ms of latency", seconds(s), seconds(planned), latency)
		p.found(CodeReadQuick, evidence.Caution, "the read took %s, and %d bytes in blocks of %d take %s at %g bits a second and %g ms of adapter latency: check its size and its end before trusting it, or state the block and the latency that it had",
			seconds(s), p.Bytes, p.Block, seconds(planned), p.BitsPerSecond, latency)
	case least > 0 && s < least:
		add("duration", evidence.Unproven, "%s, less than the %g to %g minutes of the map", seconds(s), p.ReadMinutes[0], p.ReadMinutes[1])
		p.found(CodeReadQuick, evidence.Caution, "the read took %s, and by the map a full read takes %g to %g minutes; check its size and its end before trusting it", seconds(s), p.ReadMinutes[0], p.ReadMinutes[1])
	case most > 0 && s > most:
		add("duration", evidence.Unproven, "%s, more than the %g to %g minutes of the map", seconds(s), p.ReadMinutes[0], p.ReadMinutes[1])
		p.found(CodeReadSlow, evidence.Caution, "the read took %s, longer than the %g to %g minutes of the map: find out why (retries, a slow adapter) before trusting it", seconds(s), p.ReadMinutes[0], p.ReadMinutes[1])
	case least > 0:
		add("duration", evidence.Pass, "%s, within the %g to %g minutes of the map", seconds(s), p.ReadMinutes[0], p.ReadMinutes[1])
	default:
		add("duration", evidence.Pass, "%s, at least the %s of the plan", seconds(s), seconds(planned))
	}
}

// seconds writes a duration in minutes and seconds.
func seconds(s float64) string {
	n := int64(math.Round(s))
	switch {
	case n >= 3600:
		return fmt.Sprintf("%d h %02d min %02d s", n/3600, n/60%60, n%60)
	case n >= 60:
		return fmt.Sprintf("%d min %02d s", n/60, n%60)
	}
	return fmt.Sprintf("%d s", n)
}

// String writes t in minutes and seconds.
func (t Time) String() string { return seconds(t.Seconds) }
