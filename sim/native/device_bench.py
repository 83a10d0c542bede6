"""A desk bench below a firmware: what it reads is what was set, what it drives is noted, and nothing moves by itself.

The angle is set, or turns at a set speed, whatever the firmware drives; current and temperature stay as they were set.
So what a firmware does is seen without any motor in between.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.supply import Draw
from busproto.sim.native.device_plant import NS_PER_S, Plant


class Driven(NamedTuple):
    """What the firmware set the bridge to: when, ns; on or off; 0.001 of the supply."""

    time_ns: int
    is_on: bool
    permille: int


class Bench(Plant):
    """An arm whose angle, current and temperature are set from outside.

    Attributes:
        driven: every setting of the bridge since `forget`, in order.
        set_ma: the current that the firmware reads.
    """

    def __init__(
        self, kernel: Kernel, label: str, model: ActuatorModel, position_deg: float, supply_mv: Callable[[], int]
    ) -> None:
        super().__init__(kernel, label, model, position_deg, supply_mv)
        self.driven: list[Driven] = []
        self.set_ma = 0
        self._turns_deg_s = 0.0
        self._until_ns: int | None = None
        self._set_degc = self._heat.ambient_degc

    def forget(self) -> None:
        """Forget what was driven so far, but for the last."""
        del self.driven[:-1]

    # --- set from outside -----------------------------------------------------------------------------------

    def place(self, deg: float, now_ns: int) -> None:
        """Set the angle; it stands there."""
        self.move_to(now_ns)
        self.position_deg, self._turns_deg_s, self._until_ns = deg, 0.0, None

    def turn(self, deg_s: float, now_ns: int) -> None:
        """Have the arm turn at this speed from where it is, whatever is driven."""
        self.move_to(now_ns)
        self._turns_deg_s, self._until_ns = deg_s, None

    def hand(self, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """See `Plant.hand`."""
        self.move_to(now_ns)
        if self.is_on:
            return False
        self._turns_deg_s = (to_deg - self.position_deg) / (over_ns / NS_PER_S)
        self._until_ns = now_ns + over_ns
        return True

    def warm(self, now_ns: int, degc: float) -> None:
        """See `Plant.warm`; it stays as warm as that."""
        self._set_degc = degc

    # --- what the firmware does and reads -------------------------------------------------------------------

    def move_to(self, now_ns: int) -> None:
        """See `Plant.move_to`."""
        since_ns = now_ns - self.time_ns
        if since_ns <= 0:
            return
        if self._until_ns is not None and now_ns >= self._until_ns:
            since_ns = max(0, self._until_ns - self.time_ns)
        self.position_deg += self._turns_deg_s * since_ns / NS_PER_S
        self.time_ns = now_ns
        if self._until_ns is not None and now_ns >= self._until_ns:
            self._turns_deg_s, self._until_ns = 0.0, None

    def drive(self, is_on: bool, fraction: float, now_ns: int) -> None:
        """See `Plant.drive`."""
        self.move_to(now_ns)
        self.is_on = is_on
        self.driven.append(Driven(now_ns, is_on, round(fraction * 1000)))

    def reading_mdeg(self, now_ns: int) -> int:
        """The angle, 0.001 deg, without any error."""
        self.move_to(now_ns)
        return round(self.position_deg * 1000)

    @property
    def is_moving(self) -> bool:
        """Whether the arm turns."""
        return self._turns_deg_s != 0.0

    @property
    def current_ma(self) -> float:
        """The current that was set, mA."""
        return float(self.set_ma)

    def draw(self, supply_v: float) -> Draw:
        """Nothing: a bench has a supply of its own."""
        return Draw()

    def degc(self, now_ns: int) -> float:
        """The temperature that was set, degC; before that, that of the model."""
        return self._set_degc
