"""Frames: body, COBS, check, delimiters, and the hash of discovery. Sections Frame and Discovery of the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

VERSION: Final = 1
HOST: Final = 0x00
UNADDRESSED: Final = 0xF0
ALL: Final = 0xFF
LAST_ADDRESS: Final = 0xEF
MOST_PAYLOAD: Final = 112
HEADER: Final = 6
TAGGED_HEADER: Final = 8
CHECK: Final = 5
POLYNOMIAL: Final = 0x5D6DCB
MASK: Final = 0xFFFFFFFF


@dataclass(frozen=True)
class Frame:
    """One frame; `tag` is None in a request."""

    destination: int
    source: int
    sequence: int
    operation: int
    payload: bytes = b""
    tag: int | None = None

    @property
    def body(self) -> bytes:
        control = VERSION << 5 | (self.tag is not None) << 4
        head = bytes((control, len(self.payload), self.destination, self.source, self.sequence, self.operation))
        return head + (b"" if self.tag is None else self.tag.to_bytes(2, "little")) + self.payload

    @property
    def wire(self) -> bytes:
        return framed(self.body)


def crc24(data: bytes) -> int:
    """The CRC of the page's table: low bit first, begun with ones, inverted at the end."""
    reflected = int(f"{POLYNOMIAL:024b}"[::-1], 2)
    register = 0xFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (reflected if register & 1 else 0)
    return register ^ 0xFFFFFF


def zero_bits(data: bytes) -> int:
    return sum(8 - byte.bit_count() for byte in data)


def check_of(encoded: bytes) -> bytes:
    value = crc24(encoded) | zero_bits(encoded) << 24
    return bytes(0x80 | value >> 7 * group & 0x7F for group in range(CHECK))


def sealed(encoded: bytes) -> bytes:
    """The wire bytes of a frame whose encoded body is `encoded`, whatever that holds."""
    return b"\0" + encoded + check_of(encoded) + b"\0"


def framed(body: bytes) -> bytes:
    """The wire bytes of a frame whose body is `body`, whatever that holds."""
    return sealed(stuffed(body))


def stuffed(body: bytes) -> bytes:
    """COBS of a body of fewer than 254 bytes: each zero becomes the distance to the next one."""
    return b"".join(bytes((len(run) + 1,)) + run for run in body.split(b"\0"))


def unstuffed(encoded: bytes) -> bytes | None:
    """The body, or None where the distances do not end with the bytes."""
    runs: list[bytes] = []
    at = 0
    while at < len(encoded):
        distance = encoded[at]
        if distance == 0 or at + distance > len(encoded):
            return None
        runs.append(encoded[at + 1 : at + distance])
        at += distance
    return b"\0".join(runs)


def frame_of(piece: bytes) -> Frame | None:
    """What stands between two delimiters as a frame, or None where it is dropped."""
    encoded, check = piece[:-CHECK], piece[-CHECK:]
    if len(piece) <= CHECK or check_of(encoded) != check:
        return None
    body = unstuffed(encoded)
    if body is None or len(body) < HEADER or body[0] >> 5 != VERSION or body[0] & 0x0F:
        return None
    is_reply = bool(body[0] & 0x10)
    size = TAGGED_HEADER if is_reply else HEADER
    if len(body) != size + body[1] or body[1] > MOST_PAYLOAD:
        return None
    destination, source, sequence, operation = body[2:6]
    if UNADDRESSED < destination < ALL or source > UNADDRESSED:
        return None
    tag = int.from_bytes(body[6:8], "little") if is_reply else None
    return Frame(destination, source, sequence, operation, body[size:], tag)


def pieces_of(stream: bytes) -> list[bytes]:
    """What stands before each zero byte of the stream, without the empty pieces and what is not over yet."""
    return [piece for piece in stream.split(b"\0")[:-1] if piece]


@dataclass(frozen=True)
class Hash:
    """H(uid, salt, epoch) and what comes from it."""

    value: int

    def slot(self, slots: int) -> int:
        return (self.value & 0xFFFF) * slots >> 16

    @property
    def digest(self) -> int:
        return self.value >> 16

    @property
    def list_byte(self) -> int:
        return 0x80 | self.value & 0x7F

    @property
    def unlisted_byte(self) -> int:
        return self.value & 0x7F or 0x01


def one_at_a_time(key: bytes) -> int:
    """The hash of the page over any bytes."""
    h = 0
    for byte in key:
        h = h + byte & MASK
        h = h + (h << 10) & MASK
        h ^= h >> 6
    h = h + (h << 3) & MASK
    h ^= h >> 11
    return h + (h << 15) & MASK


def hash_of(uid: bytes, salt: int = 0, epoch: int = 0) -> Hash:
    return Hash(one_at_a_time(bytes((*uid, salt, epoch & 0xFF, epoch >> 8))))


def tag_of(uid: bytes) -> int:
    return hash_of(uid).digest


def replies_in(stream: bytes) -> list[Frame]:
    """The frames with the reply bit, in the order in which they came."""
    frames = (frame_of(piece) for piece in pieces_of(stream))
    return [frame for frame in frames if frame is not None and frame.tag is not None]
