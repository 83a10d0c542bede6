"""A port that reports its traffic: every valid frame is passed to `on_frame`, every byte is counted.

Reads are cut into slices, so that the thread that runs the bus can do other work in between. An exception from
`between` goes to the operation that is reading, which can then still leave all actuators limp.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from busproto.transport.base import PortAround, Transport
from busproto.wire import BadFrame, Decoder, Frame

MS: Final = 1_000_000
SLICE_NS: Final = 10 * MS
LOAD_NS: Final = 1_000 * MS
BITS_PER_BYTE: Final = 10
OnFrame = Callable[[int, bool, Frame | BadFrame], None]


class Tap(PortAround):
    """A port that reports its traffic, see the module."""

    def __init__(self, port: Transport, on_frame: OnFrame, between: Callable[[], None]) -> None:
        """Args: port: the port itself; on_frame: given time (ns), whether it was sent, and what was found; between: see
        the module.
        """
        super().__init__(port)
        self._on_frame = on_frame
        self._between = between
        self._out, self._in = Decoder(), Decoder()
        self._echo = bytearray()
        self._loads: deque[tuple[int, int]] = deque()
        self._loaded_bytes = 0

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        self._port.write(data)
        self._echo = bytearray(data)
        now_ns = self._port.now_ns()
        self._count(now_ns, len(data))
        for found in self._out.feed(data):
            self._on_frame(now_ns, True, found)

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport.read_until`."""
        while True:
            if deadline_ns:  # a read whose deadline has passed does not wait
                self._between()  # before the read: an exception must not lose bytes
            data = self._port.read_until(min(deadline_ns, self._port.now_ns() + SLICE_NS))
            if data:
                self._heard(data)
            if data or self._port.now_ns() >= deadline_ns:
                return data

    def _heard(self, data: bytes) -> None:
        now_ns = self._port.now_ns()
        if self._echo and data[: len(self._echo)] == self._echo[: len(data)]:
            echoed = min(len(data), len(self._echo))
            del self._echo[:echoed]
            data = data[echoed:]  # echo of our own bytes: they were counted and reported when they were sent
        else:
            self._echo.clear()
        if data:
            self._count(now_ns, len(data))
            for found in self._in.feed(data):
                self._on_frame(now_ns, False, found)

    def _count(self, now_ns: int, size: int) -> None:
        self._loads.append((now_ns, size))
        self._loaded_bytes += size
        self._forget(now_ns)

    def _forget(self, now_ns: int) -> None:
        while self._loads and self._loads[0][0] < now_ns - LOAD_NS:
            self._loaded_bytes -= self._loads.popleft()[1]

    @property
    def load(self) -> float:
        """Fraction of the last second in which the line was in use, 0..1."""
        self._forget(self._port.now_ns())
        return min(1.0, self._loaded_bytes * BITS_PER_BYTE / self._port.baud)
