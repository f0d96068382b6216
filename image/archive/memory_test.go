package archive

import (
	"fmt"
	"io/fs"
	"path"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"example.com/calproof/image/evidence"
)

// manyVehicles shows one vehicle's folder of an archive under many names.
type manyVehicles struct {
	*memFS
	folder string // of the one vehicle
	names  []fs.DirEntry
}

func newManyVehicles(m *memFS, folder string, vehicles int) *manyVehicles {
	many := &manyVehicles{memFS: m, folder: folder, names: make([]fs.DirEntry, vehicles)}
	for i := range many.names {
		many.names[i] = &memInfo{name: fmt.Sprintf("v-%06d", i), mode: fs.ModeDir | 0o755}
	}
	return many
}

func (m *manyVehicles) place(name string) string {
	if first, rest, ok := strings.Cut(name, "/"); strings.HasPrefix(first, "v-") {
		if ok {
			return path.Join(m.folder, rest)
		}
		return m.folder
	}
	return name
}

func (m *manyVehicles) Open(name string) (fs.File, error) { return m.memFS.Open(m.place(name)) }

func (m *manyVehicles) ReadDir(name string) ([]fs.DirEntry, error) {
	if name == "." {
		return m.names, nil
	}
	return m.memFS.ReadDir(m.place(name))
}

// TestMemoryStaysFlat: what verifying and listing hold on to must not grow with
// the archive. Measured is what is still in use after a garbage collection in
// the middle of the work, so that the test depends on no clock.
func TestMemoryStaysFlat(t *testing.T) {
	a := newArchive(t)
	const perVehicle = 10
	for i := range perVehicle {
		_, err := a.Add(ctx, backup("g", noise(uint64(i), 100)))
		require.NoError(t, err)
	}
	m := newMemFS(loadFS(t, a.Dir()))
	// measure returns the most bytes in use during work, which calls at after
	// each vehicle.
	measure := func(vehicles int, work func(at func())) int64 {
		inUse := func() int64 {
			var stats runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&stats)
			return int64(stats.HeapAlloc)
		}
		before, most, n := inUse(), int64(0), 0
		work(func() {
			if n++; n%(vehicles/10) == 0 {
				most = max(most, inUse()-before)
			}
		})
		assert.Equal(t, vehicles, n)
		return most
	}
	sizes := []int{10, 100, 1000} // vehicles
	if testing.Short() {
		sizes = []int{10, 50, 250}
	}
	var verify, list []int64
	for _, vehicles := range sizes {
		r := &Reader{fsys: newManyVehicles(m, "g", vehicles)}
		verify = append(verify, measure(vehicles, func(at func()) {
			v, err := r.Verify(ctx, VerifyOptions{Each: func(*VehicleVerification) { at() }})
			require.NoError(t, err)
			require.Equal(t, evidence.Pass, v.Verdict, "%v", v.Findings)
			require.Equal(t, vehicles*perVehicle, v.Entries)
		}))
		list = append(list, measure(vehicles, func(at func()) {
			for _, err := range r.Vehicles(ctx) {
				require.NoError(t, err)
				at()
			}
		}))
	}
	for i, vehicles := range sizes {
		t.Logf("%5d entries in %4d vehicles: verify holds %7d bytes, list %7d", vehicles*perVehicle, vehicles, verify[i], list[i])
	}
	// A name and a size for each vehicle is what the order of work needs. An
	// entry that is held on to takes about 2,000 bytes.
	more := int64(sizes[2]-sizes[1]) * perVehicle
	assert.Less(t, (verify[2]-verify[1])/more, int64(100), "bytes for each entry more")
	assert.Less(t, (list[2]-list[1])/more, int64(100), "bytes for each entry more")
}
