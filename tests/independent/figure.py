"""The figure of find.host-figure and the bounds it is made of, by the standard library alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import comb, prod
from typing import Final

LEAST_BYTE_ERROR: Final = 0.001
SHORT_CALL_BYTES: Final = 19


@dataclass
class Count:
    """How often an actuator had to do what a request asked, and how often it did not."""

    asked: int = 0
    missed: int = 0


def upper_bound(hits: int, trials: int, confidence: float) -> float:
    """Clopper and Pearson, one-sided: the share at which so few hits are as rare as 1 - `confidence`."""
    if hits >= trials:
        return 1.0

    def few(share: float) -> float:
        return sum(comb(trials, k) * share**k * (1 - share) ** (trials - k) for k in range(hits + 1))

    return bisected(lambda share: few(share) > 1 - confidence)


def bisected(is_below: Callable[[float], bool]) -> float:
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if is_below(middle) else (low, middle)
    return high


def worst_share(counts: Iterable[Count]) -> float:
    """w: of all together, and of each that missed any."""
    each = list(counts)
    together = Count(sum(one.asked for one in each), sum(one.missed for one in each))
    return max(upper_bound(one.missed, one.asked, 0.95) for one in (together, *each) if one is together or one.missed)


def figure(counts: Iterable[Count], quiet_list_bytes: list[int], positions: int, short_calls: int) -> float:
    """Bound of the chance that a powered actuator is missing from the list."""
    if not quiet_list_bytes:
        return 1.0
    w = worst_share(counts)
    mean = sum(quiet_list_bytes) / len(quiet_list_bytes)

    def missed(size: int) -> float:  # m(s)
        by_noise: float = 1 - (1 - LEAST_BYTE_ERROR) ** size
        by_share: float = 1 - (1 - w) ** max(1.0, size / mean)
        return max(by_noise, by_share)

    lists = prod(min(1.0, missed(size) + positions / 65536) for size in quiet_list_bytes)
    calls: float = missed(SHORT_CALL_BYTES) ** short_calls
    bound: float = lists * min(1.0, calls + 1 / 65536)
    return bound
