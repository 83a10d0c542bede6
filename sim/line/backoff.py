"""How an actuator waits for its slot in discovery: it counts idle mini-slots, and senses the line before it sends.

Rules, as on the format page: the first slot begins FIRST_SLOT_NS after the query; the counter falls by one after
each unbroken idle mini-slot; any start bit freezes it; at zero, after the actuator's own start jitter, it senses
once more and sends; where the line has become busy it waits for the next idle mini-slot.

Many actuators wait on one line. An event is needed only for those that could begin before the line changes. The queue
of the line wakes these; the others sleep. A sleeper that is woken catches up on the idle periods it slept through. The
outcome is the same as if each had counted all the time, also where an actuator was woken early.
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
"""Cancelled sleepers that may stay in the heap, in addition to twice the number of live ones."""


class Backoff:
    """One actuator's wait for one transmission; `send` is called once, unless `cancel` comes first.

    Attributes:
        send: called when the back-off is over.
        is_over: the actuator has sent, or the wait was cancelled.
        left: slots still to be counted.
        slot_ns: length of a slot by the actuator's own clock.
        counting_from_ns: begin of the first slot, or of the idle period that is being counted.
        earliest_ns: when it would send without its jitter, if the line stays idle.
        due_ns: when it sends if the line stays idle; valid only while it is awake.
        period: number of the first idle period that it has not counted in full.
        offered, granted: the line's totals (see `BackoffQueue`) before that period.
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
        """`jitter` gives the start jitter, ns, for a moment from which the back-off counts; the same at every call."""
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
        """Stop waiting; nothing is sent."""
        if not self.is_over:
            self._backoff_queue.dismiss(self)

    @property
    def earliest_ns(self) -> int:
        """See the class."""
        return self.counting_from_ns + self.left * self.slot_ns + self._lead_ns

    def wake(self) -> None:
        """Draw the start jitter and calculate when the transmission is due."""
        self.due_ns = self.earliest_ns + self._jitter(self.counting_from_ns)

    def count(self, periods: Iterable[tuple[int, int]]) -> None:
        """Count idle periods that a start bit ended: whole slots only, and at least one slot before zero."""
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
        """Count in an idle period that has not ended yet. A second call for the same period changes nothing."""
        if from_ns >= self.counting_from_ns:
            self.counting_from_ns = from_ns
            self.left = self.left or 1


class BackoffQueue:
    """All back-offs that wait on one line.

    While the line is idle, all back-offs that could send up to DETECT_NS after the alarm are awake. So a back-off that
    sleeps when a start bit comes would have been frozen by it, whatever its jitter. The alarm is set for the first that
    is due.

    Two totals of slots are kept over all ended idle periods: "offered", the most that any back-off can have counted
    (fastest clock, earliest begin), and "granted", the fewest (slowest clock, latest begin). Sleepers stand in a heap,
    ordered by the slots they had left plus the slots offered up to then. Where offered and granted since then are
    equal, and less than a sleeper had left, it has counted exactly that many; otherwise it counts the periods one by
    one.
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._kernel = line.kernel
        self._idle_since_ns: int | None = None if line.is_busy else line.kernel.now_ns
        self._periods: list[tuple[int, int]] = []
        self._first_period = 0
        """Number of the oldest idle period that is still kept."""
        self._awake: list[Backoff] = []
        self._asleep: list[tuple[int, int, Backoff]] = []
        self._put = 0
        self._live = 0
        self._alarm: Event | None = None
        self._offered = 0
        self._granted = 0
        self._shortest_slot_ns = self._longest_slot_ns = 0
        self._first_counts_ns = self._last_counts_ns = 0
        """From when on the earliest, and the latest, back-off counts in this idle period."""

    # --- the back-offs that wait ----------------------------------------------------------------------------

    def admit(self, backoff: Backoff) -> None:
        """Add a back-off to those that wait."""
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
        """End this wait. The back-off stays in its list or heap until it comes first there, and is removed then."""
        backoff.is_over = True
        self._live -= 1

    def _put_to_sleep(self, backoff: Backoff) -> None:
        """Put it among the sleepers. It has counted all idle periods that have ended."""
        backoff.period = self._first_period + len(self._periods)
        backoff.offered, backoff.granted = self._offered, self._granted
        self._put += 1
        heapq.heappush(self._asleep, (self._offered + backoff.left, self._put, backoff))

    def _tidy(self) -> None:
        """Remove cancelled sleepers and the idle periods kept for them: they would pile up."""
        self._asleep = [entry for entry in self._asleep if not entry[2].is_over]
        heapq.heapify(self._asleep)
        known = self._first_period + len(self._periods)
        self._forget_periods_before(min((entry[2].period for entry in self._asleep), default=known))

    def _forget_periods_before(self, number: int) -> None:
        del self._periods[: number - self._first_period]
        self._first_period = number

    # --- the line -------------------------------------------------------------------------------------------

    def line_busy(self, time_ns: int) -> None:
        """Freeze the back-offs that are awake, but for those that begin before they can detect this start bit."""
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
        """The back-offs that are awake go on counting."""
        if self._idle_since_ns is None:
            self._idle_since_ns = time_ns
            self._look_ahead(time_ns)

    def _look_ahead(self, idle_since_ns: int) -> None:
        """Wake every back-off that could send up to DETECT_NS after the first that is due."""
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
        """Let a back-off count the idle periods that it has slept through."""
        passed = self._offered - backoff.offered
        if passed == self._granted - backoff.granted and passed < backoff.left:
            backoff.left -= passed
        else:
            backoff.count(self._periods[backoff.period - self._first_period :])

    # --- the alarm ------------------------------------------------------------------------------------------

    def _first_due_ns(self) -> int:
        """When the first back-off that is awake is due; NEVER_NS where all sleep."""
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
    """The queue in which the back-offs of this line wait."""
    for watcher in line.watchers:
        if isinstance(watcher, BackoffQueue):
            return watcher
    backoff_queue = BackoffQueue(line)
    line.watch(backoff_queue)
    return backoff_queue
