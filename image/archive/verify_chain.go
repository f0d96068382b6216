package archive

import (
	"slices"
	"strings"

	"example.com/calproof/image/evidence"
)

// checkChain compares entries, their order and what each says of the one
// before it with the chain file.
func (v *verifyVehicle) checkChain(bad func(entry int, s evidence.Severity, code, format string, args ...any)) {
	s := v.snapshot
	for _, name := range s.others {
		entry, _, _ := strings.Cut(name, ".")
		n, isEntry := parseEntryName(entry)
		switch {
		case strings.HasPrefix(name, incomingPrefix):
			bad(0, evidence.Note, "unfinished-entry", "%s", leftOver(name).Message)
		case isEntry && name != entry: // in a store only
			severity, why := evidence.Caution, "a push has not finished, or its line was removed; push again"
			if n <= len(s.chain) {
				severity, why = evidence.Note, "another shop's entry came first; it belongs to no history"
			}
			bad(0, severity, "unfinished-push", "%s lies there, but is not on the chain: %s", name, why)
		default:
			bad(0, evidence.Caution, "foreign-file", "%s is no entry; move it away", name)
		}
	}
	if len(s.entries) == 0 && len(s.chain) == 0 && s.chainErr == nil {
		bad(0, evidence.Caution, "foreign-folder", "holds no entry; move it away")
		return
	}
	if s.chainErr != nil {
		bad(0, evidence.Fault, "chain-damaged", "%v", s.chainErr)
	}
	listed := map[string]string{}
	for _, l := range s.chain {
		listed[l.entry] = l.sum
		if !slices.Contains(s.entries, l.entry) && l.entry != s.pending {
			bad(0, evidence.Fault, "entry-missing", "%s is on the chain, but it is gone", l.entry)
		}
	}
	previous := "" // sum of the entry before
	images := map[string]bool{}
	for i := range v.results {
		e := &v.results[i]
		if n, _ := parseEntryName(e.Entry); n != i+1 && s.chainErr == nil {
			bad(i+1, evidence.Fault, "entry-order", "%s stands where entry %d belongs", e.Entry, i+1)
		}
		switch sum, ok := listed[e.Entry]; {
		case s.chainErr != nil:
		case !ok:
			bad(i+1, evidence.Fault, "chain-broken", "%s is not on the chain", e.Entry)
		case sum != e.sum:
			bad(i+1, evidence.Fault, "chain-broken", "%s is not the entry that was put on the chain", e.Entry)
		}
		if e.entry.Kind != "" { // bag-info.txt could be read
			if e.entry.PreviousSHA256 != previous {
				bad(i+1, evidence.Fault, "chain-broken", "%s was not written after the entry before it: its Previous-Tag-Manifest-SHA256 is of another", e.Entry)
			}
			if i > 0 && v.results[0].entry.Kind != "" && e.entry.Vehicle != v.results[0].entry.Vehicle {
				bad(i+1, evidence.Fault, "other-vehicle", "%s is of vehicle %q, the first entry of %q", e.Entry, e.entry.Vehicle, v.results[0].entry.Vehicle)
			}
			if p := e.entry.ParentSHA256; p != "" && !images[p] {
				bad(i+1, evidence.Fault, "parent-missing", "%s names the parent image %.16s..., which no entry before it holds", e.Entry, p)
			}
			if i > 0 && e.entry.Created.Before(v.results[i-1].entry.Created) {
				bad(i+1, evidence.Note, "clock-set-back", "%s is dated before the entry it follows; the machine's clock was set back between the two, the chain holds", e.Entry)
			}
			images[e.entry.ImageSHA256] = true
		}
		previous = e.sum
	}
}
