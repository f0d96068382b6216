package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"
)

// scriptFault is the script command
//
//	fault IN OUT KIND NUMBER...
//
// It writes OUT, a copy of IN damaged the way a bad read is. Numbers are as Go
// writes them. Kinds:
//
//	stuck LINE FROM TO          address line LINE at 0 for offsets FROM up to TO
//	shorted A B                 address lines A and B touch, low wins
//	exchanged A B               address lines A and B swapped
//	data BIT LANE WIDTH VALUE   data line BIT of the bytes LANE modulo WIDTH always VALUE
//	data-shorted P Q WIDTH      data lines P and Q of a bus of WIDTH bytes touch, low wins
//	data-opposite P Q           data line Q of an 8-bit bus reads the opposite of line P
//	lane LANE WIDTH VALUE       the bytes LANE modulo WIDTH always VALUE
//	repeat AT SIZE TIMES        the block of SIZE bytes at AT delivered TIMES times
//	pad AT VALUE                stopped at AT, padded with VALUE
//	wrap AT                     stopped at AT, padded with the start of the image
//	cut AT                      stopped at AT
//	lose AT, double AT          a byte lost or doubled at AT, the length kept
//	swap WIDTH                  the bytes of each word reversed
//	words                       the 16-bit halves of each 32-bit word exchanged
//	halves                      the even bytes first, then the odd ones
//	chips N                     the bytes of N chips one behind the other
//	woven N                     N parts of the memory whose bytes take turns
//	inverted                    every bit
//	hole FROM TO VALUE          a stretch of one value
//	noise FROM TO               a stretch of random bytes
//	session AT, page AT         a terminal session or an HTML page at AT
func scriptFault(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: fault IN OUT KIND NUMBER...")
	}
	good, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	var n []int
	for _, a := range args[3:] {
		v, err := strconv.ParseInt(a, 0, 64)
		ts.Check(err)
		n = append(n, int(v))
	}
	n = append(n, 0, 0, 0, 0)
	bad := damage(good, args[2], n)
	if bad == nil {
		ts.Fatalf("fault: no kind %q", args[2])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), bad, 0o666))
}

func damage(good []byte, kind string, n []int) []byte {
	out := bytes.Clone(good)
	remap := func(from func(i int) int) []byte {
		for i := range out {
			out[i] = good[from(i)]
		}
		return out
	}
	fill := func(from, to int, value func() byte) []byte {
		for i := from; i < to; i++ {
			out[i] = value()
		}
		return out
	}
	differ := func(i int) bool { return i>>n[0]&1 != i>>n[1]&1 }
	both := 1<<n[0] | 1<<n[1]
	switch kind {
	case "stuck":
		return remap(func(i int) int {
			if i >= n[1] && i < n[2] {
				return i &^ (1 << n[0])
			}
			return i
		})
	case "shorted":
		return remap(func(i int) int {
			if differ(i) {
				return i &^ both
			}
			return i
		})
	case "exchanged":
		return remap(func(i int) int {
			if differ(i) {
				return i ^ both
			}
			return i
		})
	case "data":
		for i := n[1]; i < len(out); i += n[2] {
			out[i] = out[i]&^(1<<n[0]) | byte(n[3]<<n[0])
		}
		return out
	case "data-shorted":
		for i := 0; i+n[2] <= len(out); i += n[2] {
			p, q := i+n[0]/8, i+n[1]/8
			v := out[p] >> (n[0] % 8) & (out[q] >> (n[1] % 8)) & 1
			out[p] = out[p]&^(1<<(n[0]%8)) | v<<(n[0]%8)
			out[q] = out[q]&^(1<<(n[1]%8)) | v<<(n[1]%8)
		}
		return out
	case "data-opposite":
		for i, b := range out {
			out[i] = b&^(1<<n[1]) | ^(b>>n[0]&1)&1<<n[1]
		}
		return out
	case "lane":
		for i := n[0]; i < len(out); i += n[1] {
			out[i] = byte(n[2])
		}
		return out
	case "repeat":
		for k := 1; k < n[2]; k++ {
			copy(out[n[0]+k*n[1]:], good[n[0]:n[0]+n[1]])
		}
		return out
	case "pad":
		return fill(n[0], len(out), func() byte { return byte(n[1]) })
	case "wrap":
		return remap(func(i int) int { return i % n[0] })
	case "cut":
		return out[:n[0]]
	case "lose":
		copy(out[n[0]:], good[n[0]+1:])
		return out
	case "double":
		copy(out[n[0]+1:], good[n[0]:])
		return out
	case "swap":
		return remap(func(i int) int { return i ^ (n[0] - 1) })
	case "halves":
		half := len(good) / 2
		return remap(func(i int) int { return i%half*2 + i/half })
	case "words":
		return remap(func(i int) int { return i ^ 2 })
	case "woven":
		each := len(good) / n[0]
		return remap(func(i int) int { return i%n[0]*each + i/n[0] })
	case "chips":
		each := len(good) / n[0]
		return remap(func(i int) int { return i%each*n[0] + i/each })
	case "inverted":
		for i, b := range good {
			out[i] = ^b
		}
		return out
	case "hole":
		return fill(n[0], n[1], func() byte { return byte(n[2]) })
	case "session":
		copy(out[n[0]:], "bench login: mechanic\r\nPassword: \r\n$ dump --all\r\ndump: command not found\r\n")
		return out
	case "page":
		copy(out[n[0]:], "<!DOCTYPE html>\n<html><head><title>404 Not Found</title></head>\n<body><h1>404 Not Found</h1></body></html>\n")
		return out
	case "noise":
		r := rand.New(rand.NewPCG(1, 1))
		return fill(n[0], n[1], func() byte { return byte(r.Uint32()) })
	}
	return nil
}
