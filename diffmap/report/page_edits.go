package report

import (
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
)

// editsView is which recorded edits account for a difference.
type editsView struct {
	Recognised  []recognisedView
	Ignored     string // "" if nothing
	Unexplained []string
	Summary     string
	Class       string // pass: every byte is explained; unproven: some are not
}

type recognisedView struct{ Word, Name, Bytes, Where string }

const maxPlaces = 12 // ranges named beside an edit, or of what none explains

func newEditsView(e *edits.Explanation, d *diffmap.Result) *editsView {
	if e == nil {
		return nil
	}
	v := &editsView{Class: "pass", Summary: "Every changed byte belongs to a recorded edit."}
	if n := image.TotalSize(e.Ignored); n > 0 {
		v.Ignored = capital(evidence.Count(n, "changed byte")) + " of stored checksum values and adaptation regions are part of no edit."
		v.Summary = "Every other changed byte belongs to a recorded edit."
	}
	for _, r := range e.Recognised {
		word := "made"
		if r.Undone {
			word = "undone"
		}
		if r.Shift {
			word += ", moved from where it was recorded"
		}
		v.Recognised = append(v.Recognised, recognisedView{
			Word: word, Name: clip(r.Edit, maxName), Bytes: evidence.Count(image.TotalSize(r.Ranges), "byte"), Where: evidence.Ranges(r.Ranges),
		})
	}
	if e.Bytes > 0 {
		v.Class = "unproven"
		v.Summary = capital(evidence.Count(e.Bytes, "changed byte")) + " belong to no recorded edit:"
		if e.Bytes == 1 {
			v.Summary = "1 changed byte belongs to no recorded edit:"
		}
		for _, r := range e.Unexplained[:min(maxPlaces, len(e.Unexplained))] {
			text := place(r) + ", " + evidence.Count(r.Size, "byte")
			if what := holds(d, r); what != nil {
				text += ": " + strings.Join(what, "; ")
			}
			v.Unexplained = append(v.Unexplained, text)
		}
		if more := len(e.Unexplained) - maxPlaces; more > 0 {
			v.Unexplained = append(v.Unexplained, "and "+evidence.Count(uint64(more), "more place"))
		}
	}
	return v
}
