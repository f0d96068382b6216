package image

import (
	"fmt"
	"slices"
	"strings"
)

// DefaultMaxErrors is how many mistakes of one file are reported unless
// [Options] says otherwise.
const DefaultMaxErrors = 20

// FormatError is one mistake in a file.
type FormatError struct {
	File    string // name of the file, "" if it has none
	Format  Format
	Line    int    // 1-based line of a text format; 0 if the mistake has no line
	Column  int    // 1-based byte in the line; 0 if the mistake has no column
	Message string // what is wrong, and what would be right
	Err     error  // a cause such as [io.ErrUnexpectedEOF], or nil
}

func (e *FormatError) Error() string {
	var b strings.Builder
	if e.File != "" {
		fmt.Fprintf(&b, "%s:", e.File)
	}
	if e.Line > 0 {
		if e.File == "" {
			b.WriteString("line ")
		}
		fmt.Fprintf(&b, "%d:", e.Line)
		if e.Column > 0 {
			fmt.Fprintf(&b, "%d:", e.Column)
		}
	}
	if b.Len() > 0 {
		b.WriteByte(' ')
	}
	fmt.Fprintf(&b, "%s: %s", e.Format, e.Message)
	return b.String()
}

// Unwrap returns the cause, so that errors.Is finds [io.ErrUnexpectedEOF] in a
// file that was cut short.
func (e *FormatError) Unwrap() error { return e.Err }

// FormatErrors lists the mistakes of one file, sorted by line and column.
type FormatErrors struct {
	Errors []*FormatError // at most Options.MaxErrors
	More   int            // how many were found beyond those
}

// Error gives one mistake a line.
func (e *FormatErrors) Error() string {
	var b strings.Builder
	for i, err := range e.Errors {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(err.Error())
	}
	if e.More > 0 {
		fmt.Fprintf(&b, "\nand %d more", e.More)
	}
	return b.String()
}

// Unwrap returns the mistakes for errors.Is and errors.As.
func (e *FormatErrors) Unwrap() []error {
	all := make([]error, len(e.Errors))
	for i, err := range e.Errors {
		all[i] = err
	}
	return all
}

// problems collects the mistakes of one file up to a limit.
type problems struct {
	format Format
	max    int
	list   []*FormatError
	more   int
}

func newProblems(format Format, opts Options) *problems {
	p := &problems{format: format, max: opts.MaxErrors}
	if p.max == 0 {
		p.max = DefaultMaxErrors
	}
	return p
}

// add notes a mistake. The message is only formatted if it is kept.
func (p *problems) add(line, column int, cause error, format string, args ...any) {
	if len(p.list) >= p.max {
		p.more++
		return
	}
	p.list = append(p.list, &FormatError{
		Format: p.format, Line: line, Column: column, Message: fmt.Sprintf(format, args...), Err: cause,
	})
}

// err returns the mistakes as a *FormatErrors, or nil if there are none.
func (p *problems) err() error {
	if len(p.list) == 0 {
		return nil
	}
	slices.SortStableFunc(p.list, func(a, b *FormatError) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return &FormatErrors{Errors: p.list, More: p.more}
}
