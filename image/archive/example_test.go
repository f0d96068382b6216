package archive_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"

	"example.com/calproof/image/archive"
)

// Keep an image, prove that all of the archive is as it was kept, and take the
// image out again.
func Example() {
	dir, err := os.MkdirTemp("", "archive")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()

	a, err := archive.Init(filepath.Join(dir, "shop"), archive.Options{Tool: "example 1.0"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer a.Close()
	added, err := a.Add(ctx, archive.Addition{
		Vehicle: "Groomer 2", Kind: archive.Backup, Image: archive.BytesSource("backup.bin", []byte("the image")),
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	check, err := a.Verify(ctx, archive.VerifyOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	var out bytes.Buffer
	if err := a.Restore(ctx, &added.Entry, &out); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(added.Entry.Folder, check.Verdict, out.String())
	// Output: groomer-2 pass the image
}
