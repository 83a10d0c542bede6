"""Bits on the line, and what a UART makes of them: 8 data bits, no parity, 1 stop bit, low bit first, idle high.

Times are exact: bit k of a transmission begins at ``start + floor(k * 1e9 / baud)`` ns. The line is the wired AND of
all transmissions. Not modelled yet: clocks that differ, edges that are not steep, oversampling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

NS_PER_S: Final = 1_000_000_000
BITS_PER_BYTE: Final = 10


def character_bits(parity: bool = False, stop_bits: int = 1) -> int:
    """Bits of one character: start, 8 data, parity where there is one, stop."""
    return 1 + 8 + int(parity) + stop_bits


def bits_ns(bits: int, baud: int) -> int:
    """Time of `bits` whole bits at `baud`, ns, rounded down."""
    return bits * NS_PER_S // baud


def bytes_ns(count: int, baud: int) -> int:
    """Time of `count` bytes without gaps at `baud`, ns, rounded down."""
    return bits_ns(count * BITS_PER_BYTE, baud)


@dataclass(frozen=True, slots=True, eq=False)
class Transmission:
    """Bytes that one driver puts on the line without gaps.

    Attributes:
        start_ns: first edge of the first start bit.
        data: the bytes, at least one.
        baud: bits per second.
        sender: whoever drives; only compared.
    """

    start_ns: int
    data: bytes
    baud: int
    sender: object

    @property
    def end_ns(self) -> int:
        """End of the last stop bit."""
        return self.start_ns + bytes_ns(len(self.data), self.baud)

    def level(self, time_ns: int) -> int:
        """0 or 1 at that moment; 1 before and after."""
        if time_ns < self.start_ns:
            return 1
        bit = ((time_ns - self.start_ns + 1) * self.baud - 1) // NS_PER_S
        at, place = divmod(bit, BITS_PER_BYTE)
        if at >= len(self.data):
            return 1
        if place == 0:
            return 0
        return 1 if place == 9 else self.data[at] >> (place - 1) & 1

    def falling_edges(self) -> list[int]:
        """Moments at which this driver pulls the line from high to low, ns."""
        edges = []
        before = 1
        for at, byte in enumerate(self.data):
            for place, bit in enumerate((0, *(byte >> k & 1 for k in range(8)), 1)):
                if before and not bit:
                    edges.append(self.start_ns + bits_ns(at * BITS_PER_BYTE + place, self.baud))
                before = bit
        return edges


@dataclass(frozen=True, slots=True)
class ReceivedByte:
    """One byte as a UART received it.

    Attributes:
        value: 0..255.
        start_ns: edge of its start bit.
        end_ns: moment at which its stop bit was sampled.
        framing_error: the stop bit was low. Most hosts pass the byte on unmarked.
    """

    value: int
    start_ns: int
    end_ns: int
    framing_error: bool


class Receiver:
    """A UART that listens to overlapping transmissions: start-bit edge, mid-bit samples, stop bit checked.

    After a low stop bit it waits for the line to go high before it takes another start bit.
    """

    def __init__(self, baud: int, from_ns: int) -> None:
        self._baud = baud
        self._from_ns = from_ns

    def receive(self, transmissions: Sequence[Transmission], until_ns: int) -> tuple[list[ReceivedByte], int | None]:
        """What was received up to `until_ns` since the last call.

        Returns:
            The bytes, and when the byte now being received will end (None while the receiver waits for an edge).
        """

        def line(time_ns: int) -> int:
            return int(all(one.level(time_ns) for one in transmissions))

        received: list[ReceivedByte] = []
        for edge in sorted({edge for one in transmissions for edge in one.falling_edges()}):
            if edge < self._from_ns or line(edge) or not line(edge - 1):
                continue
            if line(edge + self._middle(0)):
                continue
            end_ns = edge + self._middle(9)
            if end_ns > until_ns:
                return received, end_ns if edge <= until_ns else None
            value = sum(line(edge + self._middle(1 + k)) << k for k in range(8))
            received.append(ReceivedByte(value, edge, end_ns, not line(end_ns)))
            self._from_ns = end_ns
        return received, None

    def _middle(self, bit: int) -> int:
        return (2 * bit + 1) * NS_PER_S // (2 * self._baud)
