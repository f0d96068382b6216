package diffmap

import (
	"math"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/maps"
)

// maxSupplyVolts is above every supply of a controller on a bench: from 60 V of
// direct current on a vehicle's circuit counts as high voltage (UN Regulation
// No. 100, 2.17). A higher figure is a slip of the keyboard, such as millivolts.
const maxSupplyVolts = 60

func benchStated(limits maps.Bench, stated BenchFigures) Condition {
	c := Condition{Code: ConditionBench, Title: "the bench figures are stated and in limits"}
	volts, voltsFrom := limitOr(limits.MinSupplyVolts, readcheck.MinSupplyVolts)
	switch v := stated.SupplyVolts; {
	case v == nil:
		c.findf(CodeSupplyMissing, evidence.Caution, "supply voltage not stated; measure it at the controller under load (at least %s V, %s)", FormatAxis(volts), voltsFrom)
	case *v < volts:
		c.findf(CodeSupplyLow, evidence.Fault, "supply of %s V is below %s V (%s); a write that browns out leaves a dead controller", FormatAxis(*v), FormatAxis(volts), voltsFrom)
	case *v > maxSupplyVolts:
		c.findf(CodeSupplyHigh, evidence.Fault, "supply of %g V is above %d V, which no controller runs on; measure again, and state it in volts", *v, maxSupplyVolts)
	default:
		c.say(evidence.Pass, "supply %s V, at least %s V (%s)", FormatAxis(*v), FormatAxis(volts), voltsFrom)
	}
	latency, latencyFrom := limitOr(limits.MaxAdapterLatencyMS, readcheck.MaxAdapterLatencyMS)
	switch v := stated.AdapterLatencyMS; {
	case v == nil:
		c.findf(CodeLatencyMissing, evidence.Caution, "adapter latency not stated; look it up in the adapter's settings (at most %s ms, %s)", FormatAxis(latency), latencyFrom)
	case *v > latency:
		c.findf(CodeLatencyHigh, evidence.Fault, "adapter latency of %s ms is above %s ms (%s); answers may come too late while writing", FormatAxis(*v), FormatAxis(latency), latencyFrom)
	default:
		c.say(evidence.Pass, "adapter latency %s ms, at most %s ms (%s)", FormatAxis(*v), FormatAxis(latency), latencyFrom)
	}
	least, most := limits.ReadMinutes[0], limits.ReadMinutes[1]
	switch d := stated.ReadTook; {
	case d == nil:
		c.Evidence = append(c.Evidence, "duration of the read not stated: not judged")
	case most <= 0:
		c.Evidence = append(c.Evidence, "the map gives no read_minutes: the duration of the read is not judged")
	case d.Minutes() < least || d.Minutes() > most:
		c.findf(CodeReadTime, evidence.Fault, "the read took %s minutes, and the map expects %s to %s minutes; find out why before trusting it",
			FormatAxis(math.Round(d.Minutes()*10)/10), FormatAxis(least), FormatAxis(most))
	default:
		c.say(evidence.Pass, "the read took %s minutes, within %s to %s minutes", FormatAxis(math.Round(d.Minutes()*10)/10), FormatAxis(least), FormatAxis(most))
	}
	return c
}

// limitOr returns the map's limit, or common practice if it gives none, and
// where the limit comes from.
func limitOr(fromMap, standard float64) (limit float64, source string) {
	if fromMap > 0 {
		return fromMap, "the map's limit"
	}
	return standard, "common practice, no source"
}
