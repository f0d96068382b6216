package main

import (
	"strings"
	"testing"

	"example.com/calproof/checksum"
)

// TestPeersAgree makes sure that what is compared computes the same.
func TestPeersAgree(t *testing.T) {
	list, err := subjects()
	if err != nil {
		t.Fatal(err)
	}
	compared := 0
	for _, s := range list {
		if s.same == "" {
			continue
		}
		compared++
		a, err := checksum.Lookup(s.same)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range []int{0, 1, 9, 255, 4096, 100_000} {
			data := message(n)
			if got, want := s.run(data), valueOf(a)(data); got != want {
				t.Errorf("%s over %d bytes: %#x, package checksum gives %#x", s.name, n, got, want)
			}
		}
	}
	if compared < 30 {
		t.Errorf("only %d subjects compared", compared)
	}
}

var sink uint64

func BenchmarkSubjects(b *testing.B) {
	list, err := subjects()
	if err != nil {
		b.Fatal(err)
	}
	data := message(sizes[len(sizes)-1])
	for _, s := range list {
		for _, n := range sizes {
			name := strings.NewReplacer(" ", "_", "/", ":").Replace("by=" + s.name + " size=" + sizeName(n))
			b.Run(strings.Replace(name, "_size=", "/size=", 1), func(b *testing.B) {
				b.SetBytes(int64(n))
				for b.Loop() {
					sink ^= s.run(data[:n])
				}
			})
		}
	}
}
