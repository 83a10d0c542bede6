"""The vectors of the format: what a frame says, its body, and the bytes on the wire.

Made by a prototype on construct, crcmod and cobs, and again by a second implementation in C; both gave these
bytes. They judge the code: both ends share one codec, so a round trip alone proves nothing. Operation numbers are
those of the prototype; a frame does not care what they mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.wire.frame import Frame


@dataclass(frozen=True, slots=True)
class Vector:
    """One frame.

    Attributes:
        name: of the test case.
        frame: what it says.
        body: header, tag and payload before the zero bytes are removed.
        wire: as sent, with both delimiters.
        crc: CRC-24 over the bytes between the leading delimiter and the check bytes.
        zero_bits: number of zero bits in the same bytes.
    """

    name: str
    frame: Frame
    body: bytes
    wire: bytes
    crc: int
    zero_bits: int


VECTORS: Final = (
    Vector(
        "request, empty",
        Frame(1, 0, 0, 0x51, b""),
        bytes.fromhex("200001000051"),
        bytes.fromhex("0002200201010251bbd5fffa8200"),
        crc=0x5FEABB,
        zero_bits=47,
    ),
    Vector(
        "reply, empty, tag BEEF",
        Frame(0, 1, 0, 0x51, b"", 0xBEEF),
        bytes.fromhex("300000010051efbe"),
        bytes.fromhex("0002300102010451efbef1ea8f8c8300"),
        crc=0x83F571,
        zero_bits=49,
    ),
    Vector(
        "request, four zero bytes",
        Frame(0x22, 0, 0xFF, 0x68, bytes(4)),
        bytes.fromhex("20042200ff6800000000"),
        bytes.fromhex("000420042203ff680101010183dbd7968400"),
        crc=0xD5ED83,
        zero_bits=66,
    ),
    Vector(
        "broadcast, two bytes",
        Frame(0xFF, 0, 0x07, 0x5C, bytes.fromhex("0200")),
        bytes.fromhex("2002ff00075c0200"),
        bytes.fromhex("00042002ff04075c020194fac5998300"),
        crc=0x317D14,
        zero_bits=51,
    ),
    Vector(
        "reply without address, eight bytes of uid, tag 51C3",
        Frame(0, 0xF0, 0x07, 0x5C, bytes.fromhex("0123456789abcdef"), 0x51C3),
        bytes.fromhex("300800f0075cc3510123456789abcdef"),
        bytes.fromhex("000330080ef0075cc3510123456789abcdefcabe96f78400"),
        crc=0xE59F4A,
        zero_bits=78,
    ),
    Vector(
        "reply, 32 bytes, tag 0001",
        Frame(0, 0x22, 0x80, 0x69, bytes(range(32)), 1),
        bytes.fromhex("3020002280690100") + bytes(range(32)),
        bytes.fromhex(
            "00033020052280690101200102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1fee9ab7bb8e00"
        ),
        crc=0x6DCD6E,
        zero_bits=231,
    ),
)
