"""Check a plan before any actuator is asked: all problems at once, each with file, line and key.

Shapes, names and ranges were checked when the files were read (`busproto.plan.load`). Surfaces are calculated if the
airframe describes them (`busproto.plan.check.rigging`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Final

from busproto.errors import InputError
from busproto.plan.check.bus_load import plan_load, ways_out
from busproto.plan.check.gang_check import unlikes
from busproto.plan.check.own_check import own_findings
from busproto.plan.check.rigging import fight_problem, rigging_of
from busproto.plan.check.supply_check import line_findings, model_findings, supply_findings
from busproto.plan.files import FleetFile
from busproto.plan.finding import Finding, Row, make, mechanical_travel_deg, raw_of, row_of, said_in
from busproto.plan.load import Gang, Plan, Role
from busproto.plan.sweep import Sweep, sweep, sweep_of
from busproto.toml_source import Source
from busproto.wire.parameters import DIRECTION_REVERSED, FACTORY, LOSS_PRESET

NEAR_ZERO_DEG: Final = 2.0
"""A neutral further from zero is said to be one that the spline should take (common practice, no source)."""
LEAST_LOSS_DEG: Final = 0.005
"""Half a count of an angle: less is what is left of decimal fractions in binary."""
TIMING: Final = frozenset({"loss-time-out", "soft-start", "slew-limit"})
FEW_LOST: Final = 3
"""Demands that may be lost in a row without a loss action, at least; common practice, no source."""
ON_THE_SPLINE: Final = (
    "it should be near zero: move the arm on the spline first (a spline of N teeth moves it by 360/N deg a tooth), "
    "then use the neutral for the rest"
)


def check(plan: Plan) -> list[Finding]:
    """All that does not fit together in a plan, and all advice: errors first, then in the order of the files."""
    rows = [row_of(plan, role) for role in plan.roles.values()]
    found = [finding for part in _PARTS for finding in part(plan)]
    found += model_findings(plan.models, plan.fleet)
    found += [finding for row in rows for part in _ROW_PARTS for finding in part(row)]
    return _in_order(found, plan.airframe.name)


def check_fleet(fleet: FleetFile, source: Source) -> list[Finding]:
    """The same for a fleet map alone, as far as that can be said without an airframe."""
    found = list(model_findings(fleet.model, source))
    seen: dict[int, str] = {}
    for name, row in fleet.function.items():
        if row.address in seen:
            text = f"{row.address} is that of '{seen[row.address]}' too: no airframe can have both"
            found.append(make("address-shared", source, ("function", name, "address"), text, is_error=False))
        seen.setdefault(row.address, name)
        settings = {**FACTORY, **raw_of(fleet.settings), **raw_of(row.settings)}
        looked_at = Row(name, settings, said_in((source, ("function", name)), (source, ())), None)
        found += [finding for part in _ROW_PARTS for finding in part(looked_at)]
    return _in_order(found, source.name)


def role_sweep(plan: Plan, role: Role) -> Sweep:
    """What neutral, travel, ends and mechanical stops leave of the sweep of one function."""
    return sweep_of(role.settings, mechanical_travel_deg(plan, role))


# --- one function ----------------------------------------------------------------------------------------------


def _travel_findings(row: Row) -> Iterator[Finding]:
    travel_deg, low_deg, high_deg = (row.raw(name) / 100 for name in ("travel", "end-low", "end-high"))
    half_deg, stops_deg = travel_deg / 2, row.mechanical_travel_deg
    if stops_deg is not None and stops_deg < travel_deg - LEAST_LOSS_DEG:
        text = f"{travel_deg:.2f} deg does not fit between the mechanical stops, which are {stops_deg:g} deg apart"
        yield row.finding("stops-cut-travel", "travel", text)
    for name, end_deg, way_deg in (("end-low", low_deg, -low_deg), ("end-high", high_deg, high_deg)):
        lost_deg = half_deg - way_deg
        if lost_deg > LEAST_LOSS_DEG:
            side = "-" if (name == "end-low") != (row.raw("direction") == DIRECTION_REVERSED) else "+"
            yield row.finding(
                "end-cuts-travel",
                name,
                f"{end_deg:.2f} deg cuts {lost_deg:.2f} deg of the {half_deg:.2f} deg to demand {side}100 %: "
                "open it, or plan less travel",
            )


def _neutral_findings(row: Row) -> Iterator[Finding]:
    travel_deg, low_deg, high_deg, neutral_deg = (
        row.raw(name) / 100 for name in ("travel", "end-low", "end-high", "neutral")
    )
    now = sweep_of(row.settings, row.mechanical_travel_deg)
    straight = sweep(
        0.0,
        travel_deg,
        low_deg,
        high_deg,
        is_reversed=row.raw("direction") == DIRECTION_REVERSED,
        mechanical_travel_deg=row.mechanical_travel_deg,
    )
    is_far = abs(neutral_deg) > NEAR_ZERO_DEG
    sides = (
        ("-100 %", now.lost_at_minus_deg, now.lost_at_minus_deg - straight.lost_at_minus_deg),
        ("+100 %", now.lost_at_plus_deg, now.lost_at_plus_deg - straight.lost_at_plus_deg),
    )
    side, lost_deg, more_deg = max(sides, key=lambda one: one[2])
    if more_deg > LEAST_LOSS_DEG:
        text = (
            f"{neutral_deg:.2f} deg puts {lost_deg:.2f} of the {travel_deg / 2:.2f} deg to demand {side} out of reach"
        )
        if lost_deg - more_deg > LEAST_LOSS_DEG:
            text += f", {more_deg:.2f} deg more than a neutral of zero"
        text += f"; {now.symmetric_deg:.2f} deg to each side are left"
        yield row.finding("neutral-cuts-travel", "neutral", f"{text}; {ON_THE_SPLINE}" if is_far else text)
    elif is_far:
        side = "+100 %" if (neutral_deg > 0) != (row.raw("direction") == DIRECTION_REVERSED) else "-100 %"
        text = (
            f"{neutral_deg:.2f} deg takes {abs(neutral_deg):.2f} deg of the room at demand {side}; the planned travel "
            f"still fits, but {ON_THE_SPLINE}"
        )
        yield row.finding("neutral-far", "neutral", text, is_error=False)


def _preset_findings(row: Row) -> Iterator[Finding]:
    if row.raw("loss-action") != LOSS_PRESET:
        return
    low_deg, high_deg, preset_deg = (row.raw(name) / 100 for name in ("end-low", "end-high", "preset"))
    if row.mechanical_travel_deg is not None:
        low_deg = max(low_deg, -row.mechanical_travel_deg / 2)
        high_deg = min(high_deg, row.mechanical_travel_deg / 2)
    if not low_deg <= preset_deg <= high_deg:
        text = (
            f"{preset_deg:.2f} deg is outside {low_deg:.2f}..{high_deg:.2f} deg, where the arm is stopped: when the "
            "demand is lost it would stand elsewhere"
        )
        yield row.finding("preset-outside", "preset", text)


def _unstated_findings(row: Row) -> Iterator[Finding]:
    if not row.raw("under-voltage"):
        source, path = row.said_at("under-voltage")
        text = (
            "under-voltage is not stated, so a low supply is never reported: say the voltage at which the maker's data "
            "let this actuator fail, there is no good default"
        )
        yield make("under-voltage-unstated", source, path, text, is_error=False, functions=(row.function,))


# --- the whole airframe ----------------------------------------------------------------------------------------


def _place_findings(plan: Plan) -> Iterator[Finding]:
    """One address, or one channel, of two functions."""
    addresses: dict[int, str] = {}
    channels: dict[int, list[Role]] = {}
    for role in plan.roles.values():
        here = ("function", role.function)
        if role.address in addresses:
            text = f"{role.address} is that of '{addresses[role.address]}' already, and this airframe has both"
            yield make("address-twice", plan.fleet, (*here, "address"), text, functions=(role.function,))
        addresses.setdefault(role.address, role.function)
        strangers = [one for one in channels.get(role.channel, ()) if not role.gang or one.gang != role.gang]
        if strangers:
            text = (
                f"{role.channel} is that of '{strangers[0].function}' already, and no gang joins them: both would "
                "follow one demand"
            )
            yield make("channel-twice", plan.fleet, (*here, "channel"), text, functions=(role.function,))
        channels.setdefault(role.channel, []).append(role)


def _gang_findings(plan: Plan) -> Iterator[Finding]:
    for gang in plan.gangs.values():
        roles = [plan.roles[member] for member in gang.members]
        if len({role.channel for role in roles}) > 1:
            text = (
                f"its members follow different demands: {_each(roles, lambda role: f'channel {role.channel}')}; "
                "give them one channel in the fleet map unless that is meant"
            )
            yield _gang_finding("gang-channels", plan, gang, text, is_error=False)
        for one in unlikes(plan, gang):
            each = ", ".join(
                f"'{role.function}' {value} ({_said(plan, role, one.settings)})"
                for role, value in zip(roles, one.values, strict=True)
            )
            kind = "gang-timing" if one.name in TIMING else "gang-unlike" if one.is_error else "gang-uneven"
            text = f"its members differ in {one.name}: {each}; {one.consequence}"
            yield _gang_finding(kind, plan, gang, text, is_error=one.is_error)


def _said(plan: Plan, role: Role, names: Iterable[str]) -> str:
    """The places at which the deciding settings of a role are stated; factory settings are not named."""
    places = []
    for name in names:
        if name in {"model", "firmware"}:
            source: Source = plan.airframe
            path: tuple[str | int, ...] = ("function", role.function, name)
        else:
            source, path = row_of(plan, role).said_at(name)
        if path[-1] == name and source.line_of(path):
            places.append(f"{source.name}:{source.line_of(path)}")
    return ", ".join(dict.fromkeys(places)) or "from the factory"


def _each(roles: Iterable[Role], read: Callable[[Role], str]) -> str:
    return ", ".join(f"'{role.function}' {read(role)}" for role in roles)


def _gang_finding(kind: str, plan: Plan, gang: Gang, text: str, *, is_error: bool = True) -> Finding:
    return make(kind, plan.airframe, ("gang", gang.name), text, is_error=is_error)


def _model_of_role_findings(plan: Plan) -> Iterator[Finding]:
    for role in plan.roles.values():
        here, concerned = ("function", role.function), (role.function,)
        if role.model is None:
            text = "no model is stated, so rating and firmware cannot be checked"
            yield make("model-unstated", plan.airframe, ("function",), text, is_error=False, functions=concerned)
        elif role.model not in plan.models:
            known = f"it has: {', '.join(plan.models)}" if plan.models else "it has none"
            text = f"the fleet map has no model '{role.model}', so its rating cannot be checked; {known}"
            yield make("model-unknown", plan.airframe, (*here, "model"), text, is_error=False, functions=concerned)
        elif role.firmware is not None:
            listed = plan.models[role.model].firmware
            if listed and role.firmware not in listed:
                text = f"{role.firmware} is not among those the fleet map lists for '{role.model}': {', '.join(listed)}"
                yield make("firmware-unlisted", plan.airframe, (*here, "firmware"), text, functions=concerned)


def _bus_findings(plan: Plan) -> Iterator[Finding]:
    load = plan_load(plan)
    if not load.is_too_slow:
        return
    what = f"the demands of {load.channels} channels"
    if load.actuators:
        what += f" and a report of each of {load.actuators} actuators"
    ways = ways_out(plan)
    out = f"; each of these would do: {', '.join(ways)}" if ways else ""
    things = "actuators at neighbouring addresses" if load.actuators else "channels"
    fits = f"at most {load.fits} {things} would fit" if load.fits else "not even one would fit"
    text = (
        f"{what} take {load.busy_ns[1] / 1e6:.1f} ms of a cycle of {load.cycle_ns / 1e6:.1f} ms "
        f"({load.percent:.0f} %) at {load.baud} Bd; {fits}{out}"
    )
    yield make("bus-too-slow", plan.airframe, ("bus",), text)


def _time_out_findings(plan: Plan) -> Iterator[Finding]:
    """The loss action against how often a demand goes out."""
    period_ms = 1000 / plan.bus.demands_per_second
    for role in plan.roles.values():
        row = row_of(plan, role)
        time_out_ms = row.raw("loss-time-out")
        if time_out_ms < period_ms:
            text = (
                f"{time_out_ms} ms is shorter than the {period_ms:g} ms between two demands: the loss action would "
                "begin again and again"
            )
            yield row.finding("loss-time-out-short", "loss-time-out", text)
        elif time_out_ms < FEW_LOST * period_ms:
            text = (
                f"{time_out_ms} ms is less than {FEW_LOST} times the {period_ms:g} ms between two demands: a few that "
                "are lost in a row let the loss action begin"
            )
            yield row.finding("loss-time-out-short", "loss-time-out", text, is_error=False)


def _rig_findings(plan: Plan) -> Iterator[Finding]:
    """Surfaces, leads and pack, as far as the airframe describes them."""
    try:
        found = rigging_of(plan)
    except InputError as error:
        yield make("rig-unknown", plan.airframe, ("surface",), str(error))
        return
    if found is None:
        return
    for problem in found.power.problems if found.power is not None else ():
        yield make("rig-supply", plan.airframe, ("pack",), problem)
    for surface in found.surfaces:
        here = ("surface", surface.name)
        for problem in surface.problems:
            yield make("rig-surface", plan.airframe, here, problem)
        fight = fight_problem(surface, plan)
        if fight is not None:
            yield make("rig-fight", plan.airframe, (*here, "sharing"), fight)


_PARTS: Final[tuple[Callable[[Plan], Iterator[Finding]], ...]] = (
    _place_findings,
    _gang_findings,
    _model_of_role_findings,
    supply_findings,
    _bus_findings,
    line_findings,
    own_findings,
    _time_out_findings,
    _rig_findings,
)
_ROW_PARTS: Final[tuple[Callable[[Row], Iterator[Finding]], ...]] = (
    _travel_findings,
    _neutral_findings,
    _preset_findings,
    _unstated_findings,
)


def _in_order(found: Iterable[Finding], first_file: str) -> list[Finding]:
    """Those that say the same of several functions as one; errors first, then as they stand in the files."""
    merged: dict[Finding, tuple[str, ...]] = {}
    for finding in found:
        same = replace(finding, functions=())
        merged[same] = merged.get(same, ()) + finding.functions
    together = [replace(same, functions=functions) for same, functions in merged.items()]
    return sorted(together, key=lambda one: (not one.is_error, one.file != first_file, one.line))
