// Package image reads and writes images of controller memories: raw files,
// Intel HEX, Motorola S-records and ELF.
//
// [Open] tells a file's format by its bytes and gives an [Image], which every
// other call works on:
//
//	im, err := image.Open("backup.bin", image.Options{})
//	if err != nil {
//		return err // file, line, column and what is wrong, all mistakes in one run
//	}
//	defer im.Close()
//	err = im.Blocks(im.Bounds(), func(addr uint64, block []byte) error { ... })
//
// # Glossary
//
//   - address: where a byte lies in the controller's memory; 64 bits, counted in
//     bytes. An offset counts from the start of a file instead.
//   - image: the bytes of one controller's memory, each at its address. It may
//     have gaps, which are not the same as erased bytes.
//   - range: a stretch of addresses, [Range]; half-open in the code, written with
//     its last byte included ("0x70000-0x7FFFF"), as data sheets print it.
//   - segment: a stretch of addresses that all hold bytes, with a gap or the end
//     of the image on either side.
//   - bounds: the range from the first byte of an image to the last.
//   - raw: a file of memory bytes and nothing else. Its first byte lies at the
//     base address, which the file does not tell.
//   - record: one line of an Intel HEX or S-record file.
//   - view: an image made of others without copying their bytes. [Image.Slice],
//     [Image.Rebase], [Combine] and [Image.Patch] choose and place; [Join] and
//     [Image.Split] deal units to and from the chips of one bus; [Image.Swap]
//     reverses the bytes of words.
//   - note: something about a file that is no mistake, such as a start address.
//
// # How a format is told
//
// The first 4096 bytes decide, never the name of the file:
//
//  1. 7F 45 4C 46 is ELF.
//  2. A colon, or S and a digit, followed by eight hexadecimal digits, is Intel
//     HEX or S-records. White space and a UTF-8 byte order mark before it are
//     passed over.
//  3. So is plain ASCII text that starts with a colon, or S and a digit, or has
//     a line that starts so and goes on with two hexadecimal digits. A damaged
//     record file therefore is an error and never read as raw bytes.
//  4. Records saved as UTF-16 text are an error that says so.
//  5. Everything else is raw. An empty file is an error.
//
// [Options] can name the format instead.
//
// # Hostile input
//
// No size in a file decides how much memory is taken: records take memory as
// they are read, ELF and raw bytes stay in the file. Reading takes a small
// multiple of the size of the file at most. Numbers of reported mistakes and
// notes are limited.
package image
