package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
	"example.com/calproof/image/archive"
	"example.com/calproof/maps"
)

// ArchiveVehicle is the vehicle an entry is kept for.
type ArchiveVehicle struct {
	Vehicle, VIN, Name string
}

// AddFlags adds the flags that name the vehicle.
func (v *ArchiveVehicle) AddFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&v.Vehicle, "vehicle", "", "the vehicle: any `name`, or a VIN")
	cmd.Flags().StringVar(&v.VIN, "vin", "", "vehicle identification `number`; kept in the entry, never in a folder's name")
	cmd.Flags().StringVar(&v.Name, "name", "", "`folder` of a new vehicle (default: made of its name, never of a VIN)")
}

// ArchiveAddOptions are the options of calproof archive add.
type ArchiveAddOptions struct {
	Output
	Input
	ArchivePlace
	ArchiveVehicle
	Path, SecondRead, Note, Parent string
	Kind                           archive.Kind
	Attach                         []string
	Conditions                     archive.Conditions
	Again                          bool
}

// imageKinds are the kinds that add keeps; gate --save and attach keep the
// others.
func imageKinds() []archive.Kind {
	return []archive.Kind{archive.Backup, archive.Modified, archive.Readback}
}

func newArchiveAddCommand(streams Streams) *cobra.Command {
	opts := &ArchiveAddOptions{}
	cmd := &cobra.Command{
		Use:   "add IMAGE --vehicle V --kind KIND",
		Short: "Verify an image and keep it with its verdict",
		Long: `Keep IMAGE, byte for byte as it is, with its region map, second read, attached
files and read conditions. It is verified first, and the verdict is kept with it
and printed: an image that fails or is unproven can be kept too, marked so. The
entry is read back and compared before it counts.

An image of which the vehicle has an entry of the same kind already is refused.
A modified image or a readback names what it was made from: --parent, or else
the newest backup (of a readback: the newest modified image).

` + exitHelpVerdict,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml --second-read demo/second-read.bin --supply-volts 13.2
  calproof archive add demo/edited.bin --archive shop --vehicle groomer-2 --kind modified --map demo/groomer.toml
  calproof archive add demo/short-read.bin --archive shop --vehicle groomer-3 --kind backup --map demo/groomer.toml  # exits 1`,
		Args: takes("IMAGE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Path = args[0]
			return runArchiveAdd(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.AddMapFlag(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	opts.ArchiveVehicle.AddFlags(cmd)
	addVar(cmd, choiceFlag[archive.Kind]{&opts.Kind, imageKinds()}, "kind", "what the image is: backup, modified or readback", "backup", "modified", "readback")
	cmd.Flags().StringVar(&opts.SecondRead, "second-read", "", "`file` with another read of the same controller, to be compared and kept too")
	cmd.Flags().StringVar(&opts.Parent, "parent", "", "`entry` or SHA-256 of the image it was made from")
	cmd.Flags().StringArrayVar(&opts.Attach, "attach", nil, "a `file` to keep beside it; can be given several times")
	cmd.Flags().StringVar(&opts.Note, "note", "", "a `text` to keep beside it")
	addVar(cmd, measureFlag{&opts.Conditions.SupplyVolts}, "supply-volts", "measured supply at the controller, in volts")
	addVar(cmd, measureFlag{&opts.Conditions.AdapterLatencyMS}, "adapter-latency-ms", "measured latency of the adapter, in milliseconds")
	addVar(cmd, tookFlag{&opts.Conditions.Duration}, "took", "how long the read took, such as 68m30s")
	cmd.Flags().BoolVar(&opts.Again, "again", false, "keep it although the vehicle has the same image of this kind")
	return cmd
}

func runArchiveAdd(ctx context.Context, opts *ArchiveAddOptions, streams Streams) error {
	switch {
	case opts.Vehicle == "":
		return errors.New("archive add: name the vehicle with --vehicle: any name, or a VIN")
	case opts.Kind == "":
		return errors.New("archive add: say what the image is with --kind: backup, modified or readback")
	}
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	m, err := opts.loadMap()
	if err != nil {
		return err
	}
	im, err := opts.Input.open(streams, opts.Path, m)
	if err != nil {
		return err
	}
	defer im.Close()
	var second *maps.Bound
	if opts.SecondRead != "" {
		if second, err = opts.Input.open(streams, opts.SecondRead, m); err != nil {
			return err
		}
		defer second.Close()
	}
	hash := sha256.New()
	j, err := keeping.Judge(im, second, hash)
	if err != nil {
		return err
	}
	summary := report.SummaryOf(m)
	var agreed *report.AgreeData
	if second != nil {
		agreed = &report.AgreeData{Reads: []string{opts.Path, opts.SecondRead}, Map: summary}
	}
	verdict := report.New(version, report.Kept(report.VerifyData{File: opts.Path, Map: summary}, agreed, j))
	add := archive.Addition{
		Vehicle: opts.Vehicle, VIN: opts.VIN, Folder: opts.Name, Kind: opts.Kind, Note: opts.Note, Conditions: opts.Conditions, Again: opts.Again,
		Map: mapSource(m),
	}
	for _, path := range opts.Attach {
		add.Attached = append(add.Attached, archive.FileSource(path))
	}
	if second != nil {
		add.SecondRead = imageSource(opts.SecondRead, second)
	}
	addImage(&add, &opts.Input, opts.Path, im, hex.EncodeToString(hash.Sum(nil)))
	if add.Verdict, err = keptVerdict(verdict); err != nil {
		return err
	}
	known := opts.Vehicle
	if _, err := a.Vehicle(ctx, known); errors.Is(err, archive.ErrNotFound) && opts.VIN != "" {
		known = opts.VIN // as Add finds it
	}
	if add.Parent, err = keeping.Parent(ctx, a.Reader, known, opts.Kind, opts.Parent); err != nil {
		return err
	}
	ctx, stop := interruptible(ctx)
	defer stop()
	added, err := a.Add(ctx, add)
	if err != nil {
		return err
	}
	return opts.print(streams, report.ArchiveAddData{Archive: a.Dir(), Added: *added, Findings: verdict.Findings})
}

// addImage fills in the image of an addition. sum is the SHA-256 of the bytes
// that were judged; the archive compares it with what it keeps.
func addImage(add *archive.Addition, in *Input, path string, im *maps.Bound, sum string) {
	add.Image, add.ImageSHA256 = imageSource(path, im), sum
	add.ImageFormat, add.ImageBase = string(in.Format), in.Base
	if m := im.Map; m != nil && in.Format == image.FormatAuto {
		add.ImageFormat = string(m.Image.FileFormat)
	}
	add.Controller = keeping.Controller(im)
}

// imageSource is the file of an opened image.
func imageSource(path string, im *maps.Bound) *archive.Source {
	name := filepath.Base(path)
	if path == stdin {
		name = "image.bin"
	}
	file := im.Opened().File()
	return &archive.Source{Name: name, Open: func() (io.ReadCloser, error) {
		return io.NopCloser(io.NewSectionReader(file, 0, file.Size())), nil
	}}
}

// mapSource is the file of a region map, nil for none.
func mapSource(m *maps.Map) *archive.Source {
	if m == nil {
		return nil
	}
	return archive.FileSource(m.Path)
}

// keptVerdict writes a document in the two forms in which it is kept.
func keptVerdict(doc report.Document) (*archive.Verdict, error) {
	var js, text bytes.Buffer
	if err := report.JSON(&js, doc); err != nil {
		return nil, err
	}
	if err := report.Text(&text, doc, report.Options{}); err != nil {
		return nil, err
	}
	return &archive.Verdict{Verdict: doc.Verdict, JSON: js.Bytes(), Text: text.Bytes()}, nil
}

// ArchiveAttachOptions are the options of calproof archive attach.
type ArchiveAttachOptions struct {
	Output
	ArchivePlace
	ArchiveVehicle
	Files []string
	Note  string
}

func newArchiveAttachCommand(streams Streams) *cobra.Command {
	opts := &ArchiveAttachOptions{}
	cmd := &cobra.Command{
		Use:   "attach [FILE]... --vehicle V",
		Short: "Keep files that belong to a vehicle",
		Long: `Keep files that belong to a vehicle, such as photographs, wiring sheets and
licence texts, or a note. Entries never change, so they become one of their own.

` + exitHelpDone,
		Example: `  calproof archive init shop
  calproof archive attach demo/groomer.toml --archive shop --vehicle groomer-2 --note map-as-bought`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Files = args
			return runArchiveAttach(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	opts.ArchiveVehicle.AddFlags(cmd)
	cmd.Flags().StringVar(&opts.Note, "note", "", "a `text` to keep")
	return cmd
}

func runArchiveAttach(ctx context.Context, opts *ArchiveAttachOptions, streams Streams) error {
	if opts.Vehicle == "" {
		return errors.New("archive attach: name the vehicle with --vehicle: any name, or a VIN")
	}
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	add := archive.Addition{Vehicle: opts.Vehicle, VIN: opts.VIN, Folder: opts.Name, Kind: archive.Attachment, Note: opts.Note}
	for _, path := range opts.Files {
		if path == stdin {
			return fmt.Errorf("%s: attach keeps files, not standard input; use --note for a text", path)
		}
		add.Attached = append(add.Attached, archive.FileSource(path))
	}
	ctx, stop := interruptible(ctx)
	defer stop()
	added, err := a.Add(ctx, add)
	if err != nil {
		return err
	}
	return opts.print(streams, report.ArchiveAddData{Archive: a.Dir(), Added: *added, Attach: true})
}
