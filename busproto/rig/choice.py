"""The choice of travel and arm: the trade's rule that a longer sweep on a shorter arm does better, computed.

For each travel the arm is made as short as the wanted throw allows, so that the whole sweep is used. What the rule
promises follows from that, and what it does not is shown as well:

* what is fixed as an angle of the arm (dead band, sensor) becomes smaller at the surface: it centres better;
* the torque at the actuator becomes smaller;
* the step of the demand becomes no finer at the surface, as it is a share of the travel: about neutral it even becomes
  a little coarser, because the ends are flatter;
* the ends of the sweep become flat: there the surface hardly follows, until it turns back.

Every candidate is the linkage whose arm and horn stand square to the rod at neutral.

Limits: a transmission angle below 40 deg is refused (common practice, no source); a place of the used sweep where the
surface follows less than a tenth of what it does at neutral is refused (a choice: there play and stretch decide where
it stands); a dead point anywhere in the travel is refused, used or not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, greatest, not_negative, positive, within
from busproto.rig.hinge import MARGIN, margin
from busproto.rig.linkage import Linkage, Throw
from busproto.wire.messages import MAX_DEMAND

TRAVELS_DEG: Final = (120.0, 150.0, 180.0)
LEAST_TRANSMISSION_DEG: Final = 40.0
"""Common practice, no source."""
LEAST_FOLLOWING: Final = 0.1
"""Least local ratio in the used sweep, over that at neutral; a choice."""
MOST_THROW_DEG: Final = 80.0
"""Wider throws are no matter for a rod and a horn; a choice."""
LONGEST_ARM: Final = 3.0
"""Arms up to so many horns are looked at; a choice."""
_SCAN: Final = 240
DEAD_DEG: Final = 0.1
"""Transmission angle below which a place counts as a dead point: there the torque has no limit."""
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
class Wish:
    """What is wanted of one surface, and what there is for it.

    Attributes:
        plus_deg, minus_deg: least throw to each side, as sizes, 0..80, not both 0.
        horn_mm, base_mm: horn, and distance of the pivots, above 0.
        stall_nm: of the actuator, above 0.
        hinge_nm: moment to be held at a surface angle; its size counts.
        dead_band_deg: of the actuator, as a size to each side, at the arm; not below 0.
        sensor_deg: one count of its sensor at the arm (`sensor_step_deg`); 0 where not known.
        holes_mm: arm lengths that there are; empty where any can be made.
        margin: stall torque over needed torque, above 0.
        opposite_sides: arm and horn point to opposite sides.
        most_travel_deg: widest sweep that the actuator can do.

    Raises:
        InputError: outside that.
    """

    plus_deg: float
    minus_deg: float
    horn_mm: float
    base_mm: float
    stall_nm: float
    hinge_nm: HingeMoment
    dead_band_deg: float = 0.0
    sensor_deg: float = 0.0
    holes_mm: tuple[float, ...] = ()
    margin: float = MARGIN
    opposite_sides: bool = False
    most_travel_deg: float = 180.0

    def __post_init__(self) -> None:
        for name, value in (("plus", self.plus_deg), ("minus", self.minus_deg)):
            within(f"the wanted throw to {name}", value, 0.0, MOST_THROW_DEG, "deg")
        positive("the wanted throw", max(self.plus_deg, self.minus_deg), "deg")
        positive("the horn's length", self.horn_mm, "mm")
        positive("the distance of the pivots", self.base_mm, "mm")
        positive("the stall torque", self.stall_nm, "N m")
        not_negative("the dead band", self.dead_band_deg, "deg")
        not_negative("the sensor's step", self.sensor_deg, "deg")
        for hole_mm in self.holes_mm:
            positive("a hole of the arm", hole_mm, "mm")
        positive("the wanted margin", self.margin)
        positive("the widest travel", self.most_travel_deg, "deg")


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
        worst_nm, worst_at_deg: greatest torque at the actuator, and the actuator angle where it is.
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
    """One travel, and the arm for it.

    Attributes:
        travel_deg: whole sweep between demand -100 % and +100 %.
        needed_mm: shortest arm that gives the wanted throw to both sides; None where none does.
        arm_mm: the arm taken: that, or the next longer hole; None where there is none.
        linkage: with that arm; None where there is none.
        full_throw: of the whole travel, also beyond what is wanted; None where the arm does not get to both ends.
        judged: between the ends where the wanted throw is reached; None where there is no linkage, or it would have to
            go to a dead point.
        refused: why it cannot be taken; "" where it can.
    """

    travel_deg: float
    needed_mm: float | None
    arm_mm: float | None
    linkage: Linkage | None
    full_throw: Throw | None
    judged: Judged | None
    refused: str


@dataclass(frozen=True, slots=True)
class Choice:
    """All candidates, the recommended one (None where all are refused), and why."""

    candidates: tuple[Candidate, ...]
    recommended: Candidate | None
    reason: str


def judge(
    linkage: Linkage,
    travel_deg: float,
    ends_deg: tuple[float, float],
    stall_nm: float,
    hinge_nm: HingeMoment,
    *,
    dead_band_deg: float = 0.0,
    sensor_deg: float = 0.0,
) -> Judged:
    """What a linkage does between two actuator angles.

    Args:
        linkage: any.
        travel_deg: between demand -100 % and +100 %, for the step of the demand; above 0..360.
        ends_deg: of the used sweep, low < high, both within the linkage's reach.
        stall_nm: above 0.
        hinge_nm, dead_band_deg, sensor_deg: as in `Wish`.
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

    _, coarsest = greatest(size_of_ratio, low_deg, high_deg)
    _, least = greatest(lambda one_deg: -linkage.ratio(one_deg) * towards, low_deg, high_deg)
    worst_at_deg, worst_nm = greatest(torque, low_deg, high_deg)
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


def compare_travels(wish: Wish, travels_deg: Sequence[float] = TRAVELS_DEG) -> Choice:
    """Every travel with the arm it needs, and the one to take.

    Of those not refused and with enough margin, the one with the smallest dead band and sensor step at the surface is
    recommended; where none has enough margin, the one with the most, and the reason says so.

    Args:
        wish: what is wanted.
        travels_deg: one or more, above 0..180.
    Raises:
        InputError: there is none, or one is outside that.
    """
    if not travels_deg:
        raise InputError("at least one travel is wanted, such as 120")
    candidates = tuple(_candidate(wish, one) for one in travels_deg)
    usable = [(one, one.judged) for one in candidates if one.judged is not None and not one.refused]
    if not usable:
        return Choice(
            candidates,
            None,
            "none can be taken: " + "; ".join(f"{one.travel_deg:g} deg: {one.refused}" for one in candidates),
        )
    enough = [(one, judged) for one, judged in usable if judged.margin >= wish.margin]
    if not enough:
        best, judged = max(usable, key=lambda pair: pair[1].margin)
        return Choice(
            candidates,
            best,
            f"no travel has the wanted margin of {wish.margin:g}; {best.travel_deg:g} deg has the most, "
            f"{judged.margin:.2f}: take a stronger actuator, a longer horn with less throw, or fly slower",
        )
    best, judged = min(enough, key=lambda pair: (pair[1].band_at_neutral_deg, pair[1].worst_nm))
    reason = f"{best.travel_deg:g} deg on an arm of {best.arm_mm or 0.0:.1f} mm"
    others = [pair for pair in usable if pair[0] is not best]
    if others:
        other, against = others[0]
        reason += f" against {other.travel_deg:g} deg on {other.arm_mm or 0.0:.1f} mm:"
        if against.band_at_neutral_deg:
            reason += f" dead band at the surface {judged.band_at_neutral_deg:.3f} deg, not "
            reason += f"{against.band_at_neutral_deg:.3f} deg;"
        reason += f" torque {judged.worst_nm:.2f} N m, not {against.worst_nm:.2f} N m; margin {_times(judged.margin)}, "
        reason += f"not {_times(against.margin)}"
    else:
        reason += f": the only one that can be taken; margin {_times(judged.margin)}"
    return Choice(candidates, best, reason)


def _times(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "without limit"


def _candidate(wish: Wish, travel_deg: float) -> Candidate:
    positive("the travel", within("the travel", travel_deg, 0.0, 180.0, "deg"), "deg")
    if travel_deg > wish.most_travel_deg:
        refused = f"the actuator turns {wish.most_travel_deg:g} deg only"
        return Candidate(travel_deg, None, None, None, None, None, refused)
    needed_mm = shortest_arm_mm(wish, travel_deg)
    if needed_mm is None:
        refused = f"no arm up to {LONGEST_ARM:g} horns gives the wanted throw"
        return Candidate(travel_deg, None, None, None, None, None, refused)
    holes = [one for one in sorted(wish.holes_mm) if one >= needed_mm]
    if wish.holes_mm and not holes:
        refused = f"the arm needs a hole at {needed_mm:.2f} mm or more; the longest is {max(wish.holes_mm):g} mm"
        return Candidate(travel_deg, needed_mm, None, None, None, None, refused)
    arm_mm = holes[0] if holes else needed_mm
    linkage = Linkage.normal_case(arm_mm, wish.horn_mm, wish.base_mm, opposite_sides=wish.opposite_sides)
    ends = used_ends_deg(linkage, wish.plus_deg, wish.minus_deg, travel_deg)
    full = full_throw(linkage, travel_deg)
    if linkage.smallest_transmission_deg(*ends) < DEAD_DEG:
        refused = "the wanted throw needs the dead point, where rod and horn stand in line"
        return Candidate(travel_deg, needed_mm, arm_mm, linkage, full, None, refused)
    against = []
    if full is None:
        # the end limits would keep it from there, but a replaced actuator comes without them
        low_deg, high_deg = linkage.reach_deg
        against.append(
            f"within the travel rod and horn come to stand in line (dead point): the arm gets from {low_deg:.1f} to "
            f"{high_deg:.1f} deg only"
        )
    judged = judge(
        linkage,
        travel_deg,
        ends,
        wish.stall_nm,
        wish.hinge_nm,
        dead_band_deg=wish.dead_band_deg,
        sensor_deg=wish.sensor_deg,
    )
    against += reasons_against(judged)
    return Candidate(travel_deg, needed_mm, arm_mm, linkage, full, judged, "; ".join(against))


def shortest_arm_mm(wish: Wish, travel_deg: float) -> float | None:
    """The shortest arm that reaches the wanted throw to both sides within a travel, mm; None where none does.

    Looks at arms up to three horns, and no further than the pivots allow. Raises InputError where the travel is not
    above 0.
    """
    positive("the travel", travel_deg, "deg")
    room_mm = wish.base_mm - wish.horn_mm if wish.opposite_sides else wish.base_mm + wish.horn_mm
    longest_mm = min(LONGEST_ARM * wish.horn_mm, room_mm * (1.0 - 1e-6))
    shortest_mm = max(0.0, 0.0 if wish.opposite_sides else wish.horn_mm - wish.base_mm)
    if longest_mm <= shortest_mm:
        return None

    def reaches(arm_mm: float) -> bool:
        try:
            linkage = Linkage.normal_case(arm_mm, wish.horn_mm, wish.base_mm, opposite_sides=wish.opposite_sides)
        except InputError:
            return False
        plus_deg, minus_deg = _sizes(linkage, travel_deg)
        return plus_deg >= wish.plus_deg and minus_deg >= wish.minus_deg

    step_mm = (longest_mm - shortest_mm) / _SCAN
    for count in range(1, _SCAN + 1):
        high_mm = shortest_mm + step_mm * count
        if reaches(high_mm):
            break
    else:
        return None
    low_mm = high_mm - step_mm
    for _ in range(60):
        middle_mm = (low_mm + high_mm) / 2.0
        low_mm, high_mm = (low_mm, middle_mm) if reaches(middle_mm) else (middle_mm, high_mm)
    return high_mm


def _sizes(linkage: Linkage, travel_deg: float) -> tuple[float, float]:
    """Greatest throw to each side within the travel, as sizes, in the order of the wish."""
    low_deg, high_deg = linkage.follows_deg
    ends = linkage.throw(min(travel_deg / 2.0, high_deg), max(-travel_deg / 2.0, low_deg))
    return max(ends.plus_deg, ends.minus_deg), -min(ends.plus_deg, ends.minus_deg)


def used_ends_deg(linkage: Linkage, plus_deg: float, minus_deg: float, travel_deg: float) -> tuple[float, float]:
    """Actuator angles, low and high, at which a wanted throw is reached: where the end limits belong.

    Where the throw is not reached, the end of the travel, or of what the linkage follows.

    Args:
        linkage: any.
        plus_deg, minus_deg: wanted throw to each side of the surface, as sizes.
        travel_deg: whole sweep, evenly about neutral, above 0.
    Raises:
        InputError: a number is not finite or below 0.
    """
    lowest, highest = linkage.surface_range_deg()
    ends = [
        linkage.actuator_deg(min(highest, max(lowest, wanted_deg)))
        for wanted_deg in (not_negative("the throw", plus_deg, "deg"), -not_negative("the throw", minus_deg, "deg"))
    ]
    low_deg, high_deg = linkage.follows_deg
    half_deg = positive("the travel", travel_deg, "deg") / 2.0
    return max(min(ends), low_deg, -half_deg), min(max(ends), high_deg, half_deg)


def full_throw(linkage: Linkage, travel_deg: float) -> Throw | None:
    """The throw of a whole travel, evenly about neutral; None where the arm does not get to both ends."""
    low_deg, high_deg = linkage.reach_deg
    half_deg = positive("the travel", travel_deg, "deg") / 2.0
    if not low_deg <= -half_deg < half_deg <= high_deg:
        return None
    ends = linkage.throw(half_deg)
    return ends if linkage.ratio(0.0) > 0.0 else Throw(ends.minus_deg, ends.plus_deg)
