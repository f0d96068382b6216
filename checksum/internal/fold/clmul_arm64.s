//go:build !purego

#include "go_asm.h"
#include "textflag.h"

// shift<> is a window of byte indices. Loaded at 16+r, it moves the bytes of a
// vector r places towards the front; at r, 16-r places towards the end. An
// index beyond the vector gives zero (VTBL) or leaves the byte alone (VTBX).
DATA shift<>+0x00(SB)/8, $0x8080808080808080
DATA shift<>+0x08(SB)/8, $0x8080808080808080
DATA shift<>+0x10(SB)/8, $0x0706050403020100
DATA shift<>+0x18(SB)/8, $0x0f0e0d0c0b0a0908
DATA shift<>+0x20(SB)/8, $0x8080808080808080
DATA shift<>+0x28(SB)/8, $0x8080808080808080
GLOBL shift<>(SB), RODATA|NOPTR, $48

// FOLD moves an accumulator forward by the distance of the pair k.
#define FOLD(acc, k, tmp) \
	VPMULL  k.D1, acc.D1, tmp.Q1; \
	VPMULL2 k.D2, acc.D2, acc.Q1; \
	VEOR    tmp.B16, acc.B16, acc.B16

// XOR adds data to an accumulator.
#define XOR(data, acc) VEOR data.B16, acc.B16, acc.B16

// SWAP brings 16 bytes of data, or an accumulator, into the other order.
#define SWAP(v) VTBL V15.B16, [v.B16], v.B16

// REDUCE leaves V0 mod P' in R3 for a reflected V0, REDUCEMSB for any other;
// R0 points to the constants. With h the half of V0 that has the higher
// powers, q = floor(h*x^64/P') and V0 + q*P' is the remainder.
#define REDUCE \
	FMOVD   constants_mu(R0), F1;   \
	FMOVD   constants_poly(R0), F2; \
	MOVD    (constants_low+8)(R0), R5; \
	VPMULL  V1.D1, V0.D1, V3.Q1;    \ // q in the first half
	VPMULL  V2.D1, V3.D1, V4.Q1;    \ // all of q*P' but the part of its missing term,
	VMOV    V3.D[0], R4;            \
	AND     R5, R4, R4;             \ // which is this
	VEOR    V4.B16, V0.B16, V0.B16; \
	VMOV    V0.D[1], R3;            \
	EOR     R4, R3, R3

#define REDUCEMSB \
	FMOVQ   constants_mu(R0), F2;   \
	VDUP    V2.D[0], V1.D2;         \
	VPMULL2 V1.D2, V0.D2, V3.Q1;    \ // h*(mu - x^64)
	VEOR    V0.B16, V3.B16, V3.B16; \ // q in the second half
	VPMULL2 V2.D2, V3.D2, V4.Q1;    \ // q*(P' - x^64)
	VEOR    V4.B16, V0.B16, V0.B16; \
	VMOV    V0.D[0], R3

// func update(c *constants, reg uint64, data []byte) uint64
TEXT ·update(SB), NOSPLIT, $0-48
	MOVD  c+0(FP), R0
	FMOVD reg+8(FP), F10         // the rest of V10 is zero
	MOVD  data_base+16(FP), R1
	MOVD  data_len+24(FP), R2
	FMOVQ constants_swap(R0), F15

	CMP $64, R2
	BLO one

	// Four accumulators hide the latency of the multiplier.
	VLD1.P 64(R1), [V0.B16, V1.B16, V2.B16, V3.B16]
	XOR(V10, V0)
	SWAP(V0)
	SWAP(V1)
	SWAP(V2)
	SWAP(V3)
	SUB    $64, R2
	CMP    $64, R2
	BLO    fourToOne
	FMOVQ  constants_by512(R0), F14

fourLoop:
	VLD1.P 64(R1), [V4.B16, V5.B16, V6.B16, V7.B16]
	SWAP(V4)
	SWAP(V5)
	SWAP(V6)
	SWAP(V7)
	FOLD(V0, V14, V8)
	FOLD(V1, V14, V9)
	FOLD(V2, V14, V10)
	FOLD(V3, V14, V11)
	XOR(V4, V0)
	XOR(V5, V1)
	XOR(V6, V2)
	XOR(V7, V3)
	SUB    $64, R2
	CMP    $64, R2
	BHS    fourLoop

fourToOne:
	FMOVQ constants_by384(R0), F4
	FMOVQ constants_by256(R0), F5
	FMOVQ constants_by128(R0), F6
	FOLD(V0, V4, V8)
	FOLD(V1, V5, V9)
	FOLD(V2, V6, V10)
	XOR(V1, V0)
	XOR(V3, V2)
	XOR(V2, V0)
	B     blocks

one:
	VLD1.P 16(R1), [V0.B16]
	XOR(V10, V0)
	SWAP(V0)
	SUB    $16, R2

blocks:
	// One accumulator, in V0, over what is left of whole blocks.
	FMOVQ constants_by128(R0), F14
	CMP   $16, R2
	BLO   tail
blockLoop:
	VLD1.P 16(R1), [V4.B16]
	SWAP(V4)
	FOLD(V0, V14, V8)
	XOR(V4, V0)
	SUB    $16, R2
	CMP    $16, R2
	BHS    blockLoop

tail:
	// r = R2 bytes are left. The accumulator followed by them is 16+r bytes:
	// the first r become a block of their own, folded onto the other 16. The
	// tail is taken from the last 16 bytes of data, so nothing beyond is read.
	CBZ  R2, finish
	MOVD $shift<>(SB), R4
	ADD  R2, R4
	VLD1 (R4), [V1.B16]
	ADD  $16, R4
	VLD1 (R4), [V2.B16]
	ADD  R2, R1
	SUB  $16, R1
	VLD1 (R1), [V3.B16]
	SWAP(V0)                     // to memory order
	VTBX V2.B16, [V0.B16], V3.B16
	VTBL V1.B16, [V0.B16], V0.B16
	SWAP(V0)                     // and back
	SWAP(V3)
	FOLD(V0, V14, V8)
	XOR(V3, V0)

finish:
	FMOVQ constants_by64(R0), F1
	FOLD(V0, V1, V8)
	MOVBU constants_reflected(R0), R3
	CBZ   R3, msb
	REDUCE
	MOVD  R3, ret+40(FP)
	RET
msb:
	REDUCEMSB
	MOVD R3, ret+40(FP)
	RET

// func mul(c *constants, a, b uint64) uint64
TEXT ·mul(SB), NOSPLIT, $0-32
	MOVD   c+0(FP), R0
	FMOVD  a+8(FP), F0
	FMOVD  b+16(FP), F1
	VPMULL V1.D1, V0.D1, V0.Q1
	MOVBU  constants_reflected(R0), R3
	CBZ    R3, msb

	// The product of reflected values has one x too many. Lower powers are
	// higher bits: all 128 bits move up by one.
	VEOR  V1.B16, V1.B16, V1.B16
	VEXT  $8, V0.B16, V1.B16, V1.B16
	VUSHR $63, V1.D2, V1.D2
	VSHL  $1, V0.D2, V0.D2
	VEOR  V1.B16, V0.B16, V0.B16
	REDUCE
	MOVD  R3, ret+24(FP)
	RET
msb:
	REDUCEMSB
	MOVD R3, ret+24(FP)
	RET
