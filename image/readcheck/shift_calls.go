package readcheck

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"math"
	"slices"
)

// x86 code may keep to no words at all, but its calls count from where they
// stand. Behind a lost byte the same function seems to lie one byte further
// up than for the calls in front.
const (
	callCode = 0xE8    // then a signed 32-bit distance, little-endian, from the end of the instruction
	callSize = 5       // bytes of the instruction
	mostCall = 1 << 17 // calls looked at
	callBits = 18      // log2 of the counts, one for each place that is called, hashed
)

// call is one call: where it stands, and where it leads.
type call struct{ at, to int32 }

// callsOf lists the calls of data that lead to another place in it. If there
// are too many, those to some of the places are left out.
func callsOf(data []byte) []call {
	var list []call
	thin := uint32(0)
	for i := 0; i+callSize <= len(data); i++ {
		j := bytes.IndexByte(data[i:len(data)-callSize+1], callCode)
		if j < 0 {
			break
		}
		i += j
		distance := int(int32(binary.LittleEndian.Uint32(data[i+1:])))
		to := i + callSize + distance
		if to < 0 || to >= len(data) || distance >= -16 && distance < 16 {
			continue
		}
		if callGroup(int32(to))&thin != 0 {
			continue
		}
		list = append(list, call{int32(i), int32(to)})
		if len(list) == mostCall {
			thin = thin<<1 | 1
			kept := list[:0]
			for _, c := range list {
				if callGroup(c.to)&thin == 0 {
					kept = append(kept, c)
				}
			}
			list = kept
		}
	}
	return list
}

// callGroup is the same for a place called and for its neighbours, if it is a
// multiple of 16 as the places of most functions are.
func callGroup(to int32) uint32 { return callHash((to + 8) / 16) }

func callHash(to int32) uint32 {
	h := uint32(to) * 0x9E3779B1
	return h ^ h>>15
}

// callShift returns the likeliest shift by the calls of list, and what those
// behind it say. Each move is tried at each call: a place that is called again
// then weighs 1, one that was not called yet 1/64.
func callShift(list []call) (shift, callVotes) {
	var sh shift
	at, best := 0, 0.0
	for _, move := range []int{-1, 1} {
		count := make([]uint16, 1<<callBits)
		cell := func(to int) *uint16 { return &count[callHash(int32(to))>>(32-callBits)] }
		weight := func(n uint16) float64 { return math.Log(float64(n) + 1.0/64) }
		for _, c := range list {
			*cell(int(c.to) - move)++
		}
		sum := 0.0
		for i, c := range list {
			back, as := cell(int(c.to)-move), cell(int(c.to))
			*back--
			sum += weight(*as) - weight(*back)
			*as++
			if sum > best && i+1 < len(list) {
				at, best = i+1, sum
				sh = shift{move: move, sure: true, from: int(c.at), to: int(list[i+1].at)}
			}
		}
	}
	if best == 0 {
		return sh, callVotes{}
	}
	return sh, votesOfCalls(list, at, sh.move)
}

// callVotes counts the places that are called in front of a place, and behind
// it only once the calls there are taken back, and those that are called behind
// it only as they are. Places are counted and not calls: one byte that looks
// like a call beside a place that is called often would speak for all of those.
type callVotes struct{ yes, no int }

// callOdds is how many times as many must speak for one side as for the other.
const callOdds = 4

// votesOfCalls asks the calls from list[at] on.
func votesOfCalls(list []call, at, move int) callVotes {
	front := make(map[int32]bool, at)
	for _, c := range list[:at] {
		front[c.to] = true
	}
	var v callVotes
	asked := make(map[int32]bool, len(list)-at)
	for _, c := range list[at:] {
		if asked[c.to] {
			continue
		}
		asked[c.to] = true
		taken, as := front[c.to-int32(move)], front[c.to]
		if taken && !as {
			v.yes++
		}
		if as && !taken {
			v.no++
		}
	}
	return v
}

// firstCall returns the index of the first call at offset from or behind it.
func firstCall(list []call, from int) int {
	i, _ := slices.BinarySearchFunc(list, from, func(c call, from int) int { return cmp.Compare(int(c.at), from) })
	return i
}
