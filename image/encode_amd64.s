//go:build !purego

#include "textflag.h"

// Sixteen times each: the low half of a byte, the last decimal digit, the
// distance from the character after '9' to 'A', and '0'.
DATA bytes<>+0(SB)/8, $0x0F0F0F0F0F0F0F0F
DATA bytes<>+8(SB)/8, $0x0F0F0F0F0F0F0F0F
DATA bytes<>+16(SB)/8, $0x0909090909090909
DATA bytes<>+24(SB)/8, $0x0909090909090909
DATA bytes<>+32(SB)/8, $0x0707070707070707
DATA bytes<>+40(SB)/8, $0x0707070707070707
DATA bytes<>+48(SB)/8, $0x3030303030303030
DATA bytes<>+56(SB)/8, $0x3030303030303030
GLOBL bytes<>(SB), RODATA|NOPTR, $64

// ENCODE turns the bytes of X0 into digits, those of the first eight bytes in X1
// and of the last in X2, and adds up the bytes, each half for itself, in X6.
#define ENCODE \
	MOVO      X0, X3  \
	PSADBW    X12, X3 \
	PADDQ     X3, X6  \
	MOVO      X0, X1  \
	PSRLW     $4, X1  \
	PAND      X8, X1  \ // high digits
	PAND      X8, X0  \ // low digits
	MOVO      X1, X2  \
	PUNPCKLBW X0, X1  \ // in turn
	PUNPCKHBW X0, X2  \
	MOVO      X1, X3  \
	MOVO      X2, X4  \
	PCMPGTB   X9, X3  \ // which are letters
	PCMPGTB   X9, X4  \
	PAND      X10, X3 \
	PAND      X10, X4 \
	PADDB     X11, X1 \
	PADDB     X11, X2 \
	PADDB     X3, X1  \
	PADDB     X4, X2

// func encodeBlocks(dst []byte, head uint64, size int, data []byte) (n int, sum byte)
TEXT ·encodeBlocks(SB), NOSPLIT, $0-73
	MOVQ  dst_base+0(FP), DI
	MOVQ  size+32(FP), DX
	MOVQ  data_base+40(FP), SI
	MOVQ  data_len+48(FP), CX
	MOVOU bytes<>+0(SB), X8
	MOVOU bytes<>+16(SB), X9
	MOVOU bytes<>+32(SB), X10
	MOVOU bytes<>+48(SB), X11
	PXOR  X12, X12
	PXOR  X6, X6

	TESTQ DX, DX
	JZ    data
	MOVQ  head+24(FP), X0
	ENCODE
	MOVOU X1, (DI)             // what is too much is overwritten later
	LEAQ  (DI)(DX*2), DI

data:
	ANDQ $~15, CX
	MOVQ CX, n+64(FP)
	JZ   done

block:
	MOVOU (SI), X0
	ENCODE
	MOVOU X1, (DI)
	MOVOU X2, 16(DI)
	ADDQ  $16, SI
	ADDQ  $32, DI
	SUBQ  $16, CX
	JNZ   block

done:
	MOVQ   X6, AX
	PSRLDQ $8, X6
	MOVQ   X6, BX
	ADDQ   BX, AX
	MOVB   AX, sum+72(FP)
	RET
