"""A receiver on the line: a second sender that broadcasts the demands of a pilot's sticks.

It listens before it talks: where the line is busy, or has been idle for less than `keep-off-ms`, it waits, so that a
host may ask for reports in between and hear the answers. A frame that it cannot send in time is left out, not sent
later. While it has no signal it sends nothing, so that every actuator does its own loss action. Not modelled: telemetry
to the pilot, a receiver that keeps sending a last or a preset demand.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from busproto.sim.bus import VirtualBus
from busproto.sim.scene.events import Seconds, Table, Wrong
from busproto.wire import encode_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.messages import MAX_CHANNELS, MAX_DEMAND, NO_DEMAND, DemandAll

NS_PER_S: Final = 1_000_000_000
NS_PER_MS: Final = 1_000_000

Percent = Annotated[float, Meta(ge=-100, le=100)]
Moment = tuple[Seconds, Percent]


class SwingTable(Table, frozen=True):
    """A sine: so many percent to each side of `centre`, once around in `every` s."""

    amplitude: Annotated[float, Meta(ge=0, le=100)]
    every: Annotated[float, Meta(ge=0.05, le=3600)]
    centre: Percent = 0.0


class StickTable(Table, frozen=True):
    """The demand of one channel over time, counted from the moment the receiver begins.

    `points` are pairs of seconds and percent of travel, with straight lines between; before the first point and after
    the last the stick stays. Or a `swing`.
    """

    channel: Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
    points: list[Moment] = []  # noqa: RUF012 - msgspec copies it
    swing: SwingTable | None = None


class LostTable(Table, frozen=True):
    """No signal from `at` s after the begin of the receiver, for `lasting` s."""

    at: Seconds
    lasting: Annotated[float, Meta(gt=0, le=86_400)]


class ReceiverTable(Table, frozen=True):
    """The receiver: how often it sends, and when it begins and ends.

    It begins `from` s after power-up; with `after-idle` not before the host has been silent for that many seconds.
    It ends at `until` s after power-up, or never. Times of sticks and losses count from the moment it begins.
    """

    per_second: Annotated[float, Meta(ge=1, le=500)] = 50.0
    from_: Seconds = msgspec.field(default=0.0, name="from")
    until: Seconds | None = None
    after_idle: Annotated[float, Meta(gt=0, le=3600)] | None = None
    keep_off_ms: Annotated[float, Meta(ge=0.1, le=100)] = 3.0
    stick: list[StickTable] = []  # noqa: RUF012 - msgspec copies it
    lost: list[LostTable] = []  # noqa: RUF012 - msgspec copies it


class Sticks:
    """Runs a receiver on a bus.

    Attributes:
        label: name of its driver.
        began_ns: when it began; None while it has not.
        sent: frames sent so far.
        left_out: frames that it could not send in time.
    """

    label = "receiver"

    def __init__(self, bus: VirtualBus, table: ReceiverTable) -> None:
        self.began_ns: int | None = None
        self.sent = 0
        self.left_out = 0
        self._bus = bus
        self._kernel = bus.kernel
        self._table = table
        self._period_ns = round(NS_PER_S / table.per_second)
        self._keep_off_ns = round(table.keep_off_ms * NS_PER_MS)
        self._until_ns = None if table.until is None else round(table.until * NS_PER_S)
        self._idle_since_ns = 0
        self._due_ns = 0
        self._waits = False
        bus.line.watch(self)
        self._kernel.at(round(table.from_ * NS_PER_S), self._maybe_begin)

    def line_busy(self, time_ns: int) -> None:
        """See `busproto.sim.line.hearing.Watcher`: the receiver waits until the line is idle."""

    def line_idle(self, time_ns: int) -> None:
        """See `busproto.sim.line.hearing.Watcher`: the receiver may send `keep-off-ms` later."""
        self._idle_since_ns = time_ns
        if self._waits:
            self._waits = False
            self._kernel.at(time_ns + self._keep_off_ns, self._try)

    def _maybe_begin(self) -> None:
        now = self._kernel.now_ns
        idle_ns = 0 if self._table.after_idle is None else round(self._table.after_idle * NS_PER_S)
        begin_ns = self._bus.host.sent_at_ns + idle_ns
        if idle_ns and begin_ns > now:
            self._kernel.at(begin_ns, self._maybe_begin)
            return
        self.began_ns = self._due_ns = now
        self._try()

    def _try(self) -> None:
        """A frame is due: send it, or wait for the line."""
        now, line = self._kernel.now_ns, self._bus.line
        if self._until_ns is not None and now >= self._until_ns:
            line.unwatch(self)
            return
        if self._has_signal(now):
            if line.is_busy:
                self._waits = True
                return
            if now < self._idle_since_ns + self._keep_off_ns:
                self._kernel.at(self._idle_since_ns + self._keep_off_ns, self._try)
                return
            message = DemandAll(self.demands(now))
            line.transmit(self, encode_frame(request_frame(message, BROADCAST_ADDRESS, self.sent & 0xFF)))
            self.sent += 1
        missed = (now - self._due_ns) // self._period_ns
        self.left_out += missed
        self._due_ns += (missed + 1) * self._period_ns
        self._kernel.at(self._due_ns, self._try)

    def _since_s(self, now_ns: int) -> float:
        return (now_ns - (self.began_ns or 0)) / NS_PER_S

    def _has_signal(self, now_ns: int) -> bool:
        since_s = self._since_s(now_ns)
        return not any(lost.at <= since_s < lost.at + lost.lasting for lost in self._table.lost)

    def demands(self, now_ns: int) -> tuple[int, ...]:
        """The demand of each channel from 1 on, 0.01 % of travel; NO_DEMAND for a channel without a stick."""
        demands = [NO_DEMAND] * max(stick.channel for stick in self._table.stick)
        for stick in self._table.stick:
            demands[stick.channel - 1] = round(percent_at(stick, self._since_s(now_ns)) * MAX_DEMAND / 100)
        return tuple(demands)


def percent_at(stick: StickTable, since_s: float) -> float:
    """Position of a stick, percent of travel, `since_s` after the receiver began."""
    if stick.swing is not None:
        turn = math.sin(2 * math.pi * since_s / stick.swing.every)
        return stick.swing.centre + stick.swing.amplitude * turn
    before_s, before = stick.points[0]
    for at_s, percent in stick.points:
        if at_s > since_s:
            share = max(0.0, (since_s - before_s) / (at_s - before_s)) if at_s > before_s else 1.0
            return before + (percent - before) * share
        before_s, before = at_s, percent
    return before


def problems(table: ReceiverTable) -> Iterator[Wrong]:
    """Problems of a well-formed table."""
    if not table.stick:
        yield ("receiver", "stick"), "a receiver without a stick demands nothing"
    if table.until is not None and table.until <= table.from_:
        yield ("receiver", "until"), f"{table.until:g} is not after {table.from_:g}"
    seen: dict[int, int] = {}
    for at, stick in enumerate(table.stick):
        here = ("receiver", "stick", at)
        if stick.channel in seen:
            yield (*here, "channel"), f"{stick.channel} stands in receiver.stick[{seen[stick.channel]}] too"
        seen.setdefault(stick.channel, at)
        if bool(stick.points) == (stick.swing is not None):
            yield here, "one of points and swing is wanted"
        if _falls(stick.points):
            yield (*here, "points"), "their times do not rise"
        swing = stick.swing
        if swing is not None and abs(swing.centre) + swing.amplitude > 100:
            yield (*here, "swing"), f"{swing.amplitude:g} about {swing.centre:g} goes beyond 100 %"


def _falls(points: Sequence[Moment]) -> bool:
    return any(later[0] <= earlier[0] for earlier, later in itertools.pairwise(points))
