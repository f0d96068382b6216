// Package report turns result values into text and JSON.
//
// Every command of calproof has one data type here, such as [DiffData]. [New]
// makes a [Document] of it, and [Text] and [JSON] write that document:
//
//	doc := report.New(version, report.DiffData{Original: "backup.bin", ...})
//	err := report.Text(os.Stdout, doc, report.Options{})
//
// # Words
//
//   - document: what a command has to say: verdict, findings, data.
//   - envelope: the outer object of the JSON form, the same for every command.
//   - failure: what stands in the place of the document if a command could not
//     run: an error, and no verdict.
//   - data: the part that differs by command; [Schema] describes it for each.
//   - verdict of a document: the verdict of what was examined. A command that
//     proves nothing (sum, inspect, convert) has done its job when it writes a
//     document, and its verdict is pass. The verdict of diff is pass for equal
//     images and fail for different ones, as its exit code says.
//
// # Text
//
// Text is plain ASCII but for names and values that come from the user's files,
// at most 80 columns wide where names allow it, and says everything without
// colour. Characters that could steer a terminal or reorder a line are escaped
// (see [Clean]).
//
// # JSON
//
// Addresses and sizes are JSON numbers, ranges objects with start and size in
// bytes. Checksums are strings, "0x" and upper-case digits of the algorithm's
// width. A physical value that is no number is null. findings is always a list.
package report
