package report

import (
	"fmt"
	"strings"

	"example.com/calproof/image/evidence"
)

// DemoStep is one command that the demo ran and what came of it.
type DemoStep struct {
	Args []string `json:"args"` // without the program's name
	Exit int      `json:"exit"`
	Want int      `json:"want"` // exit code the scenario says
	Says string   `json:"says"` // the exit code as a word
}

// DemoData is the demo scenario and the main job done on it.
type DemoData struct {
	Dir   string     `json:"dir"`
	Files []string   `json:"files"`
	Steps []DemoStep `json:"steps"`
	Next  [][]string `json:"-"` // commands to look at next
}

// Command returns "demo".
func (DemoData) Command() string { return "demo" }

func (d DemoData) outcome() (evidence.Verdict, []evidence.Finding) {
	var findings []evidence.Finding
	for _, s := range d.Steps {
		if s.Exit != s.Want {
			findings = append(findings, evidence.Finding{Code: CodeDemoVerdict, Severity: evidence.Fault,
				Message: fmt.Sprintf("%s gave exit code %d where the scenario says %d; this is a defect of calproof", strings.Join(s.Args, " "), s.Exit, s.Want)})
		}
	}
	return evidence.Judge(findings), findings
}

// CodeDemoVerdict is the code of a demo step that came out otherwise than the
// scenario says.
const CodeDemoVerdict = "demo-verdict"

func (d DemoData) text(p *printer, findings []evidence.Finding) {
	p.wrap(0, 0, "The demo scenario is in %s: the drive controllers of a ski hill's snow groomers. The main job on it, each command with its verdict:", d.Dir)
	p.line(0, "")
	for _, s := range d.Steps {
		p.command(s.Args)
		result := fmt.Sprintf("(exit %d)", s.Exit)
		if s.Exit != s.Want {
			result += fmt.Sprintf(", but the scenario says exit %d", s.Want)
		}
		p.labelled(4, 5+len(s.Says), s.Says, "%s", result)
	}
	p.findings("Findings", findings, true)
	if len(d.Next) > 0 {
		p.heading("Look next")
		for _, args := range d.Next {
			p.command(args)
		}
	}
}

// command writes a command as one types it, broken before flags so that it
// fits the width where it can.
func (p *printer) command(args []string) {
	const indent, more = 2, " \\"
	line, at := "calproof", indent
	for i := 0; i < len(args); i++ {
		part := Clean(quoteArg(args[i]))
		if strings.HasPrefix(part, "--") && i+1 < len(args) && !strings.HasPrefix(args[i+1], "--") {
			i++
			part += " " + Clean(quoteArg(args[i]))
		}
		if at+width(line)+1+width(part)+len(more) > p.width {
			p.write(at, line+more)
			line, at = part, indent+4
			continue
		}
		line += " " + part
	}
	p.write(at, line)
}

// quoteArg quotes what a POSIX shell would take apart.
func quoteArg(s string) string {
	if s != "" && !strings.ContainsAny(s, " \t\n\"'`$&|;<>()*?[]#~!{}\\") {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
