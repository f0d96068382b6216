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

// Sources are what an HTML page draws from besides its document.
type Sources struct {
	Before *image.Image // the original, or the only image
	After  *image.Image // the modified image; nil when there is one image
	Map    *maps.Map    // the region map used, if any
	Files  []FileID     // everything that was compared, so that a printed page names its files
}

// FileID identifies one file on the page.
type FileID struct {
	Part   string // what it is to the command: "original", "modified", "region map"
	Name   string
	Size   int64  // bytes
	SHA256 string // lower-case hexadecimal
}

// page is what one HTML page shows. A field that is nil or empty leaves its
// section out.
type page struct {
	Sources
	command  string
	version  string
	verdict  evidence.Verdict // "" for a comparison, which judges nothing
	reasons  []string         // in plain words, most important first
	diff     *diffmap.Result
	gate     *diffmap.GateResult
	findings []evidence.Finding
	rules    []maps.RuleResult // checksum rules of a single image
	identity []maps.IdentityValue
	unjudged []string
}

//go:embed page.tmpl
var pageTemplate string

//go:embed page.css
var pageCSS string

// parsePage is lazy: a command that writes no page should not pay for it.
var parsePage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Parse(pageTemplate))
})

// HTML writes d as one HTML document that needs no other file, no network and
// no script. It knows the documents of diff, gate and verify and gives an error
// for any other. Names and values from images and maps are treated as hostile:
// they are escaped, stripped of control and direction characters, and cut.
func HTML(w io.Writer, d Document, src Sources) error {
	p, err := newPage(d, src)
	if err != nil {
		return fmt.Errorf("html page: %w", err)
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

func newPage(d Document, src Sources) (page, error) {
	p := page{Sources: src, command: d.Command, version: d.Version, verdict: d.Verdict}
	switch data := d.Data.(type) {
	case DiffData:
		p.diff, p.findings, p.verdict = data.Result, d.Findings, ""
		if !data.Equal {
			p.reasons = []string{"This page shows what changed and does not judge it. The gate command does."}
		}
	case GateData:
		p.diff, p.gate = data.Diff, data.GateResult
		p.reasons = gateReasons(data.GateResult)
	case VerifyData:
		p.findings, p.rules, p.identity = d.Findings, data.Checksums, data.Identity
		p.reasons = []string{capital(data.reason(d.Findings)) + "."}
		if data.Read != nil {
			p.unjudged = data.Read.NotJudged
		}
	default:
		return page{}, fmt.Errorf("command %s has no page; diff, gate and verify have one", d.Command)
	}
	return p, nil
}

// gateReasons names the conditions that do not hold, failures first.
func gateReasons(g *diffmap.GateResult) []string {
	var out []string
	for _, wanted := range []evidence.Verdict{evidence.Fail, evidence.Unproven} {
		for _, c := range g.Conditions {
			if c.Verdict != wanted {
				continue
			}
			text := capital(c.Title) + ": "
			if wanted == evidence.Fail {
				text += "this does not hold"
			} else {
				text += "this is not proved"
			}
			if len(c.Evidence) > 0 {
				text += ". " + capital(c.Evidence[0])
			}
			out = append(out, text)
		}
	}
	if out == nil {
		out = []string{fmt.Sprintf("All %s hold. The evidence for each is below.", count(uint64(len(g.Conditions)), "condition"))}
	}
	return out
}

// capital makes a sentence of a clause.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
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
	Unjudged   []string
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

func newPageView(p page) (*pageView, error) {
	v := &pageView{
		CSS:     template.CSS(pageCSS),
		Command: p.command,
		Version: p.version,
		Verdict: pageVerdict(p),
	}
	if p.Map != nil {
		v.Subject = clip(p.Map.Title, maxName)
	}
	v.Title = v.Verdict.Headline
	if v.Subject != "" {
		v.Title += " " + v.Subject
	}
	for _, r := range p.reasons {
		v.Reasons = append(v.Reasons, clip(r, maxText))
	}
	for _, f := range p.Files {
		v.Files = append(v.Files, fileView{
			Part: f.Part, Name: clip(f.Name, maxName),
			Size: bytesOf(uint64(max(f.Size, 0))), SHA256: clip(f.SHA256, 64),
		})
	}
	log, err := newLogView(p)
	if err != nil {
		return nil, err
	}
	v.Log = log
	v.Regions = regionViews(p)
	v.Rules = ruleViews(p)
	for _, u := range p.unjudged {
		v.Unjudged = append(v.Unjudged, clip(u, maxText))
	}
	v.Identity = identityViews(p)
	if p.diff != nil {
		for _, t := range p.diff.Tables {
			v.Tables = append(v.Tables, newTableView(len(v.Tables), t))
		}
		if v.Stretches, v.LeftOut, err = stretchViews(p); err != nil {
			return nil, err
		}
	}
	if p.gate != nil {
		for _, c := range p.gate.Conditions {
			v.Conditions = append(v.Conditions, newConditionView(c))
		}
		for _, c := range p.gate.Cautions {
			v.Cautions = append(v.Cautions, clip(c.Message+aboutRegions(c.Regions), maxText))
		}
	}
	for _, f := range p.findings {
		v.Findings = append(v.Findings, newFindingView(f))
	}
	return v, nil
}

func pageVerdict(p page) verdictView {
	switch p.verdict {
	case evidence.Pass:
		v := verdictView{Class: "pass", Symbol: "✓", Word: "Pass"}
		if p.command == "gate" {
			v.Headline = "Every condition for writing this image holds."
		} else {
			v.Headline = "This image is proved good."
		}
		return v
	case evidence.Fail:
		v := verdictView{Class: "fail", Symbol: "✕", Word: "Fail"}
		if p.command == "gate" {
			v.Headline = "Do not write this image."
		} else {
			v.Headline = "Do not rely on this image."
		}
		return v
	case evidence.Unproven:
		v := verdictView{Class: "unproven", Symbol: "?", Word: "Unproven"}
		if p.command == "gate" {
			v.Headline = "Do not write this image yet."
		} else {
			v.Headline = "Not proved yet."
		}
		return v
	}
	v := verdictView{Class: "none", Symbol: "≠", Word: "Different"}
	switch {
	case p.diff == nil:
		v.Symbol, v.Word, v.Headline = "·", "No verdict", "Nothing was judged."
	case p.diff.Equal:
		v.Symbol, v.Word, v.Headline = "=", "Equal", "The two images are equal."
	default:
		v.Headline = "The two images differ. " + count(p.diff.BytesChanged, "byte") + " changed."
	}
	return v
}

func regionViews(p page) []regionView {
	var out []regionView
	if p.diff != nil {
		for i, r := range p.diff.Regions {
			v := regionView{
				Key: fmt.Sprint(i + 1), Name: clip(r.Name, maxName), Role: clip(string(r.Role), maxName), Edit: clip(string(r.Edit), maxName),
				Tags: joinTags(r.Tags), Bytes: thousands(r.Bytes), Changed: r.Bytes > 0,
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
			Role: clip(string(r.Role), maxName), Edit: clip(string(r.Edit), maxName), Tags: joinTags(r.Tags),
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

func ruleViews(p page) []ruleView {
	var out []ruleView
	if p.diff != nil {
		for _, c := range p.diff.Checksums {
			v := newRuleView(c.After)
			v.Before, v.BeforeWord = clip(c.Before.Computed, maxName), verdictWord(c.Before.Verdict)
			out = append(out, v)
		}
		return out
	}
	for _, r := range p.rules {
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
	v := conditionView{Title: capital(clip(c.Title, maxText)), Class: string(c.Verdict)}
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
	if len(where) > 0 && !strings.Contains(f.Message, where[0]) { // most messages name their addresses
		v.Where = strings.Join(where, ", ")
	}
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
