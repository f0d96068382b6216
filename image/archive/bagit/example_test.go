package bagit_test

import (
	"context"
	"fmt"
	"testing/fstest"

	"example.com/calproof/image/archive/bagit"
)

func ExampleValidate() {
	bag := fstest.MapFS{
		"bagit.txt":        {Data: []byte(bagit.Declaration)},
		"manifest-md5.txt": {Data: []byte("b1946ac92492d2347c6235b4d2611184  data/hello.txt\n")},
		"data/hello.txt":   {Data: []byte("hullo\n")},
	}
	report, err := bagit.Validate(context.Background(), bag, bagit.Options{})
	if err != nil {
		fmt.Println(err)
	}
	fmt.Println(report.Conforms())
	for _, p := range report.Problems {
		if !p.Stricter {
			fmt.Println(p)
		}
	}
	// Output:
	// false
	// data/hello.txt: md5 is 8a387fac5645c619..., but manifest-md5.txt says b1946ac92492d234...
}
