"""The shared line: one driver at a time is passed on whole, overlapping ones as the wired AND of their bits.

Rules: a transmission's bits are fixed when it begins; where no other overlaps it, its bytes arrive unchanged at its
end; where others do, the wired AND of the actual bit streams is formed and what a UART receives from it is delivered,
framing errors included. Everyone hears the same line. Not modelled here: undefined levels of differential drivers,
each receiver's own clock, reflections.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from busproto.wire.timing import DETECT_NS
from sim.errors import LimitError
from sim.kernel import LINE_FIRST, Event, Kernel
from sim.uart import BITS_PER_BYTE, NS_PER_S, ReceivedByte, Receiver, Transmission, bits_ns, bytes_ns


class Watcher(Protocol):
    """Someone who senses the line while counting down."""

    def line_busy(self, time_ns: int) -> None:
        """A start bit began at `time_ns` on a line that was idle."""

    def line_idle(self, time_ns: int) -> None:
        """The last stop bit of everyone ended at `time_ns`."""


@dataclass(frozen=True, slots=True)
class Reception:
    """Bytes as heard on the line.

    Attributes:
        data: the values.
        details: one entry a byte where transmissions overlapped, empty where one was heard whole.
        transmissions: all that took part.
        end_ns: when the last byte was complete.
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


Listener = Callable[[Reception], None]


class Line:
    """The medium.

    Attributes:
        baud: bits per second of everyone.
        frames: transmissions begun so far.
        overlaps: groups of transmissions in which at least two overlapped.
        log: when set, called with every reception (teaching, traces, tests).
    """

    def __init__(self, kernel: Kernel, baud: int, *, max_frames: int | None = None) -> None:
        self.kernel = kernel
        self.baud = baud
        self.frames = 0
        self.overlaps = 0
        self.log: Listener | None = None
        self._max_frames = max_frames
        self._listeners: list[Listener] = []
        self._watchers: list[Watcher] = []
        self._driving: list[Transmission] = []
        self._group: list[Transmission] = []
        self._passed_on = 0
        self._overlapped = False
        self._receiver = Receiver(baud, 0)
        self._rest: Event | None = None
        self._busy_since_ns: int | None = None
        self._noise: list[tuple[float, random.Random]] = []

    def listen(self, listener: Listener) -> None:
        """Call `listener` with every reception from now on."""
        self._listeners.append(listener)

    def watch(self, watcher: Watcher) -> None:
        """Tell `watcher` when the line becomes busy and idle, until `unwatch`."""
        if watcher not in self._watchers:
            self._watchers.append(watcher)

    def unwatch(self, watcher: Watcher) -> None:
        """End of `watch`; harmless when it was not watching."""
        if watcher in self._watchers:
            self._watchers.remove(watcher)

    def seen_busy(self, time_ns: int) -> bool:
        """Whether one who looks at `time_ns` sees a start bit: it needs a moment to be detected."""
        return self._busy_since_ns is not None and self._busy_since_ns + DETECT_NS <= time_ns

    @property
    def is_busy(self) -> bool:
        """Whether anyone drives the line now."""
        return bool(self._driving)

    def add_noise(self, rate: float, stream: random.Random) -> Callable[[], None]:
        """From now on flip one bit of each byte with probability `rate`. Returns the function that ends it."""
        entry = (rate, stream)
        self._noise.append(entry)
        return lambda: self._noise.remove(entry) if entry in self._noise else None

    def transmit(self, sender: object, data: bytes) -> Transmission:
        """Drive `data` (at least one byte) onto the line from now on.

        Raises:
            LimitError: more transmissions than the scenario allows.
        """
        self.frames += 1
        if self._max_frames is not None and self.frames > self._max_frames:
            raise LimitError("frames", self._max_frames, "frames")
        now = self.kernel.now_ns
        sent = Transmission(now, data, self.baud, sender)
        if self._group:
            if not self._overlapped:
                self._overlapped = True
                self.overlaps += 1
                first = self._group[0]
                self._receiver = Receiver(self.baud, first.start_ns + bytes_ns(self._passed_on, self.baud))
                self._passed_on = 0
            if self._rest is not None:
                self._rest.cancel()
        self._group.append(sent)
        self._driving.append(sent)
        self.kernel.at(sent.end_ns, lambda: self._ended(sent), priority=LINE_FIRST)
        if len(self._driving) == 1:
            self._busy_since_ns = now
            for watcher in tuple(self._watchers):
                watcher.line_busy(now)
        return sent

    def cut_off(self, sender: object) -> None:
        """The driver loses power: the byte it is in the middle of, and all behind it, never reach the line."""
        now = self.kernel.now_ns
        for old in [one for one in self._driving if one.sender is sender]:
            whole_bytes = (now - old.start_ns) * self.baud // (BITS_PER_BYTE * NS_PER_S)
            self._driving.remove(old)
            self._group.remove(old)
            kept = Transmission(old.start_ns, old.data[:whole_bytes], self.baud, sender)
            if self._overlapped:
                self._group.append(kept)
                self._receive_overlapped(now)
            else:
                self._pass_on(kept)
                self._passed_on = 0
            self._end_of_drive()

    def _ended(self, sent: Transmission) -> None:
        if sent not in self._driving:
            return
        now = self.kernel.now_ns
        self._driving.remove(sent)
        if self._overlapped:
            self._receive_overlapped(now)
        else:
            self._group.clear()
            self._pass_on(sent)
            self._passed_on = 0
        self._end_of_drive()

    def flush(self) -> None:
        """Deliver what has arrived so far of a transmission that is still under way."""
        if self._overlapped:
            self._receive_overlapped(self.kernel.now_ns)
        elif self._driving:
            self._pass_on(self._driving[0])

    def _pass_on(self, sent: Transmission) -> None:
        """Deliver the bytes of an undisturbed transmission that are complete by now and not yet delivered."""
        now = self.kernel.now_ns
        complete = len(sent.data)
        if now < sent.end_ns:
            complete = (now - sent.start_ns) * self.baud // (BITS_PER_BYTE * NS_PER_S)
        data = sent.data[self._passed_on : complete]
        self._passed_on = complete
        if data:
            self._deliver(Reception(data, (), (sent,), now))

    def _end_of_drive(self) -> None:
        if self._driving:
            return
        self._busy_since_ns = None
        for watcher in tuple(self._watchers):
            watcher.line_idle(self.kernel.now_ns)

    def _receive_overlapped(self, until_ns: int) -> None:
        received, busy_until_ns = self._receiver.receive(self._group, until_ns)
        group = tuple(self._group)
        if self._rest is not None:
            self._rest.cancel()
        if self._driving:
            pass  # the next end of a transmission comes back here
        elif busy_until_ns is not None:
            # the receiver is in the middle of a byte that the collision left behind
            self._rest = self.kernel.at(
                busy_until_ns, lambda: self._receive_overlapped(busy_until_ns), priority=LINE_FIRST
            )
        else:
            self._group.clear()
            self._overlapped = False
        if received:
            data = bytes(byte.value for byte in received)
            self._deliver(Reception(data, tuple(received), group, received[-1].end_ns))

    def _deliver(self, reception: Reception) -> None:
        if self._noise:
            reception = self._disturbed(reception)
        if self.log is not None:
            self.log(reception)
        for listener in self._listeners:
            listener(reception)

    def _disturbed(self, reception: Reception) -> Reception:
        data = bytearray(reception.data)
        for rate, stream in self._noise:
            for at in range(len(data)):
                if stream.random() < rate:
                    data[at] ^= 1 << stream.randrange(8)
        return Reception(bytes(data), reception.details, reception.transmissions, reception.end_ns)


def wired_and(transmissions: Sequence[Transmission]) -> list[ReceivedByte]:
    """What a UART receives from these transmissions, all at one line rate, until it is idle again."""
    baud = transmissions[0].baud
    start = min(one.start_ns for one in transmissions)
    end = max(one.end_ns for one in transmissions) + bits_ns(BITS_PER_BYTE, baud)
    received, _ = Receiver(baud, start).receive(transmissions, end)
    return received
