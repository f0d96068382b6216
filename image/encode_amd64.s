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

// func encodeBlocks(dst, data []byte) (n int, sum byte)
TEXT ·encodeBlocks(SB), NOSPLIT, $0-57
	MOVQ  dst_base+0(FP), DI
	MOVQ  data_base+24(FP), SI
	MOVQ  data_len+32(FP), CX
	MOVOU bytes<>+0(SB), X8
	MOVOU bytes<>+16(SB), X9
	MOVOU bytes<>+32(SB), X10
	MOVOU bytes<>+48(SB), X11
	PXOR  X12, X12
	PXOR  X6, X6               // sums of the first and the last eight bytes
	ANDQ  $~15, CX
	MOVQ  CX, n+48(FP)
	JZ    done

block:
	MOVOU     (SI), X0
	MOVO      X0, X7
	PSADBW    X12, X7
	PADDQ     X7, X6
	MOVO      X0, X1
	PSRLW     $4, X1
	PAND      X8, X1           // high digits
	PAND      X8, X0           // low digits
	MOVO      X1, X2
	PUNPCKLBW X0, X1           // in turn: of the first eight bytes
	PUNPCKHBW X0, X2           // and of the last
	MOVO      X1, X3
	MOVO      X2, X4
	PCMPGTB   X9, X3           // which are letters
	PCMPGTB   X9, X4
	PAND      X10, X3
	PAND      X10, X4
	PADDB     X11, X1
	PADDB     X11, X2
	PADDB     X3, X1
	PADDB     X4, X2
	MOVOU     X1, (DI)
	MOVOU     X2, 16(DI)
	ADDQ      $16, SI
	ADDQ      $32, DI
	SUBQ      $16, CX
	JNZ       block

done:
	MOVQ   X6, AX
	PSRLDQ $8, X6
	MOVQ   X6, BX
	ADDQ   BX, AX
	MOVB   AX, sum+56(FP)
	RET
