package checksum

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// registry holds the named algorithms. It is built at first use.
var registry = sync.OnceValue(func() (r struct {
	all    []Algorithm
	byName map[string]Algorithm // keys in lower case
}) {
	r.all = catalogueCRCs()
	var cksum *crc
	for _, a := range r.all {
		if a.d.name == "CRC-32/CKSUM" {
			cksum = a.d.rule.(*crc)
		}
	}
	r.all = slices.Concat(r.all, systematicSums(), otherSums(cksum), digests())
	r.byName = make(map[string]Algorithm)
	for _, a := range r.all {
		r.byName[strings.ToLower(a.d.name)] = a
		for _, alias := range a.d.aliases {
			r.byName[strings.ToLower(alias)] = a
		}
	}
	return r
})

// All returns every named algorithm: catalogue CRCs, sums, digests, in a fixed
// order. The caller may keep and change the slice.
func All() []Algorithm { return slices.Clone(registry().all) }

// Lookup finds an algorithm by name or alias, case ignored and nothing else.
// An unknown name gives an *UnknownError that suggests near ones.
func Lookup(name string) (Algorithm, error) {
	if a, ok := registry().byName[strings.ToLower(name)]; ok {
		return a, nil
	}
	return Algorithm{}, &UnknownError{Name: name, Near: near(name)}
}

// UnknownError says that no algorithm has a name.
type UnknownError struct {
	Name string
	Near []string // names and aliases that [Lookup] knows, nearest first; may be empty
}

func (e *UnknownError) Error() string {
	s := fmt.Sprintf("unknown algorithm %q", shorten(e.Name))
	switch n := len(e.Near); {
	case n == 0:
		return s + "; a CRC that no catalogue names is made from its parameters"
	case n == 1:
		return s + "; did you mean " + e.Near[0] + "?"
	default:
		return s + "; did you mean " + strings.Join(e.Near[:n-1], ", ") + " or " + e.Near[n-1] + "?"
	}
}

const maxNear = 5

// near returns the names most like name, punctuation ignored: those one typing
// error away, those that begin with it, those that contain it, those that it
// contains, the shortest first, and those a few errors away. Of one algorithm
// only the nearest name is given.
func near(name string) []string {
	want := squeeze(name)
	if want == "" || len(want) > 64 {
		return nil
	}
	type candidate struct {
		name     string
		distance int
	}
	var list []candidate
	for _, a := range registry().all {
		best := candidate{distance: -1}
		for _, n := range append([]string{a.d.name}, a.d.aliases...) {
			have := squeeze(n)
			d := 100 * editDistance(want, have)
			switch {
			case strings.HasPrefix(have, want):
				d = min(d, 150+len(have)-len(want))
			case len(want) > 2 && strings.Contains(have, want):
				d = min(d, 250+len(have)-len(want))
			case len(have) > 3 && strings.Contains(want, have):
				d = min(d, 350+len(want)-len(have))
			case d > 100*max(1, len(want)/4):
				continue
			}
			if best.distance < 0 || d < best.distance {
				best = candidate{n, d}
			}
		}
		if best.distance >= 0 {
			list = append(list, best)
		}
	}
	slices.SortStableFunc(list, func(a, b candidate) int { return cmp.Compare(a.distance, b.distance) })
	var names []string
	for _, c := range list[:min(len(list), maxNear)] {
		if c.distance-list[0].distance < 300 { // else it is far off beside the nearest
			names = append(names, c.name)
		}
	}
	return names
}

// squeeze keeps letters and digits, in lower case.
func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, strings.ToLower(s))
}

// editDistance counts the insertions, deletions, replacements and exchanges of
// neighbours that turn a into b. Replacing a digit counts thrice: a CRC of 16
// bits is seldom meant to be one of 15.
func editDistance(a, b string) int {
	var before, last []int // rows for two and one character of a less
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before, last, row = last, row, make([]int, len(b)+1)
		row[0] = i + 1
		for j := range len(b) {
			change := 1
			if a[i] == b[j] {
				change = 0
			} else if isDigit(a[i]) || isDigit(b[j]) {
				change = 3
			}
			row[j+1] = min(row[j]+1, last[j+1]+1, last[j]+change)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
	}
	return row[len(b)]
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
