"""Virtual time: a heap of events, in integer nanoseconds, deterministic by seed.

Rules: events run in the order (time, priority, order of making); time never runs backwards; nothing here or above
reads a wall clock; every random stream has a name, so that a new consumer does not shift the draws of another. This is
a clock; the bus is modelled elsewhere.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from typing import Final

from busproto.sim.errors import LimitError

LINE_FIRST = 0
NODES_SECOND = 1
LEAST_SWEPT: Final = 256
"""Cancelled events are removed only where the heap holds more events than this."""


class Event:
    """One action at a moment of virtual time. `cancel` prevents it."""

    __slots__ = ("action", "time_ns")

    def __init__(self, time_ns: int, action: Callable[[], None]) -> None:
        self.time_ns = time_ns
        self.action: Callable[[], None] | None = action

    def cancel(self) -> None:
        """Prevent the event; no effect after it has happened."""
        self.action = None


class Kernel:
    """The clock and the heap.

    Attributes:
        now_ns: virtual time since power-up, ns.
        seed: the source of all random streams.
    """

    def __init__(self, seed: int = 0, *, max_ns: int | None = None) -> None:
        self.now_ns = 0
        self.seed = seed
        self._max_ns = max_ns
        self._heap: list[tuple[int, int, int, Event]] = []
        self._made = 0
        self._swept_at = LEAST_SWEPT

    def __repr__(self) -> str:
        return f"<Kernel at {self.now_ns} ns, seed {self.seed}>"

    def stream(self, name: str) -> random.Random:
        """A random stream of its own; the same seed and name give the same draws."""
        return random.Random(f"{self.seed}/{name}")

    def at(self, time_ns: int, action: Callable[[], None], *, priority: int = NODES_SECOND) -> Event:
        """Run `action` at `time_ns`, or now where that has passed."""
        if time_ns < self.now_ns:
            time_ns = self.now_ns
        event = Event(time_ns, action)
        self._made += 1
        heappush(self._heap, (time_ns, priority, self._made, event))
        if len(self._heap) > self._swept_at:
            self._sweep()
        return event

    def _sweep(self) -> None:
        """Remove cancelled events that lie far ahead: they would pile up. In place, as the loops hold the list."""
        self._heap[:] = [entry for entry in self._heap if entry[3].action is not None]
        heapify(self._heap)
        self._swept_at = max(LEAST_SWEPT, 2 * len(self._heap))

    def next_ns(self) -> int | None:
        """When the next event is due, None where none is."""
        heap = self._heap
        while heap and heap[0][3].action is None:
            heappop(heap)
        return heap[0][0] if heap else None

    def step(self) -> None:
        """Run the next event; do nothing where there is none.

        Raises:
            LimitError: it lies beyond the time the scenario allows.
        """
        if self.next_ns() is None:
            return
        due_ns, _, _, event = heappop(self._heap)
        action, event.action = event.action, None
        self._move_to(due_ns)
        if action is not None:
            action()

    def run_until(self, time_ns: int) -> None:
        """Run every event up to and including `time_ns`; the clock then stands there."""
        heap = self._heap
        while heap and heap[0][0] <= time_ns:
            due_ns, _, _, event = heappop(heap)
            action, event.action = event.action, None
            if action is not None:
                self._move_to(due_ns)
                action()
        self._move_to(max(time_ns, self.now_ns))

    def _move_to(self, time_ns: int) -> None:
        if self._max_ns is not None and time_ns > self._max_ns:
            raise LimitError("seconds", self._max_ns / 1e9, "seconds")
        self.now_ns = time_ns
