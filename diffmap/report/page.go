package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"example.com/calproof/diffmap"
	"example.com/calproof/diffmap/edits"
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
	Made   time.Time    // when the page was made, shown to the minute; the zero time leaves it out
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
	edits    *edits.Explanation
	about    []namedFile       // the images the verdict is about
	rules    []maps.RuleResult // checksum rules of a single image
	identity []maps.IdentityValue
	unjudged []string
}

// namedFile is an image by what it is to the command and its file name.
type namedFile struct{ Part, Name string }

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
		p.diff, p.findings, p.edits, p.verdict = data.Result, d.Findings, data.Edits, ""
		p.about = []namedFile{{"original", data.Original}, {"modified", data.Modified}}
		if !data.Equal {
			p.reasons = []string{"This page shows what changed and does not judge it. The gate command does."}
		}
	case GateData:
		p.diff, p.gate, p.edits = data.Diff, data.GateResult, data.Edits
		p.about = []namedFile{{"original", data.Original}, {"modified", data.Modified}}
		p.reasons = gateReasons(data.GateResult)
	case VerifyData:
		p.findings, p.rules, p.identity = d.Findings, data.Checksums, data.Identity
		p.about = []namedFile{{"image", data.File}}
		p.reasons = append(worstFindings(d.Findings), capital(data.reason(d.Findings))+".")
		if data.Read != nil {
			p.unjudged = data.Read.NotJudged
		}
	default:
		return page{}, fmt.Errorf("command %s has no page; diff, gate and verify have one", d.Command)
	}
	return p, nil
}

// worstFindings says what disproves an image: faults, or cautions where there
// is no fault. A count alone ("14 of 17 rules agree") reads like good news.
func worstFindings(list []evidence.Finding) []string {
	const shown = 3
	// A checksum that disagrees follows from what is wrong with the read.
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b evidence.Finding) int { return checksumLast(a) - checksumLast(b) })
	for _, severity := range []evidence.Severity{evidence.Fault, evidence.Caution} {
		var out []string
		for _, f := range list {
			if f.Severity == severity {
				out = append(out, capital(f.Message)+".")
			}
		}
		if more := len(out) - shown; more > 0 {
			return append(out[:shown], fmt.Sprintf("%s more; all are below.", evidence.Thousands(uint64(more))))
		}
		if out != nil {
			return out
		}
	}
	return nil
}

func checksumLast(f evidence.Finding) int {
	if f.Code == maps.CodeMismatch {
		return 1
	}
	return 0
}

// gateReasons says what speaks against writing, failures first: the evidence
// and then the condition, whose title alone reads as if it held.
func gateReasons(g *diffmap.GateResult) []string {
	var out []string
	for _, wanted := range []evidence.Verdict{evidence.Fail, evidence.Unproven} {
		word := "is broken"
		if wanted == evidence.Unproven {
			word = "is not proved"
		}
		for i, c := range g.Conditions {
			if c.Verdict != wanted {
				continue
			}
			text := ""
			if len(c.Evidence) > 0 {
				text = capital(c.Evidence[0]) + ". "
			}
			out = append(out, fmt.Sprintf("%sThat is why condition %d %s, which demands that %s.", text, i+1, word, c.Title))
		}
	}
	if out == nil {
		out = []string{fmt.Sprintf("All %s for writing hold. The evidence for each is below, after what you should know before you write.", evidence.Count(uint64(len(g.Conditions)), "condition"))}
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
	About      []namedFile
	Command    string
	Version    string
	Made       string
	Verdict    verdictView
	Reasons    []string
	Single     bool // about one image, so that nothing can have changed
	Files      []fileView
	Log        *logView
	Regions    []regionView
	Tables     []tableView
	Rules      []ruleView // that changed or do not agree, those first
	QuietRules []ruleView // that agree and did not change
	Identity   []identityView
	Stretches  []stretchView
	LeftOut    string // what of the stretches is not shown, "" if all is
	Edits      *editsView
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

const (
	maxName = 80  // characters of a name from a map that are shown
	maxText = 600 // characters of a sentence
)

func newPageView(p page) (*pageView, error) {
	v := &pageView{
		CSS:     template.CSS(pageCSS),
		Command: p.command,
		Version: p.version,
		Made:    made(p.Made),
		Verdict: pageVerdict(p),
	}
	if p.Map != nil {
		v.Subject = clip(p.Map.Title, maxName)
	}
	v.Title = v.Verdict.Headline
	if v.Subject != "" {
		v.Title += " " + v.Subject
	}
	for _, f := range p.about {
		v.About = append(v.About, namedFile{f.Part, clip(f.Name, maxName)})
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
	v.Single = p.diff == nil
	log, err := newLogView(p)
	if err != nil {
		return nil, err
	}
	v.Log = log
	v.Regions = regionViews(p)
	v.Rules, v.QuietRules = ruleViews(p)
	v.Edits = newEditsView(p.edits, p.diff)
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
	type words struct{ symbol, word, gate, other string }
	w, judged := map[evidence.Verdict]words{
		evidence.Pass: {"✓", "Pass", "This image may be written: every condition holds.",
			"This image is proved good."},
		evidence.Fail: {"✕", "Fail", "Do not write this image.",
			"This is not a good image: do not write it, do not keep it as a backup."},
		evidence.Unproven: {"?", "Unproven", "Do not write this image yet.",
			"Not proved yet: do not count on this image as a backup."},
	}[p.verdict]
	if judged {
		v := verdictView{Class: string(p.verdict), Symbol: w.symbol, Word: w.word, Headline: w.other}
		if p.command == "gate" {
			v.Headline = w.gate
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
		v.Headline = "The two images differ. " + evidence.Count(p.diff.BytesChanged, "byte") + " changed."
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

// made writes the moment a page was made, with its time zone.
func made(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format("2006-01-02 15:04 -0700")
}
