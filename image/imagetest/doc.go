// Package imagetest helps to test images and what is built on them.
//
// [TestImage] is the check that every image must pass, whatever it was read from
// or made of. [Tool], [Python] and [RealFile] find the outside programs and the outside
// files that a test compares with, and skip the test (or fail it, in a run that
// must have them) when they are missing.
package imagetest
