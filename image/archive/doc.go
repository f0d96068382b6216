// Package archive keeps images per vehicle, so that each can be restored in
// ten years, on another machine, without this program.
//
//	archive       a folder with one folder a vehicle and a text that explains it
//	vehicle       whatever a controller was taken from; any name, perhaps a VIN
//	entry         one kept thing of a vehicle: a BagIt 1.0 bag that never changes
//	kind          what the entry keeps: backup, modified, readback, attachment, gate
//	payload       the files of an entry under data/: the image as it was given,
//	              second read, region map, verdict, attached files, note
//	parent        the image that an image was made from, named by its SHA-256
//	chain         each entry names the hash of the one before it, and
//	              chain-sha256.txt lists them all: what is removed, replaced or
//	              reordered shows
//	kept verdict  the verdict stored with an image when it was added
//
// FORMAT.md describes the form on disk, down to restoring an image with
// nothing but sha256sum and cp.
//
// An [Archive] is a folder that can be written; a [Reader] reads the same form
// from any [fs.FS]. Writers take turns through a lock; readers need none, and
// see an entry whole or not at all.
//
// The package knows nothing of region maps. What needs one is handed in: the
// verdict to keep ([Addition]), and how to compute it again ([Recompute]).
package archive
