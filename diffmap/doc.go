// Package diffmap tells what changed between two images of one controller, by
// region and by table cell, and judges whether the modified one may be written.
//
// [Compare] answers what changed, [Gate] whether every condition for writing
// holds, [Verify] whether one image is complete and its checksums agree. All
// three are pure: they read images and a map, keep nothing, print nothing, and
// give the same result, in the same order, for the same input.
//
// # Words
//
//   - original: the image as it was read from the controller.
//   - modified: the edited image that somebody wants to write.
//   - change: a stretch of addresses whose bytes differ. Changes with at most
//     [Options].JoinGap equal bytes between them are joined into one, so a
//     change can hold bytes that are equal; Change.Bytes counts those that
//     differ.
//   - coverage: the addresses an image holds. Bytes that only the modified
//     image holds have appeared, bytes that only the original holds have
//     vanished. Neither counts as changed.
//   - outside every region: addresses that no region of the map names.
//   - protected: bytes of a boot, program, identity or signature region, and of
//     an identity field wherever it lies. No acceptance covers them.
//   - condition: one thing the gate demands, with a verdict and its evidence.
//   - acceptance: the name of a region whose edit must be asked for, with the
//     reason that goes on record.
//
// # Ranges, units and byte order
//
// Addresses are 64-bit and ranges half-open ([image.Range]). With a map, every
// address is one as the map sees it: parts placed, interleave and byte swap
// undone. Table values are physical, in the unit the map gives; the raw cell
// value is beside them.
//
// # Findings
//
// Every finding has a stable code. Those of this package are the Code constants;
// [Gate] and [Verify] also pass on the findings of packages maps and readcheck.
package diffmap
