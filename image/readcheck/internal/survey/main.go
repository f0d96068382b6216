// Survey measures the checks of readcheck on real binaries: how often they
// raise an alarm on healthy files, and how many injected faults they find. It
// writes both tables into DETECTION.md.
//
//	go run ./image/readcheck/internal/survey -work DIR -write image/readcheck/DETECTION.md
//
// The files come from the Debian packages listed in packages.txt, on which the
// thresholds were tuned, and in heldout.txt, which were kept out of it until
// they had been counted once. They are
// downloaded with apt-get and unpacked with dpkg-deb into DIR, nothing is
// installed, and what is already there is not fetched again.
package main

import (
	"bytes"
	_ "embed"
	"flag"
	"fmt"
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

func main() {
	work := flag.String("work", "", "folder for the downloaded packages")
	write := flag.String("write", "", "document whose tables are replaced; none: print them")
	each := flag.Int("n", 200, "injections per fault class and set of images")
	seed := flag.Uint64("seed", 1, "seed of the injections")
	class := flag.String("class", "", "inject only this fault class; for trying things out")
	heldOut := flag.Bool("held-out", false, "examine the held-out files too, as -write does; leave it out while thresholds are tuned")
	verbose := flag.Bool("v", false, "print every alarm and every miss to stderr")
	flag.Parse()
	if err := run(*work, *write, *class, *each, *seed, *heldOut, *verbose); err != nil {
		fmt.Fprintln(os.Stderr, "survey:", err)
		os.Exit(1)
	}
}

func run(work, write, class string, each int, seed uint64, heldOut, verbose bool) error {
	if work == "" {
		return fmt.Errorf("say with -work where the packages may be kept")
	}
	if class != "" && write != "" {
		return fmt.Errorf("-write keeps all classes; leave out -class")
	}
	seen := map[[32]byte]bool{}
	files, err := collect(work, "root", strings.Fields(packageList), seen)
	if err != nil {
		return err
	}
	sets := []fileSet{{name: "tuned", files: files}}
	if heldOut || write != "" {
		fresh, err := collect(work, "heldout", strings.Fields(heldOutList), seen)
		if err != nil {
			return err
		}
		sets = append(sets, fileSet{name: "held-out", files: fresh})
	}
	log := func(string, ...any) {}
	if verbose {
		log = func(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }
	}
	start := time.Now()
	alarms, err := surveyAlarms(sets, log)
	if err != nil {
		return err
	}
	detection, err := surveyDetection(files, class, each, seed, log)
	if err != nil {
		return err
	}
	fmt.Fprintf(os.Stderr, "survey: %d files, %s\n", len(files), time.Since(start).Round(time.Second))
	if write == "" {
		fmt.Print(alarms, "\n", detection)
		return nil
	}
	doc, err := os.ReadFile(write)
	if err != nil {
		return err
	}
	for name, table := range map[string]string{"alarms": alarms, "detection": detection} {
		if doc, err = replaceTable(doc, name, table); err != nil {
			return fmt.Errorf("%s: %w", write, err)
		}
	}
	return os.WriteFile(write, doc, 0o644)
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
