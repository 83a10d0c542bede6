"""How an actuator makes itself known: by a flag for a while, and by a small motion to and fro where it is engaged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from busproto.sim.kernel import Kernel

MS: Final = 1_000_000
SHOW_SWING_DEG: Final = 3.0
SHOW_BEAT_NS: Final = 400 * MS


class Showing:
    """One actuator's making itself known.

    Attributes:
        until_ns: until when, by the last request to do so; 0 for none since it has power.
    """

    def __init__(self, kernel: Kernel, *, by_clock: Callable[[int], int], swung: Callable[[], None]) -> None:
        """Nothing is shown yet.

        Args:
            kernel: the clock.
            by_clock: how long it really takes until the actuator's own clock has counted so much, ns.
            swung: called at each beat: the arm has another place to be.
        """
        self._kernel = kernel
        self._by_clock = by_clock
        self._swung = swung
        self._shows = 0
        self.forget()

    def forget(self) -> None:
        """Show nothing any more, as after power-up."""
        self.until_ns = 0
        self.end_swing()

    def begin(self, duration_ds: int, *, swings: bool) -> None:
        """Make itself known from now on, for so many tenths of a second; 0 ends it."""
        now = self._kernel.now_ns
        self.until_ns = now + self._by_clock(duration_ds * 100 * MS)
        self.end_swing()
        if not swings:
            return
        for beat, offset_ns in enumerate(range(0, duration_ds * 100 * MS, SHOW_BEAT_NS)):
            swing_deg = SHOW_SWING_DEG if beat % 2 == 0 else -SHOW_SWING_DEG
            self._kernel.at(now + self._by_clock(offset_ns), self._swing(swing_deg))
        self._kernel.at(self.until_ns, self._swing(0.0))

    def end_swing(self) -> None:
        """No swing that is still to come happens: it went limp, or shows itself anew."""
        self._shows += 1
        self._swing_deg = 0.0

    def angle_deg(self, rest_deg: float, low_deg: float, high_deg: float) -> float:
        """Where an arm that rests at that angle has to be now: it swings about it, not beyond an end limit, deg."""
        if not self._swing_deg:
            return rest_deg
        return min(max(rest_deg, high_deg), max(min(rest_deg, low_deg), rest_deg + self._swing_deg))

    def _swing(self, by_deg: float) -> Callable[[], None]:
        show = self._shows

        def swing() -> None:
            if self._shows == show:
                self._swing_deg = by_deg
                self._swung()

        return swing
