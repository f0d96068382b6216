// Command calproof inspects firmware images of engine controllers, proves their
// checksums, shows what an edit changed, and says pass or fail before anything
// is written. It reads files, never talks to a controller, and never changes
// its inputs.
//
// This folder holds no logic: one file a command, which turns flags into the
// options of one library call and hands the result to a renderer. exit.go is
// the only place that knows exit codes.
package main

import "os"

func main() { os.Exit(run(os.Args[1:], processStreams())) }
