package main

import (
	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
)

// Output is how a command prints its result; every command has it.
type Output struct {
	JSON bool
}

// AddFlags adds the flags of o to cmd.
func (o *Output) AddFlags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&o.JSON, "json", false, "print one JSON document instead of text")
}

// print prints the result of a command and turns its verdict into what the
// command returns.
func (o *Output) print(streams Streams, data report.Data) error {
	doc := report.New(version, data)
	var err error
	if o.JSON {
		err = report.JSON(streams.Out, doc)
	} else {
		err = report.Text(streams.Out, doc, report.Options{Colour: streams.Colour})
	}
	if err != nil {
		return err
	}
	return exitFor(doc.Verdict)
}
