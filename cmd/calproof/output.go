package main

import (
	"encoding/json"

	"github.com/spf13/cobra"

	"example.com/calproof/image/evidence"
)

// Output is how a command prints its result; every command has it.
type Output struct {
	JSON bool
}

// AddFlags adds the flags of o to cmd.
func (o *Output) AddFlags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.JSON, "json", false, "print one JSON document instead of text")
}

// document is what --json prints.
type document struct {
	Calproof string             `json:"calproof"` // version
	Command  string             `json:"command"`
	Verdict  evidence.Verdict   `json:"verdict,omitempty"` // of commands that prove something
	Findings []evidence.Finding `json:"findings"`
	Data     any                `json:"data"`
}

// writeJSON prints one JSON document.
func writeJSON(streams Streams, command string, verdict evidence.Verdict, findings []evidence.Finding, data any) error {
	if findings == nil {
		findings = []evidence.Finding{}
	}
	enc := json.NewEncoder(streams.Out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(document{version, command, verdict, findings, data})
}
