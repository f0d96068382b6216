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

// measure takes turns: every round runs every subject once, so that a busy
// machine slows all of them alike. A measurement lasts at least the time given.
func measure(list []subject, sizes []int, atLeast time.Duration) figures {
	data := message(slices.Max(sizes))
	all := make(map[string]map[int][]float64)
	var sink uint64
	for _, s := range list {
		all[s.name] = make(map[int][]float64)
	}
	for _, n := range sizes {
		repeat := make([]int, len(list)) // runs per measurement
		for round := -1; round < rounds; round++ {
			for i, s := range list {
				if round < 0 { // warms up and finds out how many runs fill the time
					for repeat[i] = 1; ; repeat[i] *= 2 {
						start := time.Now()
						for range repeat[i] {
							sink ^= s.run(data[:n])
						}
						if time.Since(start) >= atLeast {
							break
						}
					}
					continue
				}
				start := time.Now()
				for range repeat[i] {
					sink ^= s.run(data[:n])
				}
				elapsed := time.Since(start)
				all[s.name][n] = append(all[s.name][n], float64(n)*float64(repeat[i])/float64(elapsed.Nanoseconds()))
			}
		}
	}
	runtime.KeepAlive(sink)
	f := make(figures)
	for name, bySize := range all {
		f[name] = make(map[int]float64)
		for n, list := range bySize {
			slices.Sort(list)
			f[name][n] = (list[(len(list)-1)/2] + list[len(list)/2]) / 2
		}
	}
	return f
}

func report(out io.Writer) error {
	list, err := subjects()
	if err != nil {
		return err
	}
	f := measure(list, sizes, 5*time.Millisecond)
	read, ieee := list[0].name, list[1].name

	fmt.Fprintf(out, `# Speed of package checksum

Measured by the program in internal/bench, a module of its own:

    cd checksum/internal/bench && go run . >../../SPEED.md

%s, %d CPUs, %s %s/%s, GOMAXPROCS=%d. %s
Each figure is the median of %d measurements in GB/s (10^9 bytes per second); the subjects take turns within
one run, so that what else the machine does slows all alike. Every subject runs on one thread.

In brackets: the rate as a multiple of hash/crc32 IEEE and of the read loop at the same size.
`, cpuName(), runtime.NumCPU(), runtime.Version(), runtime.GOOS, runtime.GOARCH, runtime.GOMAXPROCS(0), machineNote(), rounds)

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
	writeAllCRCs(out, list[:2:2])
	return writeWithoutAVX512(out)
}

// writeAllCRCs adds the extremes of all catalogue CRCs, measured in one run
// with the read loop and hash/crc32 IEEE.
func writeAllCRCs(out io.Writer, peers []subject) {
	all := append(peers, narrowCRCs()...)
	f := measure(all, sizes, time.Millisecond)
	fmt.Fprintf(out, "\n## All %d catalogue CRCs of up to 64 bits\n\nThe slowest, the middle and the fastest of them at each size.\n\n", len(all)-2)
	writeHead(out, sizes)
	rows := []string{"| slowest |", "| median |", "| fastest |"}
	for _, n := range sizes {
		crcs := slices.Clone(all[2:])
		slices.SortFunc(crcs, func(a, b subject) int { return cmp.Compare(f[a.name][n], f[b.name][n]) })
		for i, s := range []subject{crcs[0], crcs[len(crcs)/2], crcs[len(crcs)-1]} {
			v := f[s.name][n]
			rows[i] += fmt.Sprintf(" %s (%.2f, %.2f) |", rate(v), v/f[all[1].name][n], v/f[all[0].name][n])
		}
	}
	fmt.Fprintln(out, strings.Join(rows, "\n"))
}

// writeWithoutAVX512 adds a run in which the standard library does without
// AVX-512, against the engine that does so too.
func writeWithoutAVX512(out io.Writer) error {
	if !cpu.X86.HasAVX512F {
		return nil
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	cmd := exec.Command(self, "-without-avx512")
	cmd.Env = append(os.Environ(), "GODEBUG=cpu.avx512f=off")
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
	f := measure(list, sizes, 5*time.Millisecond)
	fmt.Fprintf(out, "\n## Without AVX-512\n\nGODEBUG=cpu.avx512f=off leaves hash/crc32 its 128-bit path; beside it engine %s, which is one too.\n\n", fold.CLMul128)
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

// machineNote says what the figures should be taken with.
func machineNote() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err == nil && strings.Contains(string(text), " hypervisor") {
		return "A virtual machine, whose neighbours are not known."
	}
	return ""
}
