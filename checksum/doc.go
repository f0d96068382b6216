// Package checksum computes checksums: every CRC of the published catalogue
// and CRCs of parameters given freely, additive and XOR sums, Fletcher's and
// Adler's sums, those of the Unix tools, and the common cryptographic hashes.
// An [Algorithm] is a value that carries its name, parameters, check value and
// source. All of them work alike: one shot ([Algorithm.Checksum]), over a
// stream ([Algorithm.New]), over address ranges ([Over]).
//
// What the mathematics allows is there too: the checksum of two parts joined
// ([Algorithm.Combine]), of a run of equal bytes appended
// ([Algorithm.AppendRun]), of a message after a patch ([Algorithm.Patched]),
// none of which reads the message again. With the first, parts of a message can
// be summed in parallel.
//
// With carry-less multiplication (most amd64 and arm64 processors) all CRCs of
// up to 64 bits run about as fast as memory is read, and so do most sums with
// AVX2; SPEED.md has figures.
//
// To compute several checksums and read the bytes once, write to all of their
// hashes with [io.MultiWriter].
//
// # Words
//
//   - value: the result, a number of 1 to 512 bits; its text is hexadecimal,
//     its bytes are most significant first. How a file stores it is the
//     caller's matter.
//   - check value: the value of the nine ASCII bytes "123456789".
//   - residue: what a CRC leaves in its register after a message with its own
//     checksum appended.
//   - register: the state of a CRC between bytes; accumulator: that of a sum.
//   - word: what a sum adds at a time, 1, 2, 4 or 8 bytes in either order. A
//     last word that is short is padded with zeros unless the parameters say
//     otherwise.
//   - end-around carry: what overflows an accumulator is added in again at its
//     low end, which is counting modulo 2^width-1. An accumulator is then 0
//     only if every word was; other multiples show as all ones.
//   - ones' complement: every bit flipped; two's complement: negated.
//
// # Names
//
// [Lookup] knows a CRC by its name and aliases in the catalogue, such as
// CRC-32/ISO-HDLC or CRC-32. Additive and XOR sums have systematic names,
//
//	OPERATION-WIDTH/WORD
//	OPERATION-WIDTH/WORD/FORM
//
// where OPERATION is sum (modulo 2^WIDTH), carry (with end-around carry) or
// xor; WIDTH is the bits of the accumulator and of the value, 8, 16, 32 or 64;
// WORD is u8, u16le, u16be, u32le, u32be, u64le or u64be, no wider than the
// accumulator; FORM is ones-complement or (for sum) twos-complement of the
// result. Every such sum that differs from the others has its name; an xor is
// as wide as its word, and a carry of 64 bits takes words of 64 bits. So
// sum-16/u8 adds bytes to 16 bits, sum-32/u16be/twos-complement big-endian
// 16-bit words to 32 bits and negates. Start value, final XOR, padding with
// other bytes and an added length are for [NewSum].
//
// Some sums have names of their own: xor-8, lrc-8-twos-complement,
// internet-checksum (these three are aliases of systematic names), adler-32,
// fletcher-16, fletcher-32, fletcher-64, fletcher-32-be, fletcher-64-be,
// bsd-sum, sysv-sum, posix-cksum. The digests are SHA-256, SHA-512, SHA-1 and
// MD5.
//
// # Traps
//
// Names of checksums are not standardized. What to mind:
//
//   - CRC-16/CCITT is CRC-16/KERMIT here, as in the catalogue; many programs
//     mean CRC-16/IBM-3740 (CRC-16/CCITT-FALSE) by it.
//   - CRC-32/CKSUM is a bare CRC. The POSIX tool also feeds it the length of
//     the file: that is posix-cksum.
//   - What Go's hash/crc64 calls ECMA is CRC-64/XZ; CRC-64/ECMA-182 differs.
//   - Polynomials are written without their top term and MSB first, even for
//     reflected CRCs: CRC-32 has 0x04C11DB7, not 0xEDB88320.
//   - Fletcher's sums differ by implementation in word order, start values and
//     in whether all ones may show; here they start at 0, take little-endian
//     words unless the name says otherwise, and are fully reduced.
//   - "LRC" is an XOR of bytes to some (xor-8) and the negated sum to others
//     (lrc-8-twos-complement). ISO 1155 is often cited for the latter; that
//     was not verified.
//   - Aliases are the least certain part of the catalogue: its copies differ.
//
// [Algorithm.Note] gives the warning that belongs to a name.
package checksum
