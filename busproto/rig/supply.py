"""Supply wiring: wires, the voltage lost in them, whether an actuator keeps running, packs against ratings.

Voltages in V, currents in A (mA where the name says so), resistances in Ohm, lengths in m one way unless it says
otherwise. A threshold below which an actuator drops out is never assumed here: it has to be stated for each one, by
its maker or by measurement.

Sources: AWG ASTM B258; copper IEC 60028; flexible conductors IEC 60228 class 5; cell voltages common practice, no
source. The first two from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, not_negative, positive, within

COPPER_OHM_MM2_M: Final = 1.0 / 58.0
"""Annealed copper at 20 degC, IEC 60028."""
COPPER_PER_K: Final = 0.00393
THINNEST_AWG, THICKEST_AWG = 40, 0

CLASS_5_OHM_KM: Final[Mapping[float, float]] = MappingProxyType(
    {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98}
)
"""Greatest resistance at 20 degC of flexible plain copper, by nominal area in mm^2; IEC 60228, class 5."""


@dataclass(frozen=True, slots=True)
class Cell:
    """Voltages of one cell: nominal, fully charged, and at the end of use. Common practice, no source."""

    nominal_v: float
    full_v: float
    empty_v: float


CELLS: Final[Mapping[str, Cell]] = MappingProxyType(
    {
        "lipo": Cell(3.7, 4.2, 3.0),
        "lipo-hv": Cell(3.8, 4.35, 3.0),
        "life": Cell(3.3, 3.65, 2.5),
    }
)
"""Cells by chemistry. Common practice, no source; LiFe is given with 3.2 or 3.3 V nominal."""


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of a solid round wire of this gauge, 0..40, mm. Raises InputError. Source: ASTM B258, from memory."""
    if not THICKEST_AWG <= gauge <= THINNEST_AWG:
        raise InputError(f"AWG {gauge} is not between {THICKEST_AWG} and {THINNEST_AWG}")
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of this gauge, 0..40, mm^2. Raises InputError."""
    return math.pi / 4.0 * awg_diameter_mm(gauge) ** 2


def awg_ohm_m(gauge: int) -> float:
    """Resistance of one metre of solid copper of this gauge, 0..40, at 20 degC. Raises InputError.

    Stranded wire of the same gauge has a few percent more, as its strands are twisted.
    """
    return COPPER_OHM_MM2_M / awg_area_mm2(gauge)


def class_5_ohm_m(area_mm2: float) -> float:
    """Greatest resistance of one metre of flexible copper of this nominal area, at 20 degC.

    Raises:
        InputError: the standard has no such area in the table here; the text tells those there are.
    Source: IEC 60228, class 5, plain copper.
    """
    for known_mm2, ohm_km in CLASS_5_OHM_KM.items():
        if math.isclose(known_mm2, area_mm2):
            return ohm_km / 1000.0
    known = ", ".join(f"{one:g}" for one in CLASS_5_OHM_KM)
    raise InputError(f"there is no flexible conductor of {area_mm2:g} mm^2 in the table; there are: {known} mm^2")


def at_temperature(ohm_at_20: float, temperature_c: float) -> float:
    """A copper resistance at a temperature, -60..200 degC; linear from 20 degC. Raises InputError."""
    within("the temperature of the wire", temperature_c, -60.0, 200.0, "degC")
    return not_negative("the resistance", ohm_at_20, "Ohm") * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


def lead_ohm(length_m: float, ohm_m: float, *, temperature_c: float = 20.0) -> float:
    """Resistance of a lead out and back.

    Args:
        length_m: one way, not below 0; the current goes it twice.
        ohm_m: of one metre of one conductor at 20 degC, above 0.
        temperature_c: of the wire, -60..200.
    Raises:
        InputError: outside that.
    """
    one_way = not_negative("the lead's length", length_m, "m") * positive("the resistance of a metre", ohm_m, "Ohm/m")
    return at_temperature(2.0 * one_way, temperature_c)


def wired_v(
    supply_v: float,
    source_ohm: float,
    behind: Sequence[int | None],
    leads_ohm: Sequence[float],
    currents_a: Sequence[float],
) -> tuple[float, ...]:
    """Voltage at each actuator while each takes a current of its own, V; below 0 tells that these cannot flow.

    Args:
        supply_v: of the pack at rest, above 0.
        source_ohm: of the pack, plugs and common wires, not below 0.
        behind: for each the one where its lead begins, None where that is the common place; a daisy chain is 0 behind
            None, 1 behind 0, and so on.
        leads_ohm: of each lead, out and back together, not below 0.
        currents_a: of each, not below 0.
    Raises:
        InputError: outside that, the lists are not of one length, or one is behind itself.
    """
    order = _outwards(behind, leads_ohm, currents_a)
    carried = [not_negative("an actuator's current", one, "A") for one in currents_a]
    for at in reversed(order):
        before = behind[at]
        if before is not None:
            carried[before] += carried[at]
    bus_v = positive("the supply", supply_v, "V") - not_negative("the source's resistance", source_ohm, "Ohm") * (
        math.fsum(carried[at] for at in order if behind[at] is None)
    )
    found = [0.0] * len(order)
    for at in order:
        before = behind[at]
        start_v = bus_v if before is None else found[before]
        found[at] = start_v - carried[at] * not_negative("a lead's resistance", leads_ohm[at], "Ohm")
    return tuple(found)


def _outwards(behind: Sequence[int | None], *lists: Sequence[float]) -> list[int]:
    """All places of a tree, each after its parent. Raises InputError: it is not a tree."""
    if any(len(one) != len(behind) for one in lists):
        told = ", ".join(str(len(one)) for one in (behind, *lists))
        raise InputError(f"every actuator needs a place and a value of each kind; given: {told}")
    order: list[int] = []
    waiting = set(range(len(behind)))
    while waiting:
        ready = [at for at in sorted(waiting) if behind[at] is None or behind[at] in order]
        if not ready:
            raise InputError("the leads go round in a circle: none of them begins at the pack")
        order += ready
        waiting -= set(ready)
    return order


def constant_power_v(supply_v: float, source_ohm: float, power_w: float) -> float:
    """Voltage at a load that takes the same power at any voltage, behind a resistance.

    Args:
        supply_v: without load, above 0.
        source_ohm: all of it, pack and leads, not below 0.
        power_w: not below 0.
    Raises:
        InputError: outside that, or it collapses: more than V^2 / 4 R cannot be had; the text tells how much can.
    """
    volts = positive("the supply", supply_v, "V")
    drop = not_negative("the source's resistance", source_ohm, "Ohm") * not_negative("the power", power_w, "W")
    left = volts * volts - 4.0 * drop
    if left < 0.0:
        raise InputError(
            f"{power_w:g} W cannot be had from {supply_v:g} V through {source_ohm:g} Ohm: the supply collapses above "
            f"{collapse_w(supply_v, source_ohm):.2f} W; take a thicker or shorter lead, or more cells"
        )
    return (volts + math.sqrt(left)) / 2.0


def collapse_w(supply_v: float, source_ohm: float) -> float:
    """The greatest power that can be had, V^2 / 4 R; infinite without resistance. Raises InputError as above."""
    volts = positive("the supply", supply_v, "V")
    return (
        volts * volts / (4.0 * source_ohm) if not_negative("the source's resistance", source_ohm, "Ohm") else math.inf
    )


def hold_up_current_s(capacitance_f: float, from_v: float, to_v: float, current_a: float) -> float:
    """How long a capacitor feeds a constant current while it falls from one voltage to another, s.

    Raises InputError where the voltages do not fall, or a number is out of range.
    """
    fall_v = _fall(capacitance_f, from_v, to_v)
    return capacitance_f * fall_v / positive("the current", current_a, "A")


def hold_up_power_s(capacitance_f: float, from_v: float, to_v: float, power_w: float) -> float:
    """How long a capacitor feeds a constant power while it falls from one voltage to another, s.

    Raises InputError where the voltages do not fall, or a number is out of range.
    """
    fall_v = _fall(capacitance_f, from_v, to_v)
    return capacitance_f * fall_v * (from_v + to_v) / (2.0 * positive("the power", power_w, "W"))


def hold_up_resistance_s(capacitance_f: float, from_v: float, to_v: float, load_ohm: float) -> float:
    """How long a capacitor feeds a resistance while it falls from one voltage to another, s.

    Raises InputError where the voltages do not fall, or a number is out of range.
    """
    _fall(capacitance_f, from_v, to_v)
    positive("the lower voltage", to_v, "V")
    return positive("the load", load_ohm, "Ohm") * capacitance_f * math.log(from_v / to_v)


def _fall(capacitance_f: float, from_v: float, to_v: float) -> float:
    positive("the capacitance", capacitance_f, "F")
    if not_negative("the lower voltage", to_v, "V") > not_negative("the upper voltage", from_v, "V"):
        raise InputError(f"a capacitor that feeds a load falls; {from_v:g} V to {to_v:g} V is the other way")
    return from_v - to_v


@dataclass(frozen=True, slots=True)
class Pack:
    """Cells in series.

    Attributes:
        chemistry: one of `CELLS`.
        cells: 1..14.
        source_ohm: of the whole pack with its plugs, not below 0.

    Raises:
        InputError: outside that.
    """

    chemistry: str
    cells: int
    source_ohm: float = 0.0

    def __post_init__(self) -> None:
        if self.chemistry not in CELLS:
            raise InputError(f"there is no chemistry '{self.chemistry}'; there are: {', '.join(CELLS)}")
        if not 1 <= self.cells <= 14:
            raise InputError(f"a pack has 1 to 14 cells here, not {self.cells}")
        not_negative("the pack's resistance", self.source_ohm, "Ohm")

    @property
    def nominal_v(self) -> float:
        """Voltage by the label of the pack, V."""
        return self.cells * CELLS[self.chemistry].nominal_v

    @property
    def full_v(self) -> float:
        """Voltage at rest, fully charged, V."""
        return self.cells * CELLS[self.chemistry].full_v

    @property
    def empty_v(self) -> float:
        """Voltage at rest at the end of use, V."""
        return self.cells * CELLS[self.chemistry].empty_v


@dataclass(frozen=True, slots=True)
class Fit:
    """A pack against a rating.

    Attributes:
        over_share: how far a full pack is above the highest rated supply, as a share of that; below 0 where under.
        under_share: how far an empty pack is below the lowest rated supply, as a share of that; below 0 where above.
    """

    over_share: float
    under_share: float


def fit_of(full_v: float, empty_v: float, lowest_v: float, highest_v: float) -> Fit:
    """A pack at rest, full and empty, against the lowest and the highest rated supply, all V. Raises InputError.

    The full pack counts, not the label: two LiPo cells are "7.4 V" and charge to 8.4 V. Common practice, no source.
    """
    positive("the lowest rated supply", lowest_v, "V")
    if positive("the highest rated supply", highest_v, "V") < lowest_v:
        raise InputError(f"a rating goes from a lower to a higher voltage, not from {lowest_v:g} to {highest_v:g} V")
    over_share = positive("the full pack", full_v, "V") / highest_v - 1.0
    return Fit(over_share, 1.0 - positive("the empty pack", empty_v, "V") / lowest_v)


@dataclass(frozen=True, slots=True)
class Load:
    """One actuator that stands with its motor full on, and the lead it hangs on.

    A standing motor is a resistance: its rated supply over its stall current. So the currents fall with the supply.

    Attributes:
        stall_a: at its rated supply, above 0.
        rated_v: supply that the stall current is stated for, above 0.
        lead_ohm: out and back, not below 0.
        brown_out_v: below which it drops out, above 0; None where that is not stated: there is no default.
        behind: which other one its lead begins at; None for where all leads begin.

    Raises:
        InputError: outside that.
    """

    stall_a: float
    rated_v: float
    lead_ohm: float
    brown_out_v: float | None
    behind: int | None = None

    def __post_init__(self) -> None:
        positive("the stall current", self.stall_a, "A")
        positive("the rated supply", self.rated_v, "V")
        not_negative("a lead's resistance", self.lead_ohm, "Ohm")
        if self.brown_out_v is not None:
            positive("the brown-out threshold", self.brown_out_v, "V")

    @property
    def motor_ohm(self) -> float:
        """Resistance of the standing motor, ohm."""
        return self.rated_v / self.stall_a


@dataclass(frozen=True, slots=True)
class Sag:
    """The supply while every actuator stalls at once.

    Attributes:
        bus_v: where the leads begin.
        nodes_v: at each actuator, in their order.
        brown_out_v: stated for each, None where it is not.
        current_a: from the pack, of the actuators and of what else takes power.
        load_ohm: all actuators with their leads, as one resistance.
    """

    bus_v: float
    nodes_v: tuple[float, ...]
    brown_out_v: tuple[float | None, ...]
    current_a: float
    load_ohm: float

    @property
    def spare_v(self) -> tuple[float | None, ...]:
        """How far each is above its threshold; below 0 where it drops out, None where none is stated."""
        pairs = zip(self.nodes_v, self.brown_out_v, strict=True)
        return tuple(None if limit is None else here - limit for here, limit in pairs)

    @property
    def least_spare_v(self) -> float | None:
        """The value of the worst actuator; None if none is stated."""
        return min((one for one in self.spare_v if one is not None), default=None)


def all_stall(supply_v: float, source_ohm: float, loads: Sequence[Load], other_w: float = 0.0) -> Sag:
    """The supply while every actuator stalls at once. Exact for the linear model.

    Each actuator and all that hangs behind it is drawn together into one resistance, from the ends of the leads on;
    what is left is a source with a resistance, and the constant power at its end.

    Args:
        supply_v: of the pack at rest, above 0.
        source_ohm: of the pack, plugs and common wires, not below 0.
        loads: one or more.
        other_w: what else hangs where the leads begin and takes the same power at any voltage (a receiver behind a
            switching regulator), not below 0.
    Raises:
        InputError: outside that, the leads go round in a circle, or the supply collapses.
    """
    positive("the supply", supply_v, "V")
    not_negative("the source's resistance", source_ohm, "Ohm")
    if not loads:
        raise InputError("at least one actuator is wanted")
    behind = [one.behind for one in loads]
    order = _outwards(behind)
    siemens = [1.0 / one.motor_ohm for one in loads]  # at each node, seen from its lead
    for at in reversed(order):
        before = behind[at]
        if before is not None:
            siemens[before] += _through(loads[at].lead_ohm, siemens[at])
    conductance = math.fsum(_through(loads[at].lead_ohm, siemens[at]) for at in order if behind[at] is None)
    share = 1.0 + source_ohm * conductance
    bus_v = finite("the bus", constant_power_v(supply_v / share, source_ohm / share, other_w), "V")
    nodes = [0.0] * len(loads)
    for at in order:
        before = behind[at]
        start_v = bus_v if before is None else nodes[before]
        nodes[at] = start_v / (1.0 + loads[at].lead_ohm * siemens[at])
    return Sag(
        bus_v,
        tuple(nodes),
        tuple(one.brown_out_v for one in loads),
        bus_v * conductance + other_w / bus_v,
        1.0 / conductance,
    )


def _through(lead_ohm: float, siemens: float) -> float:
    """A conductance behind a lead."""
    return siemens / (1.0 + lead_ohm * siemens)
