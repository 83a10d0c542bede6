"""The choice of travel and arm: the trade's rule that a longer sweep on a shorter arm does better, computed.

For an arm the travel follows: as much as the wanted throw asks for, so that the whole demand is used. So the choice is
that of the arm, and a shorter one means a longer sweep. What the rule promises follows, and what it does not as well:

* what is fixed as an angle of the arm (dead band, sensor) becomes smaller at the surface: it centres better;
* the torque at the actuator becomes smaller;
* the step of the demand becomes no finer at the surface, as it is a share of the travel: about neutral it even becomes
  a little coarser, because the ends are flatter;
* the ends of the sweep become flat: there the surface hardly follows, until it turns back.

Every candidate is the linkage whose arm and horn stand square to the rod at neutral.

Limits: the sweep stays within the actuator's own range, which mechanical stops, end limits and neutral leave; a
transmission angle below 40 deg is refused (common practice, no source); a place of the used sweep where the surface
follows less than a tenth of what it does at neutral is refused (a choice: there play and stretch decide where it
stands); a dead point anywhere in the travel is refused, used or not.

The search. What is made small, dead band at the surface near neutral, goes as arm over horn, as the local ratio there
is just that. So on a horn the best arm is the shortest that can be taken, and no optimiser is needed: the shortest that
reaches the throw within the range is found by halves in closed form; where a limit refuses it, longer ones are tried in
even steps, and the edge is closed in by halves. A window of good arms narrower than a step may be missed. Where no arm
has the wanted margin, the greatest margin is looked for by golden sections. On a grid of holes all are tried in order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import SAMPLES, SECTIONS, finite, greatest, not_negative, positive, within
from busproto.rig.hinge import MARGIN, margin
from busproto.rig.linkage import Linkage, Throw
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import BY_NAME

LEAST_TRANSMISSION_DEG: Final = 40.0
"""Common practice, no source."""
LEAST_FOLLOWING: Final = 0.1
"""Least local ratio in the used sweep, over that at neutral; a choice."""
MOST_THROW_DEG: Final = 80.0
"""Wider throws are no matter for a rod and a horn; a choice."""
LONGEST_ARM: Final = 3.0
"""Where no holes are told, arms up to so many horns are looked at; a choice."""
DEAD_DEG: Final = 0.1
"""Transmission angle below which a place counts as a dead point: there the torque has no limit."""
LEAST_TRAVEL_DEG: Final = BY_NAME["travel"].low / BY_NAME["travel"].counts_per_unit
MOST_TRAVEL_DEG: Final = BY_NAME["travel"].high / BY_NAME["travel"].counts_per_unit
"""Between which the travel of an actuator can be set."""
_TRAVEL_COUNTS: Final = BY_NAME["travel"].counts_per_unit
_SCAN: Final = 80
_QUICK: Final = 60
_QUICK_SECTIONS: Final = 24
"""Samples of a sweep, and how closely its worst place is closed in, while arms are searched; what is found is judged
with all."""
HingeMoment = Callable[[float], float]
"""Moment at the hinge, N m, at a surface angle, deg."""


def sensor_step_deg(span_deg: float, bits: int, *, ends_included: bool = False) -> float:
    """One count of a position sensor as an angle of the arm, deg.

    Args:
        span_deg: angle that the whole count covers, above 0.
        bits: 1..24.
        ends_included: the first and the last count stand at the ends of the span, which so has 2^bits - 1 steps;
            otherwise it has 2^bits, as on a full turn. Data sheets mean either.
    Raises:
        InputError: outside that.
    """
    if not 1 <= bits <= 24:
        raise InputError(f"a sensor has 1 to 24 bits here, not {bits}")
    return positive("the sensor's span", span_deg, "deg") / ((1 << bits) - (1 if ends_included else 0))


def demand_step_deg(travel_deg: float) -> float:
    """How far one step of the demand moves the arm, deg: a ten-thousandth of half the travel (above 0..360)."""
    positive("the travel", within("the travel", travel_deg, 0.0, 360.0, "deg"), "deg")
    return travel_deg / 2.0 / MAX_DEMAND


@dataclass(frozen=True, slots=True)
class Room:
    """How far an arm can go from its neutral, deg, as sizes: to the side that takes the surface up in angle, and to the
    other. Not below 0.

    Raises:
        InputError: outside that.
    """

    plus_deg: float
    minus_deg: float

    def __post_init__(self) -> None:
        not_negative("the room to plus", self.plus_deg, "deg")
        not_negative("the room to minus", self.minus_deg, "deg")

    def of_travel(self, travel_deg: float) -> Room:
        """What is left of it where the demand asks for half a travel to each side at most."""
        half_deg = positive("the travel", travel_deg, "deg") / 2.0
        return Room(min(half_deg, self.plus_deg), min(half_deg, self.minus_deg))

    def arm_deg(self, linkage: Linkage) -> tuple[float, float]:
        """The ends as angles of the arm from its neutral, low and high."""
        if linkage.ratio(0.0) > 0.0:
            return -self.minus_deg, self.plus_deg
        return -self.plus_deg, self.minus_deg


@dataclass(frozen=True, slots=True)
class Wish:
    """What is wanted of one surface, and what there is for it. Torques and moments are those of each actuator.

    Attributes:
        plus_deg, minus_deg: least throw to each side, as sizes, 0..80, not both 0.
        horns_mm: horns that there are, above 0, one or more.
        base_mm: distance of the pivots, above 0.
        stall_nm: of an actuator, above 0.
        hinge_nm: moment at the hinge that one actuator has to hold at a surface angle; its size counts.
        room: that the actuator's own range leaves.
        dead_band_deg: of the actuator, as a size to each side, at the arm; not below 0.
        sensor_deg: one count of its sensor at the arm (`sensor_step_deg`); 0 where not known.
        holes_mm: arm lengths that there are; empty where any can be made.
        margin: stall torque over needed torque, above 0.
        opposite_sides: arm and horn point to opposite sides.

    Raises:
        InputError: outside that.
    """

    plus_deg: float
    minus_deg: float
    horns_mm: tuple[float, ...]
    base_mm: float
    stall_nm: float
    hinge_nm: HingeMoment
    room: Room
    dead_band_deg: float
    sensor_deg: float
    holes_mm: tuple[float, ...] = ()
    margin: float = MARGIN
    opposite_sides: bool = False

    def __post_init__(self) -> None:
        for name, value in (("plus", self.plus_deg), ("minus", self.minus_deg)):
            within(f"the wanted throw to {name}", value, 0.0, MOST_THROW_DEG, "deg")
        positive("the wanted throw", max(self.plus_deg, self.minus_deg), "deg")
        if not self.horns_mm:
            raise InputError("at least one horn is wanted")
        for horn_mm in self.horns_mm:
            positive("the horn's length", horn_mm, "mm")
        positive("the distance of the pivots", self.base_mm, "mm")
        positive("the stall torque", self.stall_nm, "N m")
        not_negative("the dead band", self.dead_band_deg, "deg")
        not_negative("the sensor's step", self.sensor_deg, "deg")
        for hole_mm in self.holes_mm:
            positive("a hole of the arm", hole_mm, "mm")
        positive("the wanted margin", self.margin)


@dataclass(frozen=True, slots=True)
class Judged:
    """A linkage over a used sweep.

    Attributes:
        end_low_deg, end_high_deg: of the used sweep, at the arm.
        throw: reached there; `plus_deg` on the side of the positive wish.
        smallest_transmission_deg: in the used sweep.
        smallest_following: least local ratio over that at neutral; below 0 where the surface turns back.
        step_at_neutral_deg, step_coarsest_deg: one step of the demand, at the surface.
        band_at_neutral_deg, band_coarsest_deg: dead band and one sensor count together, at the surface.
        worst_nm, worst_at_deg: greatest torque at the arm of an actuator, and the actuator angle where it is.
        margin: stall torque over that.
    """

    end_low_deg: float
    end_high_deg: float
    throw: Throw
    smallest_transmission_deg: float
    smallest_following: float
    step_at_neutral_deg: float
    step_coarsest_deg: float
    band_at_neutral_deg: float
    band_coarsest_deg: float
    worst_nm: float
    worst_at_deg: float
    margin: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """One arm on one horn, and the travel that the wanted throw needs with it.

    Attributes:
        arm_mm, horn_mm: of the linkage.
        travel_deg: least travel that gives the throw, as it can be set; None where the arm does not give it.
        judged: between the ends where the wanted throw is reached; None where there is no linkage, or it would have to
            go to a dead point.
        refused: why it cannot be taken; "" where it can.
    """

    arm_mm: float
    horn_mm: float
    travel_deg: float | None
    judged: Judged | None
    refused: str

    def has_margin(self, wanted: float) -> bool:
        """Whether it can be taken, and has that margin."""
        return not self.refused and self.judged is not None and self.judged.margin >= wanted


@dataclass(frozen=True, slots=True)
class Choice:
    """What to take, and why.

    Attributes:
        tried: the holes that were looked at, shortest arm for its horn first; empty where no holes are told.
        recommended: of them, or of all arms where no holes are told; None where none can be taken.
        any_arm: the best of all arms, wherever its hole is; None where none can be taken.
        reason: in words.
    """

    tried: tuple[Candidate, ...]
    recommended: Candidate | None
    any_arm: Candidate | None
    reason: str


def judge(
    linkage: Linkage,
    travel_deg: float,
    ends_deg: tuple[float, float],
    stall_nm: float,
    hinge_nm: HingeMoment,
    *,
    dead_band_deg: float,
    sensor_deg: float,
    samples: int = SAMPLES,
) -> Judged:
    """What a linkage does between two actuator angles.

    Args:
        linkage: any.
        travel_deg: between demand -100 % and +100 %, for the step of the demand; above 0..360.
        ends_deg: of the used sweep, low < high, both within the linkage's reach.
        stall_nm: of an actuator, above 0.
        hinge_nm, dead_band_deg, sensor_deg: as in `Wish`.
        samples: of the sweep, before its worst places are closed in.
    Raises:
        InputError: outside that, or the arm cannot get to an end.
    """
    low_deg, high_deg = ends_deg
    if not low_deg < high_deg:
        raise InputError(f"the used sweep must go from a lower to a higher angle, not {low_deg:g} to {high_deg:g} deg")
    at_neutral = linkage.ratio(0.0)
    towards = math.copysign(1.0, at_neutral)
    high, low = linkage.surface_deg(high_deg), linkage.surface_deg(low_deg)

    def size_of_ratio(actuator_deg: float) -> float:
        return abs(linkage.ratio(actuator_deg))

    def torque(actuator_deg: float) -> float:
        moment_nm = finite("the hinge moment", hinge_nm(linkage.surface_deg(actuator_deg)), "N m")
        return abs(linkage.actuator_torque_nm(moment_nm, actuator_deg))

    how = {"samples": samples, "sections": SECTIONS if samples >= SAMPLES else _QUICK_SECTIONS}
    _, coarsest = greatest(size_of_ratio, low_deg, high_deg, **how)
    _, least = greatest(lambda one_deg: -linkage.ratio(one_deg) * towards, low_deg, high_deg, **how)
    worst_at_deg, worst_nm = greatest(torque, low_deg, high_deg, **how)
    step_deg = demand_step_deg(travel_deg)
    band_deg = not_negative("the dead band", dead_band_deg, "deg") + not_negative(
        "the sensor's step", sensor_deg, "deg"
    )
    return Judged(
        end_low_deg=low_deg,
        end_high_deg=high_deg,
        throw=Throw(high, low) if towards > 0.0 else Throw(low, high),
        smallest_transmission_deg=linkage.smallest_transmission_deg(low_deg, high_deg),
        smallest_following=-least / abs(at_neutral),
        step_at_neutral_deg=step_deg * abs(at_neutral),
        step_coarsest_deg=step_deg * coarsest,
        band_at_neutral_deg=band_deg * abs(at_neutral),
        band_coarsest_deg=band_deg * coarsest,
        worst_nm=worst_nm,
        worst_at_deg=worst_at_deg,
        margin=margin(stall_nm, worst_nm),
    )


def reasons_against(judged: Judged) -> list[str]:
    """Why a linkage over a used sweep should not be built; empty where nothing speaks against it."""
    against = []
    if judged.smallest_following < LEAST_FOLLOWING:
        against.append(
            f"between {judged.end_low_deg:.1f} and {judged.end_high_deg:.1f} deg of the arm there is a place where the "
            f"surface {'turns back' if judged.smallest_following < -1e-6 else 'hardly follows'} "
            f"({max(0.0, judged.smallest_following):.0%} of what it does at neutral)"
        )
    if judged.smallest_transmission_deg < LEAST_TRANSMISSION_DEG:
        against.append(
            f"the transmission angle falls to {judged.smallest_transmission_deg:.1f} deg, "
            f"below {LEAST_TRANSMISSION_DEG:g} deg"
        )
    return against


def candidate_of(wish: Wish, arm_mm: float, horn_mm: float, *, samples: int = SAMPLES) -> Candidate:
    """One arm on one horn: the travel it needs, and what comes of it.

    With less than the usual samples, as in a search, one that is refused anyway is not looked at closely. Raises
    InputError where `wish.hinge_nm` does.
    """

    def refused(why: str, travel_deg: float | None = None, judged: Judged | None = None) -> Candidate:
        return Candidate(arm_mm, horn_mm, travel_deg, judged, why)

    try:
        linkage = Linkage.normal_case(arm_mm, horn_mm, wish.base_mm, opposite_sides=wish.opposite_sides)
    except InputError as error:
        return refused(str(error))
    lowest_deg, highest_deg = linkage.surface_range_deg()
    if wish.plus_deg > highest_deg or -wish.minus_deg < lowest_deg:
        return refused(f"the surface goes from {lowest_deg:.1f} to {highest_deg:.1f} deg only: the arm is too short")
    plus_deg, minus_deg = (abs(linkage.actuator_deg(one)) for one in (wish.plus_deg, -wish.minus_deg))
    half_deg = max(plus_deg, minus_deg)
    travel_deg = max(LEAST_TRAVEL_DEG, math.ceil(2.0 * half_deg * _TRAVEL_COUNTS - 1e-6) / _TRAVEL_COUNTS)
    for side, asked_deg, room_deg in (
        ("plus", plus_deg, wish.room.plus_deg),
        ("minus", minus_deg, wish.room.minus_deg),
    ):
        allowed_deg = min(room_deg, MOST_TRAVEL_DEG / 2.0)
        if asked_deg > allowed_deg + 1e-9:
            why = f"the throw to {side} takes {asked_deg:.1f} deg of the arm; the actuator's own range has "
            return refused(f"{why}{allowed_deg:.1f} deg", travel_deg)
    ends = used_ends_deg(linkage, wish.plus_deg, wish.minus_deg, wish.room)
    if linkage.smallest_transmission_deg(*ends) < DEAD_DEG:
        return refused("the wanted throw needs the dead point, where rod and horn stand in line", travel_deg)
    against = []
    low_deg, high_deg = wish.room.of_travel(travel_deg).arm_deg(linkage)
    if not linkage.reach_deg[0] <= low_deg < high_deg <= linkage.reach_deg[1]:
        against.append(
            "within the travel rod and horn come to stand in line (dead point): the arm gets from "
            f"{linkage.reach_deg[0]:.1f} to {linkage.reach_deg[1]:.1f} deg only"
        )
    if samples < SAMPLES and (against or linkage.smallest_transmission_deg(*ends) < LEAST_TRANSMISSION_DEG):
        return refused("refused without a closer look", travel_deg)
    judged = judge(
        linkage,
        travel_deg,
        ends,
        wish.stall_nm,
        wish.hinge_nm,
        dead_band_deg=wish.dead_band_deg,
        sensor_deg=wish.sensor_deg,
        samples=samples,
    )
    return refused("; ".join([*against, *reasons_against(judged)]), travel_deg, judged)


def choose(wish: Wish) -> Choice:
    """The arm, horn and travel to take.

    Of those not refused and with enough margin, the one with the smallest dead band and sensor step at the surface;
    where none has enough margin, the one with the most, and the reason says so. Raises InputError where a moment is
    not finite.
    """
    any_arm = _best(wish, [one for horn_mm in wish.horns_mm for one in _any_arm(wish, horn_mm)])
    if not wish.holes_mm:
        return Choice((), any_arm, any_arm, _reason(wish, any_arm, ()))
    pairs = sorted({(arm_mm, horn_mm) for arm_mm in wish.holes_mm for horn_mm in wish.horns_mm}, key=_shortest_first)
    tried: list[Candidate] = []
    for arm_mm, horn_mm in pairs:  # the first that fits is the best one; one more shows what lies beyond it
        enough = any(one.has_margin(wish.margin) for one in tried)
        tried.append(candidate_of(wish, arm_mm, horn_mm))
        if enough:
            break
    best = _best(wish, tried)
    return Choice(tuple(tried), best, any_arm, _reason(wish, best, tried))


def _shortest_first(pair: tuple[float, float]) -> tuple[float, float]:
    arm_mm, horn_mm = pair
    return arm_mm / horn_mm, arm_mm


def _best(wish: Wish, candidates: Iterable[Candidate]) -> Candidate | None:
    usable = [one for one in candidates if not one.refused and one.judged is not None]
    enough = [one for one in usable if one.has_margin(wish.margin)]
    if enough:
        return min(enough, key=lambda one: _shortest_first((one.arm_mm, one.horn_mm)))
    return max(usable, key=lambda one: 0.0 if one.judged is None else one.judged.margin, default=None)


def _any_arm(wish: Wish, horn_mm: float) -> list[Candidate]:
    """The shortest arm on a horn that fits; where none has the margin, those that may have most."""
    longest_mm, start_mm = longest_arm_mm(wish, horn_mm), shortest_arm_mm(wish, horn_mm)
    if start_mm is None:
        return []

    def quick(arm_mm: float) -> Candidate:
        return candidate_of(wish, arm_mm, horn_mm, samples=_QUICK)

    def has_margin(arm_mm: float) -> bool:
        return quick(arm_mm).has_margin(wish.margin)

    def margin_of(one: Candidate) -> float:
        return -1.0 if one.refused or one.judged is None else min(one.judged.margin, 1e9)

    places = [start_mm + (longest_mm - start_mm) * at / _SCAN for at in range(_SCAN + 1)]
    tried: list[Candidate] = []
    for at, arm_mm in enumerate(places):
        tried.append(quick(arm_mm))
        if tried[-1].has_margin(wish.margin):
            found_mm = _edge(has_margin, places[at - 1], arm_mm) if at else arm_mm
            return [candidate_of(wish, found_mm, horn_mm)]
    best = max(range(len(tried)), key=lambda at: margin_of(tried[at]))
    if tried[best].refused:
        return []
    left_mm, right_mm = places[max(0, best - 1)], places[min(_SCAN, best + 1)]
    if tried[max(0, best - 1)].refused:  # then the edge of what can be taken is as near
        left_mm = _edge(lambda arm_mm: not quick(arm_mm).refused, left_mm, places[best])
    most_mm, _ = greatest(
        lambda arm_mm: margin_of(quick(arm_mm)), left_mm, right_mm, samples=4, sections=_QUICK_SECTIONS
    )
    return [candidate_of(wish, one_mm, horn_mm) for one_mm in (left_mm, most_mm)]


def _edge(accepts: Callable[[float], bool], refused_mm: float, accepted_mm: float) -> float:
    """The shortest arm that is accepted, between one that is not and a longer one that is, to the last digits."""
    while accepted_mm - refused_mm > 1e-6 * accepted_mm:
        middle_mm = (refused_mm + accepted_mm) / 2.0
        refused_mm, accepted_mm = (refused_mm, middle_mm) if accepts(middle_mm) else (middle_mm, accepted_mm)
    return accepted_mm


def longest_arm_mm(wish: Wish, horn_mm: float) -> float:
    """The longest arm that is looked at on a horn: three horns, and no more than the pivots allow."""
    room_mm = wish.base_mm - horn_mm if wish.opposite_sides else wish.base_mm + horn_mm
    return min(LONGEST_ARM * horn_mm, room_mm * (1.0 - 1e-6))


def shortest_arm_mm(wish: Wish, horn_mm: float) -> float | None:
    """The shortest arm on a horn that reaches the wanted throw to both sides within the actuator's own range, mm.

    None where none does, up to `longest_arm_mm`.
    """
    longest_mm = longest_arm_mm(wish, horn_mm)
    shortest_mm = max(0.0, 0.0 if wish.opposite_sides else horn_mm - wish.base_mm)
    if longest_mm <= shortest_mm:
        return None
    most_deg = MOST_TRAVEL_DEG / 2.0
    room = Room(min(most_deg, wish.room.plus_deg), min(most_deg, wish.room.minus_deg))

    def reaches(arm_mm: float) -> bool:
        try:
            linkage = Linkage.normal_case(arm_mm, horn_mm, wish.base_mm, opposite_sides=wish.opposite_sides)
        except InputError:
            return False
        (low_deg, high_deg), follows = room.arm_deg(linkage), linkage.follows_deg
        ends = linkage.throw(min(high_deg, follows[1]), max(low_deg, follows[0]))
        plus_deg, minus_deg = max(ends.plus_deg, ends.minus_deg), -min(ends.plus_deg, ends.minus_deg)
        return plus_deg >= wish.plus_deg and minus_deg >= wish.minus_deg

    step_mm = (longest_mm - shortest_mm) / _SCAN
    for count in range(1, _SCAN + 1):
        if reaches(shortest_mm + step_mm * count):
            return _edge(reaches, shortest_mm + step_mm * (count - 1), shortest_mm + step_mm * count)
    return None


def used_ends_deg(linkage: Linkage, plus_deg: float, minus_deg: float, room: Room) -> tuple[float, float]:
    """Actuator angles, low and high, at which a wanted throw is reached: where the end limits belong.

    Where the throw is not reached, the end of the room, or of what the linkage follows.

    Args:
        linkage: any.
        plus_deg, minus_deg: wanted throw to each side of the surface, as sizes.
        room: of the arm, from neutral.
    Raises:
        InputError: a number is not finite or below 0.
    """
    lowest, highest = linkage.surface_range_deg()
    ends = [
        linkage.actuator_deg(min(highest, max(lowest, wanted_deg)))
        for wanted_deg in (not_negative("the throw", plus_deg, "deg"), -not_negative("the throw", minus_deg, "deg"))
    ]
    (low_deg, high_deg), follows = room.arm_deg(linkage), linkage.follows_deg
    return max(min(ends), follows[0], low_deg), min(max(ends), follows[1], high_deg)


def full_throw(linkage: Linkage, room: Room) -> Throw | None:
    """The throw of all the room; None where the arm does not get to both ends."""
    low_deg, high_deg = room.arm_deg(linkage)
    if not linkage.reach_deg[0] <= low_deg <= high_deg <= linkage.reach_deg[1]:
        return None
    ends = linkage.throw(high_deg, low_deg)
    return ends if linkage.ratio(0.0) > 0.0 else Throw(ends.minus_deg, ends.plus_deg)


def _reason(wish: Wish, best: Candidate | None, tried: Sequence[Candidate]) -> str:
    if best is None or best.judged is None:
        if tried:
            return "no hole can be taken: " + "; ".join(f"{one.arm_mm:g} mm: {one.refused}" for one in tried[-3:])
        longest = ", ".join(f"{longest_arm_mm(wish, one):.1f} mm on a horn of {one:g} mm" for one in wish.horns_mm)
        return (
            f"no arm up to {longest} gives the wanted throw: the actuator's own range has {wish.room.plus_deg:.1f} deg "
            f"to plus and {wish.room.minus_deg:.1f} deg to minus, and the limits of rod and horn hold"
        )
    judged = best.judged
    what = f"an arm of {best.arm_mm:.1f} mm on a horn of {best.horn_mm:.1f} mm, travel {best.travel_deg:.2f} deg"
    figures = f"torque of each actuator {judged.worst_nm:.3f} N m, margin {_times(judged.margin)}"
    if judged.band_at_neutral_deg:
        figures = f"dead band at the surface {judged.band_at_neutral_deg:.3f} deg, {figures}"
    if judged.margin < wish.margin:
        return (
            f"none has the wanted margin of {wish.margin:g}, so take a stronger actuator, a longer horn with less "
            f"throw, or fly slower; {what} has the most: {figures}"
        )
    return f"{what}: {figures}"


def _times(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "without limit"
