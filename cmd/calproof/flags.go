package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"example.com/calproof/image"
)

// Flag values: each parses its own text, so that a mistake is reported with
// the flag's name before anything is opened.

// formatFlag is a file format, "auto" when it is not set.
type formatFlag struct{ target *image.Format }

func (f formatFlag) String() string {
	if f.target == nil || *f.target == image.FormatAuto {
		return "auto"
	}
	return string(*f.target)
}
func (formatFlag) Type() string { return "format" }
func (f formatFlag) Set(s string) (err error) {
	*f.target, err = image.ParseFormat(s)
	return err
}

// addressFlag is an address; nil when it is not set.
type addressFlag struct{ target **uint64 }

func (f addressFlag) String() string {
	if f.target == nil || *f.target == nil {
		return ""
	}
	return fmt.Sprintf("0x%X", **f.target)
}
func (addressFlag) Type() string { return "address" }
func (f addressFlag) Set(s string) error {
	v, err := image.ParseAddress(s)
	*f.target = &v
	return err
}

// rangesFlag collects ranges, in the order in which they are given.
type rangesFlag struct{ target *[]image.Range }

func (f rangesFlag) String() string {
	if f.target == nil || len(*f.target) == 0 {
		return ""
	}
	return fmt.Sprint(*f.target)
}
func (rangesFlag) Type() string { return "range" }
func (f rangesFlag) Set(s string) error {
	r, err := image.ParseRange(s)
	if err == nil {
		*f.target = append(*f.target, r)
	}
	return err
}

// byteFlag is the value of one byte.
type byteFlag struct{ target *byte }

func (f byteFlag) String() string {
	if f.target == nil {
		return ""
	}
	return fmt.Sprintf("0x%02X", *f.target)
}
func (byteFlag) Type() string { return "byte" }
func (f byteFlag) Set(s string) error {
	v, err := image.ParseAddress(s)
	if err != nil {
		return err
	}
	if v > 0xFF {
		return fmt.Errorf("%s is no byte; write 0x00 to 0xFF", s)
	}
	*f.target = byte(v)
	return nil
}

// measureFlag is a measured figure; nil when it is not stated.
type measureFlag struct{ target **float64 }

func (f measureFlag) String() string {
	if f.target == nil || *f.target == nil {
		return ""
	}
	return strconv.FormatFloat(**f.target, 'g', -1, 64)
}
func (measureFlag) Type() string { return "number" }
func (f measureFlag) Set(s string) error {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return fmt.Errorf("%q is no measured number; write it with a point, such as 13.2", s)
	}
	*f.target = &v
	return nil
}

// rateFlag is a number above 0; 0 when it is not set.
type rateFlag struct{ target *float64 }

func (f rateFlag) String() string {
	if f.target == nil || *f.target == 0 {
		return ""
	}
	return strconv.FormatFloat(*f.target, 'g', -1, 64)
}
func (rateFlag) Type() string { return "number" }
func (f rateFlag) Set(s string) error {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) {
		return fmt.Errorf("%q is no number above 0", s)
	}
	*f.target = v
	return nil
}

// countFlag is a whole number above 0; 0 when it is not set.
type countFlag struct{ target *int }

func (f countFlag) String() string {
	if f.target == nil || *f.target == 0 {
		return ""
	}
	return strconv.Itoa(*f.target)
}
func (countFlag) Type() string { return "number" }
func (f countFlag) Set(s string) error {
	v, err := strconv.ParseUint(s, 10, 31)
	if err != nil || v == 0 {
		return fmt.Errorf("%q is no whole number above 0, or too large", s)
	}
	*f.target = int(v)
	return nil
}

// tookFlag is how long a read took; nil when it is not stated.
type tookFlag struct{ target **time.Duration }

func (f tookFlag) String() string {
	if f.target == nil || *f.target == nil {
		return ""
	}
	return (*f.target).String()
}
func (tookFlag) Type() string { return "duration" }
func (f tookFlag) Set(s string) error {
	v, err := time.ParseDuration(s)
	if err != nil || v <= 0 {
		return fmt.Errorf("%q is no time above 0; write it with units, such as 68m30s", s)
	}
	*f.target = &v
	return nil
}

// reasonsFlag collects REGION=REASON; the last one for a region holds.
type reasonsFlag struct{ target *map[string]string }

func (f reasonsFlag) String() string { return "" }
func (reasonsFlag) Type() string     { return "region=reason" }
func (f reasonsFlag) Set(s string) error {
	region, reason, ok := strings.Cut(s, "=")
	region, reason = strings.TrimSpace(region), strings.TrimSpace(reason)
	if !ok || region == "" || reason == "" {
		return fmt.Errorf("write REGION=REASON, the region as the map names it; the reason goes on record")
	}
	if *f.target == nil {
		*f.target = map[string]string{}
	}
	(*f.target)[region] = reason
	return nil
}

// choiceFlag is one of a few words.
type choiceFlag[T ~string] struct {
	target *T
	of     []T
}

func (f choiceFlag[T]) String() string {
	if f.target == nil {
		return ""
	}
	return string(*f.target)
}
func (choiceFlag[T]) Type() string { return "word" }
func (f choiceFlag[T]) Set(s string) error {
	if !slices.Contains(f.of, T(s)) {
		var words []string
		for _, w := range f.of {
			words = append(words, string(w))
		}
		last := len(words) - 1
		return fmt.Errorf("take %s or %s", strings.Join(words[:last], ", "), words[last])
	}
	*f.target = T(s)
	return nil
}

// addVar adds a flag with a value of our own, and its completions.
func addVar(cmd *cobra.Command, value pflag.Value, name, usage string, completions ...string) {
	cmd.Flags().Var(value, name, usage)
	if len(completions) > 0 {
		complete(cmd, name, func() []string { return completions })
	}
}

// complete makes the shell complete a flag with what list gives. A flag that
// does not exist is a mistake in this program.
func complete(cmd *cobra.Command, flag string, list func() []string) {
	err := cmd.RegisterFlagCompletionFunc(flag, func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return list(), cobra.ShellCompDirectiveNoFileComp
	})
	if err != nil {
		panic(err)
	}
}
