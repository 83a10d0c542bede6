"""Waveforms as edges: the moments at which a level changes, on a line that is high before the first.

Edge 0, 2, 4... fall, edge 1, 3, 5... rise. Times are integer ns. A rate is in micro-bits per second (baud x 1e6, with
the clock's error in it), so that bit k of a byte string begins at ``start + floor(k * 1e15 / rate)`` exactly.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from typing import Final

Edges = Sequence[int]
BITS_PER_BYTE: Final = 10
NS_TIMES_MICRO: Final = 10**15
PPM: Final = 1_000_000
CELLS_PER_BIT: Final = 5
"""Where drivers of a differential pair disagree, the level is drawn anew for each fifth of a bit: an odd number, so
that a byte which begins where a level changes is not sampled exactly where others may change."""


def rate_of(baud: int, clock_ppm: int = 0) -> int:
    """Rate of a clock that is fast by `clock_ppm` parts per million, micro-bits per second."""
    return baud * (PPM + clock_ppm)


def bits_ns(bits: int, rate: int) -> int:
    """Time of whole bits, ns, rounded down."""
    return bits * NS_TIMES_MICRO // rate


def whole_bits(duration_ns: int, rate: int) -> int:
    """Whole bits that have begun within a duration, the first one counted from its beginning."""
    return ((duration_ns + 1) * rate - 1) // NS_TIMES_MICRO


def half_bits_ns(halves: int, rate: int) -> int:
    """Time of half bits, ns, rounded down."""
    return halves * NS_TIMES_MICRO // (2 * rate)


def level_at(edges: Edges, time_ns: int) -> int:
    """0 or 1 at a moment; at an edge itself the new level."""
    return 1 - (bisect_right(edges, time_ns) & 1)


def of_bytes(start_ns: int, data: bytes, rate: int, *, even_parity: bool = False) -> list[int]:
    """Edges of bytes sent without gaps: start bit low, 8 bits, low one first, stop bit high.

    Our line has no parity; with `even_parity` a bit stands before the stop bit, for what is not ours.
    """
    edges: list[int] = []
    bits = BITS_PER_BYTE + even_parity
    bit = 0
    for byte in data:
        frame = byte << 1 | 1 << bits - 1
        if even_parity:
            frame |= (byte.bit_count() & 1) << 9
        changes = frame ^ (frame << 1 | 1)  # a 1 where a bit differs from the bit before it
        for place in range(bits):
            if changes >> place & 1:
                edges.append(start_ns + (bit + place) * NS_TIMES_MICRO // rate)
        bit += bits
    return edges


def inverted_between(edges: Edges, from_ns: int, until_ns: int) -> list[int]:
    """The waveform with its level inverted from one moment to another."""
    changed = list(edges)
    for moment in (from_ns, until_ns):
        at = bisect_right(changed, moment)
        if at and changed[at - 1] == moment:
            del changed[at - 1]  # this cancels an edge that stood there
        else:
            changed.insert(at, moment)
    return changed


def joined(before: Edges, behind: Edges, from_ns: int) -> list[int]:
    """One waveform up to a moment, and another from that moment on."""
    line = list(before[: bisect_left(before, from_ns)])
    at = bisect_left(behind, from_ns)
    if (len(line) ^ at) & 1:  # the two waveforms differ just before it
        if at < len(behind) and behind[at] == from_ns:
            at += 1
        else:
            line.append(from_ns)
    return line + list(behind[at:])


def wired_and(waves: Iterable[Edges]) -> list[int]:
    """Wired AND: the line is low where any of the waveforms is."""
    moments = sorted((moment, 1 if at % 2 == 0 else -1) for edges in waves for at, moment in enumerate(edges))
    line: list[int] = []
    low = 0
    for at, (moment, step) in enumerate(moments):
        low += step
        if at + 1 < len(moments) and moments[at + 1][0] == moment:
            continue  # several edges at one moment: only the level after the last of them counts
        if bool(low) != bool(len(line) % 2):
            line.append(moment)
    return line


def differential(drives: Sequence[tuple[Edges, int, int]], bit_ns: int, undefined: Callable[[int], int]) -> list[int]:
    """Two or more drivers on a differential pair.

    Args:
        drives: edges, start and end of each driver; it drives both levels in between and none outside.
        bit_ns: one bit.
        undefined: 0 or 1 for the number of a cell, a fifth of a bit, where drivers disagree.
    """
    cell_ns = max(1, bit_ns // CELLS_PER_BIT)
    moments = sorted({moment for edges, start, end in drives for moment in (*edges, start, end)})
    line: list[int] = []

    def becomes(level: int, moment: int) -> None:
        if level == len(line) % 2:  # even: high so far
            line.append(moment)

    for at, moment in enumerate(moments):
        levels = {level_at(edges, moment) for edges, start, end in drives if start <= moment < end}
        if len(levels) < 2:
            becomes(levels.pop() if levels else 1, moment)
            continue
        until = moments[at + 1] if at + 1 < len(moments) else moment
        for cell in range(moment // cell_ns, (until - 1) // cell_ns + 1):
            becomes(undefined(cell), max(moment, cell * cell_ns))
    return line


def mixed(number: int) -> int:
    """64 well-mixed bits of a number (the finaliser of the splitmix64 generator; public domain, from memory)."""
    number = (number + 0x9E3779B97F4A7C15) & 0xFFFFFFFFFFFFFFFF
    number = (number ^ (number >> 30)) * 0xBF58476D1CE4E5B9 & 0xFFFFFFFFFFFFFFFF
    number = (number ^ (number >> 27)) * 0x94D049BB133111EB & 0xFFFFFFFFFFFFFFFF
    return number ^ (number >> 31)
