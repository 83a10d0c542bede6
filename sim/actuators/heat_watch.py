"""How an actuator looks at its temperature: four times a second, for as long as it may become too warm."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from busproto.sim.kernel import Event, Kernel
from busproto.sim.mechanics.heat import Heat, cut_back
from busproto.sim.mechanics.motion import Arm

MS: Final = 1_000_000
HEAT_LOOK_NS: Final = 250 * MS


class HeatWatch:
    """One actuator's looks at its temperature, and what it makes of it."""

    def __init__(
        self,
        kernel: Kernel,
        heat: Heat,
        arm: Arm,
        *,
        limit_degc: Callable[[], float],
        by_clock: Callable[[int], int],
        look: Callable[[], bool],
    ) -> None:
        """It does not look yet.

        Args:
            kernel: the clock.
            heat: how warm it is.
            arm: what warms it.
            limit_degc: above this it is too hot, degC.
            by_clock: how long it really takes until the actuator's own clock has counted so much, ns.
            look: called at each look; returns whether to look once more.
        """
        self._kernel = kernel
        self._heat = heat
        self._arm = arm
        self._limit_degc = limit_degc
        self._by_clock = by_clock
        self._look = look
        self._waiting: Event | None = None

    def start(self) -> None:
        """As after power-up; it is as warm as it was."""
        self._waiting = None

    def stop(self) -> None:
        """Power is gone: it looks no more."""
        if self._waiting is not None:
            self._waiting.cancel()

    def look_soon(self) -> None:
        """Look a quarter of a second from now, unless it is going to look already."""
        if self._waiting is None:
            self._waiting = self._kernel.at(self._kernel.now_ns + self._by_clock(HEAT_LOOK_NS), self._looks)

    def _looks(self) -> None:
        self._waiting = None
        if self._look():
            self.look_soon()

    def degc(self) -> float:
        """Temperature of the motor now, degC."""
        now = self._kernel.now_ns
        self._arm.move_to(now)
        return self._heat.degc(now)

    def is_hot(self) -> bool:
        """Whether it is above its limit now."""
        return self.degc() > self._limit_degc()

    def drive_share(self) -> float:
        """Share of the drive that is left at the temperature of now, 0.5..1."""
        return cut_back(self._heat.degc(self._kernel.now_ns), self._limit_degc())

    def will_cut_back(self) -> bool:
        """Whether it gets so warm in the end, at the current of now, that it takes back drive."""
        return cut_back(self._heat.ends_at_degc(self._arm.current_ma), self._limit_degc()) < 1
