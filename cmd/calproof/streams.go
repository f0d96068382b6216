package main

import (
	"io"
	"os"
	"runtime"

	"golang.org/x/term"
)

// Streams are where a command reads and writes: results go to Out, messages to
// Err.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
	Colour   bool // whether text on Out may be coloured
	Progress bool // whether Err shows progress: it is a terminal
}

func processStreams() Streams {
	return Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr,
		Colour:   wantsColour(os.Getenv, term.IsTerminal(int(os.Stdout.Fd()))),
		Progress: term.IsTerminal(int(os.Stderr.Fd())) && os.Getenv("TERM") != "dumb"}
}

// wantsColour reports whether text may be coloured: on a terminal that can show
// it, unless NO_COLOR is set to anything. An old Windows console would show the
// escape sequences; the newer terminal says so in WT_SESSION.
func wantsColour(getenv func(string) string, terminal bool) bool {
	if !terminal || getenv("NO_COLOR") != "" || getenv("TERM") == "dumb" {
		return false
	}
	return runtime.GOOS != "windows" || getenv("WT_SESSION") != ""
}
