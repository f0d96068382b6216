package main

import (
	"runtime"
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

// Every subject and size has its figures, and the peer runs before each.
func TestMeasureBeside(t *testing.T) {
	var order []string
	of := func(name string) subject {
		return subject{name: name, run: func([]byte) uint64 {
			if len(order) == 0 || order[len(order)-1] != name {
				order = append(order, name)
			}
			return 0
		}}
	}
	peer := of("peer")
	rates, ratios := measureBeside(&peer, []subject{of("a"), of("b")}, []int{1, 64})
	for _, name := range []string{"a", "b"} {
		for _, n := range []int{1, 64} {
			if rates[name][n] <= 0 || ratios[name][n] <= 0 {
				t.Errorf("%s over %d bytes: rate %v, ratio %v", name, n, rates[name][n], ratios[name][n])
			}
		}
	}
	pairs := strings.Count(strings.Join(order, " "), "peer a peer b")
	if pairs != 2*rounds {
		t.Errorf("%d rounds in which the peer ran before each subject, not %d", pairs, 2*rounds)
	}
}

func TestMedian(t *testing.T) {
	if m := median([]float64{9, 1, 2, 4}); m != 3 {
		t.Errorf("median %v, not 3", m)
	}
	if m := median([]float64{9, 1, 2}); m != 2 {
		t.Errorf("median %v, not 2", m)
	}
}

// BenchmarkSubjects also gives the rate by processor time, which other programs
// disturb less than that by the clock.
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
				runtime.LockOSThread() // whose processor time counts
				defer runtime.UnlockOSThread()
				b.SetBytes(int64(n))
				start := now()
				for b.Loop() {
					sink ^= s.run(data[:n])
				}
				b.ReportMetric(float64(n)*float64(b.N)/float64(max(now()-start, 1)), "cpu-GB/s")
			})
		}
	}
}
