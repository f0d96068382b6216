//go:build !purego

#include "go_asm.h"
#include "textflag.h"

// shift<> is a window for PSHUFB. Loaded at 16+r, it moves the bytes of a
// vector r places towards the front; at r, 16-r places towards the end. Zeros
// come in from the other side.
DATA shift<>+0x00(SB)/8, $0x8080808080808080
DATA shift<>+0x08(SB)/8, $0x8080808080808080
DATA shift<>+0x10(SB)/8, $0x0706050403020100
DATA shift<>+0x18(SB)/8, $0x0f0e0d0c0b0a0908
DATA shift<>+0x20(SB)/8, $0x8080808080808080
DATA shift<>+0x28(SB)/8, $0x8080808080808080
GLOBL shift<>(SB), RODATA|NOPTR, $48

// FOLD moves an accumulator forward by the distance of the pair k.
#define FOLD(acc, k, tmp) \
	MOVOA     acc, tmp;      \
	PCLMULQDQ $0x00, k, acc; \
	PCLMULQDQ $0x11, k, tmp; \
	PXOR      tmp, acc

// FOLD2 and FOLD4 do so with two and four lanes, and add the next data.
#define FOLD2(acc, k, data, tmp) \
	VPCLMULQDQ $0x00, k, acc, tmp; \
	VPCLMULQDQ $0x11, k, acc, acc; \
	VPXOR      data, tmp, tmp;     \
	VPXOR      tmp, acc, acc

#define FOLD4(acc, k, data, tmp) \
	VPCLMULQDQ $0x00, k, acc, tmp; \
	VPCLMULQDQ $0x11, k, acc, acc; \
	VPTERNLOGD $0x96, data, tmp, acc

// LOAD loads a block as coefficients, LOAD2 and LOAD4 that many.
#define LOAD(from, block) \
	MOVOU  from, block; \
	PSHUFB X15, block

#define LOAD2(from, blocks) \
	VMOVDQU from, blocks; \
	VPSHUFB Y15, blocks, blocks

#define LOAD4(from, blocks) \
	VMOVDQU64      from, blocks; \
	VGF2P8AFFINEQB $0, Z15, blocks, blocks

// REDUCE leaves t mod P' in the second qword of t for a reflected t, REDUCEMSB
// in the first for any other. k holds mu and P'. With h the half of t that has
// the higher powers, q = floor(h*x^64/P') and t + q*P' is the remainder.
#define REDUCE(t, k, low, q, tmp) \
	MOVOA     t, q;          \
	PCLMULQDQ $0x00, k, q;   \ // q in the first qword
	MOVOA     q, tmp;        \
	PCLMULQDQ $0x10, k, tmp; \ // all of q*P' but the part of its missing term,
	PSLLDQ    $8, q;         \
	PAND      low, q;        \ // which is this
	PXOR      tmp, t;        \
	PXOR      q, t

#define REDUCEMSB(t, k, q) \
	MOVOA     t, q;        \
	PCLMULQDQ $0x01, k, q; \ // h*(mu - x^64)
	PXOR      t, q;        \ // q in the second qword
	PCLMULQDQ $0x11, k, q; \ // q*(P' - x^64)
	PXOR      q, t

// func update(c *constants, reg uint64, data []byte) uint64
TEXT ·update(SB), NOSPLIT, $0-48
	MOVQ  c+0(FP), DI
	MOVQ  reg+8(FP), X10         // the rest of X10 is zero
	MOVQ  data_base+16(FP), SI
	MOVQ  data_len+24(FP), CX
	MOVOU constants_swap(DI), X15

	CMPQ CX, $64
	JB   one
	CMPQ CX, $128
	JB   four
	CMPB constants_lanes(DI), $2
	JB   four
	JE   twoLanes
	CMPQ CX, $256
	JB   twoLanes
	JMP  fourLanes

four:
	// Four accumulators hide the latency of the multiplier.
	LOAD(0(SI), X0)
	LOAD(16(SI), X1)
	LOAD(32(SI), X2)
	LOAD(48(SI), X3)
	PSHUFB X15, X10
	PXOR   X10, X0
	ADDQ   $64, SI
	SUBQ   $64, CX
	CMPQ   CX, $64
	JB     fourToOne
	MOVOU  constants_by512(DI), X14

	PCALIGN $16
fourLoop:
	LOAD(0(SI), X4)
	LOAD(16(SI), X5)
	LOAD(32(SI), X6)
	LOAD(48(SI), X7)
	FOLD(X0, X14, X8)
	FOLD(X1, X14, X9)
	FOLD(X2, X14, X10)
	FOLD(X3, X14, X11)
	PXOR   X4, X0
	PXOR   X5, X1
	PXOR   X6, X2
	PXOR   X7, X3
	ADDQ   $64, SI
	SUBQ   $64, CX
	CMPQ   CX, $64
	JAE    fourLoop

fourToOne:
	MOVOU constants_by384(DI), X4
	MOVOU constants_by256(DI), X5
	MOVOU constants_by128(DI), X6
	FOLD(X0, X4, X8)
	FOLD(X1, X5, X9)
	FOLD(X2, X6, X11)
	PXOR  X1, X0
	PXOR  X3, X2
	PXOR  X2, X0
	JMP   blocks

twoLanes:
	// The same with 128 bytes a turn.
	VBROADCASTI128 constants_swap(DI), Y15
	LOAD2(0(SI), Y0)
	LOAD2(32(SI), Y1)
	LOAD2(64(SI), Y2)
	LOAD2(96(SI), Y3)
	VPSHUFB        X15, X10, X10
	VPXOR          Y10, Y0, Y0
	ADDQ           $128, SI
	SUBQ           $128, CX
	CMPQ           CX, $128
	JB             twoLanesOne
	VBROADCASTI128 constants_by1024(DI), Y14

	PCALIGN $16
twoLanesLoop:
	LOAD2(0(SI), Y4)
	LOAD2(32(SI), Y5)
	LOAD2(64(SI), Y6)
	LOAD2(96(SI), Y7)
	FOLD2(Y0, Y14, Y4, Y8)
	FOLD2(Y1, Y14, Y5, Y9)
	FOLD2(Y2, Y14, Y6, Y10)
	FOLD2(Y3, Y14, Y7, Y11)
	ADDQ $128, SI
	SUBQ $128, CX
	CMPQ CX, $128
	JAE  twoLanesLoop

twoLanesOne:
	VBROADCASTI128 constants_by512(DI), Y4
	VBROADCASTI128 constants_by256(DI), Y14
	FOLD2(Y0, Y4, Y2, Y8)
	FOLD2(Y1, Y4, Y3, Y9)
	FOLD2(Y0, Y14, Y1, Y8)
	CMPQ CX, $32
	JB   twoLanesEnd
twoLanesBlock:
	LOAD2(0(SI), Y4)
	FOLD2(Y0, Y14, Y4, Y8)
	ADDQ $32, SI
	SUBQ $32, CX
	CMPQ CX, $32
	JAE  twoLanesBlock
twoLanesEnd:
	VEXTRACTI128 $1, Y0, X4
	VZEROUPPER
	MOVOU        constants_by128(DI), X14
	FOLD(X0, X14, X8)
	PXOR         X4, X0
	JMP          blocks

fourLanes:
	// The same with 256 bytes a turn. All data is made reflected: to reverse
	// the bits of bytes is cheaper here than to swap bytes, as multiplications
	// and shuffles of 512 bits get in each other's way.
	VPBROADCASTQ   constants_bitOrder(DI), Z15
	VGF2P8AFFINEQB $0, X15, X10, X10
	CMPQ           constants_half(DI), $0
	JNE            twoStreams

	LOAD4(0(SI), Z0)
	LOAD4(64(SI), Z1)
	LOAD4(128(SI), Z2)
	LOAD4(192(SI), Z3)
	VPXORQ          Z10, Z0, Z0
	ADDQ            $256, SI
	SUBQ            $256, CX
	CMPQ            CX, $256
	JB              fourLanesOne
	VBROADCASTI32X4 constants_wideBy2048(DI), Z14

	PCALIGN $16
fourLanesLoop:
	LOAD4(0(SI), Z4)
	LOAD4(64(SI), Z5)
	LOAD4(128(SI), Z6)
	LOAD4(192(SI), Z7)
	FOLD4(Z0, Z14, Z4, Z8)
	FOLD4(Z1, Z14, Z5, Z9)
	FOLD4(Z2, Z14, Z6, Z10)
	FOLD4(Z3, Z14, Z7, Z11)
	ADDQ $256, SI
	SUBQ $256, CX
	CMPQ CX, $256
	JAE  fourLanesLoop
	JMP  fourLanesOne

twoStreams:
	// Two accumulators in each half of the data, which lie half = BX bytes
	// apart. In the end those of the first half take the long step.
	MOVQ            constants_half(DI), BX
	LEAQ            (SI)(BX*1), DX
	LOAD4(0(SI), Z0)
	LOAD4(64(SI), Z1)
	LOAD4(0(DX), Z2)
	LOAD4(64(DX), Z3)
	VPXORQ          Z10, Z0, Z0
	SUBQ            BX, CX
	SUBQ            BX, CX
	VBROADCASTI32X4 constants_wideBy1024(DI), Z14
	JMP             twoStreamsNext

	PCALIGN $16
twoStreamsLoop:
	LOAD4(0(SI), Z4)
	LOAD4(64(SI), Z5)
	LOAD4(0(DX), Z6)
	LOAD4(64(DX), Z7)
	FOLD4(Z0, Z14, Z4, Z8)
	FOLD4(Z1, Z14, Z5, Z9)
	FOLD4(Z2, Z14, Z6, Z10)
	FOLD4(Z3, Z14, Z7, Z11)
twoStreamsNext:
	ADDQ $128, SI
	ADDQ $128, DX
	SUBQ $128, BX
	JNE  twoStreamsLoop

	MOVQ            DX, SI
	VBROADCASTI32X4 constants_wideByHalf(DI), Z4
	JMP             fourLanesAdd

fourLanesOne:
	VBROADCASTI32X4 constants_wideBy1024(DI), Z4
fourLanesAdd:
	VBROADCASTI32X4 constants_wideBy512(DI), Z14
	FOLD4(Z0, Z4, Z2, Z8)
	FOLD4(Z1, Z4, Z3, Z9)
	FOLD4(Z0, Z14, Z1, Z8)
	CMPQ CX, $64
	JB   fourLanesEnd
fourLanesBlock:
	LOAD4(0(SI), Z4)
	FOLD4(Z0, Z14, Z4, Z8)
	ADDQ $64, SI
	SUBQ $64, CX
	CMPQ CX, $64
	JAE  fourLanesBlock
fourLanesEnd:
	// Each lane moves to where the last one lies; wideBy0 makes that one
	// vanish, and it is added as it is. Then back to the order of the others.
	VEXTRACTI32X4  $3, Z0, X4
	VMOVDQU64      constants_wideBy384(DI), Z5
	FOLD4(Z0, Z5, Z4, Z8)
	VEXTRACTI64X4  $1, Z0, Y1
	VPXOR          Y1, Y0, Y0
	VEXTRACTI128   $1, Y0, X1
	VPXOR          X1, X0, X0
	VGF2P8AFFINEQB $0, X15, X0, X0
	VZEROUPPER
	MOVOU          constants_swap(DI), X15
	PSHUFB         X15, X0
	JMP            blocks

one:
	MOVOU  (SI), X0
	PXOR   X10, X0
	PSHUFB X15, X0
	ADDQ   $16, SI
	SUBQ   $16, CX

blocks:
	// One accumulator, in X0, over what is left of whole blocks.
	MOVOU constants_by128(DI), X14
	CMPQ  CX, $16
	JB    tail
blockLoop:
	LOAD(0(SI), X4)
	FOLD(X0, X14, X8)
	PXOR   X4, X0
	ADDQ   $16, SI
	SUBQ   $16, CX
	CMPQ   CX, $16
	JAE    blockLoop

tail:
	// r = CX bytes are left. The accumulator followed by them is 16+r bytes:
	// the first r become a block of their own, folded onto the other 16. The
	// tail is taken from the last 16 bytes of data, so nothing beyond is read.
	TESTQ   CX, CX
	JZ      finish
	LEAQ    shift<>(SB), DX
	MOVOU   (DX)(CX*1), X1
	MOVOU   16(DX)(CX*1), X2
	MOVOU   -16(SI)(CX*1), X3
	PXOR    X4, X4
	PCMPGTB X2, X4               // all ones where the tail goes
	PAND    X4, X3
	PSHUFB  X15, X0              // to memory order
	MOVOA   X0, X4
	PSHUFB  X1, X0
	PSHUFB  X2, X4
	PXOR    X3, X4
	PSHUFB  X15, X0              // and back
	PSHUFB  X15, X4
	FOLD(X0, X14, X8)
	PXOR    X4, X0

finish:
	MOVOU constants_by64(DI), X1
	FOLD(X0, X1, X8)
	MOVOU constants_mu(DI), X1
	CMPB  constants_reflected(DI), $0
	JEQ   msb
	MOVOU constants_low(DI), X2
	REDUCE(X0, X1, X2, X3, X4)
	PSRLDQ $8, X0
	MOVQ   X0, ret+40(FP)
	RET
msb:
	REDUCEMSB(X0, X1, X3)
	MOVQ X0, ret+40(FP)
	RET

// func mul(c *constants, a, b uint64) uint64
TEXT ·mul(SB), NOSPLIT, $0-32
	MOVQ      c+0(FP), DI
	MOVQ      a+8(FP), X0
	MOVQ      b+16(FP), X1
	PCLMULQDQ $0x00, X1, X0
	MOVOU     constants_mu(DI), X1
	CMPB      constants_reflected(DI), $0
	JEQ       msb

	// The product of reflected values has one x too many. Lower powers are
	// higher bits: all 128 bits move up by one.
	MOVOA  X0, X2
	PSRLQ  $63, X2
	PSLLDQ $8, X2
	PSLLQ  $1, X0
	POR    X2, X0
	MOVOU  constants_low(DI), X2
	REDUCE(X0, X1, X2, X3, X4)
	PSRLDQ $8, X0
	MOVQ   X0, ret+24(FP)
	RET
msb:
	REDUCEMSB(X0, X1, X3)
	MOVQ X0, ret+24(FP)
	RET

// func hasVPCLMULQDQ() bool
TEXT ·hasVPCLMULQDQ(SB), NOSPLIT, $0-1
	MOVL $7, AX
	MOVL $0, CX
	CPUID
	SHRL $10, CX
	ANDL $1, CX
	MOVB CX, ret+0(FP)
	RET
