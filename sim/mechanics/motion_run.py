"""Winding current and energy balance of a free arm on its course, in closed form.

Acceleration, speed and load of the course give the torque, and the torque gives the current. So the current is exact at
any moment, its mean square is exact over each phase, and `book` sums up the energy by quadrature of each force's own
power. Backlash, stopping short and the swing of the load are not counted. An arm whose drive is switched off on its way
stands at once: its gear's friction takes the kinetic energy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Final, NamedTuple

from busproto.sim.mechanics.motion_course import Course, Phase
from busproto.sim.mechanics.motor import RAD, Books, Motor

_NODES: Final = (
    (0.0, 0.5688888888888889),
    (-0.5384693101056831, 0.47862867049936647),
    (0.5384693101056831, 0.47862867049936647),
    (-0.906179845938664, 0.23692688505618908),
    (0.906179845938664, 0.23692688505618908),
)
"""Gauss-Legendre quadrature with five points: exact for polynomials up to degree 9."""


class Run(NamedTuple):
    """One course of an arm as a `Way`, see `busproto.sim.mechanics.heat`."""

    course: Course
    motor: Motor
    load: float
    power: float

    def is_over(self, now_ns: int) -> bool:
        """Whether it has arrived at `now_ns`."""
        return self.course.is_over(now_ns)

    @property
    def end_ns(self) -> int:
        """When it arrives, ns."""
        return self.course.end_ns

    def parts(self, from_ns: int, until_ns: int) -> Iterator[tuple[float, float]]:
        """Parts of the course in order: duration, s, and root mean square current, mA."""
        motor = self.motor
        for phase, begin_s, end_s in self.course.pieces(from_ns, until_ns):
            square = self._mean_square(phase, begin_s, end_s)
            yield end_s - begin_s, motor.winding_ma(math.sqrt(square), self.power)

    def _mean_square(self, phase: Phase, begin_s: float, end_s: float) -> float:
        motor, lasting_s, lag_s = self.motor, end_s - begin_s, phase.lag_s
        inertia, drag = motor.fraction_s2_deg * (1 + motor.added_inertia), motor.drag / motor.no_load_deg_s
        speed, end_speed = phase.after(begin_s)[1], phase.after(end_s)[1]
        held = self.load + (math.copysign(motor.friction, speed + end_speed) if speed or end_speed else 0.0)
        if not lag_s:  # linear over the time
            first, last = (held + inertia * phase.a + drag * one for one in (speed, end_speed))
            return (first * first + first * last + last * last) / 3
        still = held + drag * phase.a
        fading = (speed - phase.a) * (drag - inertia / lag_s)
        spans = lasting_s / lag_s
        gone = -math.expm1(-spans)
        return still * still + (2 * still * gone + fading * gone * (2 - gone) / 2) * fading / spans

    def book(self, books: Books, from_ns: int, until_ns: int) -> None:
        """Add the energies between two moments of the course to the books."""
        motor = self.motor
        for phase, begin_s, end_s in self.course.pieces(from_ns, until_ns):

            def adds(at_s: float, weight_s: float, phase: Phase = phase) -> None:
                speed = phase.after(at_s)[1]
                acceleration = (phase.a - speed) / phase.lag_s if phase.lag_s else phase.a
                fraction = motor.torque_fraction(speed, acceleration, self.load)
                _book(books, motor, fraction, speed, weight_s, self.power)
                books.brought -= self.load * speed * motor.stall_nm * RAD * weight_s

            middle, slope = (phase.after(begin_s)[1] + phase.after(end_s)[1]) / 2, motor.drag / motor.no_load_deg_s
            acceleration = phase.a
            if phase.lag_s:
                slope -= motor.fraction_s2_deg * (1 + motor.added_inertia) / phase.lag_s
                acceleration = (phase.a - middle) / phase.lag_s
            steady = motor.torque_fraction(middle, acceleration, self.load) - slope * middle
            kinks = _kinks(phase, begin_s, end_s, motor, steady, slope, self.power)
            _quadrature(adds, begin_s, end_s, phase.lag_s, kinks)


def book_lag(books: Books, motor: Motor, push: float | None, ends_at: float, fading: float, lasting_s: float) -> None:
    """Add to the books the energies of a steady drive, while the speed goes from `ends_at` + `fading` to `ends_at`.

    `push` is None where the winding is shorted: its braking power is heat in the winding.
    """

    def adds(at_s: float, weight_s: float) -> None:
        speed = ends_at + fading * math.exp(-at_s / motor.lag_s)
        if push is not None:
            _book(books, motor, push - speed / motor.emf_deg_s, speed, weight_s, math.inf)
            return
        work = motor.stall_nm * RAD * weight_s
        books.winding += speed * speed / motor.emf_deg_s * work
        _book_drag(books, motor, speed, work)

    phase = Phase(0.0, 0.0, ends_at + fading, ends_at, motor.lag_s)
    kinks = [] if push is None else _kinks(phase, 0.0, lasting_s, motor, push, -1 / motor.emf_deg_s)
    _quadrature(adds, 0.0, lasting_s, motor.lag_s, kinks)


def _kinks(
    phase: Phase, begin_s: float, end_s: float, motor: Motor, steady: float, slope: float, power: float = math.inf
) -> list[float]:
    """When the power has a kink: the fraction, `steady` + `slope` * speed, changes sign or reaches its limit.

    A quadrature across such a moment would be wrong, by an amount that depends on where its pieces begin.
    """
    begin, end = phase.after(begin_s)[1], phase.after(end_s)[1]
    ripple = motor.hold_ma - motor.idle_ma
    most = (power * (ripple + motor.motor_ma) - ripple) / motor.motor_ma if motor.motor_ma else math.inf
    found = []
    for fraction in (0.0, most, -most):
        speed = (fraction - steady) / slope if slope else math.inf
        if min(begin, end) < speed < max(begin, end):
            gone_s = (
                phase.lag_s * math.log((begin - phase.a) / (speed - phase.a))
                if phase.lag_s
                else (speed - begin) / phase.a
            )
            found.append(begin_s + gone_s)
    return found


def _quadrature(
    adds: Callable[[float, float], None], begin_s: float, end_s: float, lag_s: float, kinks: list[float]
) -> None:
    """Call with each node and its weight, in pieces that are short against the lag and end at each kink."""
    fades_s = min(end_s - begin_s, 40 * lag_s)  # then it is over, and what follows is one piece
    count = max(1, math.ceil(4 * fades_s / lag_s)) if lag_s else 1
    edges = [begin_s + (fades_s if lag_s else end_s - begin_s) * k / count for k in range(count + 1)]
    for low_s, high_s in pairwise(sorted([*edges, *kinks, end_s])):
        for place, weight in _NODES:
            adds((low_s + high_s) / 2 + place * (high_s - low_s) / 2, weight * (high_s - low_s) / 2)


def _book(books: Books, motor: Motor, fraction: float, speed: float, seconds: float, power: float) -> None:
    supplied = motor.electrical_w(fraction, speed, power) * seconds
    books.supplied += supplied
    books.turned += abs(supplied)
    books.winding += motor.ohm * (motor.winding_ma(fraction, power) / 1000) ** 2 * seconds
    books.lost += motor.lost_w(fraction, speed) * seconds
    work = motor.stall_nm * RAD * seconds
    _book_drag(books, motor, speed, work)


def _book_drag(books: Books, motor: Motor, speed: float, work: float) -> None:
    books.friction += motor.friction * abs(speed) * work
    books.drag += motor.drag * speed * speed / motor.no_load_deg_s * work


def moving_j(motor: Motor, speed_deg_s: float) -> float:
    """Kinetic energy of an arm with its load inertia, J."""
    return motor.inertia_kgm2 * (speed_deg_s * RAD) ** 2 / 2
