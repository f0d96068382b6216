package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"

	"example.com/calproof/diffmap"
	"example.com/calproof/image"
	"example.com/calproof/image/evidence"
	"example.com/calproof/maps"
)

// Page is what one self-contained HTML page shows. A field that is nil or
// empty leaves its section out.
type Page struct {
	Command string // "diff", "gate" or "verify"
	Version string // of calproof

	// Verdict is the outcome; a comparison that judges nothing has none.
	Verdict evidence.Verdict
	// Reasons say in plain words why, most important first.
	Reasons []string

	Files    []FileID            // everything that was compared, so that a printed page names its files
	Map      *maps.Map           // the region map used
	Before   *image.Image        // the original, or the only image
	After    *image.Image        // the modified image
	Diff     *diffmap.Result     // what changed from Before to After
	Gate     *diffmap.GateResult // the gate's conditions; its Diff is shown when Diff is nil
	Findings []evidence.Finding  // what was found besides
	Rules    []maps.RuleResult   // checksum rules of a single image
	Identity []maps.IdentityValue
}

// FileID identifies one file on the page.
type FileID struct {
	Part   string // what it is in the comparison: "original", "modified", "region map"
	Name   string
	Size   int64  // bytes
	SHA256 string // lower-case hexadecimal
}

//go:embed page.tmpl
var pageTemplate string

//go:embed page.css
var pageCSS string

// parsePage is lazy: a command that writes no page should not pay for it.
var parsePage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Parse(pageTemplate))
})

// HTML writes p as one HTML document that needs no other file, no network and
// no script. Names and values from images and maps are treated as hostile:
// they are escaped, stripped of control and direction characters, and cut.
func HTML(w io.Writer, p Page) error {
	if p.Diff == nil && p.Gate != nil {
		p.Diff = p.Gate.Diff
	}
	view, err := newPageView(p)
	if err != nil {
		return fmt.Errorf("html page: %w", err)
	}
	if err := parsePage().Execute(w, view); err != nil {
		return fmt.Errorf("html page: %w", err)
	}
	return nil
}

// pageView is the page as the template sees it: text ready to print, numbers
// ready to draw.
type pageView struct {
	CSS        template.CSS
	Title      string
	Subject    string
	Command    string
	Version    string
	Verdict    verdictView
	Reasons    []string
	Files      []fileView
	Log        *logView
	Regions    []regionView
	Tables     []tableView
	Rules      []ruleView
	Identity   []identityView
	Stretches  []stretchView
	LeftOut    string // what of the stretches is not shown, "" if all is
	Conditions []conditionView
	Cautions   []string
	Findings   []findingView
}

type verdictView struct {
	Class    string // pass, fail, unproven, none
	Symbol   string
	Word     string
	Headline string
}

type fileView struct {
	Part, Name, Size, SHA256 string
}

type regionView struct {
	Key                                  string
	Name, Range, Role, Edit, Tags, Bytes string
	Changed                              bool
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

const (
	maxName = 80  // characters of a name from a map that are shown
	maxText = 600 // characters of a sentence
)

func newPageView(p Page) (*pageView, error) {
	v := &pageView{
		CSS:     template.CSS(pageCSS),
		Command: p.Command,
		Version: p.Version,
		Verdict: pageVerdict(p),
	}
	if p.Map != nil {
		v.Subject = clip(p.Map.Title, maxName)
	}
	v.Title = v.Verdict.Headline
	if v.Subject != "" {
		v.Title += " " + v.Subject
	}
	for _, r := range p.Reasons {
		v.Reasons = append(v.Reasons, clip(r, maxText))
	}
	for _, f := range p.Files {
		v.Files = append(v.Files, fileView{
			Part: f.Part, Name: clip(f.Name, maxName),
			Size: grouped(uint64(max(f.Size, 0))) + " bytes", SHA256: f.SHA256,
		})
	}
	log, err := newLogView(p)
	if err != nil {
		return nil, err
	}
	v.Log = log
	v.Regions = regionViews(p)
	v.Rules = ruleViews(p)
	v.Identity = identityViews(p)
	if p.Diff != nil {
		for _, t := range p.Diff.Tables {
			v.Tables = append(v.Tables, newTableView(len(v.Tables), t))
		}
		if v.Stretches, v.LeftOut, err = stretchViews(p); err != nil {
			return nil, err
		}
	}
	if p.Gate != nil {
		for _, c := range p.Gate.Conditions {
			v.Conditions = append(v.Conditions, newConditionView(c))
		}
		for _, c := range p.Gate.Cautions {
			v.Cautions = append(v.Cautions, clip(c, maxText))
		}
	}
	for _, f := range p.Findings {
		v.Findings = append(v.Findings, newFindingView(f))
	}
	return v, nil
}

func pageVerdict(p Page) verdictView {
	switch p.Verdict {
	case evidence.Pass:
		v := verdictView{Class: "pass", Symbol: "✓", Word: "Pass"}
		if p.Command == "gate" {
			v.Headline = "Every condition for writing this image holds."
		} else {
			v.Headline = "This image is proved good."
		}
		return v
	case evidence.Fail:
		v := verdictView{Class: "fail", Symbol: "✕", Word: "Fail"}
		if p.Command == "gate" {
			v.Headline = "Do not write this image."
		} else {
			v.Headline = "Do not rely on this image."
		}
		return v
	case evidence.Unproven:
		v := verdictView{Class: "unproven", Symbol: "?", Word: "Unproven"}
		if p.Command == "gate" {
			v.Headline = "Do not write this image yet."
		} else {
			v.Headline = "Not proved yet."
		}
		return v
	}
	v := verdictView{Class: "none", Symbol: "≠", Word: "Different"}
	switch {
	case p.Diff == nil:
		v.Symbol, v.Word, v.Headline = "·", "No verdict", "Nothing was judged."
	case p.Diff.Equal:
		v.Symbol, v.Word, v.Headline = "=", "Equal", "The two images are equal."
	default:
		v.Headline = "The two images differ. " + counted(p.Diff.BytesChanged, "byte") + " changed."
	}
	return v
}

func regionViews(p Page) []regionView {
	var out []regionView
	if p.Diff != nil {
		for i, r := range p.Diff.Regions {
			v := regionView{
				Key: fmt.Sprint(i + 1), Name: clip(r.Name, maxName), Role: string(r.Role), Edit: string(r.Edit),
				Tags: joinTags(r.Tags), Bytes: grouped(r.Bytes), Changed: r.Bytes > 0,
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
			Key: fmt.Sprint(i + 1), Name: clip(r.Name, maxName), Range: r.Range.String(),
			Role: string(r.Role), Edit: string(r.Edit), Tags: joinTags(r.Tags),
		})
	}
	return out
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

func ruleViews(p Page) []ruleView {
	var out []ruleView
	if p.Diff != nil {
		for _, c := range p.Diff.Checksums {
			v := newRuleView(c.After)
			v.Before, v.BeforeWord = c.Before.Computed, verdictWord(c.Before.Verdict)
			out = append(out, v)
		}
		return out
	}
	for _, r := range p.Rules {
		v := newRuleView(r)
		v.Single = true
		out = append(out, v)
	}
	return out
}

func newRuleView(r maps.RuleResult) ruleView {
	v := ruleView{
		Name: clip(r.Rule, maxName), Algorithm: clip(r.Algorithm, maxName), After: clip(r.Computed, maxName),
		AfterWord: verdictWord(r.Verdict), Class: string(r.Verdict), Reason: clip(r.Reason, maxText),
	}
	if r.Repeat > 0 {
		v.Name += fmt.Sprintf(" (%d)", r.Repeat)
	}
	if r.Field != nil {
		v.Field = r.Field.String()
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

func identityViews(p Page) []identityView {
	var out []identityView
	if p.Diff != nil {
		for _, c := range p.Diff.Identity {
			out = append(out, identityView{
				Name: clip(c.After.Name, maxName), Before: clip(c.Before.Value, maxName), After: clip(c.After.Value, maxName),
				Changed: c.Changed, Problem: clip(c.After.Problem, maxText),
			})
		}
		return out
	}
	for _, id := range p.Identity {
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
		v.Symbol, v.Word = "✓", "holds"
	case evidence.Fail:
		v.Symbol, v.Word = "✕", "does not hold"
	default:
		v.Symbol, v.Word, v.Class = "?", "not proved", "unproven"
	}
	for _, e := range c.Evidence {
		v.Evidence = append(v.Evidence, clip(e, maxText))
	}
	return v
}

func newFindingView(f evidence.Finding) findingView {
	v := findingView{Severity: string(f.Severity), Class: string(f.Severity), Message: clip(f.Message, maxText), Code: clip(f.Code, maxName)}
	const shown = 4
	var where []string
	for _, r := range f.Ranges[:min(len(f.Ranges), shown)] {
		where = append(where, r.String())
	}
	if more := len(f.Ranges) - shown; more > 0 {
		where = append(where, fmt.Sprintf("and %d more", more))
	}
	v.Where = strings.Join(where, ", ")
	return v
}

// clip makes s safe to show and at most n characters long.
func clip(s string, n int) string {
	// Cutting before cleaning keeps a name of a million characters cheap; an
	// escape is at most ten characters long, so nothing visible is lost.
	runes := []rune(Clean(cutBytes(s, 16*n)))
	if len(runes) <= n {
		return string(runes)
	}
	return string(runes[:n-1]) + "…"
}

func cutBytes(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n], "")
}

// grouped writes n with a thin gap every three digits: 524 288.
func grouped(n uint64) string {
	s := fmt.Sprint(n)
	var b strings.Builder
	for i, c := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteString("\u202f")
		}
		b.WriteRune(c)
	}
	return b.String()
}

func counted(n uint64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return grouped(n) + " " + noun + "s"
}
