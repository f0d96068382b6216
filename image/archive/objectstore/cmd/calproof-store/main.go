// Command calproof-store copies a calproof archive to and from a bucket that a
// chain of shops shares, and verifies what is there.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/archive/objectstore"
	"example.com/calproof/image/evidence"
)

// The exit codes, those of calproof.
const (
	exitPass        = 0
	exitFail        = 1
	exitCouldNotRun = 2
	exitUnproven    = 3
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// exitError carries an exit code; the result behind it has been printed.
type exitError int

func (e exitError) Error() string { return fmt.Sprintf("exit code %d", int(e)) }

func run(args []string, out, messages io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	root := newRoot(out)
	root.SetArgs(args)
	root.SetOut(out)
	root.SetErr(messages)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitPass
	}
	if e, ok := errors.AsType[exitError](err); ok {
		return int(e)
	}
	fmt.Fprintf(messages, "calproof-store: %v\n", err)
	return exitCouldNotRun
}

// options are the options of every command.
type options struct {
	archive, store string
	json           bool
	out            io.Writer
}

func newRoot(out io.Writer) *cobra.Command {
	opts := &options{out: out}
	root := &cobra.Command{
		Use:   "calproof-store COMMAND",
		Short: "Share a calproof archive through a bucket",
		Long: `Copy the entries of a calproof archive to a bucket and back, and verify what the
bucket holds. Nothing in it is ever overwritten or deleted: an object is created
if it is not there, then read back and hashed. Entries are copied only where
they are missing, and what was interrupted goes on where it stopped.

The bucket is a URL: s3://NAME, azblob://NAME, gs://NAME or file:///FOLDER, with
credentials from the environment as the cloud's own programs read them. For an
S3-compatible server:
  s3://NAME?endpoint=https://HOST&region=us-east-1&use_path_style=true

Exit codes: 0 pass (or done), 1 fail, 2 could not run, 3 unproven.`,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.CompletionOptions.DisableDefaultCmd = true
	root.PersistentFlags().StringVar(&opts.archive, "archive", os.Getenv("CALPROOF_ARCHIVE"), "folder of the archive (default: CALPROOF_ARCHIVE)")
	root.PersistentFlags().StringVar(&opts.store, "store", os.Getenv("CALPROOF_STORE"), "URL of the bucket (default: CALPROOF_STORE)")
	root.PersistentFlags().BoolVar(&opts.json, "json", false, "print one JSON document instead of text")
	root.AddCommand(
		&cobra.Command{Use: "push [VEHICLE]...", Short: "Copy what the bucket lacks (of every vehicle, or those named)",
			RunE: func(cmd *cobra.Command, args []string) error { return opts.push(cmd.Context(), args) }},
		&cobra.Command{Use: "pull [VEHICLE]...", Short: "Copy what the archive lacks (of every vehicle in the bucket, or those named by their folders)",
			RunE: func(cmd *cobra.Command, args []string) error { return opts.pull(cmd.Context(), args) }},
		&cobra.Command{Use: "verify [VEHICLE]", Short: "Hash every byte in the bucket and compare; compute kept verdicts again", Args: cobra.MaximumNArgs(1),
			RunE: func(cmd *cobra.Command, args []string) error { return opts.verify(cmd.Context(), args) }},
	)
	return root
}

func (o *options) openStore(ctx context.Context) (*objectstore.Bucket, error) {
	if o.store == "" {
		return nil, errors.New("no bucket; name its URL with --store or in CALPROOF_STORE")
	}
	return objectstore.Open(ctx, o.store)
}

func (o *options) openArchive() (*archive.Archive, error) {
	if o.archive == "" {
		return nil, errors.New("no archive; name its folder with --archive or in CALPROOF_ARCHIVE")
	}
	return archive.Open(o.archive, archive.Options{Tool: "calproof-store"})
}

// moved is a vehicle that was pushed or pulled.
type moved struct {
	Vehicle string   `json:"vehicle"` // folder
	Copied  []string `json:"copied"`
	Had     int      `json:"had"`
	Ahead   int      `json:"ahead,omitempty"` // entries the bucket has and the archive lacks
	Problem string   `json:"problem,omitempty"`
}

func (o *options) push(ctx context.Context, vehicles []string) error {
	a, err := o.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	s, err := o.openStore(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	if len(vehicles) == 0 {
		for v, err := range a.Vehicles(ctx) {
			if err != nil {
				return err
			}
			vehicles = append(vehicles, v.Folder)
		}
	}
	return o.each(ctx, "push", vehicles, func(v string) (*archive.Moved, error) { return a.Push(ctx, s, v) })
}

func (o *options) pull(ctx context.Context, vehicles []string) error {
	a, err := o.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	s, err := o.openStore(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	if len(vehicles) == 0 {
		if vehicles, err = archive.StoredVehicles(ctx, s); err != nil {
			return err
		}
	}
	return o.each(ctx, "pull", vehicles, func(v string) (*archive.Moved, error) { return a.Pull(ctx, s, v) })
}

// each moves one vehicle after the other. One that cannot be moved does not
// keep the others from it, but the whole is then no success.
func (o *options) each(ctx context.Context, command string, vehicles []string, move func(string) (*archive.Moved, error)) error {
	list := []moved{}
	var failed error
	for _, v := range vehicles {
		got, err := move(v)
		m := moved{Vehicle: v, Copied: []string{}}
		if got != nil {
			m = moved{Vehicle: got.Folder, Copied: append(m.Copied, got.Moved...), Had: got.Had, Ahead: got.Ahead}
		}
		if err != nil {
			m.Problem = err.Error()
			failed = errors.Join(failed, err)
		}
		list = append(list, m)
		if ctx.Err() != nil {
			break
		}
	}
	if o.json {
		verdict := evidence.Pass
		if failed != nil {
			verdict = evidence.Fail
		}
		if err := o.print(command, verdict, nil, map[string]any{"vehicles": list}); err != nil {
			return err
		}
	} else {
		for _, m := range list {
			fmt.Fprintf(o.out, "%s: %d copied, %d there already", m.Vehicle, len(m.Copied), m.Had)
			if m.Ahead > 0 {
				fmt.Fprintf(o.out, "; the bucket has %d more, pull them", m.Ahead)
			}
			fmt.Fprintln(o.out)
		}
	}
	return failed
}

func (o *options) verify(ctx context.Context, vehicles []string) error {
	s, err := o.openStore(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	r, err := archive.StoreReader(ctx, s)
	if err != nil {
		return err
	}
	opts := archive.VerifyOptions{BothHashes: true, Recompute: keeping.Recompute}
	if len(vehicles) > 0 {
		opts.Vehicle = vehicles[0]
	}
	v, err := r.Verify(ctx, opts)
	if err != nil {
		return err
	}
	if o.json {
		err = o.print("verify", v.Verdict, v.Findings, v)
	} else {
		_, err = fmt.Fprintf(o.out, "%s: %d entries of %d vehicles, %d files, %d bytes hashed\n", v.Verdict, v.Entries, v.Vehicles, v.Files, v.Bytes)
		for _, f := range v.Findings {
			fmt.Fprintf(o.out, "  %s\n", f)
		}
	}
	if err != nil {
		return err
	}
	switch v.Verdict {
	case evidence.Pass:
		return nil
	case evidence.Fail:
		return exitError(exitFail)
	}
	return exitError(exitUnproven)
}

// print writes the document that calproof's commands write too.
func (o *options) print(command string, verdict evidence.Verdict, findings []evidence.Finding, data any) error {
	if findings == nil {
		findings = []evidence.Finding{}
	}
	enc := json.NewEncoder(o.out)
	enc.SetIndent("", "  ")
	return enc.Encode(map[string]any{"command": "store " + command, "verdict": verdict, "findings": findings, "data": data})
}
