package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"example.com/calproof/image/archive"
)

// BenchmarkArchiveSize measures whole processes on archives of 100, 1,000 and
// 10,000 entries, ten a vehicle: the time that `archive list` and `archive
// verify --all --hashes-only` take and, where the system tells, the most memory
// they use. Of each the best round counts. Goal: 10,000 entries listed in less
// than 500 ms, and the same memory for each size.
func BenchmarkArchiveSize(b *testing.B) {
	dir := b.TempDir()
	exe := filepath.Join(dir, "calproof.exe")
	build := exec.Command("go", "build", "-o", exe, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(b, err, string(out))
	shop := filepath.Join(dir, "shop")
	a, err := archive.Init(shop, archive.Options{})
	require.NoError(b, err)
	defer a.Close()
	vehicles := 0
	for _, entries := range []int{100, 1000, 10_000} {
		for ; vehicles < entries/10; vehicles++ {
			addVehicle(b, a, vehicles)
		}
		for _, args := range [][]string{{"list"}, {"verify", "--all", "--hashes-only"}} {
			b.Run(fmt.Sprintf("%s/entries=%d", args[0], entries), func(b *testing.B) {
				var best time.Duration
				var memory int64
				for b.Loop() {
					cmd := exec.Command(exe, append([]string{"archive"}, append(args, "--archive", shop)...)...)
					from := time.Now()
					out, err := cmd.CombinedOutput()
					took := time.Since(from)
					require.NoError(b, err, string(out))
					if best == 0 || took < best {
						best, memory = took, mostMemory(cmd.ProcessState)
					}
				}
				b.ReportMetric(float64(best.Microseconds())/1000, "least-ms")
				b.ReportMetric(float64(memory)/1e6, "MB")
			})
		}
	}
}

// addVehicle adds a vehicle of ten entries to an archive. The first is made as
// users make it, the others are copies of its folder.
func addVehicle(b *testing.B, a *archive.Archive, number int) {
	b.Helper()
	const first = "vehicle-0000"
	if number > 0 {
		require.NoError(b, os.CopyFS(filepath.Join(a.Dir(), fmt.Sprintf("vehicle-%04d", number)), os.DirFS(filepath.Join(a.Dir(), first))))
		return
	}
	verdict := []byte(`{"verdict": "pass"}`)
	for i := range 10 {
		image := make([]byte, 1024)
		image[0] = byte(i)
		_, err := a.Add(context.Background(), archive.Addition{
			Vehicle: "Groomer", Folder: first, Kind: archive.Backup, Image: archive.BytesSource("backup.bin", image),
			Map: archive.BytesSource("groomer.toml", []byte("format = 1\n")), Note: "made for a benchmark",
			Verdict: &archive.Verdict{Verdict: "pass", JSON: verdict, Text: verdict},
		})
		require.NoError(b, err)
	}
}

// BenchmarkArchiveAdd measures all of `archive add` of a read of 1 MiB, in
// process: the map parsed, the image opened, judged by every check and rule,
// the verdict written in both forms, the entry written, read back and compared.
// Where the system has a file system in memory the archive lies there, so that
// flushing costs next to nothing. Goal: less than 50 ms without flushing.
func BenchmarkArchiveAdd(b *testing.B) {
	dir, err := os.MkdirTemp("/dev/shm", "calproof-bench-")
	if err != nil {
		dir = b.TempDir()
	}
	b.Cleanup(func() { os.RemoveAll(dir) })
	read, regions := filepath.Join(dir, "read.bin"), filepath.Join(dir, "regions.toml")
	data := make([]byte, 1<<20)
	rand.NewChaCha8([32]byte{1}).Read(data)
	binary.BigEndian.PutUint32(data[len(data)-4:], crc32.ChecksumIEEE(data[:len(data)-4]))
	require.NoError(b, os.WriteFile(read, data, 0o644))
	require.NoError(b, os.WriteFile(regions, []byte(`format = 1
title = "1 MiB"
[image]
size = 0x100000
base = 0x0
byte_order = "big"
erased = 0xFF
[[region]]
name = "program"
range = "0x0-0xFFFFF"
role = "program"
[[checksum]]
name = "program"
algorithm = "CRC-32/ISO-HDLC"
cover = ["0x0-0xFFFFB"]
stored = { at = 0xFFFFC, byte_order = "big" }
`), 0o644))
	silent := Streams{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard}
	shop := filepath.Join(dir, "shop")
	require.Equal(b, exitPass, run([]string{"archive", "init", shop}, silent))
	b.SetBytes(1 << 20)
	for i := 0; b.Loop(); i++ {
		require.Equal(b, exitPass, run([]string{"archive", "add", read, "--map", regions, "--archive", shop, "--vehicle", fmt.Sprint("v", i/20), "--kind", "backup", "--again"}, silent))
	}
}
