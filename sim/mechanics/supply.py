"""Supply voltage at each actuator under load: sag by the resistance of pack and leads.

Node equations of a star: one voltage behind the pack's resistance, from there a lead to each actuator. An actuator
draws a constant current (electronics), plus a constant power (a bridge that chops the supply, so it draws more current
at a lower voltage) or, at full drive, like a resistance behind a back EMF. Where the supply cannot deliver a power, the
voltage falls to half, where the most can be delivered.

It is calculated anew every 4 ms while an arm moves or a voltage still changes, and never where no resistance is given.
Not modelled: capacitors and inductances, the pack's own voltage falling as it empties, leads that share a wire but the
pack's, an actuator that restarts when its supply breaks down.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final, Generic, NamedTuple, Protocol, TypeVar

from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.motor import Motor

GRID_NS: Final = 4_000_000
CHANGE_MV: Final = 1
COPPER_OHM_MM2_M: Final = 1.0 / 58.0
"""Annealed copper at 20 degC, IEC 60028, from memory."""


def awg_ohm(length_m: float, gauge: int) -> float:
    """Resistance of a lead out and back, of solid copper of that gauge at 20 degC. Source: ASTM B258, from memory."""
    diameter_mm = 0.127 * 92.0 ** ((36 - gauge) / 39.0)
    return float(2 * length_m * COPPER_OHM_MM2_M / (math.pi / 4 * diameter_mm**2))


class Draw(NamedTuple):
    """Demand on the supply: a current, A, a power, W, and a conductance, A/V; and whether it will change."""

    amps: float = 0.0
    watts: float = 0.0
    siemens: float = 0.0
    changes: bool = False

    def at_v(self, volts: float, lead_ohm: float) -> tuple[float, float]:
        """Voltage, V, and current, A, at its terminals, with `volts` before its lead."""
        left, rising = volts - lead_ohm * self.amps, 1 + lead_ohm * self.siemens
        root = math.sqrt(max(0.0, left * left - 4 * rising * lead_ohm * self.watts))
        arrives = max(0.0, (left + root) / (2 * rising))
        if not lead_ohm:
            arrives = volts
        through = self.watts / arrives if arrives > 0.1 else 0.0
        return arrives, self.amps + through + self.siemens * arrives


def full_or_not(
    motor: Motor, idle: float, fraction: float, watts: float, power: float | None, supply_v: float, *, changes: bool
) -> Draw:
    """Demand of electronics and motor: a power, or where `power` is given, the full-drive line at that fraction."""
    if power is None or not supply_v:
        return Draw(idle, watts, changes=changes)
    duty = power * motor.rated_v / supply_v  # below 1 under a thermal cut-back
    amps = duty * motor.winding_ma(1.0) / 1000
    return Draw(idle + amps * (fraction - power), 0.0, amps * duty / motor.rated_v, changes)


class Drive(Protocol):
    """An arm as a load on the supply."""

    on_draw: Callable[[], None] | None

    def move_to(self, now_ns: int) -> None:
        """Let time pass up to `now_ns`."""

    def draw(self, supply_v: float) -> Draw:
        """Its demand at a supply of `supply_v`."""


A = TypeVar("A", bound=Drive)


class Fed(Generic[A]):
    """An actuator, or a device under test, as a load on the supply.

    Attributes:
        label: the scenario's name for it.
        is_powered: without power it draws nothing.
        arm: its arm, the largest load.
    """

    label: str
    is_powered: bool
    arm: A
    _kernel: Kernel
    _supply_mv: Callable[[], int]

    def supply_changes(self) -> None:
        """Called before its supply changes: time up to now counts with the old supply."""
        self.arm.move_to(self._kernel.now_ns)

    def supply_changed(self) -> None:
        """Called after its supply has changed."""

    def tell(self, wake: Callable[[], None]) -> None:
        """Have `wake` called whenever its demand may change."""
        self.arm.on_draw = wake

    def draw(self) -> Draw:
        """Its demand on the supply now."""
        if not self.is_powered:
            return Draw()
        self.arm.move_to(self._kernel.now_ns)
        return self.arm.draw(self._supply_mv() / 1000)


def voltages(pack_v: float, pack_ohm: float, takers: Mapping[str, tuple[Draw, float]]) -> dict[str, float]:
    """Voltage at each load, V; `takers` holds the demand and lead resistance, Ohm, of each."""

    def short(volts: float) -> float:
        total = sum(draw.at_v(volts, ohm)[1] for draw, ohm in takers.values())
        return pack_v - pack_ohm * total - volts

    high, low = pack_v, pack_v
    while short(low) < 0 and low > pack_v / 2:
        high, low = low, low - pack_v / 32
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if short(middle) >= 0 else (low, middle)
        if high - low < 1e-9:
            break
    return {label: draw.at_v(low, ohm)[0] for label, (draw, ohm) in takers.items()}


class Supply:
    """The pack with its leads.

    Attributes:
        pack_ohm: resistance of the pack and of the wiring that all leads fraction, Ohm.
        sags: whether any resistance is given.
    """

    def __init__(self, kernel: Kernel, open_mv: int, pack_ohm: float = 0.0) -> None:
        self.pack_ohm = pack_ohm
        self.sags = pack_ohm > 0
        self._kernel = kernel
        self._open_mv = open_mv
        self._takers: list[tuple[Fed[Any], float]] = []
        self._arrives_mv: dict[str, int] = {}
        self._is_due = False

    @property
    def open_mv(self) -> int:
        """The pack's open-circuit voltage, mV."""
        return self._open_mv

    @open_mv.setter
    def open_mv(self, open_mv: int) -> None:
        self._change(open_mv, {})
        self.wake()

    def add(self, taker: Fed[Any], lead_ohm: float) -> None:
        """Add a load behind a lead of that resistance, out and back."""
        self._takers.append((taker, lead_ohm))
        self.sags = self.sags or lead_ohm > 0
        if self.sags:
            taker.tell(self.wake)

    def arrives_mv(self, label: str) -> int:
        """Voltage at the actuator of that label, mV."""
        return self._arrives_mv.get(label, self._open_mv)

    def wake(self) -> None:
        """Calculate anew: the demand of a load may have changed."""
        if not self._is_due and self.sags:
            self._is_due = True
            self._kernel.at((self._kernel.now_ns // GRID_NS + 1) * GRID_NS, self._calculate)

    def _calculate(self) -> None:
        self._is_due = False
        takes = {taker.label: (taker.draw(), ohm) for taker, ohm in self._takers}
        found = {
            label: round(volts * 1000) for label, volts in voltages(self._open_mv / 1000, self.pack_ohm, takes).items()
        }
        if any(abs(mv - self.arrives_mv(label)) >= CHANGE_MV for label, mv in found.items()):
            self._change(self._open_mv, found)
            self.wake()
        elif any(draw.changes for draw, _ in takes.values()):
            self.wake()

    def _change(self, open_mv: int, arrives_mv: dict[str, int]) -> None:
        for taker, _ in self._takers:
            taker.supply_changes()
        self._open_mv, self._arrives_mv = open_mv, arrives_mv
        for taker, _ in self._takers:
            taker.supply_changed()
