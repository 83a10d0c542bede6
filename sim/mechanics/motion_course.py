"""The course of a driven arm: its set-point at any moment until it rests at the target, in closed form.

The set-point never runs ahead of the motor: its speed rises as the motor's torque-speed line allows at full drive (a
first-order lag towards the speed at which no torque is left), no faster than the acceleration limit, up to the slew
limit or the limit of the soft start at that moment. It brakes with constant deceleration so that it stands when it
arrives. So a course is a few phases, each a parabola or an exponential, and any moment of it costs the same to
evaluate.

Times within a course are seconds from its begin; angles deg, speeds deg/s. A lag of 0 and no acceleration limit make
it a pure rate limit. Braking is planned at the deceleration that the motor has left near standstill, which is its
least; a real motor brakes harder at speed and arrives a little earlier.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final, NamedTuple, Protocol

NS_PER_S: Final = 1_000_000_000
_EPSILON: Final = 1e-12
_LEAST_BRAKE: Final = 0.05
"""Fraction of the motor's own braking that is assumed where the load pushes harder than the motor can hold."""
_NO_TIME: Final = math.inf
_NEVER_NS: Final = 1 << 62


class Limits(NamedTuple):
    """Limits of a course.

    Attributes:
        speed: highest speed of the set-point, deg/s.
        up, down: speed at which the motor has no torque left at full drive, towards plus and towards minus, deg/s;
            0 or below where the load is more than it can move.
        lag_s: time constant of the motor with its load inertia, 0 for none.
        acceleration: highest rise of the speed, deg/s^2; infinite for none.
        soft_s: over this time the highest speed rises from 0 to its limit.
    """

    speed: float
    up: float = math.inf
    down: float = math.inf
    lag_s: float = 0.0
    acceleration: float = math.inf
    soft_s: float = 0.0

    def brake(self, side: float) -> float:
        """Deceleration of an arm that moves to that side (+1, -1), deg/s^2; infinite without a lag."""
        if not self.lag_s:
            return self.acceleration
        against, own = (self.down, self.up) if side > 0 else (self.up, self.down)
        return min(self.acceleration, max(against, _LEAST_BRAKE * (against + own) / 2, 1.0) / self.lag_s)


class Phase(NamedTuple):
    """From `at_s` on: a parabola with acceleration `a`; an exponential towards speed `a` where `lag_s` is not 0."""

    at_s: float
    deg: float
    speed: float
    a: float
    lag_s: float

    def after(self, since_s: float) -> tuple[float, float]:
        """Angle and speed `since_s` after the begin of the phase."""
        if self.lag_s:
            missing = (self.speed - self.a) * math.exp(-since_s / self.lag_s)
            return self.deg + self.a * since_s + self.lag_s * (self.speed - self.a - missing), self.a + missing
        return self.deg + (self.speed + self.a * since_s / 2) * since_s, self.speed + self.a * since_s


class _Go(Protocol):
    """The shape of the function that adds a phase."""

    def __call__(self, a: float, lasting_s: float, *, lagging: bool = False) -> None:
        """Add a phase of `lasting_s` with acceleration `a`, or with a lag towards speed `a`."""


class Course:
    """The set-point's course to one target.

    The begin of braking is calculated only when a later moment, or the end, is asked for: a target that is moved on
    again and again costs no more than the evaluation of one phase.

    Attributes:
        target_deg: where it ends.
        start_ns: when it begins.
        turn_deg: where it reverses on its way, None where it does not.
    """

    __slots__ = (
        "_brake_at_s",
        "_braking",
        "_end_ns",
        "_go",
        "_going_ns",
        "_phases",
        "_side",
        "_turn_s",
        "start_ns",
        "target_deg",
        "turn_deg",
    )

    def __init__(
        self, at: tuple[float, float], target_deg: float, now_ns: int, soft_started_s: float, limits: Limits
    ) -> None:
        """From angle and speed `at` at `now_ns`, `soft_started_s` after the drive took hold, to the target."""
        deg, speed = at
        self.start_ns = now_ns
        self.target_deg = target_deg
        braking = limits.brake(-1.0 if speed < 0 else 1.0)
        stands_deg = deg + speed * abs(speed) / (2 * braking)
        self._side = side = 1.0 if target_deg >= stands_deg else -1.0
        self._braking = limits.brake(side)
        self.turn_deg: float | None = None
        self._turn_s = 0.0
        self._end_ns: int | None = None
        self._go: list[Phase] = []
        if side * speed < 0:
            if math.isfinite(braking):
                self._go.append(Phase(0.0, deg, speed, side * braking, 0.0))
                self._turn_s = abs(speed) / braking
            self.turn_deg = deg = stands_deg
            speed = 0.0
        self._go += _goes(deg, abs(speed), self._turn_s, soft_started_s, side, limits)
        self._phases = self._go
        self._brake_at_s = 0.0
        self._going_ns = -1

    @classmethod
    def rest(cls, deg: float, now_ns: int) -> Course:
        """A course that stands at `deg`."""
        made = cls.__new__(cls)
        made.start_ns = made._end_ns = made._going_ns = now_ns
        made.target_deg = deg
        made._phases = made._go = [Phase(0.0, deg, 0.0, 0.0, 0.0)]
        made.turn_deg, made._turn_s, made._side, made._brake_at_s, made._braking = None, 0.0, 1.0, 0.0, 1.0
        return made

    @property
    def phases(self) -> list[Phase]:
        """All phases in order; the last one has no end."""
        if self._end_ns is None:
            self._work_out_end()
        return self._phases

    @property
    def end_ns(self) -> int:
        """From when on it stands at the target."""
        if self._end_ns is None:
            return self._work_out_end()
        return self._end_ns

    def _work_out_end(self) -> int:
        side, go, braking, target_deg = self._side, self._go, self._braking, self.target_deg
        for number, phase in enumerate(go):
            ends_s = go[number + 1].at_s - phase.at_s if number + 1 < len(go) else _NO_TIME
            if side * phase.speed < 0:  # still going the other way
                continue
            found = _brake_after(phase, target_deg, side, braking, ends_s)
            if found is None:
                continue
            end_s = self._brake_at_s = phase.at_s + found
            deg, speed = phase.after(found)
            self._phases = go[: number + 1]
            if math.isfinite(braking) and abs(speed) > _EPSILON:
                self._phases.append(Phase(end_s, deg, speed, -side * braking, 0.0))
                end_s += abs(speed) / braking
            self._phases.append(Phase(end_s, target_deg, 0.0, 0.0, 0.0))
            self._end_ns = self.start_ns + min(_NEVER_NS, math.ceil(min(end_s, 1e12) * NS_PER_S - 1e-3))
            return self._end_ns
        self._phases, self._brake_at_s = go, _NO_TIME  # the motor cannot move its load in that direction
        self._end_ns = self.start_ns + _NEVER_NS
        return self._end_ns

    def _going(self, at_s: float) -> tuple[float, float]:
        """Angle and speed as if the target lay infinitely far."""
        for phase in reversed(self._go):
            if phase.at_s <= at_s:
                break
        return phase.after(at_s - phase.at_s)

    def extended(self, target_deg: float, now_ns: int, at: tuple[float, float]) -> bool:
        """Lead the course to another target in the same direction. Returns False, and changes nothing, where it cannot.

        `at` is where it is now, as `at()` gives it.
        """
        at_s = (now_ns - self.start_ns) / NS_PER_S
        if at_s < self._turn_s or (self._end_ns is not None and at_s >= self._brake_at_s):
            return False
        side = self._side
        deg, speed = at
        if side * speed < 0 or side * (target_deg - deg) < speed * speed / (2 * self._braking) + 1e-9:
            return False
        self.target_deg = target_deg
        self._end_ns = None
        return True

    def at(self, now_ns: int) -> tuple[float, float]:
        """Angle and speed at `now_ns`, which must not lie before the begin."""
        at_s = (now_ns - self.start_ns) / NS_PER_S
        if self._end_ns is None:
            from_s, deg, speed, a, lag_s = self._go[-1]
            if from_s <= at_s and not lag_s:  # by far the most frequent, so without a call
                since_s = at_s - from_s
                deg += (speed + a * since_s / 2) * since_s
                speed += a * since_s
            else:
                deg, speed = self._going(at_s)
            way = self._side * (self.target_deg - deg)
            if way > speed * speed / (2 * self._braking) + 1e-9 or at_s < self._turn_s:
                self._going_ns = now_ns
                return deg, speed
        if now_ns >= self.end_ns:
            return self.target_deg, 0.0
        for phase in reversed(self._phases):
            if phase.at_s <= at_s:
                return phase.after(at_s - phase.at_s)
        return self._phases[0].deg, self._phases[0].speed

    def motion(self, now_ns: int) -> tuple[float, float, float]:
        """Angle, speed and acceleration at `now_ns`."""
        if self.is_over(now_ns):
            return self.target_deg, 0.0, 0.0
        at_s = (now_ns - self.start_ns) / NS_PER_S
        for phase in reversed(self._go if self._end_ns is None else self._phases):
            if phase.at_s <= at_s:
                break
        deg, speed = phase.after(at_s - phase.at_s)
        return deg, speed, (phase.a - speed) / phase.lag_s if phase.lag_s else phase.a

    def pieces(self, from_ns: int, until_ns: int) -> Iterator[tuple[Phase, float, float]]:
        """The phases between two moments, each with the begin and end of the part in between, s after its own begin.

        Time after the end of the course is not included.
        """
        from_s, until_s = (from_ns - self.start_ns) / NS_PER_S, (until_ns - self.start_ns) / NS_PER_S
        is_over = self.is_over(until_ns)  # this may work out the end
        has_end = self._end_ns is not None and self._phases is not self._go
        phases = self._phases[:-1] if is_over or has_end else self._go
        for number, phase in enumerate(phases):
            ends_s = until_s
            if number + 1 < len(phases):
                ends_s = min(until_s, phases[number + 1].at_s)
            elif phases is not self._go:
                ends_s = min(until_s, self._phases[-1].at_s)
            begins_s = max(from_s, phase.at_s)
            if ends_s > begins_s:
                yield phase, begins_s - phase.at_s, ends_s - phase.at_s

    def is_over(self, now_ns: int) -> bool:
        """Whether it stands at the target at `now_ns`."""
        if self._end_ns is None and now_ns != self._going_ns:
            self.at(now_ns)
        return self._end_ns is not None and now_ns >= self._end_ns

    def has_turned(self, now_ns: int) -> bool:
        """Whether it has passed its point of reversal."""
        return self.turn_deg is not None and (now_ns - self.start_ns) / NS_PER_S >= self._turn_s


def _goes(deg: float, speed: float, at_s: float, soft_started_s: float, side: float, limits: Limits) -> list[Phase]:
    """The phases up to the highest speed, as if the target lay infinitely far; `speed` counts towards `side`."""
    phases: list[Phase] = []
    full = limits.up if side > 0 else limits.down
    lag_s, most = limits.lag_s, limits.speed
    if full <= 0:  # more load than it can move: it slows down and stands
        braking = limits.brake(side)
        if speed and math.isfinite(braking):
            phases.append(Phase(at_s, deg, side * speed, -side * braking, 0.0))
            deg, at_s = deg + side * speed * speed / (2 * braking), at_s + speed / braking
        return [*phases, Phase(at_s, deg, 0.0, 0.0, 0.0)]

    def go(a: float, lasting_s: float, *, lagging: bool = False) -> None:
        nonlocal deg, speed, at_s
        phase = Phase(at_s, deg, side * speed, side * a, lag_s if lagging else 0.0)
        phases.append(phase)
        if lasting_s < _NO_TIME:
            deg, speed = phase.after(lasting_s)
            speed *= side
            at_s += lasting_s

    soft_s = limits.soft_s
    slope = most / soft_s if soft_s else math.inf
    ends_s = soft_s - soft_started_s  # of the soft start, in the course's time
    for _ in range(8):
        is_soft_starting = at_s < ends_s - _EPSILON
        cap = slope * (soft_started_s + at_s) if is_soft_starting else most
        if speed > cap + 1e-9:  # above what is allowed: brake down to it
            braking = limits.brake(side)
            if not math.isfinite(braking):
                speed = cap
                continue
            lasting_s = (speed - cap) / (braking + (slope if is_soft_starting else 0.0))
            if is_soft_starting and at_s + lasting_s > ends_s:
                lasting_s = (speed - most) / braking if speed > most else ends_s - at_s
            go(-braking, lasting_s)
        elif is_soft_starting and speed >= cap - 1e-9:  # at the limit of the soft start, while the motor can follow
            left_s = ends_s - at_s
            steep = min(limits.acceleration, math.inf if not lag_s else (full - speed) / lag_s)
            if slope > steep + 1e-9:
                if lag_s and steep < limits.acceleration:
                    break
                can_s = (full - steep * lag_s - speed) / steep
                if can_s <= _EPSILON:
                    break
                go(steep, min(left_s, can_s))
                continue
            can_s = (full - slope * lag_s - speed) / slope if lag_s else (full - speed) / slope
            if can_s <= _EPSILON:
                break
            go(slope, min(left_s, can_s))
        elif speed >= min(cap, full) - 1e-9 and not is_soft_starting:
            break
        elif not lag_s and not math.isfinite(limits.acceleration):
            speed = min(cap, full)
            if is_soft_starting and cap >= full:
                break
        else:
            _rise(
                speed,
                cap,
                full,
                slope if is_soft_starting else 0.0,
                ends_s - at_s if is_soft_starting else _NO_TIME,
                limits,
                go,
            )
            if phases and phases[-1].lag_s and not is_soft_starting and most >= full:
                return phases
    if lag_s and speed < min(most, full) - 1e-9:
        go(full, _until_speed(speed, min(most, full), full, lag_s), lagging=True)
    elif lag_s and speed > full + 1e-9:  # more load than a moment ago: it slows down
        go(full, _NO_TIME, lagging=True)
        return phases
    else:
        speed = min(speed, full)
    if not phases or not (phases[-1].lag_s and most >= full):
        go(0.0, _NO_TIME)
    return phases


def _rise(speed: float, cap: float, full: float, slope: float, left_s: float, limits: Limits, go: _Go) -> None:
    """One phase of speeding up, to the cap that rises by `slope` for `left_s`."""
    lag_s, acceleration = limits.lag_s, limits.acceleration
    knee = full - acceleration * lag_s if lag_s else full
    if math.isfinite(acceleration) and speed < knee - 1e-9:
        until_cap_s = (cap - speed) / (acceleration - slope) if acceleration > slope else _NO_TIME
        go(acceleration, min(until_cap_s, (knee - speed) / acceleration, left_s))
    elif not lag_s:
        go(0.0, left_s)
    elif not slope:
        go(full, _until_speed(speed, min(cap, limits.speed), full, lag_s), lagging=True)
    else:
        go(full, min(left_s, _until_cap(speed, cap, slope, full, lag_s, left_s)), lagging=True)


def _until_speed(speed: float, wanted: float, full: float, lag_s: float) -> float:
    """When a lag towards `full` reaches a speed below it."""
    return lag_s * math.log((full - speed) / (full - wanted)) if wanted < full else _NO_TIME


def _until_cap(speed: float, cap: float, slope: float, full: float, lag_s: float, left_s: float) -> float:
    """When a lag towards `full` reaches a linearly rising cap above it; `left_s` where not before."""
    time_s = 0.0
    # speed minus cap is bent downwards, so that each tangent meets 0 before the curve does: Newton steps from the left,
    # never past
    for _ in range(30):
        missing = (speed - full) * math.exp(-time_s / lag_s)
        steepness = -missing / lag_s - slope
        if steepness <= 0:
            return left_s
        step_s = (cap + slope * time_s - full - missing) / steepness
        time_s += step_s
        if time_s >= left_s:
            return left_s
        if step_s < 1e-15:
            break
    return time_s


def _brake_after(phase: Phase, target_deg: float, side: float, braking: float, ends_s: float) -> float | None:
    """How long after the begin of the phase it must brake to stand at the target, s; None where after its end."""
    speed, a = side * phase.speed, side * phase.a
    rest = side * (target_deg - phase.deg) - speed * speed / (2 * braking)
    if rest <= _EPSILON:
        return 0.0
    if not phase.lag_s:
        fraction = 1.0 + a / braking
        if fraction <= _EPSILON or (speed <= 0 and a <= 0):
            return None
        if abs(a) < _EPSILON:
            found = rest / (fraction * speed)
        else:
            root = speed * speed + 2 * a * rest / fraction
            if root < 0:
                return None
            found = (math.sqrt(root) - speed) / a
        return found if found <= ends_s + _EPSILON else None

    def left(time_s: float) -> float:
        deg, now_speed = phase.after(time_s)
        return side * (target_deg - deg) - now_speed * now_speed / (2 * braking)

    # braking later than this is too late in any case: the way alone is longer
    low_s, high_s = 0.0, min(ends_s, side * (target_deg - phase.deg) / a + phase.lag_s)
    if left(high_s) > 0:
        return None
    time_s = low_s
    for _ in range(100):
        value = left(time_s)
        if abs(value) < 1e-12 or high_s - low_s < 1e-14:
            break
        low_s, high_s = (time_s, high_s) if value > 0 else (low_s, time_s)
        now_speed = side * phase.after(time_s)[1]
        fall = now_speed * (1 + (a - now_speed) / (phase.lag_s * braking))
        time_s += value / fall if fall > 0 else math.inf
        if not low_s < time_s < high_s:
            time_s = (low_s + high_s) / 2
    return time_s
