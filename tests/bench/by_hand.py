"""Frame and two messages written by hand on `struct`: what the generated code has to stand up to.

The same bytes and the same checks, each once. CRC by crcmod as in the product. Two ways to remove zero bytes: in
Python, as in the product, and by the cobs package, which is written in C.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import crcmod
from cobs import cobs

from busproto.wire.definition.layout import remove_zeros, restore_zeros

_crc24: Final = crcmod.mkCrcFun(0x15D6DCB, initCrc=0, rev=True, xorOut=0xFFFFFF)
_HEADER: Final = struct.Struct("<6B")
_REPLY_HEADER: Final = struct.Struct("<6BH")
_TAG: Final = struct.Struct("<H")
_CHECK: Final = struct.Struct("<5B")
_STATUS: Final = struct.Struct("<BBBhhHHhHHHB")


@dataclass(frozen=True, slots=True)
class Header:
    """Where a frame goes and what it is for."""

    destination: int
    source: int
    sequence: int
    operation: int
    tag: int | None


@dataclass(frozen=True, slots=True)
class HandStatus:
    """The report reply."""

    state: int
    faults: int
    position: int
    demand: int
    current: int
    supply: int
    temperature: int
    age: int
    good: int
    bad: int
    is_showing: int


@dataclass(frozen=True, slots=True)
class HandDemands:
    """The demand of all channels."""

    demands: tuple[int, ...]


def _check_bytes(encoded: bytes) -> bytes:
    crc = _crc24(encoded)
    zeros = 8 * len(encoded) - int.from_bytes(encoded, "little").bit_count()
    return _CHECK.pack(
        crc & 0x7F | 0x80,
        crc >> 7 & 0x7F | 0x80,
        crc >> 14 & 0x7F | 0x80,
        (crc >> 21 | zeros << 3) & 0x7F | 0x80,
        zeros >> 4 | 0x80,
    )


class HandCodec:
    """Frames to messages and back; `remove` and `restore` deal with the zero bytes."""

    def __init__(self, remove: Callable[[bytes], bytes], restore: Callable[[bytes], bytes]) -> None:
        self._remove = remove
        self._restore = restore

    def decode(self, wire: bytes) -> tuple[Header, HandStatus | HandDemands]:
        size = len(wire)
        if not 14 <= size <= 128 or wire[0] or wire[-1]:
            raise ValueError("not a frame")
        encoded = wire[1:-6]
        if wire[-6:-1] != _check_bytes(encoded):
            raise ValueError("check")
        body = self._restore(encoded)
        control, length, destination, source, sequence, operation = _HEADER.unpack_from(body)
        if control & 0xEF != 0x20:
            raise ValueError("version or flags")
        if length > 112 or 0xF0 < destination < 0xFF or source > 0xF0:
            raise ValueError("header")
        tag = None
        start = 6
        if control & 0x10:
            if len(body) < 8:
                raise ValueError("no tag")
            (tag,) = _TAG.unpack_from(body, 6)
            start = 8
        if len(body) != start + length:
            raise ValueError("length")
        payload = body[start:]
        message = self._status(payload) if operation == 0x44 and tag is not None else self._demands(payload)
        return Header(destination, source, sequence, operation, tag), message

    @staticmethod
    def _status(payload: bytes) -> HandStatus:
        if len(payload) != _STATUS.size:
            raise ValueError("length")
        outcome, *values = _STATUS.unpack(payload)
        status = HandStatus(*values)
        if outcome or status.state > 7 or status.is_showing > 1:
            raise ValueError("value")
        return status

    @staticmethod
    def _demands(payload: bytes) -> HandDemands:
        count, odd = divmod(len(payload), 2)
        if odd or not 1 <= count <= 32:
            raise ValueError("length")
        demands = struct.unpack(f"<{count}h", payload)
        if min(demands) < -10000 or max(demands) > 10000:
            for demand in demands:
                if not -10000 <= demand <= 10000 and demand != -32768:
                    raise ValueError("value")
        return HandDemands(demands)

    def encode(self, header: Header, message: HandStatus | HandDemands) -> bytes:
        destination, source = header.destination, header.source
        if not (0 <= destination <= 0xF0 or destination == 0xFF) or not 0 <= source <= 0xF0:
            raise ValueError("address")
        if not 0 <= header.sequence <= 0xFF or not 0 <= header.operation <= 0xFF:
            raise ValueError("header")
        if isinstance(message, HandStatus):
            payload = _STATUS.pack(
                0,
                message.state,
                message.faults,
                message.position,
                message.demand,
                message.current,
                message.supply,
                message.temperature,
                message.age,
                message.good,
                message.bad,
                message.is_showing,
            )
        else:
            payload = struct.pack(f"<{len(message.demands)}h", *message.demands)
        length = len(payload)
        if length > 112:
            raise ValueError("length")
        if header.tag is None:
            head = _HEADER.pack(0x20, length, destination, source, header.sequence, header.operation)
        else:
            if not 0 <= header.tag <= 0xFFFF:
                raise ValueError("tag")
            head = _REPLY_HEADER.pack(0x30, length, destination, source, header.sequence, header.operation, header.tag)
        encoded = self._remove(head + payload)
        return b"\x00" + encoded + _check_bytes(encoded) + b"\x00"


in_python: Final = HandCodec(remove_zeros, restore_zeros)
with_c: Final = HandCodec(cobs.encode, cobs.decode)
