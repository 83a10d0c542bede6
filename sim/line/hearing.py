"""What each listener hears on a line: transmissions, receivers with noise of their own, delivery to audiences."""

from __future__ import annotations

import enum
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from busproto.sim.line.receiver import ReceivedByte, Receiver
from busproto.sim.line.waveform import (
    BITS_PER_BYTE,
    PPM,
    bits_ns,
    of_bytes,
    whole_bits,
)

NEAR_ENOUGH_PPM: Final = 30_000
"""Clock difference, ppm, up to which bytes always arrive unchanged (an ideal receiver's limit is 52 632 ppm)."""


class LineKind(enum.Enum):
    """How drivers share the line."""

    OPEN_DRAIN = "open-drain"
    DIFFERENTIAL = "differential"


class Transmission:
    """What one driver puts on the line, from its first start bit on.

    Attributes:
        start_ns, end_ns: begin of the first start bit, end of the last stop bit, ns.
        data: the bytes; empty for a disturbance, which has only edges.
        rate: of the driver's clock, micro-bits per second.
        sender: the object that drives; used only to compare.
    """

    __slots__ = ("_edges", "data", "end_ns", "rate", "sender", "start_ns")

    def __init__(
        self,
        start_ns: int,
        data: bytes,
        rate: int,
        sender: object,
        *,
        edges: list[int] | None = None,
        end_ns: int | None = None,
    ) -> None:
        self.start_ns = start_ns
        self.data = data
        self.rate = rate
        self.sender = sender
        self._edges = edges
        self.end_ns = start_ns + bits_ns(len(data) * BITS_PER_BYTE, rate) if end_ns is None else end_ns

    @property
    def edges(self) -> list[int]:
        """Its waveform, see `busproto.sim.line.waveform`."""
        if self._edges is None:
            self._edges = of_bytes(self.start_ns, self.data, self.rate)
        return self._edges

    def complete_bytes(self, now_ns: int) -> int:
        """Bytes whose last stop bit has ended by now."""
        if now_ns >= self.end_ns:
            return len(self.data)
        return max(0, whole_bits(now_ns - self.start_ns, self.rate) // BITS_PER_BYTE)

    def decided_ns(self, number: int, receiver: Receiver) -> int:
        """When a receiver has decided the stop bit of byte `number` (from 0), ns."""
        return receiver.decided_ns(self.start_ns + bits_ns(number * BITS_PER_BYTE, self.rate))

    def decided_bytes(self, now_ns: int, receiver: Receiver) -> int:
        """Bytes whose stop bit a receiver has decided by now."""
        count = whole_bits(max(0, now_ns - self.start_ns), self.rate) // BITS_PER_BYTE
        count = max(0, min(len(self.data), count) - 1)
        while count < len(self.data) and self.decided_ns(count, receiver) <= now_ns:
            count += 1
        return count


class Watcher(Protocol):
    """An object that is told when the line becomes busy and idle, as a back-off is."""

    def line_busy(self, time_ns: int) -> None:
        """A start bit began at `time_ns` on a line that was idle."""

    def line_idle(self, time_ns: int) -> None:
        """The last stop bit of all drivers ended at `time_ns`; the line is idle."""


@dataclass(frozen=True, slots=True)
class Reception:
    """Bytes as one listener, or several listeners alike, received them.

    Attributes:
        data: the values.
        details: one entry for each byte where a receiver sampled the waveform; empty where the bytes arrived unchanged.
        transmissions: all transmissions that took part.
        end_ns: now.
    """

    data: bytes
    details: tuple[ReceivedByte, ...]
    transmissions: tuple[Transmission, ...]
    end_ns: int

    @property
    def framing_errors(self) -> int:
        """Bytes whose stop bit was low."""
        return sum(byte.framing_error for byte in self.details)

    def without_own(self, listener: object) -> bytes:
        """The bytes that did not begin while `listener` itself was driving."""
        own = [(one.start_ns, one.end_ns) for one in self.transmissions if one.sender is listener]
        if not own:
            return self.data
        if not self.details:
            return b""
        return bytes(
            value
            for value, byte in zip(self.data, self.details, strict=True)
            if not any(start <= byte.start_ns < end for start, end in own)
        )


class Ear:
    """One listener's receiver, and the noise that hits it.

    Attributes:
        owner: the listener; used only to compare.
        receiver: its UART.
    """

    def __init__(self, owner: object, receiver: Receiver, stream: random.Random) -> None:
        self.owner = owner
        self.receiver = receiver
        self.flips: list[tuple[int, int]] = []
        self._stream = stream
        self._bits_to_flip: int | None = None
        self._flip_rate = 0.0

    def is_near(self, rate: int) -> bool:
        """Whether bytes of a driver of this rate always arrive unchanged here."""
        return abs(rate - self.receiver.rate) * PPM <= NEAR_ENOUGH_PPM * self.receiver.rate

    def set_flip_rate(self, per_bit: float) -> None:
        """From now on each bit is flipped with this probability."""
        self._flip_rate = per_bit
        self._bits_to_flip = self._gap() if per_bit else None

    def _gap(self) -> int:
        return int(math.log(1.0 - self._stream.random()) / math.log1p(-self._flip_rate)) if self._flip_rate < 1 else 0

    def flips_within(self, bits: int) -> list[int]:
        """Numbers of the bits among the next `bits` that are flipped."""
        if self._bits_to_flip is None or self._bits_to_flip >= bits:
            if self._bits_to_flip is not None:
                self._bits_to_flip -= bits
            return []
        hits = []
        at = self._bits_to_flip
        while at < bits:
            hits.append(at)
            at += 1 + self._gap()
        self._bits_to_flip = at - bits
        return hits


class Audience(Protocol):
    """One or more listeners that usually hear the same.

    Attributes:
        ears: their receivers.
        is_eager: `Line.flush` hands them the bytes that have arrived before a transmission has ended.
    """

    ears: list[Ear]
    is_eager: bool

    def attends(self, senders: Sequence[object]) -> bool:
        """Whether the listeners take bytes of these senders."""

    def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
        """All ears but those in `but` heard this; these get a call of `heard_apart` each."""

    def heard_apart(self, ear: Ear, reception: Reception) -> None:
        """One ear heard this, unlike the others."""
