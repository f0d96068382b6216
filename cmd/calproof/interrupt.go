package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"example.com/calproof/image/safefile"
)

// errInterrupted says that the user, or the system, ended the program.
var errInterrupted = errors.New("interrupted")

// interruptible returns a context that an interrupt ends. It is for the time in
// which something temporary lies on the disk, so that this is removed. At any
// other time an interrupt ends the process at once, and so does a second one.
func interruptible(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // the next one is not caught
	return ctx, stop
}

// writeFile is [safefile.Write] that an interrupt ends: it leaves nothing behind.
func writeFile(ctx context.Context, path string, opts safefile.Options, fn func(w io.Writer) error) error {
	ctx, stop := interruptible(ctx)
	defer stop()
	err := safefile.Write(path, opts, func(w io.Writer) error { return fn(ctxWriter{ctx, w}) })
	if err == nil && ctx.Err() != nil {
		return fmt.Errorf("%w; %s is written whole", errInterrupted, path)
	}
	return err
}

// ctxWriter fails once its context has ended.
type ctxWriter struct {
	ctx context.Context
	w   io.Writer
}

func (c ctxWriter) Write(p []byte) (int, error) {
	if c.ctx.Err() != nil {
		return 0, errInterrupted
	}
	return c.w.Write(p)
}
