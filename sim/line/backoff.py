"""How an actuator waits for its turn in discovery: it counts idle mini-slots only, and senses before it sends.

Rules, as on the format page: the first slot begins FIRST_SLOT_NS after the query; the counter falls by one after
each unbroken idle mini-slot; any start bit freezes it; at zero, after the actuator's own start jitter, it senses
once more and sends; where the line has become busy it waits for the next idle mini-slot.

Of the many that wait on a line, only those that could begin before anything else happens there need an event. The
desk of the line wakes them; the others sleep, and catch up on the idle periods they slept through when it is their
turn. The outcome is as if each had counted all the time: whether one was woken in vain makes no difference either.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from typing import Final

from busproto.sim.kernel import Event
from busproto.sim.line.line import Line
from busproto.sim.line.waveform import PPM
from busproto.wire.timing import DETECT_NS, FIRST_SLOT_NS, MINI_SLOT_NS, START_LEAD_NS

NEVER_NS: Final = 1 << 62
TIDY_ABOVE: Final = 256
"""So many sleepers that were cancelled may be kept, beyond twice as many as there are live ones."""


class Backoff:
    """One actuator's wait for one transmission; `send` is called once, unless `cancel` comes first.

    Attributes:
        send: what to do at the end.
        is_over: it has sent, or was cancelled.
        left: slots that it still has to count.
        slot_ns: length of a slot by its own clock.
        counting_from_ns: begin of the first slot, or of the idle period in which it counts.
        earliest_ns: when it begins, but for its jitter, if the line stays idle from there.
        due_ns: when it begins if the line stays idle; only while it is awake.
        period: number of the first idle period that it has not counted to its end.
        offered, granted: the line's totals (see the desk) before that period.
    """

    __slots__ = (
        "_backoff_queue",
        "_jitter",
        "_lead_ns",
        "counting_from_ns",
        "due_ns",
        "granted",
        "is_over",
        "left",
        "offered",
        "period",
        "send",
        "slot_ns",
    )

    def __init__(
        self,
        line: Line,
        slots: int,
        jitter: Callable[[int], int],
        send: Callable[[], None],
        *,
        query_end_ns: int,
        clock_ppm: int = 0,
        slot_ns: int = MINI_SLOT_NS,
        lead_ns: int = START_LEAD_NS,
    ) -> None:
        """`jitter` gives the start jitter, ns, where it counts from a moment; the same each time it is asked."""
        self.left = slots
        self._jitter = jitter
        self._lead_ns = lead_ns
        self.slot_ns = slot_ns * PPM // (PPM + clock_ppm)
        self.counting_from_ns = query_end_ns + FIRST_SLOT_NS * PPM // (PPM + clock_ppm)
        self.send = send
        self.is_over = False
        self.due_ns = 0
        self.period = self.offered = self.granted = 0
        self._backoff_queue = backoff_queue_of(line)
        self._backoff_queue.admit(self)

    def cancel(self) -> None:
        """Stop waiting."""
        if not self.is_over:
            self._backoff_queue.dismiss(self)

    @property
    def earliest_ns(self) -> int:
        """See the class."""
        return self.counting_from_ns + self.left * self.slot_ns + self._lead_ns

    def wake(self) -> None:
        """Draw the start jitter."""
        self.due_ns = self.earliest_ns + self._jitter(self.counting_from_ns)

    def count(self, periods: Iterable[tuple[int, int]]) -> None:
        """Let idle periods pass that a start bit ended: whole slots count, and at least one comes before zero."""
        left, slot_ns, counting_from_ns = self.left, self.slot_ns, self.counting_from_ns
        for from_ns, until_ns in periods:
            if from_ns >= counting_from_ns:
                counting_from_ns = from_ns
                left = left or 1
            if until_ns > counting_from_ns:
                passed = (until_ns - counting_from_ns) // slot_ns
                left = left - passed if passed < left else 0
        self.left, self.counting_from_ns = left, counting_from_ns

    def go_on(self, from_ns: int) -> None:
        """Count in an idle period that has no end yet. Begun twice is as begun once."""
        if from_ns >= self.counting_from_ns:
            self.counting_from_ns = from_ns
            self.left = self.left or 1


class BackoffQueue:
    """All who wait on one line.

    While the line is idle, all that could begin up to DETECT_NS after the alarm are awake: so whoever sleeps when a
    start bit comes would have been frozen by it whatever its jitter. The alarm is for the first that is due.

    Of each idle period that has ended two numbers of slots are added up: those that the fastest clock offers to the
    first that counts, the most that anyone can have passed, and those that the slowest grants to the last. Sleepers
    stand in a heap by the slots they had left and the offers up to then. Where offers and grants since then are
    equal, and less than it had left, that is what it has passed; else it counts the periods one by one.
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._kernel = line.kernel
        self._idle_since_ns: int | None = None if line.is_busy else line.kernel.now_ns
        self._periods: list[tuple[int, int]] = []
        self._first_period = 0
        """Number of the first of the idle periods that are still known."""
        self._awake: list[Backoff] = []
        self._asleep: list[tuple[int, int, Backoff]] = []
        self._put = 0
        self._live = 0
        self._alarm: Event | None = None
        self._offered = 0
        self._granted = 0
        self._shortest_slot_ns = self._longest_slot_ns = 0
        self._first_counts_ns = self._last_counts_ns = 0
        """From when on the first, and the last, of them counts."""

    # --- who waits ------------------------------------------------------------------------------------------

    def admit(self, backoff: Backoff) -> None:
        """One more waits."""
        slot_ns, counts_ns = backoff.slot_ns, backoff.counting_from_ns
        if not self._live:
            self._shortest_slot_ns = self._longest_slot_ns = slot_ns
            self._first_counts_ns = self._last_counts_ns = counts_ns
        else:
            self._shortest_slot_ns = min(self._shortest_slot_ns, slot_ns)
            self._longest_slot_ns = max(self._longest_slot_ns, slot_ns)
            self._first_counts_ns = min(self._first_counts_ns, counts_ns)
            self._last_counts_ns = max(self._last_counts_ns, counts_ns)
        self._live += 1
        if len(self._asleep) > TIDY_ABOVE + 2 * self._live:
            self._tidy()
        self._put_to_sleep(backoff)
        if self._idle_since_ns is not None:
            self._look_ahead(self._idle_since_ns)

    def dismiss(self, backoff: Backoff) -> None:
        """This one waits no more; where it sleeps or is awake it is taken off when its turn comes."""
        backoff.is_over = True
        self._live -= 1

    def _put_to_sleep(self, backoff: Backoff) -> None:
        """It has counted all idle periods that have ended."""
        backoff.period = self._first_period + len(self._periods)
        backoff.offered, backoff.granted = self._offered, self._granted
        self._put += 1
        heapq.heappush(self._asleep, (self._offered + backoff.left, self._put, backoff))

    def _tidy(self) -> None:
        """Cancelled sleepers, and what only they have slept through, would pile up where the host never waits."""
        self._asleep = [entry for entry in self._asleep if not entry[2].is_over]
        heapq.heapify(self._asleep)
        known = self._first_period + len(self._periods)
        self._forget_periods_before(min((entry[2].period for entry in self._asleep), default=known))

    def _forget_periods_before(self, number: int) -> None:
        del self._periods[: number - self._first_period]
        self._first_period = number

    # --- the line -------------------------------------------------------------------------------------------

    def line_busy(self, time_ns: int) -> None:
        """Freeze those that are awake, but not whose own start is too near to be stopped by what is seen."""
        if self._idle_since_ns is None:
            return
        period = (self._idle_since_ns, time_ns)
        self._idle_since_ns = None
        if self._asleep:
            self._periods.append(period)
            self._offered += max(0, time_ns - max(period[0], self._first_counts_ns)) // self._shortest_slot_ns
            self._granted += max(0, time_ns - max(period[0], self._last_counts_ns)) // self._longest_slot_ns
        if self._awake:
            awake, self._awake = self._awake, []
            for backoff in awake:
                if backoff.due_ns < time_ns + DETECT_NS:
                    self._awake.append(backoff)
                elif not backoff.is_over:
                    backoff.count((period,))
                    self._put_to_sleep(backoff)
            self._set_alarm(self._first_due_ns())

    def line_idle(self, time_ns: int) -> None:
        """They go on counting."""
        if self._idle_since_ns is None:
            self._idle_since_ns = time_ns
            self._look_ahead(time_ns)

    def _look_ahead(self, idle_since_ns: int) -> None:
        """Wake whoever could begin up to DETECT_NS after the first that is due."""
        asleep, awake = self._asleep, self._awake
        counting_from_ns = max(idle_since_ns, self._first_counts_ns)
        until_ns = self._first_due_ns() + DETECT_NS
        later: list[Backoff] = []
        while asleep and counting_from_ns + (asleep[0][0] - self._offered) * self._shortest_slot_ns <= until_ns:
            backoff = heapq.heappop(asleep)[2]
            if backoff.is_over:
                continue
            self._catch_up(backoff)
            backoff.go_on(idle_since_ns)
            if backoff.earliest_ns <= until_ns:
                backoff.wake()
                awake.append(backoff)
                until_ns = min(until_ns, backoff.due_ns + DETECT_NS)
            else:
                later.append(backoff)
        for backoff in later:
            self._put_to_sleep(backoff)
        if not asleep and self._periods:
            self._forget_periods_before(self._first_period + len(self._periods))
        self._set_alarm(until_ns - DETECT_NS)

    def _catch_up(self, backoff: Backoff) -> None:
        """Let it count the periods that it has slept through."""
        passed = self._offered - backoff.offered
        if passed == self._granted - backoff.granted and passed < backoff.left:
            backoff.left -= passed
        else:
            backoff.count(self._periods[backoff.period - self._first_period :])

    # --- the alarm ------------------------------------------------------------------------------------------

    def _first_due_ns(self) -> int:
        """When the first of those awake is due, NEVER_NS where all sleep."""
        return min([backoff.due_ns for backoff in self._awake]) if self._awake else NEVER_NS

    def _set_alarm(self, due_ns: int) -> None:
        if self._alarm is not None:
            if self._alarm.time_ns == due_ns:
                return
            self._alarm.cancel()
        self._alarm = None if due_ns == NEVER_NS else self._kernel.at(due_ns, self._ring)

    def _ring(self) -> None:
        self._alarm = None
        now = self._kernel.now_ns
        for backoff in [one for one in self._awake if one.due_ns <= now]:
            self._awake.remove(backoff)
            if backoff.is_over:
                continue
            if self._line.seen_busy(now):
                backoff.left = 0
                self._put_to_sleep(backoff)
            else:
                self.dismiss(backoff)
                backoff.send()
        if self._idle_since_ns is None:
            self._set_alarm(self._first_due_ns())
        else:
            self._look_ahead(self._idle_since_ns)


def backoff_queue_of(line: Line) -> BackoffQueue:
    """The desk at which those wait who wait on this line."""
    for watcher in line.watchers:
        if isinstance(watcher, BackoffQueue):
            return watcher
    backoff_queue = BackoffQueue(line)
    line.watch(backoff_queue)
    return backoff_queue
