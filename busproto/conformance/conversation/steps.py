"""One step of a conversation: what is sent, what is done beside the bus, and how long nothing happens then.

A step says all that it needs: the same steps can be repeated on a fresh actuator, also with some of them left out.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Final

from busproto.errors import DecodeError
from busproto.wire.codec import decode_frame, encode_frame, message_of, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.message import OPERATIONS, Message

MS: Final = 1_000_000
US: Final = 1_000


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens.

    Attributes:
        wire: bytes that are sent without a gap: whole frames, or anything. None are sent where it is empty.
        pause_ns: time behind all that they bring, ns.
        warm_degc: before that the actuator is made so warm from outside; None for not.
        supply_mv: before that the supply is set to this; None for not.
        hand_deg: before that a hand moves a limp arm there; None for not.
        jams: (time behind the bytes before, ns; bytes) that other devices put on the line behind `wire`.
        cut_byte: power is lost in this byte of stored memory that it writes, and comes back; None for not.
        off: power is lost, and comes back.
        spoiled_byte: while it is off, one bit of this byte is spoiled in both copies of stored memory; None for not.
    """

    wire: bytes = b""
    pause_ns: int = 0
    warm_degc: float | None = None
    supply_mv: int | None = None
    hand_deg: float | None = None
    jams: tuple[tuple[int, bytes], ...] = ()
    cut_byte: int | None = None
    off: bool = False
    spoiled_byte: int | None = None

    @property
    def pieces(self) -> tuple[bytes, ...]:
        """The frames of `wire` one by one, where it is nothing else."""
        frames = tuple(encode_frame(one) for one in frames_in(self.wire))
        return frames if b"".join(frames) == self.wire else (self.wire,)

    @property
    def is_powered_anew(self) -> bool:
        """Whether the actuator starts again in it."""
        return self.off or self.spoiled_byte is not None or self.cut_byte is not None

    def simpler(self) -> list[Step]:
        """The same with less: what to try where a transcript is shortened."""
        tries = []
        if self.jams:
            tries.append(replace(self, jams=()))
        pieces = self.pieces
        if len(pieces) > 1:
            tries += [replace(self, wire=b"".join(pieces[:at] + pieces[at + 1 :])) for at in range(len(pieces))]
        if self.pause_ns:
            tries.append(replace(self, pause_ns=0))
        return tries

    def __str__(self) -> str:
        """As a person reads it."""
        told = []
        if self.supply_mv is not None:
            told.append(f"the supply is {self.supply_mv / 1000:g} V")
        if self.warm_degc is not None:
            told.append(f"it is warmed to {self.warm_degc:g} degC")
        if self.hand_deg is not None:
            told.append(f"a hand moves the arm to {self.hand_deg:g} deg")
        if self.off:
            told.append("power is off, and on again")
        if self.spoiled_byte is not None:
            told.append(f"power is off, byte {self.spoiled_byte} of both stored copies is spoiled, power is on again")
        told += [in_words(one) for one in self.pieces if one]
        told += [f"{after_ns / US:g} us later on the line: {in_words(data)}" for after_ns, data in self.jams]
        if self.cut_byte is not None:
            told.append(f"power is lost in byte {self.cut_byte} that it stores, and comes back")
        if self.pause_ns or not told:
            told.append(f"{self.pause_ns / MS:g} ms pass")
        return "; ".join(told)


def ask(message: Message, to: int, *, pause_ns: int = 0, sequence: int = 1) -> Step:
    """A request."""
    return Step(encode_frame(request_frame(message, to, sequence)), pause_ns)


@functools.lru_cache(maxsize=4096)
def frames_in(wire: bytes) -> tuple[Frame, ...]:
    """The good frames in bytes."""
    return tuple(one for one in Decoder().feed(wire) if isinstance(one, Frame))


@functools.lru_cache(maxsize=4096)
def understood(wire: bytes) -> tuple[Frame | None, Message | None]:
    """The frame and the message in bytes; None for what is none."""
    try:
        frame = decode_frame(wire)
    except DecodeError:
        return None, None
    try:
        return frame, message_of(frame)
    except DecodeError:
        return frame, None


def in_words(data: bytes) -> str:
    """Bytes of the line as a person reads them: the message, then the bytes."""
    frame, message = understood(data)
    if frame is None:
        return f"[{data.hex(' ')}]"
    known = OPERATIONS.get(frame.operation)
    said = str(message) if message is not None else f"operation {frame.operation:02X}, {len(frame.payload)} bytes"
    if message is None and known is not None:
        said = f"malformed {known.name}, {len(frame.payload)} bytes"
    whom = "all" if frame.destination == BROADCAST_ADDRESS else f"{frame.destination:02X}"
    way = f"reply from {frame.source:02X}" if frame.is_reply else f"to {whom}"
    return f"{way}: {said} [{data.hex(' ')}]"
