// Package maps reads region maps and applies them to images: it tells what
// lies where, decodes calibration values and identity fields to physical
// values, and evaluates checksum rules.
//
// The language of the maps is described in LANGUAGE.md, key by key, and in the
// JSON Schema that [Schema] returns. The way of the data is
//
//	path -> Load -> *Map -> Open or Bind -> *Bound -> Coverage, Check, Tables, Identity, Seal
//
// # Words
//
//   - region map: a TOML file, written by the user, that says what lies where in
//     an image. A [Map] in memory has passed every check.
//   - image: the bytes of one controller's memory, each at its address; see
//     package image.
//   - extent: the addresses a full image holds, by the map.
//   - region: a named address range with a role.
//   - rule: which algorithm, over which bytes, must give which value.
//   - field: the bytes that hold a rule's stored value.
//   - target: the value the result of a rule without a field must equal; its
//     cell, if it has one, is what may be changed to reach it.
//   - instance, repetition: one evaluation of a rule that is repeated, or of one
//     record of a table or item of a list in the image.
//   - seal: to compute the fields that make every rule agree.
//   - predict: to compute what a rule will give after a patch, from what it gives
//     now and the bytes that change.
//   - table: a calibration value with units: scalar, curve (one axis) or map
//     (two axes). Rows run along y, columns along x.
//
// # Verdicts
//
// A rule that agrees passes. One that does not, whose bytes are not in the
// image, or whose numbers read from the image make no sense fails: a good
// image has them. One whose field was never written (by a convention the map
// states), or whose table in the image has no entries, is unproven.
//
// # Security
//
// Maps and images may come from anywhere. A map is at most [MaxMapBytes] long
// and its lists are bounded ([MaxRules], [MaxEntries], [MaxTableCells]). A
// number read from an image never sizes an allocation; a rule is evaluated at
// most [MaxRepeats] times and counts at most [MaxCovered] bytes, and what asks
// for more fails with a reason. No formula is ever evaluated.
//
// A checksum that agrees proves that the bytes agree with one another. It
// promises nothing about a controller, which may check more.
package maps
