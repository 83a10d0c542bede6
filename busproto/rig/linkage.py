"""The four-bar linkage between actuator and surface: arm, rod, horn, and the line between the two pivots.

Seen from one side, in one plane: the actuator's pivot at (0, 0), the surface's at (base, 0), lengths in mm, angles
in degrees counter-clockwise. An *actuator angle* counts from the arm's neutral, a *surface angle* from the horn's.
Closed form: the horn's end is where the circle of the horn meets the circle of the rod. There are two such points, the
two assemblies; a linkage stays in the one it was put together in until rod and horn stand in line.

Two kinds of special place, which are not the same:

* a *dead point*: rod and horn in line. The arm can go no further, the load on the actuator grows without limit.
* a *turning point*: arm and rod in line. The arm goes on, but the surface turns back.

Not modelled: play, friction, bending, the rod's angle out of the plane.

Source of the closed form: Freudenstein, Trans. ASME 76 (1954) and 77 (1955), from memory; Norton, Design of Machinery,
from memory.
"""

from __future__ import annotations

import enum
import itertools
import math
from dataclasses import dataclass, field
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, not_negative, positive, within

TURN: Final = 2.0 * math.pi
TILT_SAMPLES: Final = 24
_IN_LINE: Final = 1e-7
"""Sine of an angle below which two links count as in line."""
_BESIDE_RAD: Final = 1e-7


class Assembly(enum.Enum):
    """Which of the two ways a linkage of given lengths is put together.

    OPEN: arm and horn on one side of the line between the pivots. CROSSED: the rod crosses that line. Exactly: the
    horn lies clockwise (OPEN) or counter-clockwise (CROSSED) of the line from the surface's pivot to the arm's end,
    which are the minus and the plus root of Freudenstein's equation.
    """

    OPEN = -1
    CROSSED = 1


@dataclass(frozen=True, slots=True)
class Throw:
    """Surface angles that a sweep of the arm reaches, deg.

    Attributes:
        plus_deg: at the positive end of the sweep, with its sign.
        minus_deg: at the negative end, with its sign.
    """

    plus_deg: float
    minus_deg: float

    @property
    def differential(self) -> float:
        """Size of the throw at the positive end over that at the negative end; 1 where both are equal."""
        return abs(self.plus_deg) / abs(self.minus_deg) if self.minus_deg else math.inf


@dataclass(frozen=True, slots=True)
class Linkage:
    """A linkage that can be put together, at its neutral.

    `normal_case`, `from_angles` and `from_measured` make one from what is more often known.

    Attributes:
        arm_mm, horn_mm, rod_mm: lengths between the holes, above 0.
        base_mm: from the actuator's pivot to the surface's, above 0.
        arm_neutral_deg: of the arm at neutral, from the line that leads from the actuator's pivot to the surface's.
        assembly: which of the two.
        horn_neutral_deg: of the horn at neutral, from the same direction; follows from the others.
        reach_deg: actuator angles between the dead points around the neutral, deg; -inf, inf where it turns all round.
        follows_deg: the part of `reach_deg` around the neutral where the surface does not turn back.
        turning_points_deg: actuator angles in `reach_deg`, at most one turn away, where the surface turns back.

    Raises:
        InputError: a length is not above 0; the linkage cannot be put together at this neutral; or it stands at a
            dead point or at a turning point there. The text says what would do.
    """

    arm_mm: float
    horn_mm: float
    rod_mm: float
    base_mm: float
    arm_neutral_deg: float
    assembly: Assembly = Assembly.OPEN
    horn_neutral_deg: float = field(init=False, compare=False)
    reach_deg: tuple[float, float] = field(init=False, compare=False, repr=False)
    follows_deg: tuple[float, float] = field(init=False, compare=False, repr=False)
    turning_points_deg: tuple[float, ...] = field(init=False, compare=False, repr=False)
    _neutral: tuple[float, float, float] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("arm", "horn", "rod", "base"):
            positive(f"the {name}'s length", getattr(self, f"{name}_mm"), "mm")
        within("the arm's neutral angle", self.arm_neutral_deg, -360.0, 360.0, "deg")
        arm_rad = math.radians(self.arm_neutral_deg)
        self._require_assembled(arm_rad)
        horn_rad = self._horn_rad(arm_rad)
        side = math.sin(arm_rad - self._end_of_horn(horn_rad)[1])
        rod_rad = self._rod_rad(arm_rad, horn_rad)
        if abs(math.sin(rod_rad - arm_rad)) < _IN_LINE:
            raise InputError(
                "at neutral the arm stands in line with the rod: the surface would go the same way to both sides; "
                "turn the arm on its shaft, or change the rod's length"
            )
        object.__setattr__(self, "horn_neutral_deg", math.degrees(horn_rad))
        object.__setattr__(self, "_neutral", (arm_rad, horn_rad, math.copysign(1.0, side)))
        reach = self._reach(arm_rad)
        turning = self._turning(arm_rad, reach)
        below = [one for one in turning if one < 0.0]
        above = [one for one in turning if one > 0.0]
        follows = (max([reach[0], *below]), min([reach[1], *above]))
        for name, ends in (("reach_deg", reach), ("follows_deg", follows), ("turning_points_deg", turning)):
            object.__setattr__(self, name, tuple(math.degrees(one) for one in ends))

    # --- how one is made ------------------------------------------------------------------------------------------

    @classmethod
    def normal_case(cls, arm_mm: float, horn_mm: float, base_mm: float, *, opposite_sides: bool = False) -> Linkage:
        """The linkage whose arm and horn both stand square to the rod at neutral.

        Args:
            arm_mm, horn_mm: above 0.
            base_mm: between the pivots, above horn - arm (above horn + arm where `opposite_sides`).
            opposite_sides: arm and horn point to opposite sides, the rod crosses the line between the pivots, and the
                surface turns against the actuator.
        Raises:
            InputError: the pivots are too near to each other for that; the text tells the least distance.
        """
        for name, value in (("arm", arm_mm), ("horn", horn_mm), ("base", base_mm)):
            positive(f"the {name}'s length", value, "mm")
        offset_mm = horn_mm + arm_mm if opposite_sides else horn_mm - arm_mm
        if base_mm <= abs(offset_mm):
            raise InputError(
                f"with an arm of {arm_mm:g} mm and a horn of {horn_mm:g} mm both can stand square to the rod only "
                f"where the pivots are more than {abs(offset_mm):g} mm apart; here it is {base_mm:g} mm"
            )
        rod_mm = math.sqrt(base_mm * base_mm - offset_mm * offset_mm)
        if opposite_sides:
            angle_deg = math.degrees(math.acos(offset_mm / base_mm))
            return cls(arm_mm, horn_mm, rod_mm, base_mm, angle_deg, Assembly.CROSSED)
        angle_deg = 90.0 + math.degrees(math.asin(offset_mm / base_mm))
        return cls(arm_mm, horn_mm, rod_mm, base_mm, angle_deg, Assembly.OPEN)

    @classmethod
    def from_angles(
        cls, arm_mm: float, horn_mm: float, base_mm: float, arm_neutral_deg: float, horn_neutral_deg: float
    ) -> Linkage:
        """The linkage with these angles at neutral; the rod is made to fit.

        Args:
            arm_mm, horn_mm, base_mm: above 0.
            arm_neutral_deg, horn_neutral_deg: -360..360, from the direction actuator's pivot to surface's pivot.
        Raises:
            InputError: as the class; also where the rod would have no length.
        """
        for name, value in (("arm", arm_mm), ("horn", horn_mm), ("base", base_mm)):
            positive(f"the {name}'s length", value, "mm")
        arm_rad = math.radians(within("the arm's neutral angle", arm_neutral_deg, -360.0, 360.0, "deg"))
        horn_rad = math.radians(within("the horn's neutral angle", horn_neutral_deg, -360.0, 360.0, "deg"))
        across = base_mm + horn_mm * math.cos(horn_rad) - arm_mm * math.cos(arm_rad)
        up = horn_mm * math.sin(horn_rad) - arm_mm * math.sin(arm_rad)
        rod_mm = math.hypot(across, up)
        if rod_mm < _IN_LINE * base_mm:
            raise InputError("the ends of arm and horn stand in one place at neutral: no rod fits between them")
        _, away_rad = _from_surface_pivot(arm_mm, base_mm, arm_rad)
        side = math.sin(horn_rad - away_rad)
        return cls(arm_mm, horn_mm, rod_mm, base_mm, arm_neutral_deg, Assembly.CROSSED if side > 0.0 else Assembly.OPEN)

    @classmethod
    def from_measured(
        cls,
        arm_mm: float,
        horn_mm: float,
        rod_mm: float,
        base_mm: float,
        arm_neutral_deg: float,
        horn_neutral_deg: float,
        *,
        tolerance_deg: float = 3.0,
    ) -> Linkage:
        """The linkage of these measured lengths, in the assembly that the measured angle of the horn tells.

        One number more is given than needed: the horn's angle follows from the others. It is used to choose the
        assembly, and to notice a wrong measurement.

        Args:
            arm_mm, horn_mm, rod_mm, base_mm: above 0.
            arm_neutral_deg, horn_neutral_deg: -360..360, as in `from_angles`.
            tolerance_deg: how far the measured angle of the horn may be off (a choice: what a paper protractor gives).
        Raises:
            InputError: as the class; also where the horn's angle does not fit the lengths.
        """
        within("the horn's neutral angle", horn_neutral_deg, -360.0, 360.0, "deg")
        not_negative("the tolerance", tolerance_deg, "deg")
        both: list[Linkage] = []
        for assembly in Assembly:
            try:
                both.append(cls(arm_mm, horn_mm, rod_mm, base_mm, arm_neutral_deg, assembly))
            except InputError:  # one of them may stand at a turning point where the other does not
                if assembly is list(Assembly)[-1] and not both:
                    raise

        def miss_deg(one: Linkage) -> float:
            return abs(math.remainder(one.horn_neutral_deg - horn_neutral_deg, 360.0))

        best = min(both, key=miss_deg)
        if miss_deg(best) > tolerance_deg:
            found = " or ".join(f"{math.remainder(one.horn_neutral_deg, 360.0):.1f}" for one in both)
            fitting = cls.from_angles(arm_mm, horn_mm, base_mm, arm_neutral_deg, horn_neutral_deg)
            raise InputError(
                f"with these lengths the horn stands at {found} deg at neutral, not at {horn_neutral_deg:g} deg; "
                f"measure again, or make the rod {fitting.rod_mm:.2f} mm long"
            )
        return best

    # --- what it does ---------------------------------------------------------------------------------------------

    def surface_deg(self, actuator_deg: float) -> float:
        """Surface angle from its neutral, deg, at an actuator angle from its neutral, deg.

        Raises:
            InputError: the arm cannot get there; the text tells how far it gets.
        """
        return math.degrees(self._horn_rad(self._arm_rad(actuator_deg)) - self._neutral[1])

    def ratio(self, actuator_deg: float) -> float:
        """Local ratio d(surface)/d(actuator) at an actuator angle, deg; its inverse is the mechanical advantage.

        0 at a turning point; negative where the surface turns against the actuator.

        Raises:
            InputError: the arm cannot get there, or it stands at a dead point, where the ratio has no limit.
        """
        arm_rad, horn_rad, rod_rad = self._angles(actuator_deg)
        return self.arm_mm * math.sin(arm_rad - rod_rad) / (self.horn_mm * math.sin(horn_rad - rod_rad))

    def rod_ratio(self, actuator_deg: float) -> float:
        """d(rod)/d(actuator): how fast the rod tilts, as `ratio`. Raises InputError as `ratio`."""
        arm_rad, horn_rad, rod_rad = self._angles(actuator_deg)
        return self.arm_mm * math.sin(horn_rad - arm_rad) / (self.rod_mm * math.sin(rod_rad - horn_rad))

    def rod_deg(self, actuator_deg: float) -> float:
        """Direction of the rod from the arm's end to the horn's, -180..180 deg. Raises InputError as `surface_deg`."""
        arm_rad = self._arm_rad(actuator_deg)
        return math.degrees(self._rod_rad(arm_rad, self._horn_rad(arm_rad)))

    def rod_tilt_deg(self, low_deg: float, high_deg: float) -> tuple[float, float]:
        """How far the rod tilts from its direction at neutral between two actuator angles, deg: lowest and highest.

        That is greatest at an end, or where the rod does not tilt on (`rod_ratio` is 0), which is closed in by halves
        between samples of opposite sign.

        Raises:
            InputError: as `rod_ratio`.
        """
        places = [low_deg + (high_deg - low_deg) * at / TILT_SAMPLES for at in range(TILT_SAMPLES + 1)]
        found = [low_deg, high_deg]
        for left, right in itertools.pairwise(places):
            if self.rod_ratio(left) * self.rod_ratio(right) < 0.0:
                near, far, sign = left, right, self.rod_ratio(left)
                for _ in range(50):
                    middle = (near + far) / 2.0
                    near, far = (middle, far) if self.rod_ratio(middle) * sign > 0.0 else (near, middle)
                found.append(near)
        neutral_deg = self.rod_deg(0.0)
        tilts = [math.remainder(self.rod_deg(one) - neutral_deg, 360.0) for one in found]
        return min(tilts), max(tilts)

    def transmission_deg(self, actuator_deg: float) -> float:
        """Transmission angle, 0..90 deg: the acute angle between rod and horn; 0 at a dead point.

        Raises:
            InputError: the arm cannot get there.
        """
        return self._transmission_deg(_from_surface_pivot(self.arm_mm, self.base_mm, self._arm_rad(actuator_deg))[0])

    def smallest_transmission_deg(self, low_deg: float, high_deg: float) -> float:
        """The smallest transmission angle between two actuator angles, deg, low <= high.

        Closed form: it depends on the distance of the arm's end from the surface's pivot alone, and is smallest where
        that is shortest or longest.

        Raises:
            InputError: the arm cannot get to one of the ends.
        """
        ends = self._arm_rad(low_deg), self._arm_rad(high_deg)
        places = [*ends]
        first = math.ceil(min(ends) / math.pi)
        places += [count * math.pi for count in range(first, math.floor(max(ends) / math.pi) + 1)]
        return min(self._transmission_deg(_from_surface_pivot(self.arm_mm, self.base_mm, place)[0]) for place in places)

    def throw(self, plus_deg: float, minus_deg: float | None = None) -> Throw:
        """Surface angles at the two ends of a sweep.

        Args:
            plus_deg: actuator angle at the positive end, deg.
            minus_deg: at the negative end, with its sign; -plus_deg where left out.
        Raises:
            InputError: the arm cannot get to one of the ends.
        """
        low_deg = -plus_deg if minus_deg is None else minus_deg
        return Throw(self.surface_deg(plus_deg), self.surface_deg(low_deg))

    def surface_range_deg(self) -> tuple[float, float]:
        """Lowest and highest surface angle, deg, within `follows_deg`; -inf, inf where both turn all round."""
        if not math.isfinite(self.follows_deg[0]):
            return -math.inf, math.inf
        ends = [self.surface_deg(one) for one in self.follows_deg]
        return min(ends), max(ends)

    def actuator_deg(self, surface_deg: float) -> float:
        """The actuator angle, deg, that puts the surface at `surface_deg`; the inverse of `surface_deg`.

        Only angles in `follows_deg` are looked at, where there is just one. Close to a turning point a small change
        of the surface is a large one of the arm: there the result is good to about 1e-6 deg only.

        Raises:
            InputError: the surface does not get there; the text tells how far it gets.
        """
        finite("the surface angle", surface_deg, "deg")
        low_deg, high_deg = self.surface_range_deg()
        if not low_deg - 1e-9 <= surface_deg <= high_deg + 1e-9:
            raise InputError(
                f"this linkage turns the surface from {low_deg:.2f} to {high_deg:.2f} deg, not to {surface_deg:g} deg; "
                "take a longer arm or a shorter horn"
            )
        neutral_arm, neutral_horn, side = self._neutral
        away_mm, away_rad = self._end_of_horn(neutral_horn + math.radians(surface_deg))
        at_pivot = _angle_of_triangle(away_mm, self.arm_mm, self.rod_mm)
        turned_rad = math.remainder(away_rad + side * at_pivot - neutral_arm, TURN)
        low, high = (math.radians(one) for one in self.follows_deg)
        turns = round(math.radians(surface_deg) / TURN) if math.isinf(high) else 0
        turns = turns if self.ratio(0.0) > 0.0 else -turns
        tries = [min(high, max(low, turned_rad + (turns + more) * TURN)) for more in (-1, 0, 1)]
        return min(
            (math.degrees(one) for one in tries), key=lambda one_deg: abs(self.surface_deg(one_deg) - surface_deg)
        )

    def actuator_torque_nm(self, hinge_nm: float, actuator_deg: float) -> float:
        """Torque that the actuator must hold against a moment at the surface's hinge, both N m; without friction.

        Virtual work: T d(actuator) = H d(surface).

        Raises:
            InputError: as `ratio`.
        """
        return finite("the hinge moment", hinge_nm, "N m") * self.ratio(actuator_deg)

    # --- inside: absolute angles in radians -----------------------------------------------------------------------

    def _arm_rad(self, actuator_deg: float) -> float:
        finite("the actuator angle", actuator_deg, "deg")
        low, high = self.reach_deg
        if not low - 1e-9 <= actuator_deg <= high + 1e-9:
            raise InputError(
                f"the arm can turn from {low:.2f} to {high:.2f} deg, not to {actuator_deg:g} deg: there rod and horn "
                "stand in line (dead point); take a shorter arm, a longer horn or less travel"
            )
        return self._neutral[0] + math.radians(min(high, max(low, actuator_deg)))

    def _angles(self, actuator_deg: float) -> tuple[float, float, float]:
        arm_rad = self._arm_rad(actuator_deg)
        horn_rad = self._horn_rad(arm_rad)
        rod_rad = self._rod_rad(arm_rad, horn_rad)
        if abs(math.sin(horn_rad - rod_rad)) < _IN_LINE:
            raise InputError(f"at {actuator_deg:g} deg the arm stands at its dead point: rod and horn are in line")
        return arm_rad, horn_rad, rod_rad

    def _horn_rad(self, arm_rad: float) -> float:
        """Continuous in `arm_rad`: no jump at half a turn."""
        away_mm, away_rad = _from_surface_pivot(self.arm_mm, self.base_mm, arm_rad)
        return away_rad + self.assembly.value * _angle_of_triangle(away_mm, self.horn_mm, self.rod_mm)

    def _rod_rad(self, arm_rad: float, horn_rad: float) -> float:
        across = self.base_mm + self.horn_mm * math.cos(horn_rad) - self.arm_mm * math.cos(arm_rad)
        return math.atan2(self.horn_mm * math.sin(horn_rad) - self.arm_mm * math.sin(arm_rad), across)

    def _end_of_horn(self, horn_rad: float) -> tuple[float, float]:
        """Distance and direction of the horn's end from the actuator's pivot."""
        across = self.base_mm + self.horn_mm * math.cos(horn_rad)
        up = self.horn_mm * math.sin(horn_rad)
        return math.hypot(across, up), math.atan2(up, across)

    def _transmission_deg(self, away_mm: float) -> float:
        between = _cosine(self.rod_mm, self.horn_mm, away_mm)
        angle_deg = math.degrees(math.acos(min(1.0, max(-1.0, between))))
        return min(angle_deg, 180.0 - angle_deg)

    def _require_assembled(self, arm_rad: float) -> None:
        away_mm, _ = _from_surface_pivot(self.arm_mm, self.base_mm, arm_rad)
        shortest, longest = abs(away_mm - self.horn_mm), away_mm + self.horn_mm
        if not shortest <= self.rod_mm <= longest:
            raise InputError(
                f"the rod is {self.rod_mm:g} mm long, but with the arm at {self.arm_neutral_deg:g} deg it must be "
                f"between {shortest:.2f} and {longest:.2f} mm to join arm and horn"
            )
        if abs(_cosine(self.rod_mm, self.horn_mm, away_mm)) > 1.0 - _IN_LINE * _IN_LINE * 50.0:
            raise InputError(
                f"at neutral rod and horn stand in line (dead point): make the rod longer than {shortest:.2f} mm and "
                f"shorter than {longest:.2f} mm, or turn the arm on its shaft"
            )

    def _reach(self, arm_rad: float) -> tuple[float, float]:
        """Ends of the arm's way, from `arm_rad`: the arm's end must stay between |rod - horn| and rod + horn away."""
        near = _cosine(self.arm_mm, self.base_mm, self.rod_mm - self.horn_mm)
        far = _cosine(self.arm_mm, self.base_mm, self.rod_mm + self.horn_mm)
        at = math.remainder(arm_rad, TURN)
        # Where the links can just lie in one line, both assemblies meet: that is an end of the way as well.
        passes_near, passes_far = near > 1.0 + 1e-12, far < -1.0 - 1e-12
        low, high = math.acos(min(1.0, max(-1.0, near))), math.acos(min(1.0, max(-1.0, far)))
        if math.isclose(self.arm_mm, self.base_mm, rel_tol=1e-9):
            low = max(low, _BESIDE_RAD)  # there the arm's end lies on the other pivot, and the horn has no direction
        if passes_near and passes_far:
            return -math.inf, math.inf
        if passes_near:
            return -high - at, high - at
        if passes_far:
            return (low - at, TURN - low - at) if at >= 0.0 else (low - TURN - at, -low - at)
        return (low - at, high - at) if at >= 0.0 else (-high - at, -low - at)

    def _turning(self, arm_rad: float, reach: tuple[float, float]) -> tuple[float, ...]:
        """Where arm and rod stand in line in this assembly, from `arm_rad`, in order."""
        found = set()
        for away_mm, is_folded in ((self.rod_mm + self.arm_mm, False), (self.rod_mm - self.arm_mm, True)):
            # of the triangle actuator's pivot, surface's pivot, horn's end; the horn's angle is its outer one
            outer = -_cosine(self.base_mm, self.horn_mm, away_mm)
            if abs(outer) >= 1.0 or abs(away_mm) < _IN_LINE * self.base_mm:
                continue
            for horn_rad in (math.acos(outer), -math.acos(outer)):
                arm_at = self._end_of_horn(horn_rad)[1] + (math.pi if is_folded and away_mm > 0.0 else 0.0)
                _, away_rad = _from_surface_pivot(self.arm_mm, self.base_mm, arm_at)
                if math.sin(horn_rad - away_rad) * self.assembly.value <= _IN_LINE:
                    continue  # that is the other assembly
                turned = (arm_at - arm_rad) % TURN
                found |= {one for one in (turned, turned - TURN) if reach[0] <= one <= reach[1]}
        return tuple(sorted(found))


def _from_surface_pivot(arm_mm: float, base_mm: float, arm_rad: float) -> tuple[float, float]:
    """Distance and direction of the arm's end from the surface's pivot; the direction is continuous in `arm_rad`."""
    across, up = arm_mm * math.cos(arm_rad) - base_mm, arm_mm * math.sin(arm_rad)
    if arm_mm > base_mm:  # goes all round the other pivot
        direction = arm_rad + math.atan2(base_mm * math.sin(arm_rad), arm_mm - base_mm * math.cos(arm_rad))
    else:
        direction = math.pi + math.atan2(-up, -across)
    return math.hypot(across, up), direction


def _cosine(one_mm: float, other_mm: float, opposite_mm: float) -> float:
    """Law of cosines: of the angle between two sides of a triangle; outside -1..1 where there is none."""
    return (one_mm * one_mm + other_mm * other_mm - opposite_mm * opposite_mm) / (2.0 * one_mm * other_mm)


def _angle_of_triangle(one_mm: float, other_mm: float, opposite_mm: float) -> float:
    """Angle between two sides, rad; 0 or pi where rounding would make it none. 0 where a side is 0."""
    if one_mm == 0.0:
        return 0.0
    return math.acos(min(1.0, max(-1.0, _cosine(one_mm, other_mm, opposite_mm))))
