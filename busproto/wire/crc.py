"""The frame check: a 24-bit CRC over the bytes as sent, and the number of zero bits in them.

The CRC has Hamming distance 6 up to 2024 data bits; it is run over the bytes *after* the zero-byte removal, so a
flipped bit on the wire is a flipped bit of the code word. The count of zero bits makes every frame unordered: the
wired AND of two different frames of equal length is never a frame (Berger 1961, cited from memory). The polynomial
is the one of the FlexRay frame CRC (0x5D6DCB), used reflected because a UART sends the low bit first.

crcmod computes the CRC; with its C extension it is about ten times faster; ``busproto --version`` says which is in use.
Code for other languages and for whole columns of bytes uses a table made here from the same model.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import crcmod


@dataclass(frozen=True, slots=True)
class CrcModel:
    """A CRC by the usual model (Williams, A Painless Guide to CRC Error Detection Algorithms, 1993, from memory).

    Attributes:
        width_bits: 8, 16, 24, 32 or 64.
        polynomial: with its highest power.
        start: of the register.
        final: what the register is combined with at the end, by exclusive or.
        is_reflected: each byte goes in low bit first, and the register shifts that way.
    """

    width_bits: int
    polynomial: int
    start: int
    final: int
    is_reflected: bool

    def function(self) -> Callable[[bytes], int]:
        """The CRC of a byte string."""
        # crcmod's own start value is the register's combined with the final value
        made: Callable[[bytes], int] = crcmod.mkCrcFun(
            self.polynomial, initCrc=self.start ^ self.final, rev=self.is_reflected, xorOut=self.final
        )
        return made

    def table(self, bits: int) -> list[int]:
        """The register after `bits` low bits are shifted out, for each of their values.

        Raises:
            ValueError: the model is not reflected.
        """
        if not self.is_reflected:
            raise ValueError("a table is made for reflected models only")
        polynomial = int(f"{self.polynomial ^ 1 << self.width_bits:0{self.width_bits}b}"[::-1], 2)
        table = []
        for value in range(1 << bits):
            for _ in range(bits):
                value = value >> 1 ^ (polynomial if value & 1 else 0)
            table.append(value)
        return table


CRC_WIDTH_BITS: Final = 24
CRC_POLYNOMIAL: Final = 0x15D6DCB
CRC_MODEL: Final = CrcModel(CRC_WIDTH_BITS, CRC_POLYNOMIAL, start=0xFFFFFF, final=0xFFFFFF, is_reflected=True)
CRC_CHECK: Final = 0x2F27EE
"""CRC of the nine ASCII bytes "123456789"."""

TRAILER_BYTES: Final = 5
TRAILER_MARK: Final = 0x80
"""Set in each of the trailer's bytes, so that none of them is a delimiter."""
TRAILER_GROUP_BITS: Final = 7

crc24: Final[Callable[[bytes], int]] = CRC_MODEL.function()
"""CRC-24 of a byte string, 0..0xFFFFFF."""

_pack_trailer: Final = struct.Struct(f"{TRAILER_BYTES}B").pack


def trailer(encoded: bytes) -> bytes:
    """The five check bytes that follow `encoded` (the bytes as sent, without delimiters, 1..121 of them).

    35 bits, ``crc24 + (zero bits << 24)``, in groups of seven, low group first, each with bit 7 set.
    """
    crc = crc24(encoded)
    zeros = 8 * len(encoded) - int.from_bytes(encoded, "little").bit_count()
    return _pack_trailer(
        crc & 0x7F | TRAILER_MARK,
        crc >> 7 & 0x7F | TRAILER_MARK,
        crc >> 14 & 0x7F | TRAILER_MARK,
        (crc >> 21 | zeros << 3) & 0x7F | TRAILER_MARK,
        zeros >> 4 | TRAILER_MARK,
    )
