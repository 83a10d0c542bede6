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
from busproto.rig.checks import SAMPLES, greatest
from busproto.rig.judged import (
    DEAD_DEG,
    LEAST_TRANSMISSION_DEG,
    LEAST_TRAVEL_DEG,
    MOST_TRAVEL_DEG,
    QUICK_SAMPLES,
    QUICK_SECTIONS,
    TRAVEL_COUNTS,
    Candidate,
    Judged,
    Room,
    Wish,
    judge,
    reasons_against,
    used_ends_deg,
)
from busproto.rig.linkage import Linkage, Throw

LONGEST_ARM: Final = 3.0
"""Without stated holes, arms up to this many horn lengths are tried; a choice."""
_SCAN: Final = 80


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


def candidate_of(wish: Wish, arm_mm: float, horn_mm: float, *, samples: int = SAMPLES) -> Candidate:
    """One arm on one horn: the travel it needs, and the result.

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
    travel_deg = max(LEAST_TRAVEL_DEG, math.ceil(2.0 * half_deg * TRAVEL_COUNTS - 1e-6) / TRAVEL_COUNTS)
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
    for arm_mm, horn_mm in pairs:  # the first pair that fits is the best; one more shows the next step
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
        return candidate_of(wish, arm_mm, horn_mm, samples=QUICK_SAMPLES)

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
        lambda arm_mm: margin_of(quick(arm_mm)), left_mm, right_mm, samples=4, sections=QUICK_SECTIONS
    )
    return [candidate_of(wish, one_mm, horn_mm) for one_mm in (left_mm, most_mm)]


def _edge(accepts: Callable[[float], bool], refused_mm: float, accepted_mm: float) -> float:
    """The shortest accepted arm, by bisection between a rejected and a longer accepted one."""
    while accepted_mm - refused_mm > 1e-6 * accepted_mm:
        middle_mm = (refused_mm + accepted_mm) / 2.0
        refused_mm, accepted_mm = (refused_mm, middle_mm) if accepts(middle_mm) else (middle_mm, accepted_mm)
    return accepted_mm


def longest_arm_mm(wish: Wish, horn_mm: float) -> float:
    """The longest arm that is tried on a horn: three horn lengths, and no more than the pivots allow."""
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
