package safefile_test

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"example.com/calproof/image/safefile"
)

// A file appears whole or not at all, and never over one that was read.
func ExampleWrite() {
	folder, err := os.MkdirTemp("", "safefile")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(folder)
	name := filepath.Join(folder, "sealed.bin")

	hello := func(w io.Writer) error {
		_, err := io.WriteString(w, "hello")
		return err
	}
	fmt.Println(safefile.Write(name, safefile.Options{}, hello))
	fmt.Println(errors.Is(safefile.Write(name, safefile.Options{}, hello), fs.ErrExist))
	onto := safefile.Options{Force: true, Inputs: []string{name}}
	fmt.Println(errors.Is(safefile.Write(name, onto, hello), safefile.ErrInput))
	// Output:
	// <nil>
	// true
	// true
}
