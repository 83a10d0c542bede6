"""What an arm and a travel make of a wish: torque, resolution, transmission, and what speaks against them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import SAMPLES, SECTIONS, finite, greatest, not_negative, positive, within
from busproto.rig.hinge import MARGIN, margin
from busproto.rig.linkage import Linkage, Throw
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import BY_NAME

LEAST_TRANSMISSION_DEG: Final = 40.0
"""Transmission angle below which a linkage is advised against, deg. Common practice, no source."""
LEAST_FOLLOWING: Final = 0.1
"""Least local ratio in the used sweep, over that at neutral; a choice."""
MOST_THROW_DEG: Final = 80.0
"""Wider throws are no matter for a rod and a horn; a choice."""
DEAD_DEG: Final = 0.1
"""Transmission angle below which a place counts as a dead point: there the torque has no limit."""
LEAST_TRAVEL_DEG: Final = BY_NAME["travel"].low / BY_NAME["travel"].counts_per_unit
MOST_TRAVEL_DEG: Final = BY_NAME["travel"].high / BY_NAME["travel"].counts_per_unit
"""Between which the travel of an actuator can be set."""
QUICK_SAMPLES: Final = 60
QUICK_SECTIONS: Final = 24
"""Samples of a sweep, and how closely its worst place is closed in, while arms are searched; what is found is judged
with all."""
HingeMoment = Callable[[float], float]
"""Moment at the hinge, N m, at a surface angle, deg."""
TRAVEL_COUNTS: Final = BY_NAME["travel"].counts_per_unit


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
    """The requirements of one surface, and its actuators. Torques and moments are those of each actuator.

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

    how = {"samples": samples, "sections": SECTIONS if samples >= SAMPLES else QUICK_SECTIONS}
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
    """Why a linkage should not be built for a used sweep; empty if it may."""
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
