// Package edits gives names to changes: it records what one change to an image
// does, and tells of any image which recorded changes are in it. It explains
// and never applies a change.
//
// Words used here:
//
//   - edit: what one named change does, as a list of stretches.
//   - stretch: changed bytes that lie close together. Equal bytes between them
//     belong to nobody: only the changed ranges are compared.
//   - anchor: the unchanged bytes right before (lead) or after (trail) a
//     stretch, kept as their number and hashes. Another software version often
//     has the same bytes at other addresses; anchors find them there.
//   - shift: how far a stretch lies from where it was recorded.
//
// EDITS.md describes the file that keeps edits, key by key.
//
// Stored checksum values, cells that balance a sum and adaptation regions are no
// part of an edit: the first two differ with every other change, the third with
// every drive. A map
// tells where they are; without one they are recorded like any other byte, and
// an edit then looks partly present once a second edit changes a checksum.
package edits
