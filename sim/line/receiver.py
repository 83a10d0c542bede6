"""What a UART makes of a waveform: 8 data bits, no parity, 1 stop bit, low bit first.

Each receiver has a clock of its own. Two ways to sample:

* *middle*: the start bit's edge is seen at once, each bit is sampled once, in its middle;
* *oversampled* (8 or 16 ticks a bit): the start edge is seen at the next tick of a clock that runs on its own, and
  each bit is the majority of three samples around its middle.

A byte whose stop bit is low is passed on with `framing_error`; the receiver then waits for a high level before it
takes another start bit. Not modelled: slopes, thresholds, metastability.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Final

from busproto.sim.line.waveform import NS_TIMES_MICRO, Edges, bits_ns, half_bits_ns, level_at, rate_of

STOP_BIT: Final = 9


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
    """A UART that listens.

    Attributes:
        clock_ppm: by how much its clock is fast, parts per million.
        rate: of its own clock, micro-bits per second.
        oversampling: 0 for one sample in the middle of each bit, or 8 or 16.
        from_ns: it looks for the next start bit from here on.
    """

    def __init__(
        self, baud: int, from_ns: int = 0, *, clock_ppm: int = 0, oversampling: int = 0, phase_ns: int = 0
    ) -> None:
        if oversampling not in {0, 8, 16}:
            raise ValueError(f"oversampling {oversampling}: 0, 8 or 16")
        self.clock_ppm = clock_ppm
        self.oversampling = oversampling
        self.set_baud(baud)
        self.from_ns = from_ns
        self._phase_ns = phase_ns
        self._not_before_ns = from_ns

    def set_baud(self, baud: int) -> None:
        """Change to another nominal rate."""
        self.rate = rate_of(baud, self.clock_ppm)
        ticks = self.oversampling
        # from the begin of a byte to the moment at which each bit is decided
        self._decisions_ns = [
            self._tick_ns(bit * ticks + ticks // 2 + 1) if ticks else half_bits_ns(2 * bit + 1, self.rate)
            for bit in range(STOP_BIT + 1)
        ]

    def look_from(self, time_ns: int) -> None:
        """Look for the next start bit from here on, unless the receiver is past that already."""
        self.from_ns = max(self.from_ns, time_ns)

    def decided_ns(self, edge_ns: int) -> int:
        """When the stop bit of a byte that begins with an edge at `edge_ns` is decided, ns."""
        return (self._next_tick_ns(edge_ns) if self.oversampling else edge_ns) + self._decisions_ns[STOP_BIT]

    def receive(self, edges: Edges, until_ns: int) -> tuple[list[ReceivedByte], int | None]:
        """What was received up to `until_ns` since the last call.

        Args:
            edges: the whole waveform from `from_ns` on at least; what lies behind `until_ns` may still change.

        Returns:
            The bytes, and when the byte now being received will end (None while the receiver waits for an edge).
        """
        received: list[ReceivedByte] = []
        count = len(edges)
        at = bisect_left(edges, self.from_ns)
        while True:
            at += at % 2  # falling edges have even indices
            if at >= count or edges[at] > until_ns:
                return received, None
            edge = edges[at]
            begin_ns = max(self._not_before_ns, edge if not self.oversampling else self._next_tick_ns(edge))
            if level_at(edges, begin_ns):
                at = bisect_right(edges, begin_ns)  # the low level ended before a sample
                continue
            if not self.oversampling:
                # the same as below, but without a look-up and a call for each bit
                near = bisect_right(edges, begin_ns)
                value = stop = 0
                for bit, decision_ns in enumerate(self._decisions_ns):
                    moment_ns = begin_ns + decision_ns
                    while near < count and edges[near] <= moment_ns:
                        near += 1
                    if near & 1:
                        continue
                    if not bit:
                        break
                    if bit == STOP_BIT:
                        stop = 1
                    else:
                        value |= 1 << bit - 1
                else:
                    end_ns = begin_ns + self._decisions_ns[STOP_BIT]
                    if end_ns > until_ns:
                        return received, end_ns
                    received.append(ReceivedByte(value, edge, end_ns, not stop))
                    self.from_ns = end_ns
                    at = bisect_left(edges, end_ns)
                    continue
                at = bisect_right(edges, begin_ns + self._decisions_ns[0])
                continue
            if self._sample(edges, begin_ns, 0):
                # too short for a start bit; the receiver has not seen the edges up to here
                at = bisect_right(edges, begin_ns + self._decisions_ns[0])
                continue
            end_ns = begin_ns + self._decisions_ns[STOP_BIT]
            if end_ns > until_ns:
                return received, end_ns
            value = 0
            for bit in range(8):
                value |= self._sample(edges, begin_ns, 1 + bit) << bit
            stop = self._sample(edges, begin_ns, STOP_BIT)
            received.append(ReceivedByte(value, edge, end_ns, not stop))
            self.from_ns = end_ns
            at = bisect_left(edges, end_ns)
            if stop and not level_at(edges, end_ns):
                # two of three samples won the vote: the next start bit has begun already
                at = bisect_right(edges, end_ns) - 1
                self.from_ns, self._not_before_ns = edges[at], end_ns

    def _next_tick_ns(self, time_ns: int) -> int:
        """The first tick at or after a moment."""
        ticks_per_ns = self.rate * self.oversampling
        tick = -(-((time_ns - self._phase_ns) * ticks_per_ns) // NS_TIMES_MICRO)
        return self._phase_ns - (-tick * NS_TIMES_MICRO // ticks_per_ns)

    def _tick_ns(self, ticks: int) -> int:
        return ticks * NS_TIMES_MICRO // (self.rate * self.oversampling)

    def _sample(self, edges: Edges, begin_ns: int, bit: int) -> int:
        first = bit * self.oversampling + self.oversampling // 2 - 1
        return int(sum(level_at(edges, begin_ns + self._tick_ns(first + step)) for step in range(3)) >= 2)


def tolerance(data_bits: int, oversampling: int) -> tuple[float, float]:
    """Slowest and fastest rate that an oversampling receiver takes, as a fraction of its own rate.

    Source: the "Error Tolerance" tables of the AVR USART (D data and parity bits, S samples a bit; first and middle
    sample of the vote SF, SM = 8, 9 of 16, or 4, 5 of 8).
    """
    samples, first, middle = oversampling, oversampling // 2, oversampling // 2 + 1
    slow = (data_bits + 1) * samples / (samples - 1 + data_bits * samples + first)
    fast = (data_bits + 2) * samples / ((data_bits + 1) * samples + middle)
    return slow, fast


def byte_ns(rate: int) -> int:
    """Time of one byte, ns."""
    return bits_ns(10, rate)
