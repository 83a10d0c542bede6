"""Watching actuators while another sender demands: only reports are asked for, between the other frames on the line.

Nothing here moves or changes anything. `ListenBeforeTalk` is a port that waits for an idle line before it sends, so
that a watcher does not collide with the frames of a receiver. `scan` finds the addresses that answer, by report rounds
whose gaps are too short for such a receiver to begin in. `watch` asks again and again and keeps the reports in
`Track`s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from busproto.errors import AddressConflictError, DecodeError
from busproto.ops.moving.motion import report_round
from busproto.ops.reports import SCAN_PASSES, all_rows, state_word
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.session.exchange import Ask
from busproto.transport.base import PortAround, Transport
from busproto.wire.codec import message_of
from busproto.wire.messages import Fault, Report, State, Status
from busproto.wire.parameters import RawValue

MS: Final = 1_000_000
GAP_NS: Final = 5 * MS
"""ns. The gap left between two requests, in which another sender can begin."""
QUIET_NS: Final = 1 * MS
"""ns. After this time without a byte a frame of another sender has ended."""
QUIET_BYTES: Final = 3
IN_STEP_NS: Final = 250 * MS
"""ns. For this time after the last frame of another sender, its next frame is waited for."""
NEXT_FRAME_NS: Final = 60 * MS
LONGEST_WAIT_NS: Final = 200 * MS
"""ns. After this wait a request is sent even if the line was never idle."""
SILENT_AFTER: Final = 5
"""After this many requests in a row without an answer an actuator counts as silent."""
LOST_STATES: Final = frozenset({State.LOST_LIMP, State.LOST_HOLD, State.LOST_PRESET})
SILENT: Final = "silent"
SHARED: Final = "shared"
"""Several actuators share this address, so a reading cannot be attributed."""


class ListenBeforeTalk(PortAround):
    """A port that waits before each write until no other sender is on the line.

    If another sender was received within the last quarter of a second, it waits for the end of that sender's next
    frame, where the longest gap follows; otherwise it listens for 5 ms. `write` takes that much longer. Bytes received
    meanwhile are dropped, as they answer no request of this host. Behind an adapter that holds bytes back, the end of a
    frame is noticed late.
    """

    def __init__(self, port: Transport) -> None:
        super().__init__(port)
        self._others_ns: int | None = None
        self._quiet_ns = max(QUIET_NS, QUIET_BYTES * 10 * 1_000_000_000 // port.baud)

    @property
    def has_heard_others(self) -> bool:
        """Whether another sender was received at all."""
        return self._others_ns is not None

    @property
    def hears_others(self) -> bool:
        """Whether another sender was received within the last quarter of a second."""
        return self._others_ns is not None and self._port.now_ns() - self._others_ns < IN_STEP_NS

    def write(self, data: bytes) -> None:
        """Wait until the line is free, then as `Transport.write`."""
        began_ns = self._port.now_ns()
        until_ns = began_ns + (NEXT_FRAME_NS if self.hears_others else GAP_NS)
        while (now_ns := self._port.now_ns()) < until_ns:
            if self._port.read_until(until_ns):
                self._others_ns = now_ns = self._port.now_ns()
                until_ns = min(now_ns + self._quiet_ns, began_ns + LONGEST_WAIT_NS)
        self._port.write(data)


@dataclass(slots=True)
class Spread:
    """Least, greatest, mean and last of a value over time.

    Attributes:
        count: values so far; with none, the others are 0.
    """

    count: int = 0
    low: int = 0
    high: int = 0
    last: int = 0
    _sum: int = 0

    def add(self, value: int) -> None:
        """Take one more value into the spread."""
        self.low = min(self.low, value) if self.count else value
        self.high = max(self.high, value) if self.count else value
        self.last = value
        self.count += 1
        self._sum += value

    @property
    def mean(self) -> float:
        """The mean of all values so far; 0 without any."""
        return self._sum / self.count if self.count else 0.0


@dataclass(frozen=True, slots=True)
class Change:
    """The state of an actuator, in words ("following", "silent"), from `at_ns` after the beginning on."""

    at_ns: int
    state: str


@dataclass(slots=True)
class Track:
    """The reports of one actuator.

    Attributes:
        address: 1..239.
        settings: its raw settings by name, for scaling; None if they could not be read.
        position, current, supply: 0.01 deg, mA, mV.
        temperature: 0.01 degC.
        last: its last report; None without any.
        asked, missed: number of requests, and of those without a good answer.
        changes: its states in order, each with its time.
        lost_seen: whether it reported a loss of the demand.
        lost_before: whether its first report showed a loss from before.
    """

    address: int
    settings: Mapping[str, RawValue] | None = None
    position: Spread = field(default_factory=Spread)
    current: Spread = field(default_factory=Spread)
    supply: Spread = field(default_factory=Spread)
    temperature: Spread = field(default_factory=Spread)
    last: Status | None = None
    asked: int = 0
    missed: int = 0
    changes: list[Change] = field(default_factory=list)
    lost_seen: bool = False
    lost_before: bool = False
    _missed_in_a_row: int = 0

    @property
    def state(self) -> str:
        """Its last state in words, or "silent" or "shared"; "" before the first."""
        return self.changes[-1].state if self.changes else ""

    def heard(self, status: Status, at_ns: int) -> None:
        """Take a report, `at_ns` after the beginning."""
        self.asked += 1
        self._missed_in_a_row = 0
        had_lost = bool(status.faults & Fault.DEMAND_LOST)
        if self.last is None:
            self.lost_before = had_lost
        elif had_lost and not self.last.faults & Fault.DEMAND_LOST:
            self.lost_seen = True  # also set where the loss was too short for its state to be seen
        self.lost_seen |= status.state in LOST_STATES
        self.last = status
        self.position.add(status.position_cdeg)
        self.current.add(status.current_ma)
        self.supply.add(status.supply_mv)
        self.temperature.add(status.temperature_cdeg)
        self._is_now(state_word(status.state), at_ns)

    def no_answer(self, at_ns: int) -> None:
        """Count a request without an answer, `at_ns` after the beginning."""
        self.asked += 1
        self.missed += 1
        self._missed_in_a_row += 1
        if self._missed_in_a_row >= SILENT_AFTER:
            self._is_now(SILENT, at_ns)

    def is_shared(self, at_ns: int) -> None:
        """Note that several actuators answer at its address."""
        self._is_now(SHARED, at_ns)

    def _is_now(self, state: str, at_ns: int) -> None:
        if state != self.state:
            self.changes.append(Change(at_ns, state))


def scan() -> Steps[tuple[int, ...]]:
    """The addresses at which an actuator reports, in order. No proof: actuators that share an address, or have none,
    are missing."""
    found: set[int] = set()
    rows = all_rows()
    for number in range(SCAN_PASSES):
        for at, (first, count) in enumerate(rows):
            yield Progress("looking which addresses answer", number * len(rows) + at, SCAN_PASSES * len(rows))
            found |= set((yield from report_round(first, count)))
    yield Progress("looking which addresses answer", SCAN_PASSES * len(rows), SCAN_PASSES * len(rows))
    return tuple(sorted(found))


def watch(
    tracks: Mapping[int, Track],
    duration_ns: int | None = None,
    on_round: Callable[[int], None] | None = None,
    *,
    pause_ns: int = GAP_NS,
) -> Steps[int]:
    """Ask every actuator in `tracks` for reports, one after the other, again and again.

    An actuator that does not answer is asked again; one that shares its address is not. After an interrupt the tracks
    hold the reports so far.

    Args:
        tracks: by address.
        duration_ns: for how long, ns; None: until it is interrupted.
        on_round: called with the time passed, ns, after each round. Without it progress is reported.
        pause_ns: pause between two requests, ns; 0 if the port itself waits for gaps (`ListenBeforeTalk`).

    Returns:
        The time passed, ns.
    """
    began_ns = yield from now()
    passed_ns = 0
    while asked := [track for track in tracks.values() if track.state != SHARED]:
        for track in asked:
            try:
                heard = yield from exchange(Ask.one(Report(), track.address))
            except AddressConflictError:  # the address is known to be shared
                track.is_shared(passed_ns)
                continue
            passed_ns = heard.ended_ns - began_ns
            status: Status | None = None
            for frame in heard.replies:
                try:
                    message = message_of(frame)
                except DecodeError:
                    continue
                if isinstance(message, Status):
                    status = message
            if len(heard.tags) > 1:
                track.is_shared(passed_ns)
            elif status is None:
                track.no_answer(passed_ns)
            else:
                track.heard(status, passed_ns)
            if duration_ns is not None and passed_ns >= duration_ns:
                return passed_ns
            if pause_ns:
                yield Pause(pause_ns)
        if on_round is not None:
            on_round(passed_ns)
        elif duration_ns is not None:
            yield Progress("watching, ms", passed_ns // MS, duration_ns // MS)
    return passed_ns
