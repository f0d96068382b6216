package diffmap

import (
	"math"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

func benchStated(limits maps.Bench, stated BenchFigures) Condition {
	c := Condition{Code: ConditionBench, Title: "the bench figures are stated and in limits"}
	volts, voltsFrom := limitOr(limits.MinSupplyVolts, readcheck.MinSupplyVolts)
	switch v := stated.SupplyVolts; {
	case v == nil:
		c.findf(CodeSupplyMissing, evidence.Caution, "supply voltage not stated; measure it at the controller under load (at least %s V, %s)", FormatAxis(volts), voltsFrom)
	case *v < volts:
		c.findf(readcheck.CodeSupplyLow, evidence.Fault, "supply of %s V is below %s V (%s); a write that browns out leaves a dead controller", FormatAxis(*v), FormatAxis(volts), voltsFrom)
	case *v > readcheck.MaxSupplyVolts:
		c.findf(readcheck.CodeSupplyHigh, evidence.Fault, "supply of %g V is above %g V, which no controller runs on; measure again, and state it in volts", *v, readcheck.MaxSupplyVolts)
	default:
		c.say(evidence.Pass, "supply %s V, at least %s V (%s)", FormatAxis(*v), FormatAxis(volts), voltsFrom)
	}
	latency, latencyFrom := limitOr(limits.MaxAdapterLatencyMS, readcheck.MaxAdapterLatencyMS)
	switch v := stated.AdapterLatencyMS; {
	case v == nil:
		c.findf(CodeLatencyMissing, evidence.Caution, "adapter latency not stated; look it up in the adapter's settings (at most %s ms, %s)", FormatAxis(latency), latencyFrom)
	case *v > latency:
		c.findf(readcheck.CodeLatencyHigh, evidence.Fault, "adapter latency of %s ms is above %s ms (%s); answers may come too late while writing", FormatAxis(*v), FormatAxis(latency), latencyFrom)
	default:
		c.say(evidence.Pass, "adapter latency %s ms, at most %s ms (%s)", FormatAxis(*v), FormatAxis(latency), latencyFrom)
	}
	least, most := limits.ReadMinutes[0], limits.ReadMinutes[1]
	switch d := stated.ReadTook; {
	case d == nil:
		c.Evidence = append(c.Evidence, "duration of the read not stated: not judged")
	case most <= 0:
		c.Evidence = append(c.Evidence, "the map gives no read_minutes: the duration of the read is not judged")
	case d.Minutes() < least:
		c.findf(readcheck.CodeReadQuick, evidence.Fault, "the read took %s minutes, less than the %s to %s minutes of the map; it may be incomplete, so read again",
			tenths(d.Minutes()), FormatAxis(least), FormatAxis(most))
	case d.Minutes() > most:
		c.findf(readcheck.CodeReadSlow, evidence.Fault, "the read took %s minutes, more than the %s to %s minutes of the map; find out why (retries, a slow adapter) before trusting it",
			tenths(d.Minutes()), FormatAxis(least), FormatAxis(most))
	default:
		c.say(evidence.Pass, "the read took %s minutes, within %s to %s minutes", tenths(d.Minutes()), FormatAxis(least), FormatAxis(most))
	}
	return c
}

func tenths(v float64) string { return FormatAxis(math.Round(v*10) / 10) }

// limitOr returns the map's limit, or common practice if it gives none, and
// where the limit comes from.
func limitOr(fromMap, standard float64) (limit float64, source string) {
	if fromMap > 0 {
		return fromMap, "the map's limit"
	}
	return standard, "common practice, no source"
}
