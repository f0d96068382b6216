// Package imagetest helps to test images and what is built on them.
//
// [Tool], [Python] and [RealFile] find the outside programs and the outside
// files that a test compares with, and skip the test (or fail it, in a run that
// must have them) when they are missing.
package imagetest
