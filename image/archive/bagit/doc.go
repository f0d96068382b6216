// Package bagit writes and validates BagIt bags (RFC 8493), folders that carry
// the hashes of their own files. It knows nothing of images and vehicles.
//
//	bag           a folder with bagit.txt, manifests and a payload folder data/
//	payload       the files under data/
//	tag file      a file of the bag outside data/
//	manifest      manifest-ALGORITHM.txt: "HASH  path" of every payload file
//	tag manifest  tagmanifest-ALGORITHM.txt: the same of the tag files
//	bag-info      bag-info.txt: "Label: value" lines about the bag
//	fetch.txt     payload files to be downloaded; never in a bag of ours
//
// [Validate] answers two questions in one pass. Does the bag conform to
// BagIt (versions 0.93 to 1.0, any character encoding and hash algorithm of
// the standard)? And is it a bag of the stricter kind that this module writes
// and accepts? A [Problem] says which of the two it breaks; FORMAT.md of the
// archive argues each stricter rule.
//
// [ParseManifest] and [ParseInfo] read the two text forms, [FormatManifest]
// and [FormatInfo] write them in their one canonical form.
package bagit
