"""Which way a surface moves at a positive demand: tried with a small movement, and judged by a person who looks.

An actuator knows its arm, not the surface. So the first actuator of a surface swings a little to the side to which the
plan's `direction` turns it at a positive demand, and back. A person (or a stand-in in tests) says whether the surface
moved as the plan's `positive` says. The other actuators are limp and carried along; the side to which each arm turned
is measured, so that one look judges all. The settings of the actuators do not matter, so this can be done before and
after `apply`. A direction that was not seen by a person is not known, and never passed.

The caller must have shown the cautions. Each surface is limp while a person is asked.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeAlias

from busproto.errors import InputError, NotLimpError, OperationError
from busproto.ops.moving.letting_go import OnLine, ending_limp, let_go, require_limp
from busproto.ops.moving.letting_go import seen_by as seen_limp_by
from busproto.ops.moving.motion import ARRIVED_CDEG, demand, engage, report
from busproto.ops.moving.nudge import fraction_to_stay
from busproto.ops.parameter_access import read_all
from busproto.ops.steps import Progress, Steps, now
from busproto.plan.load import Plan, Role
from busproto.wire.messages import State, Status
from busproto.wire.parameters import DIRECTION_REVERSED, parameter_named

PART: Final = "direction"
FRACTION: Final = 0.15
"""Size of the swing, fraction of half the travel."""
LEAST_DEG: Final = 1.0
"""deg. An arm that turned by less has not shown a side; the sensor's step is a twentieth of it."""
DWELL_NS: Final = 600_000_000
"""ns. How long the surface stays out, to be looked at."""
LONGEST_NS: Final = 4_000_000_000

_Places: TypeAlias = dict[int, Status | None]


class Way(enum.Enum):
    """Which way a surface went."""

    PLANNED = "as planned"
    OTHER = "the other way"
    NOT_KNOWN = "not known"


class Order(enum.Enum):
    """An answer of the person other than the way."""

    AGAIN = "again"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Arm:
    """One actuator of a surface.

    Attributes:
        role: what is planned.
        uid, address: of the actuator in it; it is alone at that address, 1..239.
    """

    role: Role
    uid: bytes
    address: int

    @property
    def planned_side(self) -> int:
        """To which side its arm turns at a positive demand as planned, +1 or -1."""
        return -1 if self.role.settings["direction"] == DIRECTION_REVERSED else 1

    @property
    def direction(self) -> str:
        """Its planned direction in words."""
        return parameter_named("direction").text(self.role.settings["direction"])


@dataclass(frozen=True, slots=True)
class Surface:
    """Actuators that move together.

    Attributes:
        name: of the function, or of the gang.
        positive: where a positive demand is to take it, in the words of the plan.
        arms: its actuators that can be asked; the first one moves. Never empty.
    """

    name: str
    positive: str
    arms: tuple[Arm, ...]


def positive_of(plan: Plan, role: Role) -> str:
    """Where a positive demand is to take the surface of a function, in the words of the plan; "" where it says none."""
    members = plan.gangs[role.gang].members if role.gang else (role.function,)
    return next((plan.roles[one].positive for one in members if plan.roles[one].positive), "")


def surfaces_of(plan: Plan, there: Mapping[str, tuple[bytes, int]]) -> list[Surface]:
    """Every surface of which the plan says where a positive demand takes it, in the order of the airframe file.

    Args:
        there: uid and address of each function whose actuator can be asked and may be moved.
    """
    found: dict[str, Surface] = {}
    for function, role in plan.roles.items():
        name = role.gang or function
        members = plan.gangs[role.gang].members if role.gang else (function,)
        positive = positive_of(plan, role)
        arms = tuple(Arm(plan.roles[one], *there[one]) for one in members if one in there)
        if name not in found and positive and arms:
            found[name] = Surface(name, positive, arms)
    return list(found.values())


def surface_named(plan: Plan, name: str) -> str:
    """The surface that a person means: a gang, or a function, which may be a member of one.

    Raises:
        InputError: there is none, or the plan does not say where a positive demand takes it.
    """
    surfaces = surfaces_of(plan, {function: (b"", role.address) for function, role in plan.roles.items()})
    for surface in surfaces:
        if name == surface.name or name in (arm.role.function for arm in surface.arms):
            return surface.name
    names = ", ".join(surface.name for surface in surfaces) or "none"
    raise InputError(f"'{name}' is no surface whose 'positive' the plan of '{plan.title}' states; there are: {names}")


# --- moving it ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Swung:
    """By function, how far each arm of a surface turned, deg; positive is where its own angle grows. None: no
    answer."""

    by_deg: Mapping[str, float | None]


def swing(surface: Surface, fraction: float = FRACTION) -> Steps[Swung]:
    """Let the first arm of a surface swing to its positive side and back, the others limp. All are seen limp
    afterwards.

    Raises:
        NotLimpError: an actuator was not seen limp, before or after.
        OperationError: the actuator does not answer, refuses, or cannot be held where it is; nothing moved.
    """
    lead = surface.arms[0]
    actuators = _actuators_of(surface)
    require_limp((yield from let_go(actuators, to_all=False)))
    settings = yield from read_all(lead.address)
    before = yield from report(lead.address)
    stay = fraction_to_stay(lead.address, before.position_cdeg / 100, settings)
    is_set = -1 if settings["direction"] == DIRECTION_REVERSED else 1
    out = min(1.0, max(-1.0, stay + fraction * is_set * lead.planned_side))
    (first, then), seen = yield from ending_limp(_out_and_back(surface, stay, out), actuators, to_all=False)
    require_limp(seen)
    by_deg: dict[str, float | None] = {}
    for arm in surface.arms:
        at, was = then[arm.address], first[arm.address]
        by_deg[arm.role.function] = None if at is None or was is None else (at.position_cdeg - was.position_cdeg) / 100
    return Swung(by_deg)


def _actuators_of(surface: Surface) -> list[OnLine]:
    """The actuators of this surface, for letting go."""
    row = parameter_named("loss-action")
    return [OnLine(arm.address, arm.uid, row.text(arm.role.settings[row.name])) for arm in surface.arms]


def _out_and_back(surface: Surface, stay: float, out: float) -> Steps[tuple[_Places, _Places]]:
    """Where each arm stood before it went out, and out there."""
    address = surface.arms[0].address
    yield from engage(address)
    yield from _hold(address, stay, DWELL_NS // 2)
    first = yield from _places(surface)
    yield from _hold(address, out, DWELL_NS)
    then = yield from _places(surface)
    yield from _hold(address, stay, DWELL_NS // 2)
    return first, then


def _hold(address: int, fraction: float, dwell_ns: int) -> Steps[None]:
    """Repeat a demand until the arm has been there for `dwell_ns`, or a time limit is over."""
    began_ns = yield from now()
    arrived_ns: int | None = None
    while True:
        yield from demand(address, fraction)
        status = yield from report(address)
        time_ns = yield from now()
        is_there = status.state is State.FOLLOWING and abs(status.position_cdeg - status.demand_cdeg) <= ARRIVED_CDEG
        arrived_ns = (arrived_ns or time_ns) if is_there else None
        if time_ns - began_ns > LONGEST_NS or (arrived_ns is not None and time_ns - arrived_ns >= dwell_ns):
            return


def _places(surface: Surface) -> Steps[_Places]:
    """Where each arm stands; None for one that does not answer, but for the one that moves."""
    lead, *others = surface.arms
    places: _Places = {lead.address: (yield from report(lead.address))}
    for arm in others:
        try:
            places[arm.address] = yield from report(arm.address)
        except OperationError:
            places[arm.address] = None
    return places


# --- what came of it ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tried:
    """What is known of one function now.

    Attributes:
        function, uid, address: of the actuator.
        positive: where a positive demand is to take it, in the words of the plan.
        direction: the planned direction for which this holds.
        way: which way it went.
        why: for what reason it is not known; "" otherwise.
        by_deg: how far its arm turned, deg; None where it did not move or was not heard.
        seen_by: the person who saw it; "" for none.
        at: when, ISO 8601.
    """

    function: str
    uid: bytes
    address: int
    positive: str
    direction: str
    way: Way
    why: str
    by_deg: float | None
    seen_by: str
    at: str

    def as_json(self) -> dict[str, Any]:
        """As it stands in the file of the trial."""
        return {
            "positive": self.positive,
            "direction": self.direction,
            "way": self.way.value,
            "reason": self.why,
            "turned_deg": self.by_deg,
            "seen_by": self.seen_by,
            "date": self.at,
        }


def fault_of(positive: str, direction: str) -> str:
    """What a wrong side means, and what to do."""
    other = "normal" if direction == "reversed" else "reversed"
    return (
        f"a positive demand takes it the other way than '{positive}': give it direction = \"{other}\" in the plan "
        f"(now \"{direction}\"), then 'busproto apply', and try again"
    )


class Looker(Protocol):
    """The person, or a stand-in, that judges which way a surface moved."""

    seen_by: str

    def will_look(self, surface: Surface) -> bool:
        """Whether this surface will be looked at; if not, nothing is moved."""

    def look(self, surface: Surface, swung: Swung) -> Way | Order:
        """Which way the surface went just now. May block: all are limp."""


def try_directions(
    surfaces: Sequence[Surface], looker: Looker, now_text: Callable[[], str], keep: Callable[[Sequence[Tried]], object]
) -> Steps[list[Tried]]:
    """Try one surface after another, until one was not seen limp afterwards. Returns what is known of every function.

    Each surface is limp again after its try. The caller also wraps this in `ending_limp`, for what is seen at the end.

    Args:
        looker: judges which way each moved.
        now_text: the date and time.
        keep: called with the result of each surface at once.
    """
    tried: list[Tried] = []
    is_stopped = False
    for number, surface in enumerate(surfaces):
        yield Progress("trying directions", number, len(surfaces))
        way, why, swung = Way.NOT_KNOWN, "", Swung({})
        if is_stopped:
            why = "ended before it"
        elif not looker.will_look(surface):
            why = "no one was there to look, so it was not moved"
        else:
            try:
                seen, why, swung = yield from _look_at(surface, looker)
            except NotLimpError as error:
                seen, why = Order.STOP, str(error)
            is_stopped = seen is Order.STOP
            way = seen if isinstance(seen, Way) else Way.NOT_KNOWN
            why = why or ("" if way is not Way.NOT_KNOWN else "it was not seen")
        of_this = list(_judged(surface, way, why, swung, looker.seen_by, now_text()))
        keep(of_this)
        tried += of_this
    yield Progress("trying directions", len(surfaces), len(surfaces))
    return tried


def _look_at(surface: Surface, looker: Looker) -> Steps[tuple[Way | Order, str, Swung]]:
    lead = surface.arms[0]
    while True:
        try:
            swung = yield from swing(surface)
        except NotLimpError:
            raise
        except OperationError as error:
            seen = seen_limp_by(error)
            if seen is not None:
                require_limp(seen)  # with an actuator that may hold, no person is asked and nothing else is moved
            return Way.NOT_KNOWN, str(error), Swung({})
        by_deg = swung.by_deg[lead.role.function]
        assert by_deg is not None
        if by_deg * lead.planned_side < LEAST_DEG:
            return Way.NOT_KNOWN, f"asked to swing, its arm turned by {by_deg:+.1f} deg only", swung
        told = looker.look(surface, swung)
        if told is not Order.AGAIN:
            return told, "", swung


def _judged(surface: Surface, way: Way, why: str, swung: Swung, seen_by: str, at: str) -> Iterator[Tried]:
    """One look at the surface, and the side to which each arm turned, tell of each."""
    for number, arm in enumerate(surface.arms):
        by_deg = swung.by_deg.get(arm.role.function)
        own, own_why = way, why
        if number and way is not Way.NOT_KNOWN:
            if by_deg is None or abs(by_deg) < LEAST_DEG:
                how = "it did not answer" if by_deg is None else f"its arm turned by {by_deg:+.1f} deg only"
                own, own_why = Way.NOT_KNOWN, f"it was not carried along: {how}"
            elif by_deg * arm.planned_side < 0:
                own = Way.OTHER if way is Way.PLANNED else Way.PLANNED
        yield Tried(
            arm.role.function,
            arm.uid,
            arm.address,
            surface.positive,
            arm.direction,
            own,
            own_why,
            by_deg,
            "" if own is Way.NOT_KNOWN else seen_by,
            at,
        )


def not_tried(surface: Surface, why: str, at: str) -> list[Tried]:
    """What is known of a surface that was not moved: nothing, and why."""
    return list(_judged(surface, Way.NOT_KNOWN, why, Swung({}), "", at))


# --- in the file of the trial ------------------------------------------------------------------------------------


def with_directions(body: Mapping[str, Any], tried: Sequence[Tried]) -> dict[str, Any]:
    """A trial's file with these in it, each at its actuator; the others as they were.

    A wrong side is a fault of its actuator; what is not known lets the whole not pass.
    """
    rows = {row["uid"]: dict(row) for row in body["actuators"]}
    for one in tried:
        row = rows.setdefault(one.uid.hex(), _untried(one))
        row.update(function=one.function, address=one.address)
        _put(row, one.as_json())
    parts = [*body["parts"], *([] if PART in body["parts"] else [PART])]
    return _judged_whole({**body, "parts": parts, "actuators": list(rows.values())})


def carried_over(body: Mapping[str, Any], before: Mapping[str, Any]) -> dict[str, Any]:
    """A fresh trial's file with the directions of the one before, as far as actuators are in the same functions."""
    known = {
        (row.get("uid"), row.get("function")): row["direction_test"]
        for row in before.get("actuators", ())
        if isinstance(row, dict) and isinstance(row.get("direction_test"), dict)
    }
    rows = [dict(row) for row in body["actuators"]]
    for row in rows:
        direction = known.get((row["uid"], row["function"]))
        if direction is not None:
            _put(row, direction)
    return _judged_whole({**body, "actuators": rows})


def _put(row: dict[str, Any], direction: Mapping[str, Any]) -> None:
    """This direction in the place of the one before, and its fault, if it is one, under the part's name."""
    by_part = dict(row.get("problems_by_part") or {})
    before = by_part.pop(PART, [])
    problems = [one for one in row["problems"] if one not in before]
    if direction.get("way") == Way.OTHER.value:
        by_part[PART] = [fault_of(*_of(direction))]
        problems += by_part[PART]
    row.update(direction_test=dict(direction), problems=problems, problems_by_part=by_part, as_planned=not problems)


def _of(direction: Mapping[str, Any]) -> tuple[str, str]:
    return str(direction.get("positive", "")), str(direction.get("direction", ""))


def _judged_whole(body: dict[str, Any]) -> dict[str, Any]:
    is_open = PART in body["parts"] and any(
        (row.get("direction_test") or {}).get("way") == Way.NOT_KNOWN.value for row in body["actuators"]
    )
    is_whole = not body["missing"] and not body.get("unmatched")
    body["as_planned"] = is_whole and not is_open and all(row["as_planned"] for row in body["actuators"])
    return body


def _untried(one: Tried) -> dict[str, Any]:
    """A row of the file for an actuator of which nothing else was tried."""
    return {
        "function": one.function,
        "uid": one.uid.hex(),
        "address": one.address,
        "limp_at_start": None,
        "soft_start_ms": None,
        "centred": None,
        "centred_at_deg": None,
        "throws": {},
        "loss_action_seen": None,
        "loss_after_ms": None,
        "as_planned": True,
        "problems": [],
        "problems_by_part": {},
    }
