package archive

import (
	"fmt"
	"os"
	"runtime"
	"strconv"
	"testing"

	"example.com/calproof/image/imagetest"
)

// writerEnv makes the test binary a small writer, so that tests can kill it:
// its value is the folder of an archive. The arguments say what to add.
const writerEnv = "CALPROOF_TEST_WRITER"

// The main goroutine stays on the main thread, so that the n-th system call of
// a writer is the same in every run.
func init() { runtime.LockOSThread() }

func TestMain(m *testing.M) {
	if dir := os.Getenv(writerEnv); dir != "" {
		if err := runWriter(dir, os.Args[1:]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// runWriter adds one of additions, or "many": entries without end, numbered
// from a start value, until it is killed.
func runWriter(dir string, args []string) error {
	a, err := Open(dir, testOptions())
	if err != nil {
		return err
	}
	defer a.Close()
	if args[0] != "many" {
		_, err = a.Add(ctx, additions()[args[0]])
		return err
	}
	seed, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	for i := seed; ; i++ {
		_, err := a.Add(ctx, Addition{Vehicle: []string{"g", "h", "i"}[i%3], Kind: Backup, Image: BytesSource("x.bin", noise(uint64(i), 3000)), Again: true})
		if err != nil {
			return err
		}
	}
}

// full says whether the long form of a test runs: where the tools are required,
// as in continuous integration.
func full() bool { return everything() || os.Getenv(imagetest.RequireToolsEnv) == "1" }

// everything says that no test may take a sample.
func everything() bool { return os.Getenv(fullTamper) == "1" }
