package main

import (
	"context"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/readcheck"
)

// PlanOptions are the options of calproof plan.
type PlanOptions struct {
	Output
	Input Input
	Bench readcheck.PlanInput
}

func newPlanCommand(streams Streams) *cobra.Command {
	opts := &PlanOptions{}
	cmd := &cobra.Command{
		Use:   "plan --map MAP",
		Short: "Tell how long a full read takes and what to see to before it",
		Long: `Compute how long a full read of the controller that the map describes takes:
its bytes at ten bits each on the line (start-stop framing, 8N1), the requests
around them, and what the adapter adds to every exchange, with 1 ms and with
16 ms of latency. List what to see to on the bench, judge the figures given, and
with --took tell whether a read was too quick to be complete.

12.5 V, 1 ms and 60 to 75 minutes are common practice, no source; the map's
figures win.

Exit codes: 0 no figure given is out of its limits, 1 one is, or the read was
too quick for its bytes, 2 could not run, 3 the read took less or more time than
the map says, or less than the plan if the map says nothing.`,
		Example: `  calproof plan --map demo/groomer.toml
  calproof plan --map demo/groomer.toml --supply-volts 13.2 --adapter-latency-ms 1 --took 62m
  calproof plan --map demo/groomer.toml --adapter-latency-ms 16  # exits 1`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runPlan(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddMapFlag(cmd)
	addVar(cmd, measureFlag{&opts.Bench.SupplyVolts}, "supply-volts", "supply voltage measured at the controller")
	addVar(cmd, measureFlag{&opts.Bench.AdapterLatencyMS}, "adapter-latency-ms", "latency of the adapter as set, in milliseconds")
	addVar(cmd, rateFlag{&opts.Bench.LineBitsPerSecond}, "baud", "speed of the line in bits a second (default: the map's, or 9600)")
	addVar(cmd, countFlag{&opts.Bench.Block}, "block", "bytes asked for at a time (default: the map's, or 128)")
	addVar(cmd, tookFlag{&opts.Bench.Took}, "took", "how long a read took, such as 62m or 1h2m30s")
	return cmd
}

func runPlan(_ context.Context, opts *PlanOptions, streams Streams) error {
	m, err := opts.Input.needMap("plan")
	if err != nil {
		return err
	}
	plan, err := readcheck.NewPlan(m, opts.Bench)
	if err != nil {
		return err
	}
	return opts.print(streams, report.PlanData{Map: report.SummaryOf(m), Plan: plan})
}
