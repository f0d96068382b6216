// Survey measures the checks of readcheck on real binaries: how often they
// raise an alarm on healthy files, and how many injected faults they find. It
// writes the tables into DETECTION.md.
//
//	go run ./image/readcheck/internal/survey -work DIR -write image/readcheck/DETECTION.md
//
// The files come from the Debian packages listed in packages.txt, on which the
// thresholds were tuned, in heldout.txt, which were kept out of it until they
// had been counted once, and in blind.txt, which are examined when the
// thresholds stand. They are downloaded with apt-get and unpacked with dpkg-deb
// into DIR, nothing is installed, and what is already there is not fetched
// again. -collect does that much and runs no check.
package main

import (
	"bytes"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

//go:embed packages.txt
var packageList string

// heldOutList names packages that were chosen by name before any of their files
// was examined. What was changed after that is told in DETECTION.md.
//
//go:embed heldout.txt
var heldOutList string

// blindList names packages that were chosen by name and size before any of
// them was unpacked. Their files are examined once the thresholds stand, and
// nothing is tuned on what comes out.
//
//go:embed blind.txt
var blindList string

// options is what the flags say.
type options struct {
	work, write string
	class, from string
	each        int
	seed        uint64

	heldOut, blind bool
	collect        bool
	verbose        bool
}

func main() {
	var o options
	flag.StringVar(&o.work, "work", "", "folder for the downloaded packages")
	flag.StringVar(&o.write, "write", "", "document whose tables are replaced; none: print them")
	flag.IntVar(&o.each, "n", 200, "injections per fault class and set of images")
	flag.Uint64Var(&o.seed, "seed", 1, "seed of the injections")
	flag.StringVar(&o.class, "class", "", "inject only this fault class; for trying things out")
	flag.StringVar(&o.from, "from", tuned, "files into which faults are injected: "+tuned+", "+heldOut+" or "+blind)
	flag.BoolVar(&o.heldOut, "held-out", false, "examine the held-out files too, as -write does; leave it out while thresholds are tuned")
	flag.BoolVar(&o.blind, "blind", false, "examine the blind files too, as -write does; once, when the thresholds stand")
	flag.BoolVar(&o.collect, "collect", false, "only download and unpack all three lists and count their files; run no check")
	flag.BoolVar(&o.verbose, "v", false, "print every alarm and every miss to stderr")
	flag.Parse()
	if err := run(o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "survey:", err)
		os.Exit(1)
	}
}

// The lists, as tables and -from name them.
const (
	tuned   = "tuned"
	heldOut = "held-out"
	blind   = "blind"
)

// lists are the package lists in the order in which their files are collected:
// a file that two of them hold counts for the first.
var lists = []struct {
	name, folder string
	packages     *string
}{
	{tuned, "root", &packageList}, {heldOut, "heldout", &heldOutList}, {blind, "blind", &blindList},
}

// check refuses flags that contradict each other, before anything is fetched.
func (o options) check() error {
	switch {
	case o.work == "":
		return errors.New("say with -work where the packages may be kept")
	case o.from != tuned && o.from != heldOut && o.from != blind:
		return fmt.Errorf("-from %s is none of the lists %s, %s and %s", o.from, tuned, heldOut, blind)
	case o.class != "" && o.write != "":
		return errors.New("-write keeps all classes; leave out -class")
	case o.from != tuned && o.write != "":
		return fmt.Errorf("-write measures injections into %s and %s files; leave out -from", tuned, blind)
	case o.collect && (o.write != "" || o.heldOut || o.blind):
		return errors.New("-collect runs no check; leave out -write, -held-out and -blind")
	}
	return nil
}

// needed reports whether the files of the named list must be collected, and
// whether they are examined for false alarms.
func (o options) needed(list string) (collected, examined bool) {
	all := o.write != "" || o.collect
	switch list {
	case blind:
		examined = o.write != "" || o.blind
		return all || examined || o.from == blind, examined
	case heldOut:
		examined = o.write != "" || o.heldOut
		blindToo, _ := o.needed(blind) // files that both hold count here
		return all || examined || o.from == heldOut || blindToo, examined
	}
	return true, !o.collect
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
