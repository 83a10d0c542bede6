"""The frame's check bytes and zero-byte removal once more, written from their definition, for tests only.

Nothing here imports the product: bit by bit and byte by byte, slow, so that a test can judge the fast code by it.
"""

from __future__ import annotations

from typing import Final

from cobs import cobs

REFLECTED_POLYNOMIAL: Final = int(f"{0x5D6DCB:024b}"[::-1], 2)
"""x^24 left out, the lowest power at the top: a UART sends the low bit first."""
CHECK_BYTES: Final = 5


def crc24_by_bits(data: bytes) -> int:
    """CRC-24, reflected, register begun with ones and inverted at the end, one bit at a time."""
    register = 0xFFFFFF
    for byte in data:
        for bit in range(8):
            out = (register ^ byte >> bit) & 1
            register >>= 1
            if out:
                register ^= REFLECTED_POLYNOMIAL
    return register ^ 0xFFFFFF


def zero_bits(data: bytes) -> int:
    """How many bits of `data` are zero, counted one by one."""
    return sum(not byte >> bit & 1 for byte in data for bit in range(8))


def check_bytes(encoded: bytes) -> bytes:
    """T of the frame: byte i holds bits 7i..7i+6 of the CRC and the zero count above it, and bit 7 set."""
    value = crc24_by_bits(encoded) + (zero_bits(encoded) << 24)
    return bytes(0x80 | value >> 7 * i & 0x7F for i in range(CHECK_BYTES))


def sealed(encoded: bytes) -> bytes:
    """The wire bytes of a frame whose E is `encoded`, whatever that holds."""
    return b"\x00" + encoded + check_bytes(encoded) + b"\x00"


def framed(body: bytes) -> bytes:
    """The wire bytes of a frame whose body is `body`, whatever that holds."""
    return sealed(cobs.encode(body))


def one_at_a_time(key: bytes) -> int:
    """Jenkins' one-at-a-time hash, 32 bits, as published with unsigned arithmetic."""
    value = 0
    for byte in key:
        value = (value + byte) % 2**32
        value = (value + value * 2**10) % 2**32
        value ^= value // 2**6
    value = (value + value * 2**3) % 2**32
    value ^= value // 2**11
    return (value + value * 2**15) % 2**32
