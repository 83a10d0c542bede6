"""The supply of a whole airframe: the voltage left at each actuator, and how long a capacitor helps.

Every actuator is counted that has a stall current: one whose lead is not told as if it had none, which lets the others
sag more than they will. Functions that cannot be counted are named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.actuator import Actuator
from busproto.rig.supply import (
    Load,
    Pack,
    Sag,
    all_stall,
    awg_ohm_m,
    class_5_ohm_m,
    constant_power_v,
    fit_of,
    hold_up_current_s,
    hold_up_power_s,
    hold_up_resistance_s,
    lead_ohm,
    wired_v,
)
from busproto.rig.tables import LeadTable, PackTable

COOL_C: Final = 20.0
_UF: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Rest:
    """The pack at rest, V: nominal by its label, fully charged, and at the end of use; None if not stated."""

    nominal_v: float | None
    full_v: float
    empty_v: float | None

    @property
    def lowest_v(self) -> float:
        """The lowest known voltage of the pack, V."""
        return self.full_v if self.empty_v is None else self.empty_v


@dataclass(frozen=True, slots=True)
class PowerResult:
    """What came out for the supply.

    Attributes:
        rest: the pack at rest.
        counted: functions that stall at once, in the order of the nodes of both sags.
        limits_v: the supply below which each of them drops out; None where it is not stated.
        without_lead: those of them that are counted without a lead.
        missing: functions that are not counted, and why.
        full, empty: all counted ones stall at once, on the full and on the empty pack; None where there is none, or the
            empty pack is not told.
        in_flight_v: at each counted one, on the lowest pack, while every surface holds its greatest torque of the
            flight case; None where nothing holds.
        in_flight_a: from the pack then, of the actuators.
        hold_up_s: how long the capacitor feeds them from the lowest pack down to the highest brown-out, by what takes
            from it; empty where there is no capacitor.
        problems: what is too weak, each with what to do.
        rating_problems: where the pack at rest does not fit a rating.
        notes: what was taken for granted.
    """

    rest: Rest
    counted: tuple[str, ...]
    limits_v: tuple[float | None, ...]
    without_lead: tuple[str, ...]
    missing: Mapping[str, str]
    full: Sag | None
    empty: Sag | None
    in_flight_v: tuple[float, ...] | None
    in_flight_a: float
    hold_up_s: Mapping[str, float]
    problems: tuple[str, ...]
    rating_problems: tuple[str, ...]
    notes: tuple[str, ...]


def lead_ohm_of(table: LeadTable, temperature_c: float) -> float:
    """Resistance of a lead, out and back, Ohm.

    Raises:
        InputError: neither gauge nor area is told, both are, or there is no such wire.
    """
    if (table.gauge is None) == (table.copper is None):
        raise InputError("lead: either gauge or copper is wanted, not both")
    ohm_m = class_5_ohm_m(table.copper) if table.copper is not None else awg_ohm_m(table.gauge or 0)
    return lead_ohm(table.length, ohm_m, temperature_c=temperature_c)


def rest_of(table: PackTable) -> Rest:
    """The voltages that follow from the cells."""
    pack = Pack(table.chemistry, table.cells)
    return Rest(pack.nominal_v, pack.full_v, pack.empty_v)


def wire_c(table: PackTable | None) -> float:
    """The temperature that wires are calculated at."""
    return COOL_C if table is None else table.wire_temperature


def power_of(
    actuators: Mapping[str, Actuator | None],
    leads: Mapping[str, LeadTable],
    flight_a: Mapping[str, float],
    rest: Rest,
    table: PackTable | None,
) -> PowerResult:
    """The supply of all actuators of an airframe.

    Args:
        actuators: of every function; None where nothing is known of it.
        leads: of functions whose lead is told.
        flight_a: current of each function whose surface holds its greatest torque.
        rest: the pack at rest.
        table: what else is told of the pack.
    Raises:
        InputError: a lead makes no sense; its function is named.
    """
    known = {name: one for name, one in actuators.items() if one is not None}
    missing = {name: "nothing is known of its model" for name, one in actuators.items() if one is None}
    missing |= {name: "no stall current is told" for name, one in known.items() if one.stall_ma is None}
    counted = tuple(name for name in known if name not in missing)
    loads = [_load(name, known[name], leads.get(name), counted, wire_c(table)) for name in counted]
    source_ohm = 0.0 if table is None or table.resistance is None else table.resistance
    other_w = 0.0 if table is None else table.other_power
    problems: list[str] = []
    sags: list[Sag | None] = []
    for which, volts in (("full", rest.full_v), ("empty", rest.empty_v)):
        try:
            sags.append(None if volts is None or not loads else all_stall(volts, source_ohm, loads, other_w))
        except InputError as error:
            sags.append(None)
            problems.append(f"when all stall on the {which} pack: {error}")
    full, empty = sags
    problems += _drop_outs(counted, full, empty)
    amps = [flight_a.get(name, 0.0) for name in counted]
    in_flight_v = None
    if any(amps):
        try:  # what takes its power at any voltage sees the pack less what the actuators' currents cost
            begins_v = constant_power_v(rest.lowest_v - source_ohm * sum(amps), source_ohm, other_w)
            in_flight_v = wired_v(begins_v, 0.0, [one.behind for one in loads], [one.lead_ohm for one in loads], amps)
        except InputError as error:
            problems.append(f"in flight, at the greatest torque on the lowest pack: {error}")
    return PowerResult(
        rest=rest,
        counted=counted,
        limits_v=tuple(one.brown_out_v for one in loads),
        without_lead=tuple(name for name in counted if name not in leads),
        missing=missing,
        full=full,
        empty=empty,
        in_flight_v=in_flight_v,
        in_flight_a=sum(amps),
        hold_up_s=_hold_up(table, rest.lowest_v, empty or full, sum(amps)),
        problems=tuple(problems),
        rating_problems=tuple(_misfits(known, rest)),
        notes=tuple(_notes(table)),
    )


def _load(
    name: str, actuator: Actuator, lead: LeadTable | None, counted: tuple[str, ...], temperature_c: float
) -> Load:
    assert actuator.stall_ma is not None
    stall_a, rated_v = actuator.stall_ma / 1000.0, actuator.supply_v[1]
    if lead is None:
        return Load(stall_a, rated_v, 0.0, None)
    if lead.behind is not None and lead.behind not in counted:
        raise InputError(f"the lead of {name} begins behind '{lead.behind}', whose stall current is not told")
    behind = None if lead.behind is None else counted.index(lead.behind)
    try:
        return Load(stall_a, rated_v, lead_ohm_of(lead, temperature_c), lead.brown_out, behind)
    except InputError as error:
        raise InputError(f"function '{name}': {error}") from error


def _drop_outs(counted: tuple[str, ...], full: Sag | None, empty: Sag | None) -> list[str]:
    return [
        f"{name}: when all stall on the {which} pack it gets {here_v:.2f} V, it drops out below {limit_v:g} V: "
        "thicker or shorter leads, more cells, or a pack with less resistance"
        for which, sag in (("full", full), ("empty", empty))
        if sag is not None
        for name, here_v, limit_v in zip(counted, sag.nodes_v, sag.brown_out_v, strict=True)
        if limit_v is not None and here_v < limit_v
    ]


def _misfits(actuators: Mapping[str, Actuator], rest: Rest) -> list[str]:
    found = []
    for name, one in actuators.items():
        lowest_v, highest_v = one.supply_v
        fit = fit_of(rest.full_v, rest.lowest_v, lowest_v, highest_v)
        if fit.over_share > 1e-9:
            found.append(
                f"{name}: the full pack has {rest.full_v:.2f} V, rated up to {highest_v:g} V ({fit.over_share:+.1%}): "
                "fewer cells, or a regulator"
            )
        if fit.under_share > 1e-9:
            found.append(
                f"{name}: the empty pack has {rest.lowest_v:.2f} V, rated from {lowest_v:g} V: stop earlier, or more "
                "cells"
            )
    return found


def _hold_up(table: PackTable | None, from_v: float, sag: Sag | None, flight_a: float) -> dict[str, float]:
    limits = [] if sag is None else [one for one in sag.brown_out_v if one is not None]
    if table is None or table.capacitor is None or sag is None or not limits or max(limits) >= from_v:
        return {}
    farad, to_v = table.capacitor * _UF, max(limits)
    found = {"all stall": hold_up_resistance_s(farad, from_v, to_v, sag.load_ohm)}
    if flight_a > 0.0:
        found["greatest torque in flight"] = hold_up_current_s(farad, from_v, to_v, flight_a)
    if table.other_power > 0.0:
        found["other power only"] = hold_up_power_s(farad, from_v, to_v, table.other_power)
    return found


def _notes(table: PackTable | None) -> list[str]:
    if table is None or table.resistance is None:
        return ["the pack's resistance is not told and taken as 0: the supply sags more than told here"]
    return []
