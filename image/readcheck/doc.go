// Package readcheck tells whether a read of a controller's memory is complete
// and true, from the bytes themselves, from a region map and from repeated
// reads.
//
// [Examine] looks at one read, [Agree] compares repeated ones and examines the
// first, because equal reads alone prove nothing, [Majority] merges three or more, [CompareReadback] compares what was written with what
// is read back, [NewPlan] computes how long a read should take, and
// [NewStrip] draws an image in 64 cells. What each check finds, how often, and
// how often it is wrong on healthy files stands in DETECTION.md, which the
// program in internal/survey measures.
//
// # Words
//
//   - read: an image as it came out of a controller.
//   - unit: 256 bytes from a multiple of 256 on. Units are the grain of the
//     line checks: the address lines 0 to 7 move inside a unit, those from 8 on
//     choose it.
//   - fill: a unit of one value. rich: a unit with at least 12 different values
//     of which none fills more than three quarters. Only rich units count as
//     evidence, because fill agrees with everything.
//   - address line k: the wire that carries bit k of an address. Stuck, it makes
//     the image the same at both settings of 1<<k.
//   - data line: the wire that carries one bit of the bus. A bus of 16 or 32
//     bits has its lines in every second or fourth byte: a lane.
//   - transfer block: the bytes that the reader asks for at a time, 16 to 4096.
//   - joint: where two copies of a repeated block meet, or the last copy and
//     what follows. A block delivered again makes joints of what never stood
//     together. Also where two blocks meet that address lines move: exchanged
//     lines tear them.
//   - arrangement: an order of bytes in a file other than that of the memory.
//   - anchor: something a map says that holds by chance hardly ever: a checksum
//     rule of 16 bits or more, an identity field.
//   - proved: under an agreeing checksum rule of 16 bits or more. What looks odd
//     there was odd when the checksum was made, and is a note.
//
// # Thresholds
//
// A part of an image counts as read through a stuck address line when 8
// different rich units agree (16 for the lines inside a unit), the whole image
// when nothing in it disagrees. Data lines are judged over 4096 bytes of
// content. A block counts as delivered again when its repetition keeps to block
// boundaries and scores 2.75 points (see DETECTION.md). A constant tail is worth a
// caution from 1024 bytes and a 64th of the image on, a constant stretch in a
// region that should hold content from 1024 bytes on, a tail that is a copy from
// 4096 bytes on. A byte counts as lost or doubled when calls lead beside three
// of the places called further up, or the phases of short patterns are worth
// 6.25 of 14 points, with eight windows on either side for it; two address
// lines count as exchanged when the joints are 6 nats, and 2.5 standard deviations,
// likelier with them taken back; bytes count as swapped or
// interleaved when 40 pairs of letters say so. Text is searched from 48 bytes
// on; two lines that only a session has make it one, if no
// conversion of printf stands in it; a single error line does not. High entropy is 7.9 bits a
// byte or more, over 8192 bytes. A pass needs agreeing checksum rules over half
// of the content. The [read] section of a map sets all of these, and
// transfer_block_bytes: with it a block of that very size counts when it stands
// twice. DETECTION.md has a table of them all, with the key of each and the
// figures that are fixed.
//
// # Cost
//
// Memory: one copy of the image and twelve bytes for each 256 of it. Time:
// linear in the image, but for the pairs of address lines, whose number grows
// with the square of the lines; only those are looked at for which some unit
// speaks, and of joints a sample for each. Checks run side by side; the report does not depend on their order.
package readcheck
