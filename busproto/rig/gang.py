"""Several actuators on one surface: how hard they pull against each other, and the current for it.

Each actuator is a spring of its own stiffness whose rest angle is wrong by its own error; all are joined rigidly at the
surface. Angles and stiffness are seen at the surface; torques in N m, positive where they turn the surface to greater
angles; the load is what the actuators have to hold together. Current is taken as going in a straight line with torque,
as in a DC motor that stands; friction in the gear can hold a torque without current, so this is an upper estimate.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busproto.errors import InputError
from busproto.rig.checks import finite, positive

ErrorCurve = Callable[[float], float]
"""Error of one actuator, deg at the surface, at a place of its own."""


@dataclass(frozen=True, slots=True)
class Member:
    """One actuator of a gang.

    Attributes:
        stiffness_nm_deg: torque per degree that it is pushed away, above 0.
        error_deg: where it would stand alone, from where it should.
        stall_nm, stall_ma: its rating, above 0; None where not known.

    Raises:
        InputError: outside that.
    """

    stiffness_nm_deg: float
    error_deg: float = 0.0
    stall_nm: float | None = None
    stall_ma: float | None = None

    def __post_init__(self) -> None:
        positive("the stiffness", self.stiffness_nm_deg, "N m/deg")
        finite("the error", self.error_deg, "deg")
        if self.stall_nm is not None:
            positive("the stall torque", self.stall_nm, "N m")
        if self.stall_ma is not None:
            positive("the stall current", self.stall_ma, "mA")


@dataclass(frozen=True, slots=True)
class Fight:
    """The equilibrium of a gang.

    Attributes:
        surface_deg: where the surface settles, from where it should be.
        torques_nm: of each member, in their order; their sum is the load.
        currents_ma: of each member; None where its rating is not known.
    """

    surface_deg: float
    torques_nm: tuple[float, ...]
    currents_ma: tuple[float | None, ...]

    @property
    def worst_nm(self) -> float:
        """The greatest torque of a member, by size."""
        return max(abs(one) for one in self.torques_nm)

    @property
    def total_ma(self) -> float | None:
        """Current of all together; None if that of one is not known."""
        known = [one for one in self.currents_ma if one is not None]
        return math.fsum(known) if len(known) == len(self.currents_ma) else None


def fight(members: Sequence[Member], load_nm: float = 0.0) -> Fight:
    """How a gang settles: x = (sum k e - load) / sum k, each member's torque k (e - x).

    Args:
        members: one or more.
        load_nm: what they hold together; positive where it pushes the surface to lower angles.
    Raises:
        InputError: there is none, or the load is not finite.
    """
    if not members:
        raise InputError("a gang has at least one actuator; none is given")
    finite("the load", load_nm, "N m")
    total = math.fsum(one.stiffness_nm_deg for one in members)
    surface_deg = (math.fsum(one.stiffness_nm_deg * one.error_deg for one in members) - load_nm) / total
    torques_nm = tuple(one.stiffness_nm_deg * (one.error_deg - surface_deg) for one in members)
    return _fight(members, surface_deg, torques_nm)


def _fight(members: Sequence[Member], surface_deg: float, torques_nm: tuple[float, ...]) -> Fight:
    currents_ma = tuple(
        None
        if one.stall_nm is None or one.stall_ma is None
        else standing_current_ma(torque_nm, one.stall_nm, one.stall_ma)
        for one, torque_nm in zip(members, torques_nm, strict=True)
    )
    return Fight(surface_deg, torques_nm, currents_ma)


def standing_current_ma(torque_nm: float, stall_nm: float, stall_ma: float) -> float:
    """Current for a torque held standing, mA: torque over stall torque, times stall current; a linear model.

    At most the stall current: more torque than that it does not give. Raises InputError where the rating is not
    above 0.
    """
    share = abs(finite("the torque", torque_nm, "N m")) / positive("the stall torque", stall_nm, "N m")
    return min(1.0, share) * positive("the stall current", stall_ma, "mA")


def standoff(members: Sequence[Member]) -> Fight:
    """The equilibrium of a gang without a load, if no member gives more than its stall torque.

    Members that are set far apart do not pull like springs: the drive of each is used up a few degrees away. A member
    whose stall torque is not known is taken as a spring without an end.

    What is left of all torques falls as the surface goes up, in straight pieces: its zero is closed in by halves.

    Raises:
        InputError: there is none.
    """
    stood = fight(members)
    if all(one.stall_nm is None or abs(nm) <= one.stall_nm for one, nm in zip(members, stood.torques_nm, strict=True)):
        return stood
    low, high = min(one.error_deg for one in members), max(one.error_deg for one in members)
    for _ in range(80):
        middle = (low + high) / 2.0
        if math.fsum(_within_stall(one, middle) for one in members) > 0.0:
            low = middle
        else:
            high = middle
    surface_deg = (low + high) / 2.0
    return _fight(members, surface_deg, tuple(_within_stall(one, surface_deg) for one in members))


def _within_stall(member: Member, surface_deg: float) -> float:
    limit_nm = math.inf if member.stall_nm is None else member.stall_nm
    return max(-limit_nm, min(limit_nm, member.stiffness_nm_deg * (member.error_deg - surface_deg)))


def fight_over(members: Sequence[Member], errors: Sequence[ErrorCurve], places: Sequence[float]) -> tuple[Fight, ...]:
    """How a gang stands at each of `places` without a load, where each member's error follows its own curve.

    Args:
        members: stiffness and rating; their own `error_deg` is added to the curve.
        errors: one curve each, over whatever `places` count: demand, angle, time.
        places: to look at.
    Raises:
        InputError: not one curve for each member, or a number is not finite.
    """
    if len(errors) != len(members):
        raise InputError(f"{len(members)} actuators need {len(members)} error curves; {len(errors)} are given")
    return tuple(
        standoff(
            [
                Member(one.stiffness_nm_deg, one.error_deg + error(place), one.stall_nm, one.stall_ma)
                for one, error in zip(members, errors, strict=True)
            ]
        )
        for place in places
    )
