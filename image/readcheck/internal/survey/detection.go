package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"example.com/calproof/image/evidence"
	"example.com/calproof/image/readcheck"
	"example.com/calproof/image/readcheck/internal/faults"
	"example.com/calproof/maps"
	"example.com/calproof/maps/demo"
)

// base is a healthy image into which faults are injected.
type base struct {
	name string
	data []byte
	m    *maps.Map
	elf  bool // cut from an ELF file
}

// realBases cuts the binaries that look like a controller's memory (machine
// code, not compressed) to a power of two and gives each a map: words for
// processors whose instructions are whole words, as in controllers, other for
// the rest, most of it x86. It counts the images that raise an alarm before any
// damage, and leaves them out.
func realBases(files []file) (words, other []base, loud int, err error) {
	type cut struct {
		bases []base
		words bool
		loud  int
	}
	cuts := make([]cut, len(files))
	err = eachAtOnce(len(files), func(i int) error {
		f := files[i]
		if f.kind != "ELF" && f.kind != "firmware" || f.size < minBase {
			return nil
		}
		data, err := f.read()
		if err != nil {
			return err
		}
		cuts[i].words = wholeWords(data)
		for _, size := range baseSizes(len(data)) {
			b, err := baseOf(fmt.Sprintf("%s (%d KiB)", f.name, size>>10), bytes.Clone(data[:size]))
			switch {
			case errors.Is(err, errNoCode):
			case errors.Is(err, errLoud):
				cuts[i].loud++
			case err != nil:
				return err
			default:
				b.elf = f.kind == "ELF"
				cuts[i].bases = append(cuts[i].bases, b)
			}
		}
		return nil
	})
	for _, c := range cuts {
		loud += c.loud
		if c.words {
			words = append(words, c.bases...)
		} else {
			other = append(other, c.bases...)
		}
	}
	return words, other, loud, err
}

const (
	minBase = 64 << 10
	midBase = 128 << 10
	maxBase = 256 << 10
)

// baseSizes returns the sizes to which a file of size bytes is cut: the largest
// power of two that it fills up to midBase, and the largest up to maxBase.
func baseSizes(size int) []int {
	n := minBase
	var sizes []int
	for ; n*2 <= size && n < maxBase; n *= 2 {
		if n == midBase {
			sizes = append(sizes, n)
		}
	}
	return append(sizes, n)
}

// What keeps a cut from being an image for injections: an alarm before any
// damage would prove nothing.
var (
	errNoCode = errors.New("no code")
	errLoud   = errors.New("an alarm before any damage")
)

// baseOf gives data a map.
func baseOf(name string, data []byte) (base, error) {
	clear(data[:4]) // a memory does not say that it is an ELF file, of which this is only a part
	if h := entropy(data); h > 7.2 || h < 4 {
		return base{}, errNoCode
	}
	b := base{name: name, data: data}
	var err error
	if b.m, err = mapFor(b.data); err != nil {
		return base{}, fmt.Errorf("%s: %w", name, err)
	}
	rep, err := examine(nil, b.data)
	if err != nil {
		return base{}, err
	}
	if evidence.Judge(rep.Findings) != evidence.Pass {
		return base{}, errLoud
	}
	if rep, err = examine(b.m, b.data); err != nil || rep.Verdict != evidence.Pass {
		return base{}, fmt.Errorf("%s does not pass with its own map: %v %w", name, rep, err)
	}
	return b, nil
}

// wholeWords reports whether data is an ELF file for a processor whose
// instructions are whole 16 or 32-bit words. Numbers: System V ABI, e_machine.
func wholeWords(data []byte) bool {
	if !bytes.HasPrefix(data, []byte("\x7FELF")) || len(data) < 20 {
		return false
	}
	machine := binary.LittleEndian.Uint16(data[18:])
	if data[5] == 2 { // big-endian
		machine = binary.BigEndian.Uint16(data[18:])
	}
	const i386, amd64 = 3, 62
	return machine != i386 && machine != amd64
}

// mapFor writes into data what a controller's memory has and returns the map:
// eight parts, each with a CRC-32 at its end, one over all of it, and a text
// field.
func mapFor(data []byte) (*maps.Map, error) {
	const parts = 8
	part := len(data) / parts
	copy(data[len(data)-64:], "SURVEY-IMAGE-001")
	var t strings.Builder
	fmt.Fprintf(&t, "format = 1\n[image]\nsize = 0x%X\nbyte_order = \"big\"\n", len(data))
	whole := len(data) - 12
	for i := range parts {
		from, to := i*part, (i+1)*part
		if i == parts-1 {
			binary.BigEndian.PutUint32(data[whole:], crc32.ChecksumIEEE(data[:whole]))
			fmt.Fprintf(&t, "[[checksum]]\nname = \"whole\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x0-0x%X\"]\nstored = { at = 0x%X }\n", whole-1, whole)
		}
		binary.BigEndian.PutUint32(data[to-4:], crc32.ChecksumIEEE(data[from:to-4]))
		role := []string{"boot", "program", "program", "program", "program", "program", "program", "calibration"}[i]
		fmt.Fprintf(&t, "[[region]]\nname = \"part %d\"\nrange = \"0x%X-0x%X\"\nrole = %q\n", i+1, from, to-1, role)
		fmt.Fprintf(&t, "[[checksum]]\nname = \"sum %d\"\nalgorithm = \"CRC-32/ISO-HDLC\"\ncover = [\"0x%X-0x%X\"]\nstored = { at = 0x%X }\n", i+1, from, to-5, to-4)
	}
	fmt.Fprintf(&t, "[[identity]]\nname = \"number\"\nrange = \"0x%X+0x10\"\nas = \"text\"\n", len(data)-64)
	return maps.Parse("survey.toml", []byte(t.String()))
}

// demoBase is the good read of the demo with its map.
func demoBase() (base, error) {
	files, err := demo.Files()
	if err != nil {
		return base{}, err
	}
	b := base{name: "demo/backup.bin"}
	for _, f := range files {
		switch f.Name {
		case demo.MapName:
			if b.m, err = maps.Parse(f.Name, f.Data); err != nil {
				return base{}, err
			}
		case "backup.bin":
			b.data = f.Data
		}
	}
	return b, nil
}

// entropy is the Shannon entropy of the bytes of data, in bits per byte.
func entropy(data []byte) float64 {
	var h [256]float64
	for _, b := range data {
		h[b]++
	}
	sum := 0.0
	for _, n := range h {
		if n > 0 {
			p := n / float64(len(data))
			sum -= p * math.Log2(p)
		}
	}
	return sum
}

// score counts the outcomes of one class over one set of images, without a
// map and with one.
type score struct {
	injected           int
	found, named       int // an alarm without a map; one that names the fault
	failed, namedByMap int // a verdict other than pass with the map; an alarm that names the fault
}

func (s *score) add(o score) {
	s.injected += o.injected
	s.found, s.named = s.found+o.found, s.named+o.named
	s.failed, s.namedByMap = s.failed+o.failed, s.namedByMap+o.namedByMap
}

// groupScore is the score of the classes of one group in each set of images.
type groupScore struct {
	name string
	sets []score
}

// groupScores adds up scores, which hold one for each class and set, by the
// groups of the classes, in their order.
func groupScores(classes []faults.Class, scores []score, sets int) []groupScore {
	var list []groupScore
	for c, class := range classes {
		if class.Group == "" {
			continue
		}
		i := slices.IndexFunc(list, func(g groupScore) bool { return g.name == class.Group })
		if i < 0 {
			i = len(list)
			list = append(list, groupScore{class.Group, make([]score, sets)})
		}
		for s := range sets {
			list[i].sets[s].add(scores[c*sets+s])
		}
	}
	return list
}

// surveyDetection injects faults of every class, or of the one named only, into
// files of the named list and counts what is found. The demo stands in for a
// controller's memory beside the tuned files: its images are of our own making,
// and no less known.
func surveyDetection(o options, list string, files []file, log func(string, ...any)) (string, error) {
	words, other, loud, err := realBases(files)
	if err != nil {
		return "", err
	}
	type imageSet struct {
		name  string
		bases []base
	}
	sets := []imageSet{{"words", words}, {"other", other}}
	told := ""
	if list == tuned {
		d, err := demoBase()
		if err != nil {
			return "", err
		}
		sets = append(sets, imageSet{"demo", []base{d}})
		told = ", \"demo\" is the demo's backup.bin of 512 KiB"
	}
	for _, s := range sets {
		if len(s.bases) == 0 {
			return "", fmt.Errorf("no %s file makes an image of the set %q", list, s.name)
		}
	}
	classes := slices.DeleteFunc(faults.Classes(), func(c faults.Class) bool { return o.class != "" && c.Name != o.class })
	scores := make([]score, len(classes)*len(sets))
	err = eachAtOnce(len(scores), func(i int) (err error) {
		class, set := classes[i/len(sets)], sets[i%len(sets)]
		r := rand.New(rand.NewPCG(o.seed, uint64(crc32.ChecksumIEEE([]byte(class.Name+"/"+set.name))))) // the same with -class as without
		scores[i], err = measure(class, set.bases, o.each, r, log)
		return err
	})
	if err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d injections for each class and set, into images cut from the %s files: \"words\" are %s of code for processors whose instructions are whole words (as in controllers), \"other\" are %s from all other files, %d of them x86 programs%s. "+
		"%d more cuts raise an alarm before any damage and are left out. Each cell: share found, and in brackets share named (the right finding among the alarms). Seed %d.\n\n", o.each, list, describeBases(words), describeBases(other), countELF(other), told, loud, o.seed)
	b.WriteString("| fault injected |")
	for _, with := range []string{"no map", "map"} {
		for _, s := range sets {
			fmt.Fprintf(&b, " %s, %s |", s.name, with)
		}
	}
	b.WriteString("\n| --- |" + strings.Repeat(" ---: |", 2*len(sets)) + "\n")
	for c, class := range classes {
		row := scores[c*len(sets) : (c+1)*len(sets)]
		fmt.Fprintf(&b, "| %s |", class.Name)
		for _, s := range row {
			fmt.Fprintf(&b, " %s (%s) |", share(s.found, s.injected), share(s.named, s.injected))
		}
		for _, s := range row {
			fmt.Fprintf(&b, " %s (%s) |", share(s.failed, s.injected), share(s.namedByMap, s.injected))
		}
		b.WriteString("\n")
	}
	groups := groupScores(classes, scores, len(sets))
	if len(groups) > 0 {
		b.WriteString("\nThe same by what is wrong, without a map:\n\n| fault |")
		for _, s := range sets {
			fmt.Fprintf(&b, " %s |", s.name)
		}
		b.WriteString(" all |\n| --- |" + strings.Repeat(" ---: |", len(sets)+1) + "\n")
		for _, g := range groups {
			fmt.Fprintf(&b, "| %s |", g.name)
			all := score{}
			for _, s := range g.sets {
				fmt.Fprintf(&b, " %s |", share(s.found, s.injected))
				all.add(s)
			}
			fmt.Fprintf(&b, " %s |\n", share(all.found, all.injected))
		}
	}
	if list != tuned {
		return b.String(), nil
	}
	b.WriteString("\n| fault | is |\n| --- | --- |\n")
	for _, class := range classes {
		fmt.Fprintf(&b, "| %s | %s |\n", class.Name, class.What)
	}
	return b.String(), nil
}

// countELF says how many bases were cut from ELF files.
func countELF(bases []base) int {
	n := 0
	for _, b := range bases {
		n += one(b.elf)
	}
	return n
}

// describeBases says how many images of each size there are.
func describeBases(bases []base) string {
	sizes := map[int]int{}
	for _, b := range bases {
		sizes[len(b.data)]++
	}
	var parts []string
	for n := minBase; n <= maxBase; n *= 2 {
		parts = append(parts, fmt.Sprintf("%d of %d KiB", sizes[n], n>>10))
	}
	return fmt.Sprintf("%d images (%s)", len(bases), strings.Join(parts, ", "))
}

// measure injects each faults of class into bases.
func measure(class faults.Class, bases []base, each int, r *rand.Rand, log func(string, ...any)) (score, error) {
	var s score
	for tries := 0; s.injected < each; tries++ {
		if tries > 20*each {
			return s, fmt.Errorf("%s: only %d of %d injections changed anything", class.Name, s.injected, each)
		}
		img := bases[r.IntN(len(bases))]
		bad, how, ok := faults.Inject(class, r, img.data)
		if !ok {
			continue
		}
		s.injected++
		rep, err := examine(nil, bad)
		if err != nil {
			return s, err
		}
		found, named := judge(rep, class)
		if !found {
			log("missed: %s: %s: %s", class.Name, img.name, how)
		}
		s.found, s.named = s.found+one(found), s.named+one(named)
		if rep, err = examine(img.m, bad); err != nil {
			return s, err
		}
		_, named = judge(rep, class)
		if rep.Verdict == evidence.Pass {
			log("passed with map: %s: %s: %s", class.Name, img.name, how)
		}
		s.failed, s.namedByMap = s.failed+one(rep.Verdict != evidence.Pass), s.namedByMap+one(named)
	}
	return s, nil
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func share(n, of int) string { return fmt.Sprintf("%.1f", 100*float64(n)/float64(max(of, 1))) }

// judge says whether a report raises an alarm, and whether one of its alarms
// names the fault.
func judge(rep *readcheck.Report, class faults.Class) (found, named bool) {
	for _, f := range rep.Findings {
		if f.Severity == evidence.Note {
			continue
		}
		found = true
		named = named || slices.Contains(class.Codes, f.Code)
	}
	return found, named
}
