"""Several actuators on one surface: how they fight, what that costs, and what a correction table leaves of it.

Each actuator is a spring of its own stiffness whose rest angle is wrong by its own error; all are joined rigidly at the
surface. Angles and stiffness are seen at the surface; torques in N m, positive where they turn the surface to greater
angles; the load is what the actuators have to hold together. Current is taken as going in a straight line with torque,
as in a DC motor that stands; friction in the gear can hold a torque without current, so this is an upper estimate.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, greatest, not_negative, positive
from busproto.wire.parameters import BY_NAME, MAX_TABLE_POINTS

ErrorCurve = Callable[[float], float]
"""Error of one actuator, deg at the surface, at an angle of the surface, deg."""
_COUNTS_PER_DEG: Final = BY_NAME["correction"].counts_per_unit


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
    """How a gang stands.

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
        """Current of all together, None where one is not known."""
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


def fight_over(
    members: Sequence[Member], errors: Sequence[ErrorCurve], angles_deg: Sequence[float], load_nm: float = 0.0
) -> tuple[Fight, ...]:
    """How a gang stands at each of `angles_deg`, where each member's error follows its own curve.

    Args:
        members: stiffness and rating; their own `error_deg` is added to the curve.
        errors: one curve each; `table_curve` makes one from a table.
        angles_deg: of the surface.
        load_nm: as in `fight`.
    Raises:
        InputError: not one curve for each member, or a number is not finite.
    """
    if len(errors) != len(members):
        raise InputError(f"{len(members)} actuators need {len(members)} error curves; {len(errors)} are given")
    return tuple(
        fight(
            [
                Member(one.stiffness_nm_deg, one.error_deg + error(angle), one.stall_nm, one.stall_ma)
                for one, error in zip(members, errors, strict=True)
            ],
            load_nm,
        )
        for angle in angles_deg
    )


# --- correction tables --------------------------------------------------------------------------------------------


def even_points(low_deg: float, high_deg: float, count: int) -> tuple[float, ...]:
    """`count` (2..33) angles spread evenly over low..high, ends included. Raises InputError."""
    if not 2 <= count <= MAX_TABLE_POINTS:
        raise InputError(f"a correction table has 2 to {MAX_TABLE_POINTS} points, not {count}")
    if not finite("the low end", low_deg, "deg") < finite("the high end", high_deg, "deg"):
        raise InputError(f"the table must go from a lower to a higher angle, not from {low_deg:g} to {high_deg:g} deg")
    step = (high_deg - low_deg) / (count - 1)
    return (*(low_deg + step * at for at in range(count - 1)), high_deg)


def table_curve(angles_deg: Sequence[float], values_deg: Sequence[float]) -> ErrorCurve:
    """A curve of straight lines through points; beyond the ends it stays at the last value.

    Args:
        angles_deg: rising, two or more.
        values_deg: one for each.
    Raises:
        InputError: outside that.
    """
    angles, values = _points(angles_deg, values_deg)

    def curve(angle_deg: float) -> float:
        if angle_deg <= angles[0]:
            return values[0]
        if angle_deg >= angles[-1]:
            return values[-1]
        right = bisect.bisect_right(angles, angle_deg)
        share = (angle_deg - angles[right - 1]) / (angles[right] - angles[right - 1])
        return values[right - 1] + share * (values[right] - values[right - 1])

    return curve


def correction_for(
    error: ErrorCurve, low_deg: float, high_deg: float, count: int, *, in_counts: bool = False
) -> tuple[float, ...]:
    """The correction, deg, at `count` evenly spread angles that takes away an error: its negative there.

    Args:
        error: of the actuator, at its demanded angle.
        low_deg, high_deg: ends of its travel.
        count: 2..33 points.
        in_counts: rounded to what an actuator stores (0.01 deg).
    Raises:
        InputError: outside that, or the corrected angle would not rise everywhere (`require_monotone`).
    """
    angles = even_points(low_deg, high_deg, count)
    values = [0.0 - error(angle) for angle in angles]
    if in_counts:
        values = [round(one * _COUNTS_PER_DEG) / _COUNTS_PER_DEG for one in values]
    require_monotone(angles, [angle + value for angle, value in zip(angles, values, strict=True)])
    return tuple(values)


def residual_deg(error: ErrorCurve, low_deg: float, high_deg: float, correction_deg: Sequence[float]) -> float:
    """The greatest size of error that an evenly spread correction leaves, deg, with straight lines between.

    Raises InputError where the table or the range is no good.
    """
    angles = even_points(low_deg, high_deg, len(correction_deg))
    curve = table_curve(angles, correction_deg)

    def left(angle_deg: float) -> float:
        return abs(error(angle_deg) + curve(angle_deg))

    return max(greatest(left, low, high, samples=24)[1] for low, high in itertools.pairwise(angles))


def residual_bound_deg(low_deg: float, high_deg: float, count: int, second_per_deg: float) -> float:
    """What a table of straight lines leaves at most, deg: h^2 / 8 times the greatest second derivative of the error.

    Args:
        low_deg, high_deg: ends of the table.
        count: 2..33 points.
        second_per_deg: greatest size of the second derivative, deg per deg^2, not below 0.
    Raises:
        InputError: outside that.
    Source: de Boor, A Practical Guide to Splines, from memory.
    """
    angles = even_points(low_deg, high_deg, count)
    step = angles[1] - angles[0]
    return step * step / 8.0 * not_negative("the second derivative", second_per_deg)


def require_monotone(angles_deg: Sequence[float], corrected_deg: Sequence[float]) -> None:
    """Does nothing where the corrected angle never falls from one point to the next.

    Raises:
        InputError: it falls somewhere: there more demand would move the arm back. The text tells where.
    """
    angles, values = _points(angles_deg, corrected_deg)
    for at in range(1, len(values)):
        if values[at] < values[at - 1]:
            raise InputError(
                f"from {angles[at - 1]:g} to {angles[at]:g} deg the corrected angle falls from {values[at - 1]:g} to "
                f"{values[at]:g} deg: more demand would move the arm back; measure these points again"
            )


def monotone_curve(angles_deg: Sequence[float], values_deg: Sequence[float]) -> ErrorCurve:
    """A smooth curve through points that never overshoots: between two points it stays between their values.

    Piecewise cubic with limited slopes. A plain cubic spline overshoots where the points bend; for a travel that would
    be a move to the wrong side, so there is none here.

    Args:
        angles_deg: rising, two or more.
        values_deg: one for each.
    Raises:
        InputError: outside that.
    Source: Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980), from memory; slopes as weighted harmonic means
        (Fritsch & Butland 1984, from memory).
    """
    angles, values = _points(angles_deg, values_deg)
    widths = [right - left for left, right in itertools.pairwise(angles)]
    rises = [(right - left) / width for left, right, width in zip(values, values[1:], widths, strict=False)]
    slopes = [rises[0], rises[0]] if len(rises) == 1 else _slopes(widths, rises)

    def curve(angle_deg: float) -> float:
        if angle_deg <= angles[0]:
            return values[0]
        if angle_deg >= angles[-1]:
            return values[-1]
        left = bisect.bisect_right(angles, angle_deg) - 1
        width, rise = widths[left], rises[left]
        off = angle_deg - angles[left]
        square = (3.0 * rise - 2.0 * slopes[left] - slopes[left + 1]) / width
        cube = (slopes[left] + slopes[left + 1] - 2.0 * rise) / (width * width)
        return values[left] + off * (slopes[left] + off * (square + off * cube))

    return curve


def _slopes(widths: Sequence[float], rises: Sequence[float]) -> list[float]:
    inner = []
    for (left_width, right_width), (left, right) in zip(
        itertools.pairwise(widths), itertools.pairwise(rises), strict=True
    ):
        if left * right <= 0.0:
            inner.append(0.0)
            continue
        near, far = 2.0 * right_width + left_width, right_width + 2.0 * left_width
        inner.append((near + far) / (near / left + far / right))
    first = _end_slope(widths[0], widths[1], rises[0], rises[1])
    last = _end_slope(widths[-1], widths[-2], rises[-1], rises[-2])
    return [first, *inner, last]


def _end_slope(width: float, next_width: float, rise: float, next_rise: float) -> float:
    """One-sided slope of three points, held back where it would overshoot."""
    slope = ((2.0 * width + next_width) * rise - width * next_rise) / (width + next_width)
    if slope * rise <= 0.0:
        return 0.0
    if rise * next_rise <= 0.0 and abs(slope) > 3.0 * abs(rise):
        return 3.0 * rise
    return slope


def _points(angles_deg: Sequence[float], values_deg: Sequence[float]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    angles = tuple(finite("an angle of the table", one, "deg") for one in angles_deg)
    values = tuple(finite("a value of the table", one, "deg") for one in values_deg)
    if len(angles) < 2 or len(angles) != len(values):
        raise InputError(
            f"a table has two or more points, each with one value; given are {len(angles)} angles and "
            f"{len(values)} values"
        )
    for left, right in itertools.pairwise(angles):
        if not left < right:
            raise InputError(f"the angles of a table must rise; {right:g} deg follows {left:g} deg")
    return angles, values
