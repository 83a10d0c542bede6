"""Random bytes that are no frame, or nearly none: what a receiver has to drop, or to take all the same."""

from __future__ import annotations

import random
from typing import Final

from busproto.wire.codec import encode_frame
from busproto.wire.crc import trailer
from busproto.wire.definition.layout import remove_zeros
from busproto.wire.frame import HOST_ADDRESS, MAX_PAYLOAD_BYTES, Frame

CHECK_BYTES: Final = 5
HEADER_BYTES: Final = 6
AROUND: Final = (125, 126, 127, 128, 129, 254, 255, 256)
"""Lengths at which a buffer may end."""


def framed(body: bytes) -> bytes:
    """Any body with the check that belongs to it."""
    encoded = remove_zeros(body)
    return b"\0" + encoded + trailer(encoded) + b"\0"


def some_data(rng: random.Random, most: int) -> bytes:
    """Bytes of which many are zero, or none, or only the last."""
    data = bytearray(rng.randbytes(rng.randrange(most + 1)))
    kind = rng.randrange(5)
    for at in range(len(data)):
        if kind == 0 or (kind == 1 and rng.random() < 0.3):
            data[at] = 0
        elif kind >= 2 and not data[at]:
            data[at] = 1
    if kind == 3 and data:
        data[-1] = 0
    return bytes(data)


def strange_wire(rng: random.Random, good: Frame) -> bytes:
    """Bytes made from a good request: with one thing changed behind a right check, with a wrong check, or too long."""
    size = len(good.payload)
    body = bytearray([0x20, size, good.destination, good.source, good.sequence, good.operation]) + good.payload
    wire = encode_frame(good)
    kind = rng.choice((*range(11), 7, 7))
    if kind <= 1:  # version, flags
        body[0] = rng.choice((0x00, 0x40, 0x60, 0xE0, 0x21, 0x22, 0x24, 0x28))
    elif kind == 2:  # length
        body[1] = (size + rng.choice((-1, 1, 2))) & 0xFF
    elif kind == 3:  # more bytes than it tells, or fewer
        body = body + rng.randbytes(rng.choice((1, 2, 9))) if rng.random() < 0.6 else body[:-1]
    elif kind == 4:  # reserved addresses
        body[rng.choice((2, 3))] = rng.randrange(0xF1, 0xFF)
    elif kind == 5:  # all as a source; a reply
        if rng.random() < 0.5:
            body[3] = 0xFF
        else:
            return encode_frame(Frame(good.destination, 9, good.sequence, good.operation, good.payload, 0x1234))
    elif kind == 6:  # too long
        more = rng.choice((1, 2, 8))
        payload = some_data(rng, 8)[:1] * (MAX_PAYLOAD_BYTES + more)
        body = bytearray([0x20, len(payload), good.destination, HOST_ADDRESS, 1, good.operation]) + payload
    elif kind == 7:  # a good frame at the end of a piece that is too long
        most = rng.choice((*AROUND[:5], *AROUND)) - rng.choice((0, 0, 0, len(wire) - 1))
        return b"\0" + b"\x55" * most + wire[1:]
    elif kind == 8:  # the number of zero bits, the marks, or a bit of the check
        at = len(wire) - 1 - CHECK_BYTES
        value = sum((byte & 0x7F) << 7 * number for number, byte in enumerate(wire[at:-1]))
        value = value + (rng.choice((-1, 1)) << 24) if rng.random() < 0.5 else value ^ 1 << rng.randrange(24)
        check = bytearray(0x80 | value >> 7 * number & 0x7F for number in range(CHECK_BYTES))
        return wire[:at] + bytes(check) + b"\0"
    elif kind == 9:  # a mark of the check is missing
        at = len(wire) - 1 - rng.randrange(1, CHECK_BYTES + 1)
        changed = bytearray(wire)
        changed[at] = changed[at] & 0x7F or 0x80
        return bytes(changed)
    else:  # noise right before a good frame, or many delimiters
        return rng.choice((rng.randbytes(rng.randrange(1, 20)).replace(b"\0", b"\1"), bytes(5))) + wire
    return framed(bytes(body))
