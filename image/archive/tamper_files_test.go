package archive

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// tamperer damages whole files, lines and folders of an archive in memory.
type tamperer struct {
	*hunt
	files map[string][]byte
	n     int
}

// change damages a copy of the archive. where names the place; verify must name
// its entry or vehicle.
func (x *tamperer) change(kind, where string, change func(m map[string][]byte)) {
	if x.n++; testing.Short() && x.n%9 != 0 {
		return
	}
	damaged := maps.Clone(x.files)
	change(damaged)
	x.try(kind, where, newMemFS(damaged), where, false)
}

// under returns the files below a folder by their path in it.
func (x *tamperer) under(folder string) map[string][]byte {
	out := map[string][]byte{}
	for f, data := range x.files {
		if rest, ok := strings.CutPrefix(f, folder+"/"); ok {
			out[rest] = data
		}
	}
	return out
}

// move replaces what lies below the folders of to by what lay below others.
func (x *tamperer) move(m map[string][]byte, fromTo map[string]string) {
	for from := range fromTo {
		maps.DeleteFunc(m, func(f string, _ []byte) bool { return strings.HasPrefix(f, from+"/") })
	}
	for from, to := range fromTo {
		for rest, data := range x.under(from) {
			m[to+"/"+rest] = data
		}
	}
}

// TestEveryFileCounts removes, adds, links, renames, moves and exchanges whole
// files and folders.
func TestEveryFileCounts(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "Groomer 2", 16)
	_, err := a.Add(ctx, backup("Groomer 3", noise(5, 16)))
	require.NoError(t, err)
	x := &tamperer{hunt: newHunt(), files: loadFS(t, a.Dir())}
	names := slices.Sorted(maps.Keys(x.files))
	folders := map[string]bool{}
	for _, f := range names {
		if f != lockFile { // an archive that was copied may lack it
			x.change("removal", f, func(m map[string][]byte) { delete(m, f) })
		}
		x.change("link in place", f, func(m map[string][]byte) { m[f] = nil })
		x.change("copy beside", f+"x", func(m map[string][]byte) { m[f+"x"] = m[f] })
		x.change("contents gone", f, func(m map[string][]byte) {
			m[f] = []byte{}
			if len(x.files[f]) == 0 {
				m[f] = []byte("x")
			}
		})
		upper := path.Join(path.Dir(f), strings.ToUpper(path.Base(f)))
		for to, place := range map[string]string{f + "x": f, upper: f, path.Join(path.Dir(path.Dir(f)), "moved"): f} {
			if f == lockFile {
				place = to
			}
			x.change("renaming", place, func(m map[string][]byte) { delete(m, f); m[to] = x.files[f] })
		}
		for _, other := range names {
			equal := bytes.Equal(x.files[f], x.files[other])
			if !equal && f < other {
				x.change("exchange", f, func(m map[string][]byte) { m[f], m[other] = m[other], m[f] })
			}
			if !equal {
				x.change("replacement", f, func(m map[string][]byte) { m[f] = m[other] })
			}
		}
		for dir := path.Dir(f); dir != "."; dir = path.Dir(dir) {
			folders[dir] = true
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(folders)) {
		if strings.Contains(dir, "/") { // a whole vehicle may be moved away
			x.change("folder removed", dir, func(m map[string][]byte) { clear(m); maps.Copy(m, x.without(dir)) })
			x.change("folder renamed", dir, func(m map[string][]byte) { x.move(m, map[string]string{dir: dir + "x"}) })
			x.change("folder is a link", dir, func(m map[string][]byte) { clear(m); maps.Copy(m, x.without(dir)); m[dir] = nil })
			x.change("folder copied", dir+"x", func(m map[string][]byte) {
				for rest, data := range x.under(dir) {
					m[dir+"x/"+rest] = data
				}
			})
		}
		x.change("empty folder added", dir+"/new", func(m map[string][]byte) { m[dir+"/new/"] = []byte{} })
		x.change("file added", dir+"/new", func(m map[string][]byte) { m[dir+"/new"] = []byte("new\n") })
	}
	x.report(t, "over %d files in %d folders", len(x.files), len(folders))
}

// without returns the files that do not lie below a folder.
func (x *tamperer) without(folder string) map[string][]byte {
	out := map[string][]byte{}
	for f, data := range x.files {
		if !strings.HasPrefix(f, folder+"/") {
			out[f] = data
		}
	}
	return out
}

// TestEveryOrderCounts puts the entries of a vehicle in every other order: under
// one another's names, or with other numbers, and with a chain file that says
// the same.
func TestEveryOrderCounts(t *testing.T) {
	a := newArchive(t)
	fill(t, a, "g", 16)
	_, err := a.Add(ctx, Addition{Vehicle: "g", Kind: Backup, Image: BytesSource("later.bin", noise(9, 16))})
	require.NoError(t, err)
	x := &tamperer{hunt: newHunt(), files: loadFS(t, a.Dir())}
	v, err := a.Vehicle(ctx, "g")
	require.NoError(t, err)
	var names []string
	for _, e := range v.Entries {
		names = append(names, e.Name)
	}
	lines := strings.SplitAfter(strings.TrimSuffix(string(x.files["g/"+chainFile]), "\n"), "\n")
	lines[len(lines)-1] += "\n"
	orders := permutations(len(names))
	require.Len(t, orders, 24)
	for _, order := range orders[1:] { // the first is as it was
		where := "g/" + names[slices.IndexFunc(order, func(i int) bool { return order[i] != i })]
		x.change("under another's name", where, func(m map[string][]byte) {
			moves := map[string]string{}
			for i, from := range order {
				moves["g/"+names[from]] = "g/" + names[i]
			}
			x.move(m, moves)
		})
		for _, withChain := range []bool{false, true} {
			x.change("renumbered", "g/"+chainFile, func(m map[string][]byte) {
				moves, chain := map[string]string{}, ""
				for i, from := range order {
					to := fmt.Sprintf("%04d%s", i+1, names[from][4:])
					moves["g/"+names[from]] = "g/" + to
					chain += strings.Replace(lines[from], names[from], to, 1)
				}
				x.move(m, moves)
				if withChain {
					m["g/"+chainFile] = []byte(chain)
				}
			})
		}
		x.change("chain reordered", "g/"+chainFile, func(m map[string][]byte) {
			chain := ""
			for _, from := range order {
				chain += lines[from]
			}
			m["g/"+chainFile] = []byte(chain)
		})
	}
	// An entry doubled as the next one, with or without its line on the chain.
	for i, name := range names {
		next := fmt.Sprintf("%04d%s", len(names)+1, name[4:])
		for _, withChain := range []bool{false, true} {
			x.change("doubled", "g/"+next, func(m map[string][]byte) {
				for rest, data := range x.under("g/" + name) {
					m["g/"+next+"/"+rest] = data
				}
				if withChain {
					m["g/"+chainFile] = append(bytes.Clone(m["g/"+chainFile]), strings.Replace(lines[i], name, next, 1)...)
				}
			})
		}
		// Removed, and all after it renumbered, chain file too: nothing but the
		// hashes can tell. Of the newest nothing is left that could.
		if i == len(names)-1 {
			continue
		}
		x.change("closed up", "g/"+chainFile, func(m map[string][]byte) {
			kept := x.without("g")
			chain := ""
			for j, from := range slices.Delete(slices.Clone(names), i, i+1) {
				to := fmt.Sprintf("%04d%s", j+1, from[4:])
				for rest, data := range x.under("g/" + from) {
					kept["g/"+to+"/"+rest] = data
				}
				chain += strings.Replace(lines[slices.Index(names, from)], from, to, 1)
			}
			clear(m)
			maps.Copy(m, kept)
			m["g/"+chainFile] = []byte(chain)
		})
	}
	x.report(t, "over the order of %d entries", len(names))
}

// permutations returns every order of n things, the first of them 0, 1, 2...
func permutations(n int) [][]int {
	if n == 0 {
		return [][]int{{}}
	}
	var out [][]int
	for _, p := range permutations(n - 1) {
		for at := n - 1; at >= 0; at-- {
			out = append(out, slices.Insert(slices.Clone(p), at, n-1))
		}
	}
	return out
}

// TestEveryLineAndBlockCounts damages more than a byte at once: lines of text,
// as an editor would, and blocks, as a disk would.
func TestEveryLineAndBlockCounts(t *testing.T) {
	smallest, step := 32, 4
	if tamperEffort() == all {
		smallest, step = 2, 2
	}
	x := &tamperer{hunt: newHunt(), files: tamperArchive(t)}
	for _, f := range slices.Sorted(maps.Keys(x.files)) {
		data := x.files[f]
		put := func(kind string, changed []byte) {
			if !bytes.Equal(changed, data) {
				x.change(kind, f, func(m map[string][]byte) { m[f] = changed })
			}
		}
		if strings.HasSuffix(f, ".txt") || strings.HasSuffix(f, ".json") || strings.HasSuffix(f, ".toml") {
			lines := bytes.SplitAfter(bytes.TrimSuffix(data, []byte("\n")), []byte("\n"))
			lines[len(lines)-1] = append(bytes.Clone(lines[len(lines)-1]), '\n')
			for i, line := range lines {
				with := func(l ...[]byte) []byte {
					return bytes.Join(slices.Concat(lines[:i], l, lines[i+1:]), nil)
				}
				put("line removed", with())
				put("line doubled", with(line, line))
				put("line emptied", with([]byte("\n")))
				put("line in capitals", with(bytes.ToUpper(line)))
				put("line ends in CR LF", with(append(bytes.TrimSuffix(bytes.Clone(line), []byte("\n")), "\r\n"...)))
				put("line ends in a space", with(append(bytes.TrimSuffix(bytes.Clone(line), []byte("\n")), " \n"...)))
				put("line folded", with(bytes.Replace(line, []byte(" "), []byte("\n "), 1)))
				for j := i + 1; j < len(lines); j++ {
					moved := slices.Clone(lines)
					moved[i], moved[j] = moved[j], moved[i]
					put("lines exchanged", bytes.Join(moved, nil))
				}
			}
			put("byte order mark", append([]byte("\uFEFF"), data...))
			put("CR LF", bytes.ReplaceAll(data, []byte("\n"), []byte("\r\n")))
		}
		for size := smallest; size <= len(data); size *= step {
			for at := 0; at+size <= len(data); at += size {
				for _, fill := range []byte{0x00, 0xFF} {
					block := bytes.Clone(data)
					copy(block[at:], bytes.Repeat([]byte{fill}, size))
					put("block lost", block)
				}
				put("block reversed", slices.Concat(data[:at], reversed(data[at:at+size]), data[at+size:]))
				put("block removed", slices.Delete(bytes.Clone(data), at, at+size))
				put("block doubled", slices.Insert(bytes.Clone(data), at, data[at:at+size]...))
			}
		}
		put("appended", slices.Concat(data, data))
	}
	x.report(t, "over %d files", len(x.files))
}

func reversed(b []byte) []byte {
	b = bytes.Clone(b)
	slices.Reverse(b)
	return b
}

// TestLargeArchiveBySample damages an archive with larger images on the disk, at
// random places.
func TestLargeArchiveBySample(t *testing.T) {
	vehicles, size, samples := 6, 200_000, 150
	switch {
	case everything():
		vehicles, size, samples = 40, 1<<20, 2000
	case testing.Short():
		samples = 20
	}
	a := newArchive(t)
	for i := range vehicles {
		fill(t, a, fmt.Sprintf("groomer %d", i+1), size)
	}
	clean, err := a.Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	require.Empty(t, clean.Findings)
	names := slices.Sorted(maps.Keys(loadFS(t, a.Dir())))
	r := rand.New(rand.NewPCG(1, 2))
	h := newHunt()
	for i := range samples {
		file := names[r.IntN(len(names))]
		if i%2 == 0 { // most bytes are in images, most files are not
			for !strings.Contains(file, "/image/") && !strings.Contains(file, "/second-read/") {
				file = names[r.IntN(len(names))]
			}
		}
		place := filepath.Join(a.Dir(), filepath.FromSlash(file))
		data, err := os.ReadFile(place)
		require.NoError(t, err)
		at := r.IntN(len(data) + 1)
		kind, damaged := sampleDamage(r, data, at)
		if damaged == nil || file == lockFile {
			continue
		}
		rewrite(t, place, damaged)
		h.try(kind, fmt.Sprintf("byte %d of %s", at, file), a.root, file, true)
		rewrite(t, place, data)
	}
	clean, err = a.Verify(ctx, VerifyOptions{})
	require.NoError(t, err)
	require.Empty(t, clean.Findings, "the damage was not undone, so nothing was proved")
	h.report(t, "by sample over %d bytes in %d files", clean.Bytes, len(names))
}

// sampleDamage returns one damage to data at a place, nil if there is none of
// the kind it drew.
func sampleDamage(r *rand.Rand, data []byte, at int) (string, []byte) {
	switch kind := r.IntN(6); {
	case kind == 0:
		return "insertion", slices.Insert(bytes.Clone(data), at, byte(r.IntN(256)))
	case at == len(data):
	case kind == 1:
		return "removal", slices.Delete(bytes.Clone(data), at, at+1)
	case kind == 2:
		return "truncation", bytes.Clone(data[:at])
	case kind == 3 && at+1 < len(data) && data[at] != data[at+1]:
		swapped := bytes.Clone(data)
		swapped[at], swapped[at+1] = swapped[at+1], swapped[at]
		return "swap", swapped
	case kind > 3:
		changed := bytes.Clone(data)
		changed[at] ^= byte(1 + r.IntN(255))
		return "change", changed
	}
	return "", nil
}

// rewrite replaces the contents of a file of an archive, which is read-only.
func rewrite(t testing.TB, place string, data []byte) {
	t.Helper()
	require.NoError(t, os.Chmod(place, 0o600))
	require.NoError(t, os.WriteFile(place, data, 0o600))
}
