"""The differential line as a load: inputs, terminations, bias, and whether an idle line is read as idle.

Every input of the line counts in unit loads; one unit load is taken as 12 kOhm. Resistances in Ohm, voltages in V. Not
modelled: reflections, the resistance of the cable, receivers whose own threshold lies below 0 V.

Source of the limits (12 kOhm, 32 unit loads, 200 mV, a driver's 1.5 V into 54 Ohm): TIA/EIA-485-A, as quoted in EURASIP
J. Embedded Systems (2016), doi 10.1186/s13639-016-0042-x, table 1. The rest is Ohm's law.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import not_negative, positive

UNIT_LOAD_OHM: Final = 12_000.0
MOST_UNIT_LOADS: Final = 32.0
LEAST_IDLE_V: Final = 0.2
"""Between the two wires; a receiver may take anything less for a start bit."""


def inputs_ohm(unit_loads: float) -> float:
    """Resistance of this many unit loads in parallel, Ohm; infinite for none. Raises InputError: below 0."""
    return UNIT_LOAD_OHM / unit_loads if not_negative("the unit loads", unit_loads) else math.inf


def most_nodes(unit_load: float, other_loads: float = 0.0) -> int:
    """How many nodes of `unit_load` (above 0) the line takes beside other unit loads. Raises InputError."""
    left = MOST_UNIT_LOADS - not_negative("the other unit loads", other_loads)
    return max(0, math.floor(left / positive("the unit load", unit_load) + 1e-9))


@dataclass(frozen=True, slots=True)
class Line:
    """What hangs on a pair of wires.

    Attributes:
        unit_loads: of all inputs together, not below 0.
        terminations_ohm: between the wires, each above 0.
        bias_ohm: from the one wire to the bias supply, and the same from the other to ground, above 0; None for none.
        bias_v: the bias supply, above 0.

    Raises:
        InputError: outside that.
    """

    unit_loads: float
    terminations_ohm: Sequence[float] = ()
    bias_ohm: float | None = None
    bias_v: float = 5.0

    def __post_init__(self) -> None:
        not_negative("the unit loads", self.unit_loads)
        for one in self.terminations_ohm:
            positive("a termination", one, "Ohm")
        if self.bias_ohm is not None:
            positive("a bias resistor", self.bias_ohm, "Ohm")
        positive("the bias supply", self.bias_v, "V")

    @property
    def pair_ohm(self) -> float:
        """Between the two wires, by inputs and terminations; infinite where there is neither."""
        siemens = math.fsum([1.0 / inputs_ohm(self.unit_loads), *(1.0 / one for one in self.terminations_ohm)])
        return 1.0 / siemens if siemens else math.inf

    @property
    def driver_ohm(self) -> float:
        """What a driver sees between the wires: the bias as well."""
        if self.bias_ohm is None:
            return self.pair_ohm
        return 1.0 / (1.0 / self.pair_ohm + 1.0 / (2.0 * self.bias_ohm))

    @property
    def idle_v(self) -> float:
        """Voltage between the wires while no driver is on, V; 0 without a bias."""
        if self.bias_ohm is None:
            return 0.0
        if math.isinf(self.pair_ohm):
            return self.bias_v
        return self.bias_v * self.pair_ohm / (self.pair_ohm + 2.0 * self.bias_ohm)

    def greatest_bias_ohm(self, least_v: float = LEAST_IDLE_V) -> float:
        """The greatest bias resistor, each of the two, that holds the idle line at `least_v` (above 0).

        Raises:
            InputError: the bias supply is not above that; no resistor would do.
        """
        if positive("the idle voltage", least_v, "V") >= self.bias_v:
            raise InputError(f"{self.bias_v:g} V cannot hold a line at {least_v:g} V")
        return self.pair_ohm * (self.bias_v / least_v - 1.0) / 2.0
