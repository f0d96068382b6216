package main

import (
	"context"
	"errors"
	"os"

	"github.com/spf13/cobra"

	"example.com/calproof/diffmap/report"
	"example.com/calproof/image/archive"
)

// archiveEnv names the archive where --archive does not.
const archiveEnv = "CALPROOF_ARCHIVE"

// ArchivePlace is the archive that a command works on.
type ArchivePlace struct {
	Archive string
}

// AddFlags adds the flag that names the archive.
func (p *ArchivePlace) AddFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&p.Archive, "archive", "", "`folder` of the archive (default: "+archiveEnv+" of the environment)")
}

// dir returns the archive's folder, "" if none was named.
func (p *ArchivePlace) dir() string {
	if p.Archive != "" {
		return p.Archive
	}
	return os.Getenv(archiveEnv)
}

// openArchive opens the archive. The caller closes it.
func (p *ArchivePlace) openArchive() (*archive.Archive, error) {
	dir := p.dir()
	if dir == "" {
		return nil, errors.New("no archive; name its folder with --archive or in " + archiveEnv + " ('calproof archive init' makes one)")
	}
	return archive.Open(dir, archive.Options{Tool: "calproof " + version})
}

func newArchiveCommand(streams Streams) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "archive COMMAND",
		Short: "Keep images per vehicle, with hashes and history",
		Long: `Keep every image in an archive: a folder a vehicle, and in it an entry for each
image with its region map, second read, verdict and attached files. Entries
never change and form a hash chain, so that whatever is changed, removed or
exchanged shows. Each entry is a BagIt 1.0 bag (RFC 8493): it can be checked
and restored with sha256sum and cp alone.

The archive is named by --archive or by CALPROOF_ARCHIVE.

` + exitHelpVerdict,
		Example: `  calproof archive init shop
  calproof archive add demo/backup.bin --archive shop --vehicle groomer-2 --kind backup --map demo/groomer.toml
  calproof archive verify --all --archive shop`,
	}
	group(cmd)
	cmd.AddCommand(
		newArchiveInitCommand(streams),
		newArchiveAddCommand(streams),
		newArchiveAttachCommand(streams),
		newArchiveListCommand(streams),
		newArchiveShowCommand(streams),
		newArchiveVerifyCommand(streams),
		newArchiveRestoreCommand(streams),
		newArchiveExportCommand(streams),
		newArchiveImportCommand(streams),
		newArchiveFindCommand(streams),
	)
	return cmd
}

// ArchiveInitOptions are the options of calproof archive init.
type ArchiveInitOptions struct {
	Output
	Dir string
}

func newArchiveInitCommand(streams Streams) *cobra.Command {
	opts := &ArchiveInitOptions{}
	cmd := &cobra.Command{
		Use:   "init DIR",
		Short: "Make a new archive",
		Long: `Make DIR an archive. DIR is made if it does not exist; a folder that holds
anything is refused.

` + exitHelpDone,
		Example: `  calproof archive init shop`,
		Args:    takes("DIR"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opts.Dir = args[0]
			return runArchiveInit(cmd.Context(), opts, streams)
		},
	}
	opts.AddFlags(cmd)
	return cmd
}

func runArchiveInit(_ context.Context, opts *ArchiveInitOptions, streams Streams) error {
	a, err := archive.Init(opts.Dir, archive.Options{})
	if err != nil {
		return err
	}
	if err := a.Close(); err != nil {
		return err
	}
	return opts.print(streams, report.ArchiveInitData{Archive: opts.Dir})
}
