package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/archive"
	"example.com/calproof/image/safefile"
)

// ArchiveOutput is a file that a command writes out of an archive.
type ArchiveOutput struct {
	Out   string
	Force bool
}

// AddFlags adds the flags of o to cmd.
func (o *ArchiveOutput) AddFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&o.Out, "out", "", "the new `file` to write")
	cmd.Flags().BoolVar(&o.Force, "force", false, "replace an existing file")
}

// write writes the file with fn and returns its size and SHA-256 as they read
// back.
func (o *ArchiveOutput) write(ctx context.Context, a *archive.Archive, fn func(w io.Writer) error) (size int64, sum string, err error) {
	if o.Out == "" {
		return 0, "", errors.New("no output; name the new file with --out")
	}
	if err := notInArchive(a.Dir(), o.Out); err != nil {
		return 0, "", err
	}
	if err := writeFile(ctx, o.Out, safefile.Options{Force: o.Force}, fn); err != nil {
		return 0, "", err
	}
	f, err := os.Open(o.Out)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return 0, "", fmt.Errorf("read back %s: %w", o.Out, err)
	}
	return size, hex.EncodeToString(h.Sum(nil)), nil
}

// notInArchive refuses an output inside the archive, whose files never change.
func notInArchive(dir, out string) error {
	root, err := filepath.EvalSymlinks(dir)
	if err != nil {
		return err
	}
	folder, err := filepath.EvalSymlinks(filepath.Dir(out))
	if err != nil {
		return fmt.Errorf("folder of the output %s: %w", out, err)
	}
	if root, err = filepath.Abs(root); err != nil {
		return err
	}
	if folder, err = filepath.Abs(folder); err != nil {
		return err
	}
	rel, err := filepath.Rel(root, folder)
	if err != nil {
		return nil // on another drive
	}
	if rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return fmt.Errorf("%s lies in the archive, whose files never change; name another place", out)
	}
	return nil
}

// ArchiveRestoreOptions are the options of calproof archive restore.
type ArchiveRestoreOptions struct {
	Output
	ArchivePlace
	ArchiveOutput
	Vehicle, Entry string
}

func newArchiveRestoreCommand(streams Streams) *cobra.Command {
	opts := &ArchiveRestoreOptions{}
	cmd := &cobra.Command{
		Use:   "restore VEHICLE ENTRY --out FILE",
		Short: "Copy an image out of the archive",
		Long: `Copy the image of an entry to a new file. Its hash is checked while it is
copied, and the file is read back and compared. ENTRY is a number, a folder, a
kind (the newest of it) or the hash of an image, of which 8 digits are enough.

` + exitHelpDone,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive restore groomer-2 backup --archive shop --out restored.bin`,
		Args: takes("VEHICLE", "ENTRY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Vehicle, opts.Entry = args[0], args[1]
			return runArchiveRestore(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	opts.ArchiveOutput.AddFlags(cmd)
	return cmd
}

func runArchiveRestore(ctx context.Context, opts *ArchiveRestoreOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	v, err := a.Vehicle(ctx, opts.Vehicle)
	if err != nil {
		return err
	}
	e, err := v.Entry(opts.Entry)
	if err != nil {
		return err
	}
	size, sum, err := opts.write(ctx, a, func(w io.Writer) error { return a.Restore(ctx, e, w) })
	if err != nil {
		return err
	}
	if sum != e.ImageSHA256 {
		return fmt.Errorf("%s does not read back as it was written; check the disk", opts.Out)
	}
	return opts.print(streams, report.ArchiveRestoreData{Archive: a.Dir(), Entry: *e, Output: opts.Out, Size: uint64(size)})
}

// ArchiveExportOptions are the options of calproof archive export.
type ArchiveExportOptions struct {
	Output
	ArchivePlace
	ArchiveOutput
	Vehicle string
}

func newArchiveExportCommand(streams Streams) *cobra.Command {
	opts := &ArchiveExportOptions{}
	cmd := &cobra.Command{
		Use:   "export VEHICLE --out FILE.zip",
		Short: "Write a vehicle to one file, for another archive",
		Long: `Verify a vehicle and write all its entries to one zip file, a bag of bags. The
file is read back and verified. 'archive import' takes it in elsewhere; without
calproof, unzip and sha256sum are enough.

` + exitHelpDone,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive export groomer-2 --archive shop --out groomer-2.zip`,
		Args: takes("VEHICLE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Vehicle = args[0]
			return runArchiveExport(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	opts.ArchiveOutput.AddFlags(cmd)
	return cmd
}

func runArchiveExport(ctx context.Context, opts *ArchiveExportOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	size, sum, err := opts.write(ctx, a, func(w io.Writer) error { return a.Export(ctx, opts.Vehicle, w) })
	if err != nil {
		return err
	}
	f, err := os.Open(opts.Out)
	if err != nil {
		return err
	}
	defer f.Close()
	v, err := archive.CheckExport(ctx, f, size)
	if err != nil {
		return fmt.Errorf("%s does not verify; check the disk: %w", opts.Out, err)
	}
	return opts.print(streams, report.ArchiveExportData{Archive: a.Dir(), Folder: v.Folder, Entries: len(v.Entries), Output: opts.Out, Size: uint64(size), SHA256: sum})
}

// ArchiveImportOptions are the options of calproof archive import.
type ArchiveImportOptions struct {
	Output
	ArchivePlace
	File string
}

func newArchiveImportCommand(streams Streams) *cobra.Command {
	opts := &ArchiveImportOptions{}
	cmd := &cobra.Command{
		Use:   "import FILE.zip",
		Short: "Take in a vehicle that another archive exported",
		Long: `Verify a file that 'archive export' wrote and add the entries that this archive
lacks. Nothing is written before everything in the file has been checked. If the
two archives hold different histories of the vehicle, nothing is added.

` + exitHelpDone,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive export groomer-2 --archive shop --out groomer-2.zip
  calproof archive init office
  calproof archive import groomer-2.zip --archive office`,
		Args: takes("FILE.zip"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.File = args[0]
			return runArchiveImport(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	return cmd
}

func runArchiveImport(ctx context.Context, opts *ArchiveImportOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	info, err := os.Stat(opts.File) // before it is opened: a pipe would wait
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file; name one that 'archive export' wrote", opts.File)
	}
	f, err := os.Open(opts.File)
	if err != nil {
		return err
	}
	defer f.Close()
	ctx, stop := interruptible(ctx)
	defer stop()
	imported, err := a.Import(ctx, f, info.Size())
	if err != nil {
		return fmt.Errorf("%s: %w", opts.File, err)
	}
	return opts.print(streams, report.ArchiveImportData{Archive: a.Dir(), File: opts.File, Imported: imported})
}
