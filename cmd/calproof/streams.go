package main

import (
	"io"
	"os"
)

// Streams are where a command reads and writes: results go to Out, messages to
// Err. Nothing is ever coloured, so NO_COLOR holds without being asked for.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

func processStreams() Streams {
	return Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}
}
