package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/keeping"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/archive"
	"example.com/calproof/maps"
)

// ArchiveListOptions are the options of calproof archive list.
type ArchiveListOptions struct {
	Output
	ArchivePlace
}

func newArchiveListCommand(streams Streams) *cobra.Command {
	opts := &ArchiveListOptions{}
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the vehicles of an archive",
		Long: `List the vehicles of an archive: entries, proved backups (their kept verdict is
pass), the newest entry.

` + exitHelpCheck,
		Example: `  calproof archive init shop
  calproof archive list --archive shop`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runArchiveList(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	return cmd
}

func runArchiveList(ctx context.Context, opts *ArchiveListOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	data := report.ArchiveListData{Archive: a.Dir(), Vehicles: []report.ArchiveVehicle{}}
	for v, err := range a.Vehicles(ctx) {
		switch {
		case err == nil:
			data.Add(v)
		case v != nil: // the others are to be listed all the same
			data.Unreadable = append(data.Unreadable, report.ArchiveUnreadable{Folder: v.Folder, Problem: err.Error()})
		default:
			return err
		}
	}
	return opts.print(streams, data)
}

// ArchiveShowOptions are the options of calproof archive show.
type ArchiveShowOptions struct {
	Output
	ArchivePlace
	Vehicle, Entry string
}

func newArchiveShowCommand(streams Streams) *cobra.Command {
	opts := &ArchiveShowOptions{}
	cmd := &cobra.Command{
		Use:   "show VEHICLE [ENTRY]",
		Short: "Show the history of a vehicle, or one entry",
		Long: `Show what is kept of a vehicle as a tree: each image below the one it was made
from, with its kept verdict and hash. With ENTRY, show everything about one
entry. VEHICLE is a name, a folder or a VIN; ENTRY is a number, a folder, a kind
(the newest of it) or the hash of an image, of which 8 digits are enough.

` + exitHelpCheck,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive show groomer-2 --archive shop
  calproof archive show groomer-2 backup --archive shop`,
		Args: takesBetween(1, 2, "VEHICLE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Vehicle = args[0]
			if len(args) > 1 {
				opts.Entry = args[1]
			}
			return runArchiveShow(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	return cmd
}

// takesBetween returns a check that a command was given from low to high
// arguments; name is that of the first.
func takesBetween(low, high int, name string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < low {
			return fmt.Errorf("%s: %s is missing; write '%s'", cmd.CommandPath(), name, cmd.UseLine())
		}
		return takesUpTo(high)(cmd, args)
	}
}

func runArchiveShow(ctx context.Context, opts *ArchiveShowOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	v, err := a.Vehicle(ctx, opts.Vehicle)
	if err != nil {
		return err
	}
	data := report.ArchiveShowData{Archive: a.Dir(), Vehicle: v}
	if opts.Entry != "" {
		if data.Entry, err = v.Entry(opts.Entry); err != nil {
			return err
		}
	}
	return opts.print(streams, data)
}

// ArchiveFindOptions are the options of calproof archive find.
type ArchiveFindOptions struct {
	Output
	Input
	ArchivePlace
	What string
}

func newArchiveFindCommand(streams Streams) *cobra.Command {
	opts := &ArchiveFindOptions{}
	cmd := &cobra.Command{
		Use:   "find FILE|HASH",
		Short: "Find which vehicle an image belongs to",
		Long: `Find the entries that hold a file, and as what: their image, a second read, a
region map, an attached file. Give the file, or its SHA-256, of which 8 digits
are enough. If none holds it, name the kept image that differs from the file in
the fewest bytes, and the regions (by the map kept with it) in which it differs.

Exit codes: 0 an entry holds the file, 1 none does, 2 could not run.`,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive find demo/backup.bin --archive shop
  calproof archive find demo/edited.bin --archive shop  # exits 1`,
		Args: takes("FILE|HASH"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.What = args[0]
			return runArchiveFind(cmd.Context(), opts, streams)
		},
	}
	opts.Output.AddFlags(cmd)
	opts.Input.AddFlags(cmd)
	opts.ArchivePlace.AddFlags(cmd)
	return cmd
}

func runArchiveFind(ctx context.Context, opts *ArchiveFindOptions, streams Streams) error {
	a, err := opts.openArchive()
	if err != nil {
		return err
	}
	defer a.Close()
	data := report.ArchiveFindData{Archive: a.Dir(), Equal: []archive.Entry{}}
	var im *maps.Bound
	if hash := strings.ToLower(opts.What); isHash(hash) && !exists(opts.What) {
		data.SHA256 = hash
	} else if isHex(hash) && !exists(opts.What) {
		return fmt.Errorf("%s: there is no such file, and to find a hash %d to 64 digits of it are needed", opts.What, archive.MinHashDigits)
	} else {
		if im, err = opts.Input.open(streams, opts.What, nil); err != nil {
			return err
		}
		defer im.Close()
		hash := sha256.New()
		if err := maps.ReadOnce(nil, &maps.Pass{Bound: im, Name: opts.What, File: hash}); err != nil {
			return err
		}
		data.File, data.SHA256 = opts.What, hex.EncodeToString(hash.Sum(nil))
	}
	found, err := a.FindFiles(ctx, data.SHA256)
	if err != nil && len(found) == 0 { // else an entry that cannot be read matters less
		return err
	}
	for _, k := range found {
		if k.Path == k.Entry.ImagePath {
			data.Equal = append(data.Equal, k.Entry)
		} else {
			data.Beside = append(data.Beside, k)
		}
	}
	if len(found) == 0 && im != nil {
		near, err := keeping.Nearest(ctx, a.Reader, im.Image)
		if err != nil {
			return err
		}
		data.Nearest = report.Near(near)
	}
	return opts.print(streams, data)
}

// isHash reports whether s is a SHA-256 in lower case, or enough of its
// beginning.
func isHash(s string) bool {
	return len(s) >= archive.MinHashDigits && len(s) <= 64 && isHex(s)
}

func isHex(s string) bool { return s != "" && strings.Trim(s, "0123456789abcdef") == "" }

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
