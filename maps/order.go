package maps

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// sealOrder returns the order in which the instances have to be sealed, given
// what [dependencies] says about them: one
// comes after every other whose field it covers, and after the rule it starts
// from. If they depend on one another in a loop, the loop is returned instead,
// each instance followed by one it depends on, the first one again at the end.
//
// What an instance does with its own field is not its business.
func sealOrder(all []instance, needs [][]int) (order []int, loop []instance) {
	const (
		untouched = iota
		open      // its dependencies are being placed
		placed
	)
	state := make([]byte, len(all))
	// An explicit stack: a chain may be as long as there are instances.
	type frame struct{ at, next int }
	for i := range all {
		if state[i] != untouched {
			continue
		}
		stack := []frame{{at: i}}
		state[i] = open
		for len(stack) > 0 {
			top := &stack[len(stack)-1]
			if top.next == len(needs[top.at]) {
				state[top.at] = placed
				order = append(order, top.at)
				stack = stack[:len(stack)-1]
				continue
			}
			j := needs[top.at][top.next]
			top.next++
			switch state[j] {
			case untouched:
				state[j] = open
				stack = append(stack, frame{at: j})
			case open:
				from := slices.IndexFunc(stack, func(f frame) bool { return f.at == j })
				for _, f := range stack[from:] {
					loop = append(loop, all[f.at])
				}
				return nil, append(loop, all[j])
			}
		}
	}
	return order, nil
}

// dependencies returns, for each instance, those whose result it counts.
func dependencies(all []instance) [][]int {
	type target struct {
		first, last uint64
		at          int
	}
	var targets []target
	byName := map[string][]int{}
	for i, in := range all {
		byName[in.rule.Name] = append(byName[in.rule.Name], i)
		if w := in.written(); w.Size > 0 {
			targets = append(targets, target{w.Start, w.Last(), i})
		}
	}
	slices.SortFunc(targets, func(a, b target) int { return cmp.Compare(a.first, b.first) })
	// No field is wider than this, so a search may start this far before a range.
	const widest = 2*maxFieldBytes - 1
	needs := make([][]int, len(all))
	for i, in := range all {
		for _, r := range in.counted() {
			from, _ := slices.BinarySearchFunc(targets, r.Start-min(r.Start, widest), func(t target, addr uint64) int { return cmp.Compare(t.first, addr) })
			for _, t := range targets[from:] {
				if t.first > r.Last() {
					break
				}
				if t.last >= r.Start && t.at != i {
					needs[i] = append(needs[i], t.at)
				}
			}
		}
		if in.rule.InitFrom != "" {
			needs[i] = append(needs[i], byName[in.rule.InitFrom]...)
		}
	}
	return needs
}

// loopText names the rules of a loop.
func loopText(loop []instance) string {
	names := make([]string, len(loop))
	for i, in := range loop {
		names[i] = fmt.Sprintf("%q", in.rule.Name)
		if in.n > 0 {
			names[i] += fmt.Sprintf(" (%d)", in.n)
		}
	}
	return strings.Join(names, " needs ")
}
