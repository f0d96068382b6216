package report

import (
	"fmt"
	"slices"
	"strings"

	"example.com/calproof/diffmap"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

type regionView struct {
	Key                                  string
	Name, Range, Role, Edit, Tags, Bytes string
	Changed, Single                      bool // Single: of one image, where nothing can have changed
	Allowed                              string
}

type ruleView struct {
	Name, Algorithm, Field string
	Before, After          string
	BeforeWord, AfterWord  string
	Reason                 string
	Class                  string
	Single                 bool
}

type identityView struct {
	Name, Before, After string
	Changed, Single     bool
	Problem             string
}

type conditionView struct {
	Symbol, Word, Class, Title string
	Evidence                   []string
}

type findingView struct {
	Severity, Class, Message, Code, Where string
}

func regionViews(p page) []regionView {
	var out []regionView
	if p.diff != nil {
		for i, r := range p.diff.Regions {
			v := regionView{
				Key: fmt.Sprint(i + 1), Name: clip(r.Name, maxName), Role: clip(string(r.Role), maxName), Edit: editText(r.Edit),
				Tags: joinTags(r.Tags), Bytes: evidence.Thousands(r.Bytes), Changed: r.Bytes > 0,
			}
			v.Range = "various"
			if reg, ok := regionByName(p.Map, r.Name); ok {
				v.Range = reg.Range.String()
			}
			switch {
			case r.Bytes == 0:
				v.Allowed = "unchanged"
			case r.Edit == maps.EditAllowed:
				v.Allowed = "allowed"
			case r.Edit == maps.EditAsk:
				v.Allowed = "needs your reason"
			default:
				v.Allowed = "forbidden"
			}
			out = append(out, v)
		}
		return out
	}
	if p.Map == nil {
		return nil
	}
	for i, r := range p.Map.Regions {
		out = append(out, regionView{
			Key: fmt.Sprint(i + 1), Name: clip(r.Name, maxName), Range: r.Range.String(), Single: true,
			Role: clip(string(r.Role), maxName), Edit: editText(r.Edit), Tags: joinTags(r.Tags),
		})
	}
	return out
}

// editText says what a map thinks of a change, in words that cannot be taken
// for a finding about the image.
func editText(rule maps.EditRule) string {
	switch rule {
	case maps.EditAllowed:
		return "may be edited"
	case maps.EditAsk:
		return "edits need a reason"
	}
	return "not to be edited"
}

func regionByName(m *maps.Map, name string) (maps.Region, bool) {
	if m == nil {
		return maps.Region{}, false
	}
	for _, r := range m.Regions {
		if r.Name == name {
			return r, true
		}
	}
	return maps.Region{}, false
}

func joinTags(tags []maps.Tag) string {
	words := make([]string, len(tags))
	for i, t := range tags {
		words[i] = clip(string(t), maxName)
	}
	return strings.Join(words, ", ")
}

// ruleViews returns the rules that tell something, failures first, and those
// that agree as they did before.
func ruleViews(p page) (telling, quiet []ruleView) {
	var failed, unproven, changed []ruleView
	add := func(v ruleView, verdict evidence.Verdict, same bool) {
		switch {
		case verdict == evidence.Fail:
			failed = append(failed, v)
		case verdict != evidence.Pass:
			unproven = append(unproven, v)
		case same:
			quiet = append(quiet, v)
		default:
			changed = append(changed, v)
		}
	}
	if p.diff != nil {
		for _, c := range p.diff.Checksums {
			v := newRuleView(c.After)
			v.Before, v.BeforeWord = clip(c.Before.Computed, maxName), verdictWord(c.Before.Verdict)
			add(v, c.After.Verdict, c.Before.Verdict == c.After.Verdict && c.Before.Computed == c.After.Computed && c.Before.Stored == c.After.Stored)
		}
	}
	for _, r := range p.rules {
		v := newRuleView(r)
		v.Single = true
		add(v, r.Verdict, true)
	}
	return slices.Concat(failed, unproven, changed), quiet
}

func newRuleView(r maps.RuleResult) ruleView {
	v := ruleView{
		Name: clip(r.Rule, maxName), Algorithm: clip(r.Algorithm, maxName), After: clip(r.Computed, maxName),
		AfterWord: verdictWord(r.Verdict), Class: string(r.Verdict), Reason: clip(r.Reason, maxText),
	}
	if r.Repeat > 0 {
		v.Name += fmt.Sprintf(" (%d)", r.Repeat)
	}
	switch {
	case r.Field != nil:
		v.Field = "stored at " + r.Field.String()
	case r.Cell != nil:
		v.Field = "balanced by the bytes at " + r.Cell.String()
	}
	return v
}

func verdictWord(v evidence.Verdict) string {
	switch v {
	case evidence.Pass:
		return "✓ agrees"
	case evidence.Fail:
		return "✕ does not agree"
	}
	return "? unproven"
}

func identityViews(p page) []identityView {
	var out []identityView
	if p.diff != nil {
		for _, c := range p.diff.Identity {
			out = append(out, identityView{
				Name: clip(c.After.Name, maxName), Before: clip(c.Before.Value, maxName), After: clip(c.After.Value, maxName),
				Changed: c.Changed, Problem: clip(c.After.Problem, maxText),
			})
		}
		return out
	}
	for _, id := range p.identity {
		out = append(out, identityView{
			Name: clip(id.Name, maxName), After: clip(id.Value, maxName), Single: true, Problem: clip(id.Problem, maxText),
		})
	}
	return out
}

func newConditionView(c diffmap.Condition) conditionView {
	v := conditionView{Title: clip(c.Title, maxText), Class: string(c.Verdict)}
	switch c.Verdict {
	case evidence.Pass:
		v.Symbol, v.Word = "✓", "Holds"
	case evidence.Fail:
		v.Symbol, v.Word = "✕", "Does not hold"
	default:
		v.Symbol, v.Word, v.Class = "?", "Not proved", "unproven"
	}
	for _, e := range c.Evidence {
		v.Evidence = append(v.Evidence, clip(e, maxText))
	}
	return v
}

func newFindingView(f evidence.Finding) findingView {
	v := findingView{Severity: string(f.Severity), Class: string(f.Severity), Message: clip(f.Message, maxText), Code: clip(f.Code, maxName)}
	if len(f.Ranges) > 0 && !strings.Contains(f.Message, f.Ranges[0].String()) { // most messages name their addresses
		v.Where = evidence.Ranges(f.Ranges)
	}
	return v
}
