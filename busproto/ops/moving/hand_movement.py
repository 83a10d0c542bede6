"""Which arm did the hand move? Takes positions with their times, gives movements and a judgement of each.

`Watch` takes the positions of all actuators, turn by turn, and gives an `Episode` each time a movement has come to
rest. `judge` decides which actuators the person meant, given how many belong to the surface that was asked for. Both
know no bus, no clock and no plan. `Lookout` asks the actuators on a bus for their positions and feeds a `Watch`.

The numbers, and why:

- *Still* is an arm that stayed within 0.4 deg for 0.5 s. Position sensors step by about 0.05 deg and flicker by a step
  or two, so 0.4 deg is not noise. In 0.5 s there are at least three reports, also of 32 actuators asked one by one at
  115 200 Bd (150 ms a round), and a hand that reverses does not pause that long. A movement slower than 0.4 deg in
  0.5 s is not seen: a surface that sags, or a hand that would need 5 s for the least movement that counts.
- *Clear* is a movement of 4 deg. Play of gears and linkage is a degree or two (common practice, no source), and so is
  the movement of a surface when the airframe is knocked. At the surface 4 deg can be seen.
- *Steady* is a movement that was beyond half of its reach for 0.12 s. A knock that springs back is shorter; a hand that
  moves there and straight back is not.
- *Alike* are movements of which the smaller is at least half of the greater. A wrong claim costs more than a question
  asked twice, so an actuator is accepted only if it moved at least twice as far as any other.
- *Follows* the first of a gang: an actuator that moved at least 0.35 times as far and at the same times (the cosine
  between both courses is 0.7 or more, whatever its sign). Backlash makes an actuator follow late and less; with play of
  half of the movement the values are still 0.5 and about 0.9. A bump of another arm is shorter, or at another time.
- *Settled* is an actuator that has been still since its first report, or since it went limp. So an arm that drops when
  its drive is released is not taken for a hand movement.
- A movement that has not come to rest after 4 s is *restless*, which is reported; after 10 s it is forgotten, so that
  one flickering sensor does not stop everything. An actuator without a report for 3 s begins anew.
"""

from __future__ import annotations

import contextlib
import enum
import math
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from busproto.errors import OperationError
from busproto.ops.moving.letting_go import release_all
from busproto.ops.moving.motion import MS, release, report_round
from busproto.ops.reports import rows_of
from busproto.ops.steps import Pause, Steps, now
from busproto.ops.transact import transact
from busproto.wire.messages import LIMP_STATES, Report, State, Status

STILL_DEG: Final = 0.4
REST_NS: Final = 500 * MS
REST_REPORTS: Final = 3
CLEAR_DEG: Final = 4.0
STEADY_NS: Final = 120 * MS
ALIKE: Final = 0.5
FOLLOWS: Final = 0.35
SAME_COURSE: Final = 0.7
RESTLESS_NS: Final = 4_000 * MS
FORGET_NS: Final = 10_000 * MS
GONE_NS: Final = 3_000 * MS
NOTICED_DEG: Final = 1.0
"""deg. A smaller movement is not mentioned."""

TURN_NS: Final = 40 * MS
"""ns. The least time between two turns of reports: a dozen within the time of a rest is plenty."""
ASK_ALONE_AFTER: Final = 2
"""After this many rounds without its report an actuator is asked alone."""
SILENT_AFTER: Final = 12
"""After this many turns without its report an actuator counts as silent, and is asked in one turn of 16 only."""
SILENT_TURN: Final = 16


@dataclass(frozen=True, slots=True)
class Mover:
    """One actuator's part in an episode.

    Attributes:
        uid: 8 bytes.
        path: times, ns, and the displacement from its position before, deg; positive is where its own angle grows.
    """

    uid: bytes
    path: tuple[tuple[int, float], ...]

    @property
    def reach_deg(self) -> float:
        """The greatest displacement to either side, deg, 0 or more."""
        return _reach_deg(self.path)

    @property
    def first_side(self) -> int:
        """The side to which it first moved by half of its reach, -1 or +1."""
        half_deg = self.reach_deg / 2
        return next((1 if deg > 0 else -1 for _, deg in self.path if abs(deg) >= half_deg and deg), 1)

    @property
    def steady_ns(self) -> int:
        """The time it was beyond half of its reach, ns."""
        half_deg = self.reach_deg / 2
        return sum(
            after_ns - before_ns
            for (before_ns, was_deg), (after_ns, is_deg) in pairwise(self.path)
            if abs(was_deg) >= half_deg and abs(is_deg) >= half_deg
        )

    def way_deg(self, side: int) -> float:
        """The greatest displacement to one side (-1 or +1), deg, signed."""
        return side * max(0.0, *(side * deg for _, deg in self.path))

    def course(self, other: Mover) -> float:
        """Cosine between both courses, -1..+1, each interpolated at the times of both."""
        products = squares = other_squares = 0.0
        mine, others = dict(self.path), dict(other.path)
        mine_deg = other_deg = 0.0
        for time_ns in sorted(mine.keys() | others.keys()):
            mine_deg, other_deg = mine.get(time_ns, mine_deg), others.get(time_ns, other_deg)
            products += mine_deg * other_deg
            squares += mine_deg**2
            other_squares += other_deg**2
        return products / math.sqrt(squares * other_squares) if squares and other_squares else 0.0


@dataclass(frozen=True, slots=True)
class Episode:
    """A movement that has come to rest: every actuator that took part, the farthest first."""

    movers: tuple[Mover, ...]


@dataclass(frozen=True, slots=True)
class Restless:
    """The actuators that have been moving for 4 s without coming to rest."""

    uids: tuple[bytes, ...]


@dataclass(slots=True)
class _Track:
    """The reports of one actuator.

    `window` holds its reports of the last `REST_NS`, and one older; `path` the displacement from `from_deg` while it
    moves.
    """

    window: deque[tuple[int, float]] = field(default_factory=deque)
    is_settled: bool = False
    is_moving: bool = False
    is_said: bool = False
    from_deg: float = 0.0
    path: list[tuple[int, float]] = field(default_factory=list)

    def take(self, time_ns: int, position_deg: float) -> None:
        self.window.append((time_ns, position_deg))
        while len(self.window) > 1 and self.window[1][0] <= time_ns - REST_NS:
            self.window.popleft()
        if not self.is_settled:
            self.is_settled = self.rests
        elif self.is_moving:
            self.path.append((time_ns, position_deg - self.from_deg))
        elif self._spread_deg > STILL_DEG:
            self.is_moving = True
            self.from_deg = self.window[0][1]
            self.path = [(at, deg - self.from_deg) for at, deg in self.window]

    @property
    def _spread_deg(self) -> float:
        positions = [deg for _, deg in self.window]
        return max(positions) - min(positions)

    @property
    def rests(self) -> bool:
        is_long = self.window[-1][0] - self.window[0][0] >= REST_NS
        return is_long and len(self.window) >= REST_REPORTS and self._spread_deg <= STILL_DEG

    def end(self) -> None:
        """End the movement: its reports do not count for the next one."""
        self.is_moving = self.is_said = False
        self.path = []
        self.window = deque([self.window[-1]])


class Watch:
    """Looks for movements in the positions of all actuators."""

    def __init__(self) -> None:
        self._tracks: dict[bytes, _Track] = {}

    def feed(self, time_ns: int, positions_deg: Mapping[bytes, float]) -> list[Episode | Restless]:
        """Take one round of reports, at most one of each actuator.

        Args:
            time_ns: when the round was asked for, never less than before.
            positions_deg: the position of each arm, deg, by uid; actuators that did not answer are missing.

        Returns:
            The movements that have ended, and those that are restless; mostly none.
        """
        for uid, track in tuple(self._tracks.items()):
            if time_ns - track.window[-1][0] > GONE_NS:
                del self._tracks[uid]
        for uid, position_deg in positions_deg.items():
            self._tracks.setdefault(uid, _Track()).take(time_ns, position_deg)
        return [*self._episodes(), *self._restless(time_ns)]

    def forget(self, uid: bytes) -> None:
        """Forget the reports of an actuator that has just gone limp, or was replaced: it must be still before it
        counts."""
        self._tracks.pop(uid, None)

    def is_settled(self, uids: Iterable[bytes]) -> bool:
        """Whether all of these actuators that have reported are settled."""
        return all(self._tracks[uid].is_settled for uid in uids if uid in self._tracks)

    def _episodes(self) -> list[Episode]:
        moving = {uid: track for uid, track in self._tracks.items() if track.is_moving}
        if not moving:
            return []
        reach_deg = {uid: _reach_deg(track.path) for uid, track in moving.items()}
        counts_deg = FOLLOWS * max(reach_deg.values())
        if not all(track.rests for uid, track in moving.items() if reach_deg[uid] >= counts_deg):
            return []
        movers = [Mover(uid, tuple(track.path)) for uid, track in moving.items() if track.rests]
        for mover in movers:
            self._tracks[mover.uid].end()
        return [Episode(tuple(sorted(movers, key=lambda mover: (-mover.reach_deg, mover.uid))))]

    def _restless(self, time_ns: int) -> list[Restless]:
        newly = []
        for uid, track in self._tracks.items():
            lasting_ns = time_ns - track.path[0][0] if track.is_moving else 0
            if lasting_ns > FORGET_NS:
                track.end()
                track.is_settled = False
            elif lasting_ns > RESTLESS_NS and not track.is_said:
                track.is_said = True
                newly.append(uid)
        return [Restless(tuple(newly))] if newly else []


def _reach_deg(path: Iterable[tuple[int, float]]) -> float:
    return max((abs(deg) for _, deg in path), default=0.0)


class Verdict(enum.Enum):
    """What an episode means for the surface that was asked for."""

    MEANT = "these were meant"
    TAKEN = "these were moved, but are known already"
    SEVERAL = "more actuators moved alike than the surface has"
    FEW = "fewer actuators moved than the surface has"
    SMALL = "too little to be sure"
    SHORT = "too short: a knock"
    NOTHING = "too little to mention"


@dataclass(frozen=True, slots=True)
class Moved:
    """The displacement of one actuator, deg: the greatest to the side to which the hand went first."""

    uid: bytes
    by_deg: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict, and the actuators it is about, the farthest first."""

    verdict: Verdict
    moved: tuple[Moved, ...] = ()

    @property
    def uids(self) -> tuple[bytes, ...]:
        """The actuators it is about, as uids of 8 bytes."""
        return tuple(one.uid for one in self.moved)


def judge(
    movers: Iterable[Mover], count: int, taken: Collection[bytes] = (), *, clear_deg: float = CLEAR_DEG
) -> Judgement:
    """Which actuators the hand meant.

    Args:
        movers: the movers of an episode, the farthest first, without those whose movement is expected.
        count: how many actuators are looked for, 1 or more.
        taken: uids that are known to be others.
        clear_deg: the least movement that counts, deg.
    """
    movers = tuple(movers)
    steady = tuple(mover for mover in movers if mover.steady_ns >= STEADY_NS)
    if not steady or steady[0].reach_deg < clear_deg:
        if not movers or movers[0].reach_deg < NOTICED_DEG:
            return Judgement(Verdict.NOTHING)
        return _judgement(Verdict.SHORT if movers[0].reach_deg >= clear_deg else Verdict.SMALL, movers[:1])
    lead = steady[0]
    alike = tuple(mover for mover in steady if mover.reach_deg >= ALIKE * lead.reach_deg)
    if all(mover.uid in taken for mover in alike):
        return _judgement(Verdict.TAKEN, alike)
    if count == 1:
        return _judgement(Verdict.MEANT if len(alike) == 1 else Verdict.SEVERAL, alike)
    gang = tuple(
        mover
        for mover in steady
        if mover.reach_deg >= FOLLOWS * lead.reach_deg and abs(mover.course(lead)) >= SAME_COURSE
    )
    if any(mover.uid in taken for mover in gang):
        return _judgement(Verdict.SEVERAL, gang)
    if len(gang) < count:
        return _judgement(Verdict.FEW, gang)
    if len(gang) > count and gang[count].reach_deg >= ALIKE * gang[count - 1].reach_deg:
        return _judgement(Verdict.SEVERAL, gang)
    if any(mover not in gang for mover in alike):
        return _judgement(Verdict.SEVERAL, alike)
    return _judgement(Verdict.MEANT, gang[:count])


def _judgement(verdict: Verdict, movers: tuple[Mover, ...]) -> Judgement:
    """Judge: the displacement of each is taken to the side to which the first mover went first, or, where its course is
    opposite, to the other side."""
    lead = movers[0]
    sides = [lead.first_side * (1 if mover.course(lead) >= 0 else -1) for mover in movers]
    ways = zip(movers, sides, strict=True)
    return Judgement(verdict, tuple(Moved(mover.uid, mover.way_deg(side)) for mover, side in ways))


# --- asking where the arms are ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Member:
    """One actuator that can be asked by address.

    Attributes:
        uid: 8 bytes.
        address: 1..239, its own.
        model: model name; "" where it is not known.
    """

    uid: bytes
    address: int
    model: str


@dataclass(frozen=True, slots=True)
class Held:
    """An actuator that was not limp, and was released again."""

    uid: bytes


@dataclass(frozen=True, slots=True)
class Silent:
    """An actuator that does not answer any more."""

    uid: bytes


class Lookout:
    """Asks all actuators again and again for their positions; an actuator that does not answer delays no other."""

    def __init__(self, actuators: Sequence[Member], tell: Callable[[Held | Silent], object]) -> None:
        self.watch = Watch()
        self._actuators = {member.address: member for member in actuators}
        self._rows = rows_of(self._actuators)
        self._tell = tell
        self._missed = dict.fromkeys((member.uid for member in actuators), 0)
        self._turns = 0
        self._ended_ns: int | None = None

    @property
    def silent(self) -> tuple[bytes, ...]:
        """The uids that do not answer now."""
        return tuple(uid for uid, missed in self._missed.items() if missed >= SILENT_AFTER)

    def settle(self) -> Steps[tuple[bytes, ...]]:
        """Ask all until each arm has been still, for twice the rest time at most. Returns the uids that were not
        limp."""
        began_ns = yield from now()
        stiff: set[bytes] = set()
        while True:
            states, _ = yield from self._turn()
            stiff.update(uid for uid, state in states.items() if state not in LIMP_STATES)
            passed_ns = (yield from now()) - began_ns
            is_still = passed_ns > REST_NS and self.watch.is_settled(self._missed)
            if is_still or passed_ns > 2 * REST_NS:
                return tuple(sorted(stiff))

    def turn(self) -> Steps[list[Episode | Restless]]:
        """Ask all actuators once; release again every one that is not limp. Returns movements that have ended, or go
        on."""
        states, happened = yield from self._turn()
        for member in self._actuators.values():
            if states.get(member.uid, State.LIMP) not in LIMP_STATES:
                self._tell(Held(member.uid))
                self.watch.forget(member.uid)
                yield from release_all()
                with contextlib.suppress(OperationError):  # without an answer now, it is released in a later turn
                    yield from release(member.address)
        return happened

    def _turn(self) -> Steps[tuple[dict[bytes, State], list[Episode | Restless]]]:
        began_ns = yield from now()
        if self._ended_ns is not None and began_ns - self._ended_ns < TURN_NS:
            yield Pause(TURN_NS - (began_ns - self._ended_ns))
        began_ns = self._ended_ns = yield from now()
        heard: dict[bytes, tuple[State, float]] = {}
        for first, count in self._rows:
            if count > 1:
                reports = yield from report_round(first, count)
                for address, brief in reports.items():
                    if address in self._actuators:
                        heard[self._actuators[address].uid] = (brief.state, brief.position_cdeg / 100)
        for member in self._actuators.values():
            if member.uid not in heard and self._is_asked_alone(member):
                try:
                    status = yield from transact(Report(), member.address, Status, attempts=1)
                except OperationError:
                    continue
                heard[member.uid] = (status.state, status.position_cdeg / 100)
        self._count(heard)
        states = {uid: state for uid, (state, _) in heard.items()}
        return states, self.watch.feed(began_ns, {uid: deg for uid, (_, deg) in heard.items()})

    def _is_asked_alone(self, member: Member) -> bool:
        missed = self._missed[member.uid]
        in_round = (member.address, 1) not in self._rows
        if missed >= SILENT_AFTER:
            return self._turns % SILENT_TURN == 0
        return missed >= ASK_ALONE_AFTER or not in_round

    def _count(self, heard: Mapping[bytes, object]) -> None:
        self._turns += 1
        for uid in self._missed:
            self._missed[uid] = 0 if uid in heard else self._missed[uid] + 1
            if self._missed[uid] == SILENT_AFTER:
                self._tell(Silent(uid))
