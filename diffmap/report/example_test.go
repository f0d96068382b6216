package report_test

import (
	"fmt"
	"os"

	"example.com/calproof/checksum"
	"example.com/calproof/diffmap/report"
	"example.com/calproof/image"
)

func ExampleJSON() {
	crc, err := checksum.Lookup("CRC-32/ISO-HDLC")
	if err != nil {
		fmt.Println(err)
		return
	}
	// The check value of the catalogue of parametrised CRC algorithms.
	sum := report.NewSum("digits.bin", []image.Range{{Start: 0, Size: 9}})
	sum.Add(crc, crc.Checksum([]byte("123456789")))
	doc := report.New("1.0.0", sum)
	if err := report.Text(os.Stdout, doc, report.Options{}); err != nil {
		fmt.Println(err)
	}
	if err := report.JSON(os.Stdout, doc); err != nil {
		fmt.Println(err)
	}
	// Output:
	// 0xCBF43926  CRC-32/ISO-HDLC  0x0-0x8
	// {
	//   "calproof": "1.0.0",
	//   "command": "sum",
	//   "verdict": "pass",
	//   "findings": [],
	//   "data": {
	//     "file": "digits.bin",
	//     "algorithm": "CRC-32/ISO-HDLC",
	//     "width": 32,
	//     "value": "0xCBF43926",
	//     "ranges": [
	//       {
	//         "start": 0,
	//         "size": 9
	//       }
	//     ],
	//     "size": 9
	//   }
	// }
}

func ExampleClean() {
	fmt.Println(report.Clean("GROOMER\x1b[2J\u202e1"))
	// Output: GROOMER\x1b[2J\u202e1
}
