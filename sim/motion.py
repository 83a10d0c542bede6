"""A simple arm: speed limit, soft start, dead band, end stops; limp it stays where it is put, or where a hand puts it.

Closed form between two moments, so the result does not depend on how often one looks. Positions are degrees from
the middle of the mechanical range. Not modelled: inertia, load, friction, backlash, gain of the position loop;
stiffness, damping and minimum drive are stored but have no effect here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_EPSILON_DEG = 1e-9


@dataclass(slots=True)
class Arm:
    """Where the arm is, and where it is driven to.

    Attributes:
        position_deg: at `time_ns`.
        target_deg: where it is driven to, None while limp.
        speed_deg_s: highest speed.
        soft_start_ns: after `engage`, the highest speed rises from 0 to its limit over this time.
        dead_band_deg: an arm nearer to its target than this is not driven.
        stop_deg: mechanical stops at plus and minus this.
    """

    position_deg: float
    stop_deg: float
    speed_deg_s: float = 300.0
    soft_start_ns: int = 0
    dead_band_deg: float = 0.0
    target_deg: float | None = None
    time_ns: int = 0
    _engaged_ns: int = 0
    _driving: bool = False
    _hand: tuple[int, int, float, float] | None = None

    def move_to(self, now_ns: int) -> None:
        """Let time pass up to `now_ns`."""
        if now_ns <= self.time_ns:
            return
        if self.target_deg is not None:
            self._drive(self.target_deg, now_ns)
        elif self._hand is not None:
            start_ns, end_ns, from_deg, to_deg = self._hand
            share = 1.0 if now_ns >= end_ns else (now_ns - start_ns) / (end_ns - start_ns)
            self.position_deg = from_deg + (to_deg - from_deg) * max(0.0, share)
            if share == 1.0:
                self._hand = None
        self.time_ns = now_ns

    def _drive(self, target_deg: float, now_ns: int) -> None:
        error = target_deg - self.position_deg
        if not self._driving and abs(error) <= self.dead_band_deg:
            return
        reach = self._reach_deg(now_ns) - self._reach_deg(self.time_ns)
        if abs(error) <= reach + _EPSILON_DEG:
            self.position_deg = target_deg
            self._driving = False
        else:
            self.position_deg += math.copysign(reach, error)
            self._driving = True

    def _reach_deg(self, time_ns: int) -> float:
        """Way at full speed limit since the drive took hold."""
        since = time_ns - self._engaged_ns
        if since < self.soft_start_ns:
            return self.speed_deg_s * since * since / (2e9 * self.soft_start_ns)
        return self.speed_deg_s * (since - self.soft_start_ns / 2) / 1e9

    @property
    def is_moving(self) -> bool:
        """Whether the drive is on its way to the target."""
        return self._driving

    def is_easing(self, now_ns: int) -> bool:
        """Whether the soft start still runs."""
        return self.target_deg is not None and now_ns - self._engaged_ns < self.soft_start_ns

    def engage(self, now_ns: int) -> None:
        """Take hold where the arm is; the soft start begins."""
        self.move_to(now_ns)
        self._hand = None
        self._engaged_ns = now_ns
        self._driving = False
        self.target_deg = self.position_deg

    def aim(self, target_deg: float, now_ns: int) -> None:
        """Drive to `target_deg` from now on; nothing while limp."""
        self.move_to(now_ns)
        if self.target_deg is not None:
            self.target_deg = min(self.stop_deg, max(-self.stop_deg, target_deg))

    def release(self, now_ns: int) -> None:
        """Go limp where the arm is."""
        self.move_to(now_ns)
        self.target_deg = None
        self._driving = False

    def hand(self, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """A hand moves the limp arm to `to_deg` within `over_ns`. Returns False where the drive holds it."""
        self.move_to(now_ns)
        if self.target_deg is not None:
            return False
        to_deg = min(self.stop_deg, max(-self.stop_deg, to_deg))
        self._hand = (now_ns, now_ns + max(1, over_ns), self.position_deg, to_deg)
        return True


def corrected_deg(table_deg: tuple[float, ...], share: float) -> float:
    """Linear interpolation in a table of 2 or more points spread evenly over share -1..+1; 0 for an empty one."""
    if not table_deg:
        return 0.0
    place = (min(1.0, max(-1.0, share)) + 1) / 2 * (len(table_deg) - 1)
    below = min(int(place), len(table_deg) - 2)
    return table_deg[below] + (table_deg[below + 1] - table_deg[below]) * (place - below)
