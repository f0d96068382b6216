// Command bench measures the speed of package checksum beside the standard
// library, general-purpose CRC modules and a plain read loop, and writes a
// table in Markdown. It is a module of its own, so that what it compares with
// never becomes a dependency. From this folder:
//
//	go run . >../../SPEED.md
package main

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"time"

	"example.com/calproof/checksum/internal/fold"
	"golang.org/x/sys/cpu"
)

// rounds is the number of measurements of which the median counts.
const rounds = 10

func main() {
	without := flag.Bool("without-avx512", false, "measure only what compares 128-bit paths; meant for the command's own use")
	flag.Parse()
	var err error
	if *without {
		err = narrowReport(os.Stdout)
	} else {
		err = report(os.Stdout)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// figures holds bytes per nanosecond (GB/s), by subject and size.
type figures map[string]map[int]float64

// A measurement is the fastest of up to maxSlices slices of sliceTime or more;
// slow subjects get fewer, so that none takes longer than about maxTime.
const (
	sliceTime = 200 * time.Microsecond
	maxSlices = 10
	maxTime   = 20 * time.Millisecond
)

// measure takes turns: every round measures every subject once, so that a busy
// machine slows all of them alike.
func measure(list []subject, sizes []int) figures {
	rates, _ := measureBeside(nil, list, sizes)
	return rates
}

// measureBeside is measure that measures peer, if there is one, right before
// each subject too, and returns the medians of the ratios of such pairs. What
// slows the machine for longer than a pair takes does not change a ratio.
func measureBeside(peer *subject, list []subject, sizes []int) (rates, ratios figures) {
	runtime.LockOSThread() // whose processor time counts
	defer runtime.UnlockOSThread()
	whole := message(slices.Max(sizes))
	rates, ratios = make(figures), make(figures)
	for _, s := range list {
		rates[s.name], ratios[s.name] = make(map[int]float64), make(map[int]float64)
	}
	for _, n := range sizes {
		data := whole[:n]
		rate, ratio := make([][]float64, len(list)), make([][]float64, len(list))
		repeats := make([]int, len(list))
		for i, s := range list {
			repeats[i] = repeatsFor(s, data)
		}
		peerRepeats := 0
		if peer != nil {
			peerRepeats = repeatsFor(*peer, data)
		}
		for range rounds {
			for i, s := range list {
				beside := 1.0
				if peer != nil {
					beside = once(*peer, data, peerRepeats)
				}
				r := once(s, data, repeats[i])
				rate[i], ratio[i] = append(rate[i], r), append(ratio[i], r/beside)
			}
		}
		for i, s := range list {
			rates[s.name][n], ratios[s.name][n] = median(rate[i]), median(ratio[i])
		}
	}
	runtime.KeepAlive(sink)
	return rates, ratios
}

var sink uint64 // keeps the compiler from leaving work out

// slice returns the time of repeat runs.
func slice(s subject, data []byte, repeat int) time.Duration {
	start := now()
	for range repeat {
		sink ^= s.run(data)
	}
	return max(now()-start, 1)
}

// repeatsFor returns how many runs make a slice.
func repeatsFor(s subject, data []byte) int {
	repeat := 1
	for slice(s, data, repeat) < sliceTime {
		repeat *= 2
	}
	return repeat
}

// once is one measurement, in GB/s.
func once(s subject, data []byte, repeat int) float64 {
	best, spent := time.Duration(1<<62), time.Duration(0)
	for k := 0; k < maxSlices && spent < maxTime; k++ {
		t := slice(s, data, repeat)
		best, spent = min(best, t), spent+t
	}
	return float64(len(data)) * float64(repeat) / float64(best.Nanoseconds())
}

func median(list []float64) float64 {
	slices.Sort(list)
	return (list[(len(list)-1)/2] + list[len(list)/2]) / 2
}

func report(out io.Writer) error {
	list, err := subjects()
	if err != nil {
		return err
	}
	f := measure(list, sizes)
	read, ieee := list[0].name, list[1].name

	fmt.Fprintf(out, `# Speed of package checksum

Measured by the program in internal/bench, a module of its own:

    cd checksum/internal/bench && go run . >../../SPEED.md

%s, %d CPUs, %s %s/%s. %s
Each figure is the median of %d measurements in GB/s (10^9 bytes per second) on one thread. The subjects take
turns; a measurement is the fastest of up to %d slices of %v or more.
%s

The output of `+"`go test -bench`"+` over the same subjects, with its command, is in benchmarks.txt.

In brackets: the rate as a multiple of hash/crc32 IEEE and of the read loop at the same size.
`, cpuName(), runtime.NumCPU(), runtime.Version(), runtime.GOOS, runtime.GOARCH, machineNote(), rounds, maxSlices, sliceTime, clockNote)

	kind := ""
	for _, s := range list {
		if s.kind != kind {
			kind = s.kind
			fmt.Fprintf(out, "\n## %s\n\n", strings.ToUpper(kind[:1])+kind[1:])
			writeHead(out, sizes)
		}
		row := "| " + s.name + " |"
		for _, n := range sizes {
			v := f[s.name][n]
			row += fmt.Sprintf(" %s (%.2f, %.2f) |", rate(v), v/f[ieee][n], v/f[read][n])
		}
		fmt.Fprintln(out, row)
	}
	writeAllCRCs(out, list[0], list[1])
	return writeWithoutAVX512(out)
}

// writeAllCRCs adds the extremes of all catalogue CRCs, measured in one run
// with the read loop and hash/crc32 IEEE.
func writeAllCRCs(out io.Writer, read, ieee subject) {
	crcs := narrowCRCs()
	rates, ratios := measureBeside(&ieee, append(crcs, read), sizes)
	fmt.Fprintf(out, `
## All %d catalogue CRCs of up to 64 bits

The slowest, the middle and the fastest of them at each size, by their ratio to hash/crc32 IEEE. Here it is measured
again right before each of them, and the ratio is the median of %d such pairs: they run one code with other constants,
so how far they lie apart is mostly the unrest of the machine.

`, len(crcs), rounds)
	writeHead(out, sizes)
	rows := []string{"| slowest |", "| median |", "| fastest |"}
	for _, n := range sizes {
		slices.SortFunc(crcs, func(a, b subject) int { return cmp.Compare(ratios[a.name][n], ratios[b.name][n]) })
		for i, s := range []subject{crcs[0], crcs[len(crcs)/2], crcs[len(crcs)-1]} {
			v := rates[s.name][n]
			rows[i] += fmt.Sprintf(" %s (%.2f, %.2f) |", rate(v), ratios[s.name][n], v/rates[read.name][n])
		}
	}
	fmt.Fprintln(out, strings.Join(rows, "\n"))
}

// writeWithoutAVX512 adds a run in which the standard library does without
// AVX-512, against the engine that does so too.
func writeWithoutAVX512(out io.Writer) error {
	if !cpu.X86.HasAVX512VPCLMULQDQ {
		return nil
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	cmd := exec.Command(self, "-without-avx512")
	cmd.Env = append(os.Environ(), "GODEBUG=cpu.vpclmulqdq=off")
	var text bytes.Buffer
	cmd.Stdout, cmd.Stderr = &text, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("measuring without AVX-512: %w", err)
	}
	_, err = out.Write(text.Bytes())
	return err
}

func narrowReport(out io.Writer) error {
	all, err := subjects()
	if err != nil {
		return err
	}
	list := all[:2:2]
	for _, s := range all {
		if s.kind == kindEngine && strings.HasPrefix(s.name, fold.CLMul128) {
			list = append(list, s)
		}
	}
	f := measure(list, sizes)
	fmt.Fprintf(out, "\n## Without AVX-512\n\nGODEBUG=cpu.vpclmulqdq=off leaves hash/crc32 its 128-bit path; beside it engine %s, which is one too.\n\n", fold.CLMul128)
	writeHead(out, sizes)
	for _, s := range list {
		row := "| " + s.name + " |"
		for _, n := range sizes {
			v := f[s.name][n]
			row += fmt.Sprintf(" %s (%.2f, %.2f) |", rate(v), v/f[list[1].name][n], v/f[list[0].name][n])
		}
		fmt.Fprintln(out, row)
	}
	return nil
}

func writeHead(out io.Writer, sizes []int) {
	head, line := "| |", "| --- |"
	for _, n := range sizes {
		head += " " + sizeName(n) + " |"
		line += " ---: |"
	}
	fmt.Fprintf(out, "%s\n%s\n", head, line)
}

func rate(v float64) string {
	if v < 10 {
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%.1f", v)
}

// cpuName gives the model as Linux names it, and the vector instructions that
// matter here.
func cpuName() string {
	name := "CPU of unknown model"
	text, err := os.ReadFile("/proc/cpuinfo")
	if err == nil {
		for line := range strings.Lines(string(text)) {
			if key, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(key) == "model name" {
				name = strings.TrimSpace(value)
				break
			}
		}
	}
	for _, f := range []struct {
		has  bool
		name string
	}{
		{cpu.X86.HasPCLMULQDQ, "PCLMULQDQ"}, {cpu.X86.HasAVX2, "AVX2"},
		{cpu.X86.HasAVX512F, "AVX-512"}, {cpu.X86.HasAVX512VPCLMULQDQ, "VPCLMULQDQ"}, {cpu.X86.HasAVX512GFNI, "GFNI"}, {cpu.ARM64.HasPMULL, "PMULL"},
	} {
		if f.has {
			name += ", " + f.name
		}
	}
	return name
}

// machineNote says what the figures should be taken with. Call it after measuring.
func machineNote() string {
	note := ""
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil && strings.Contains(string(text), " hypervisor") {
		note = "A virtual machine, whose neighbours are not known."
	}
	if text, err := os.ReadFile("/proc/loadavg"); err == nil {
		load, _, _ := strings.Cut(string(text), " ")
		note += fmt.Sprintf(" Load average while measuring: %s, of which 1 is the measuring program.", load)
	}
	return strings.TrimSpace(note)
}
