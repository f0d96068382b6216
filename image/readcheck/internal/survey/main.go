// Survey measures the checks of readcheck on real binaries: how often they
// raise an alarm on healthy files, and how many injected faults they find. It
// writes the tables into DETECTION.md.
//
//	go run ./image/readcheck/internal/survey -work DIR -write image/readcheck/DETECTION.md
//
// The files come from the Debian packages listed in packages.txt, on which the
// thresholds were tuned, in heldout.txt and opened.txt, which were kept out of
// it until they had been counted once, and in blind.txt, which are examined when
// the thresholds stand. They are downloaded with apt-get and unpacked with
// dpkg-deb into DIR, nothing is installed, and what is already there is not
// fetched again. -collect does that much and runs no check.
package main

import (
	"bytes"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"
)

//go:embed packages.txt
var packageList string

// heldOutList and openedList name packages that were chosen by name, the latter
// by size too, before any of their files was examined. What was changed after
// that is told in DETECTION.md.
//
//go:embed heldout.txt
var heldOutList string

//go:embed opened.txt
var openedList string

// blindList names packages that were drawn before any of them was unpacked, as
// DETECTION.md tells. Their files are examined once the thresholds stand, and
// nothing is tuned on what comes out.
//
//go:embed blind.txt
var blindList string

// options is what the flags say.
type options struct {
	work, write string
	class, from string
	lists       string // examined for false alarms, separated by commas
	each        int
	seed        uint64

	collect bool
	verbose bool
}

func main() {
	var o options
	flag.StringVar(&o.work, "work", "", "folder for the downloaded packages")
	flag.StringVar(&o.write, "write", "", "document whose tables are replaced; none: print them")
	flag.IntVar(&o.each, "n", 200, "injections per fault class and set of images")
	flag.Uint64Var(&o.seed, "seed", 1, "seed of the injections")
	flag.StringVar(&o.class, "class", "", "inject only this fault class; for trying things out")
	flag.StringVar(&o.from, "from", tuned, "files into which faults are injected: one of "+listNames())
	flag.StringVar(&o.lists, "lists", tuned, "files examined for false alarms, of "+listNames()+"; -write examines all. The blind ones once, when the thresholds stand")
	flag.BoolVar(&o.collect, "collect", false, "only download and unpack all lists and count their files; run no check")
	flag.BoolVar(&o.verbose, "v", false, "print every alarm and every miss to stderr")
	flag.Parse()
	if err := run(o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "survey:", err)
		os.Exit(1)
	}
}

// The lists, as tables and flags name them.
const (
	tuned   = "tuned"
	heldOut = "held-out"
	opened  = "opened"
	blind   = "blind"
)

// lists are the package lists in the order in which their files are collected:
// a file that two of them hold counts for the first.
var lists = []struct {
	name, folder string
	packages     *string
}{
	{tuned, "root", &packageList}, {heldOut, "heldout", &heldOutList}, {opened, "opened", &openedList}, {blind, "blind", &blindList},
}

func listNames() string {
	var names []string
	for _, l := range lists {
		names = append(names, l.name)
	}
	return strings.Join(names, ", ")
}

// isList reports whether one of the lists has the name.
func isList(name string) bool {
	for _, l := range lists {
		if l.name == name {
			return true
		}
	}
	return false
}

// check refuses flags that contradict each other, before anything is fetched.
func (o options) check() error {
	if o.work == "" {
		return errors.New("say with -work where the packages may be kept")
	}
	for _, name := range append(strings.Split(o.lists, ","), o.from) {
		if !isList(name) {
			return fmt.Errorf("%q is none of the lists: %s", name, listNames())
		}
	}
	switch {
	case o.class != "" && o.write != "":
		return errors.New("-write keeps all classes; leave out -class")
	case o.from != tuned && o.write != "":
		return fmt.Errorf("-write measures injections into %s and %s files; leave out -from", tuned, blind)
	case o.lists != tuned && o.write != "":
		return errors.New("-write examines all files; leave out -lists")
	case o.collect && (o.write != "" || o.lists != tuned):
		return errors.New("-collect runs no check; leave out -write and -lists")
	}
	return nil
}

// needed reports whether the files of the named list must be collected, and
// whether they are examined for false alarms. A file that two lists hold counts
// for the first, so that those in front of one are needed too.
func (o options) needed(list string) (collected, examined bool) {
	collected = o.write != "" || o.collect
	reached := false
	for _, l := range lists {
		reached = reached || l.name == list
		asked := slices.Contains(strings.Split(o.lists, ","), l.name)
		collected = collected || reached && (asked || o.from == l.name)
	}
	examined = !o.collect && (o.write != "" || slices.Contains(strings.Split(o.lists, ","), list))
	return collected, examined
}

func run(o options, out io.Writer) error {
	if err := o.check(); err != nil {
		return err
	}
	files, sets := map[string][]file{}, []fileSet{}
	seen := map[[32]byte]bool{}
	for _, l := range lists {
		collected, examined := o.needed(l.name)
		if !collected {
			continue
		}
		found, err := collect(o.work, l.folder, strings.Fields(*l.packages), seen)
		if err != nil {
			return err
		}
		files[l.name] = found
		if examined {
			sets = append(sets, fileSet{name: l.name, files: found})
		}
	}
	if o.collect {
		_, err := io.WriteString(out, countFiles(files))
		return err
	}
	log := func(string, ...any) {}
	if o.verbose {
		log = func(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }
	}
	start := time.Now()
	tables := map[string]string{}
	var err error
	if tables["alarms"], err = surveyAlarms(sets, log); err != nil {
		return err
	}
	if tables["detection"], err = surveyDetection(o, o.from, files[o.from], log); err != nil {
		return err
	}
	if o.write == "" {
		fmt.Fprintf(os.Stderr, "survey: %s\n", time.Since(start).Round(time.Second))
		_, err = fmt.Fprint(out, tables["alarms"], "\n", tables["detection"])
		return err
	}
	if tables["detection-blind"], err = surveyDetection(o, blind, files[blind], log); err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "survey: %s\n", time.Since(start).Round(time.Second))
	doc, err := os.ReadFile(o.write)
	if err != nil {
		return err
	}
	for name, table := range tables {
		if doc, err = replaceTable(doc, name, table); err != nil {
			return fmt.Errorf("%s: %w", o.write, err)
		}
	}
	return os.WriteFile(o.write, doc, 0o644)
}

// replaceTable replaces what stands between the marks of the named table.
func replaceTable(doc []byte, name, table string) ([]byte, error) {
	begin, end := "<!-- begin "+name+" -->\n", "<!-- end "+name+" -->"
	head, rest, ok := bytes.Cut(doc, []byte(begin))
	_, tail, ok2 := bytes.Cut(rest, []byte(end))
	if !ok || !ok2 {
		return nil, fmt.Errorf("marks %q and %q are missing", strings.TrimSpace(begin), end)
	}
	return []byte(string(head) + begin + table + end + string(tail)), nil
}
