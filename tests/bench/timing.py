"""Interleaved timing: on a noisy machine only what ran at the same time can be compared.

Every round runs each contender once, for about the same time; of each only the best round counts, because noise
can but add. Many short rounds beat few long ones: one that nothing disturbs is enough. What is compared is the
ratio, not the figure.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from time import process_time

Contenders = Mapping[str, Callable[[], object]]


def _seconds(run: Callable[[], object], count: int, clock: Callable[[], float]) -> float:
    start = clock()
    for _ in range(count):
        run()
    return clock() - start


@contextmanager
def _without_collector() -> Iterator[None]:
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def best_seconds(
    contenders: Contenders, *, rounds: int, slice_s: float, clock: Callable[[], float] = process_time
) -> dict[str, float]:
    """Seconds of one call of each contender, best of `rounds` interleaved rounds of about `slice_s` each.

    The clock is the processor time of this process, so that what else runs does not count; what runs in child
    processes needs `time.perf_counter`.
    """
    counts = {}
    for name, run in contenders.items():
        count = 1
        while (taken := _seconds(run, count, clock)) < slice_s / 2:
            count *= 2
        counts[name] = max(1, round(count * slice_s / taken))
    best = dict.fromkeys(contenders, float("inf"))
    with _without_collector():
        for number in range(rounds):
            order = list(contenders.items())
            for name, run in order if number % 2 else reversed(order):
                best[name] = min(best[name], _seconds(run, counts[name], clock) / counts[name])
    return best
