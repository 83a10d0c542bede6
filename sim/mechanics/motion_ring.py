"""How a driven arm swings about its set-point: the position loop with a load inertia unknown to the firmware.

The firmware feeds forward the drive that its own motor needs for the course, so a bare arm is where its set-point is.
The load inertia (`unfed`, a fraction of the whole inertia) lags behind while the speed changes and swings afterwards:
    y'' + (1 + 5 damping) / lag y' + stiffness * full speed / lag * y = unfed * acceleration
where y is the lag of the arm, deg. Within each phase of a course the right side is constant, so this is exact there;
while the motor is at full drive (an exponential phase) the loop has no effect and the right side is taken as 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from busproto.sim.mechanics.motion_course import NS_PER_S, Phase

FULL_DAMPING: Final = 5.0
"""A damping of 100 % brakes this many times as hard as the motor by itself."""
_GONE: Final = 30.0
"""A swing is over after this many of its slowest time constants (1e-13)."""


@dataclass(frozen=True, slots=True)
class Loop:
    """A second-order system: y'' + 2 decay y' + omega^2 y = f."""

    decay: float
    omega: float

    @classmethod
    def of(cls, *, full_deg_s: float, lag_s: float, stiffness: float, damping: float) -> Loop:
        """From the motor's full speed and time constant, stiffness in full drives per degree, damping 0..1."""
        omega = math.sqrt(max(1e-9, stiffness * full_deg_s / lag_s))
        return cls((1 + FULL_DAMPING * damping) / (2 * lag_s), omega)

    @property
    def zeta(self) -> float:
        """Damping as a fraction of critical damping."""
        return self.decay / self.omega

    @property
    def gone_s(self) -> float:
        """Duration after which a swing is over, s."""
        slow = self.decay - math.sqrt(max(0.0, self.decay**2 - self.omega**2))
        return _GONE / slow

    def after(self, y: float, speed: float, f: float, since_s: float) -> tuple[float, float]:
        """y and its speed `since_s` after the given values."""
        settled = f / self.omega**2
        y -= settled
        square = self.omega**2 - self.decay**2
        fading = math.exp(-self.decay * since_s)
        if abs(square) < 1e-6 * self.omega**2:
            slope = speed + self.decay * y
            now = fading * (y + slope * since_s)
            return settled + now, fading * slope - self.decay * now
        if square > 0:
            root = math.sqrt(square)
            c, s = math.cos(root * since_s), math.sin(root * since_s) / root
            return (
                settled + fading * (y * c + (speed + self.decay * y) * s),
                fading * (speed * c - (self.decay * speed + self.omega**2 * y) * s),
            )
        root = math.sqrt(-square)
        fast, slow = -self.decay - root, -self.decay + root
        one = (speed - slow * y) / (fast - slow)
        two = y - one
        e_fast, e_slow = math.exp(fast * since_s), math.exp(slow * since_s)
        return settled + one * e_fast + two * e_slow, fast * one * e_fast + slow * two * e_slow


class Ring:
    """The swing along one course."""

    __slots__ = ("_loop", "_parts", "_start_ns")

    def __init__(
        self, loop: Loop, unfed: float, phases: Sequence[Phase], start_ns: int, at: tuple[float, float]
    ) -> None:
        """`at` is y and its speed at the begin of the course."""
        self._loop = loop
        self._start_ns = start_ns
        self._parts: list[tuple[float, float, float, float]] = []
        y, speed = at
        for number, phase in enumerate(phases):
            f = 0.0 if phase.lag_s else unfed * phase.a
            self._parts.append((phase.at_s, y, speed, f))
            if number + 1 < len(phases):
                y, speed = loop.after(y, speed, f, phases[number + 1].at_s - phase.at_s)

    def is_gone(self, now_ns: int) -> bool:
        """Whether the swing is over."""
        last = self._parts[-1]
        return not last[3] and (now_ns - self._start_ns) / NS_PER_S - last[0] > self._loop.gone_s

    def at(self, now_ns: int) -> tuple[float, float]:
        """Lag of the arm behind its set-point, deg, and how fast it grows, deg/s."""
        at_s = (now_ns - self._start_ns) / NS_PER_S
        for from_s, y, speed, f in reversed(self._parts):
            if from_s <= at_s:
                if not f and at_s - from_s > self._loop.gone_s:
                    return 0.0, 0.0
                return self._loop.after(y, speed, f, at_s - from_s)
        return self._parts[0][1], self._parts[0][2]
