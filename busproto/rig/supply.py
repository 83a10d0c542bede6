"""Supply wiring: wires, what is lost in them, whether an actuator stays alive, packs against ratings.

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
    """Voltages of one cell: nominal, fully charged, and where one stops using it. Common practice, no source."""

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


def chain_v(supply_v: float, segments_ohm: Sequence[float], currents_a: Sequence[float]) -> tuple[float, ...]:
    """Voltage at each node of a daisy chain, V; below 0 tells that these currents cannot flow.

    Args:
        supply_v: where the chain begins, above 0.
        segments_ohm: of each segment, out and back together, from the supply on; not below 0.
        currents_a: taken at the node behind each segment, not below 0.
    Raises:
        InputError: outside that, or not one current for each segment.
    """
    positive("the supply", supply_v, "V")
    if len(segments_ohm) != len(currents_a):
        raise InputError(f"{len(segments_ohm)} segments end in as many nodes; {len(currents_a)} currents are given")
    for taken_a in currents_a:
        not_negative("a node's current", taken_a, "A")
    here_v, found = supply_v, []
    for at, segment in enumerate(segments_ohm):
        here_v -= math.fsum(currents_a[at:]) * not_negative("a segment's resistance", segment, "Ohm")
        found.append(here_v)
    return tuple(found)


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
        """By its label."""
        return self.cells * CELLS[self.chemistry].nominal_v

    @property
    def full_v(self) -> float:
        """At rest, fully charged."""
        return self.cells * CELLS[self.chemistry].full_v

    @property
    def empty_v(self) -> float:
        """At rest, where one stops using it."""
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

    @property
    def fits(self) -> bool:
        """Whether the pack stays within the rating, from full to empty."""
        return self.over_share <= 1e-9 and self.under_share <= 1e-9


def fit_of(pack: Pack, lowest_v: float, highest_v: float) -> Fit:
    """A pack against the lowest and the highest rated supply of an actuator, V. Raises InputError.

    The full pack counts, not the label: two LiPo cells are "7.4 V" and charge to 8.4 V. Common practice, no source.
    """
    positive("the lowest rated supply", lowest_v, "V")
    if positive("the highest rated supply", highest_v, "V") < lowest_v:
        raise InputError(f"a rating goes from a lower to a higher voltage, not from {lowest_v:g} to {highest_v:g} V")
    return Fit(pack.full_v / highest_v - 1.0, 1.0 - pack.empty_v / lowest_v)


@dataclass(frozen=True, slots=True)
class Sag:
    """The supply while every actuator stalls at once.

    Attributes:
        bus_v: where the leads begin.
        nodes_v: at each actuator, in their order.
        brown_out_v: stated for each.
        alive: whether each stays at or above its own threshold.
    """

    bus_v: float
    nodes_v: tuple[float, ...]
    brown_out_v: tuple[float, ...]

    @property
    def alive(self) -> tuple[bool, ...]:
        """Whether each stays at or above its own threshold."""
        return tuple(here >= limit for here, limit in zip(self.nodes_v, self.brown_out_v, strict=True))

    @property
    def least_spare_v(self) -> float:
        """How far the worst one is above its threshold; below 0 where it drops out."""
        return min(here - limit for here, limit in zip(self.nodes_v, self.brown_out_v, strict=True))


def all_stall(
    supply_v: float,
    source_ohm: float,
    leads_ohm: Sequence[float],
    stall_a: Sequence[float],
    *,
    rated_v: Sequence[float],
    brown_out_v: Sequence[float],
) -> Sag:
    """The supply while every actuator stalls at once, each on a lead of its own from one place.

    A standing motor is a resistance: its rated supply over its stall current. So the currents fall with the supply,
    and the result is exact for the linear model.

    Args:
        supply_v: of the pack at rest, above 0.
        source_ohm: of the pack, plugs and common wires, not below 0.
        leads_ohm: of each lead, out and back, not below 0.
        stall_a: of each actuator at its rated supply, above 0.
        rated_v: supply that each one's stall current is stated for, above 0.
        brown_out_v: below which each drops out, above 0; to be stated, there is no default.
    Raises:
        InputError: outside that, there is none, or the lists are not of one length.
    """
    positive("the supply", supply_v, "V")
    not_negative("the source's resistance", source_ohm, "Ohm")
    lists = {"leads": leads_ohm, "stall currents": stall_a, "rated supplies": rated_v, "thresholds": brown_out_v}
    if not stall_a or len({len(one) for one in lists.values()}) != 1:
        told = ", ".join(f"{len(one)} {name}" for name, one in lists.items())
        raise InputError(f"every actuator needs a lead, a stall current, a rated supply and a threshold; given: {told}")
    motors = [
        positive("the rated supply", rated, "V") / positive("the stall current", amps, "A")
        for rated, amps in zip(rated_v, stall_a, strict=True)
    ]
    for limit_v in brown_out_v:
        positive("the brown-out threshold", limit_v, "V")
    branches = [
        not_negative("a lead's resistance", lead, "Ohm") + motor for lead, motor in zip(leads_ohm, motors, strict=True)
    ]
    conductance = math.fsum(1.0 / one for one in branches)
    bus_v = finite("the bus", supply_v / (1.0 + source_ohm * conductance), "V")
    nodes_v = tuple(bus_v * motor / branch for motor, branch in zip(motors, branches, strict=True))
    return Sag(bus_v, nodes_v, tuple(brown_out_v))
