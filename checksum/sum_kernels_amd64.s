//go:build !purego

#include "textflag.h"

// The loops of sum_kernels.go with vectors of 32 bytes, four rows. Even and odd
// bytes are added up in 16-bit lanes for a block of vectors, then in 32-bit
// lanes. Y14 and Y15 pick the low half of a lane of 16 and 32 bits.

#define MASKS \
	VPCMPEQD Y15, Y15, Y15 \
	VPSRLW   $8, Y15, Y14  \
	VPSRLD   $16, Y15, Y15

// func addVectors(sum *columnLanes, vectors *byte, n int)
TEXT ·addVectors(SB), NOSPLIT, $0-24
	MOVQ    sum+0(FP), DI
	MOVQ    vectors+8(FP), SI
	MOVQ    n+16(FP), CX
	MASKS
	VMOVDQU (DI), Y4
	VMOVDQU 32(DI), Y5
	VMOVDQU 64(DI), Y6
	VMOVDQU 96(DI), Y7

addBlock:
	// 256 * 255 < 2^16
	MOVQ    $256, DX
	CMPQ    CX, DX
	CMOVQLT CX, DX
	SUBQ    DX, CX
	VPXOR   Y0, Y0, Y0      // even bytes
	VPXOR   Y1, Y1, Y1      // odd bytes

addVector:
	VMOVDQU (SI), Y3
	ADDQ    $32, SI
	VPAND   Y14, Y3, Y2
	VPSRLW  $8, Y3, Y3
	VPADDW  Y2, Y0, Y0
	VPADDW  Y3, Y1, Y1
	DECQ    DX
	JNZ     addVector

	VPAND  Y15, Y0, Y2
	VPADDD Y2, Y4, Y4
	VPAND  Y15, Y1, Y2
	VPADDD Y2, Y5, Y5
	VPSRLD $16, Y0, Y2
	VPADDD Y2, Y6, Y6
	VPSRLD $16, Y1, Y2
	VPADDD Y2, Y7, Y7
	TESTQ  CX, CX
	JNZ    addBlock

	VMOVDQU Y4, (DI)
	VMOVDQU Y5, 32(DI)
	VMOVDQU Y6, 64(DI)
	VMOVDQU Y7, 96(DI)
	VZEROUPPER
	RET

// Takes the running sums lane and their sums laneW of a block into sum and
// weighted, whose earlier vectors count once more for every vector of the
// block. Y13 holds the number of those.
#define TAKE(pick, by, lane, laneW, sum, weighted) \
	VPMULLD Y13, sum, Y12            \
	VPADDD  Y12, weighted, weighted  \
	pick    by, laneW, Y12           \
	VPADDD  Y12, weighted, weighted  \
	pick    by, lane, Y12            \
	VPADDD  Y12, sum, sum

// func weighVectors(sum, weighted *columnLanes, vectors *byte, n int)
TEXT ·weighVectors(SB), NOSPLIT, $0-32
	MOVQ  sum+0(FP), DI
	MOVQ  weighted+8(FP), R8
	MOVQ  vectors+16(FP), SI
	MOVQ  n+24(FP), CX
	MASKS
	VPXOR Y4, Y4, Y4            // sums: Y4 to Y7
	VPXOR Y5, Y5, Y5
	VPXOR Y6, Y6, Y6
	VPXOR Y7, Y7, Y7
	VPXOR Y8, Y8, Y8            // weighted sums: Y8 to Y11
	VPXOR Y9, Y9, Y9
	VPXOR Y10, Y10, Y10
	VPXOR Y11, Y11, Y11

weighBlock:
	// 255 * 22*23/2 < 2^16
	MOVQ    $22, DX
	CMPQ    CX, DX
	CMOVQLT CX, DX
	SUBQ    DX, CX
	MOVQ    DX, R9
	VPXOR   Y0, Y0, Y0          // even bytes
	VPXOR   Y1, Y1, Y1          // odd bytes
	VPXOR   Y2, Y2, Y2          // sums of Y0
	VPXOR   Y3, Y3, Y3          // sums of Y1

weighVector:
	VMOVDQU (SI), Y13
	ADDQ    $32, SI
	VPAND   Y14, Y13, Y12
	VPSRLW  $8, Y13, Y13
	VPADDW  Y12, Y0, Y0
	VPADDW  Y13, Y1, Y1
	VPADDW  Y0, Y2, Y2
	VPADDW  Y1, Y3, Y3
	DECQ    DX
	JNZ     weighVector

	VMOVD        R9, X13
	VPBROADCASTD X13, Y13
	TAKE(VPAND, Y15, Y0, Y2, Y4, Y8)
	TAKE(VPAND, Y15, Y1, Y3, Y5, Y9)
	TAKE(VPSRLD, $16, Y0, Y2, Y6, Y10)
	TAKE(VPSRLD, $16, Y1, Y3, Y7, Y11)
	TESTQ        CX, CX
	JNZ          weighBlock

	VMOVDQU Y4, (DI)
	VMOVDQU Y5, 32(DI)
	VMOVDQU Y6, 64(DI)
	VMOVDQU Y7, 96(DI)
	VMOVDQU Y8, (R8)
	VMOVDQU Y9, 32(R8)
	VMOVDQU Y10, 64(R8)
	VMOVDQU Y11, 96(R8)
	VZEROUPPER
	RET
