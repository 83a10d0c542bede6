"""What ``busproto rig`` prints for a person. Every figure says whose it is: an actuator's, or the surface's."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from busproto.cautions import DISCLAIMER
from busproto.cli.common import console
from busproto.plan.load import Plan
from busproto.rig.judged import Candidate
from busproto.rig.power import PowerResult
from busproto.rig.report import AirframeResult, SurfaceResult
from busproto.rig.tables import FlightTable

ESTIMATE = "Estimates from what the files say, not a clearance. " + DISCLAIMER


def print_rig(
    plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult], problems: Mapping[str, list[str]]
) -> None:
    """All surfaces, then the supply."""
    from rich.markup import escape
    from rich.table import Table

    assert plan.rig is not None
    out = console()
    flight = plan.rig.flight
    out.print(
        f"{escape(plan.title)}: {flight.airspeed:g} m/s at {flight.altitude:g} m, "
        f"air {found.air.density_kg_m3:.3f} kg/m3, dynamic pressure {found.pressure_pa:.0f} Pa"
    )
    for one in surfaces:
        out.print(f"\n[bold]{escape(one.name)}[/bold]  ({escape(', '.join(one.functions))})")
        table = Table(box=None, show_header=False, pad_edge=False)
        for what, text in _rows(one, flight):
            table.add_row(what, escape(text))
        out.print(table)
        out.print(_choice_table(one))
        at = "" if one.margin_empty is None else " on the empty pack"
        out.print(f"[green]take:[/green] {escape(one.choice.reason)}{at}")
        for problem in problems[one.name]:
            out.print(f"[red]problem:[/red] {escape(problem)}")
        for note in one.notes:
            out.print(f"[dim]note: {escape(note)}[/dim]")
    if found.power is not None:
        _print_power(found.power)
    for note in found.notes:
        out.print(f"[dim]note: {escape(note)}[/dim]")
    out.print(f"\n{ESTIMATE}")


def _rows(one: SurfaceResult, flight: FlightTable) -> Iterator[tuple[str, str]]:
    judged, count = one.judged, len(one.functions)
    low, high = one.wanted_deg
    throw = judged.throw
    differential = f", differential {throw.differential:.2f}" if throw.minus_deg and throw.plus_deg else ""
    yield (
        "throw",
        f"{low:+.1f}..{high:+.1f} deg wanted, {throw.minus_deg:+.1f}..{throw.plus_deg:+.1f} reached{differential}",
    )
    if one.full_throw is not None:
        full = one.full_throw
        yield "", f"{full.minus_deg:+.1f}..{full.plus_deg:+.1f} deg at the ends of travel and end limits"
    each = "each actuator" if count > 1 else "the actuator"
    amps = "" if one.flight_a is None else f", {one.flight_a:.2f} A"
    yield (
        "torque",
        f"{one.needed_nm:.3f} N m at the arm of {each}{amps}; {one.hinge_nm:.3f} N m at the hinge of the whole surface",
    )
    empty = "" if one.margin_empty is None else f", {one.margin_empty:.2f} on an empty pack"
    yield "margin", f"{one.margin:.2f} for {each}{empty}; {flight.margin:g} up to {one.limit_m_s:.0f} m/s"
    if one.fight is not None:
        total = "" if one.fight.total_ma is None else f", {one.fight.total_ma / 1000:.2f} A for all of them"
        yield "sharing", f"the worst actuator holds {one.fight.worst_nm:.2f} N m at the hinge{total}"
    yield (
        "resolution",
        f"{judged.step_at_neutral_deg:.4f} deg a step of the demand at neutral, {judged.step_coarsest_deg:.4f} at "
        f"worst; dead band and sensor {judged.band_at_neutral_deg:.2f} deg, {judged.band_coarsest_deg:.2f} at worst; "
        "all at the surface",
    )
    tilt_low, tilt_high = (round(tilt, 1) for tilt in one.rod_deg)
    yield (
        "rod",
        f"transmission angle {one.transmission_deg:.0f} deg at neutral, {judged.smallest_transmission_deg:.0f} at "
        f"worst; the rod tilts {tilt_low + 0.0:+.1f}..{tilt_high + 0.0:+.1f} deg",
    )
    yield from _motion_rows(one, flight)


def _motion_rows(one: SurfaceResult, flight: FlightTable) -> Iterator[tuple[str, str]]:
    motion, limp = one.motion, one.limp
    times = []
    if motion.slew_s is not None:
        times.append(f"{motion.slew_s:.2f} s by the slew limit")
    if motion.drive_s is not None:
        times.append(f"{motion.drive_s:.2f} s by the drive, all the way against the greatest torque")
    if motion.rest_to_rest_s is not None:
        times.append(f"{motion.rest_to_rest_s:.2f} s from rest to rest")
    if times:
        yield "speed", f"from end to end {', '.join(times)}"
    if motion.onset_hz is not None:
        stick = ""
        if motion.stick is not None:
            answer = motion.stick
            stick = f"; at {flight.stick:g} Hz {answer.gain:.0%} of it arrives, {abs(answer.phase_deg):.0f} deg late"
        yield "stick", f"the slew limit lets the whole throw through up to {motion.onset_hz:.2f} Hz{stick}"
    if motion.held_hz is not None:
        yield (
            "held",
            f"natural frequency {motion.held_hz[0]:.1f} Hz with the air; shaken by twice its dead band only, the drive "
            f"has {motion.holds_share:.0%} of its stiffness: {motion.held_hz[1]:.1f} Hz",
        )
    if limp.floats_deg is not None:
        weight = "with" if limp.has_weight else "without"
        text = f"floats at {limp.floats_deg:+.1f} deg at that angle of attack, {weight} its weight"
        if limp.swings_hz:
            text += f"; swings at {limp.swings_hz:.1f} Hz, each swing {limp.next_share:.0%} of the one before"
        elif limp.swings_hz is not None:
            text += "; creeps back without a swing"
        yield "limp", text
    else:
        yield "limp", "the air would take it to its stop"
    if limp.balance_kg is not None or limp.unbalance_nm:
        text = f"its weight has {limp.unbalance_nm:.4f} N m about the hinge"
        if limp.balance_kg is not None:
            text += f"; {limp.balance_kg * 1000:.0f} g at the told lever would balance it"
        yield "balance", text


def _choice_table(surface: SurfaceResult) -> Any:
    from rich.table import Table

    margin = "margin" if surface.margin_empty is None else "margin, empty pack"
    table = Table("arm", "horn", "travel", "torque of each", margin, "dead band there", "rod", "", box=None)
    judged = surface.judged
    built = surface.linkage
    table.add_row(
        f"{built.arm_mm:.1f} mm",
        f"{built.horn_mm:.1f} mm",
        "as set",
        f"{judged.worst_nm:.3f} N m",
        f"{surface.margin if surface.margin_empty is None else surface.margin_empty:.2f}",
        f"{judged.band_at_neutral_deg:.3f} deg",
        f"{judged.smallest_transmission_deg:.0f} deg",
        "as built",
    )
    choice = surface.choice
    rows = [(one, "hole") for one in choice.tried[-3:]]
    if choice.recommended is not None and all(one is not choice.recommended for one, _ in rows):
        rows.insert(0, (choice.recommended, "hole"))
    if choice.any_arm is not None and choice.any_arm is not choice.recommended:
        rows.append((choice.any_arm, "any arm"))
    for one, kind in rows:
        word = f"[green]recommended[/green], {kind}" if one is choice.recommended else one.refused or kind
        if one is choice.recommended and not choice.tried:
            word = "[green]recommended[/green], any arm"
        table.add_row(*_cells(one), word)
    return table


def _cells(one: Candidate) -> tuple[str, ...]:
    judged = one.judged
    travel = "" if one.travel_deg is None else f"{one.travel_deg:.2f} deg"
    figures = ("", "", "", "")
    if judged is not None:
        figures = (
            f"{judged.worst_nm:.3f} N m",
            f"{judged.margin:.2f}" if math.isfinite(judged.margin) else "-",
            f"{judged.band_at_neutral_deg:.3f} deg",
            f"{judged.smallest_transmission_deg:.0f} deg",
        )
    return (f"{one.arm_mm:.1f} mm", f"{one.horn_mm:.1f} mm", travel, *figures)


def _print_power(power: PowerResult) -> None:
    from rich.markup import escape
    from rich.table import Table

    out = console()
    rest = power.rest
    label = "" if rest.nominal_v is None else f"{rest.nominal_v:.1f} V by its label, "
    empty = "" if rest.empty_v is None else f", {rest.empty_v:.2f} V empty"
    out.print(f"\n[bold]supply[/bold]  pack at rest {label}{rest.full_v:.2f} V full{empty}")
    total = len(power.counted) + len(power.missing)
    out.print(f"{len(power.counted)} of {total} actuators stall at once: what each still gets")
    sag = Table("function", "full pack", "empty pack", "drops out below", "in flight, empty", box=None)
    for at, function in enumerate(power.counted):
        limit_v = power.limits_v[at]
        sag.add_row(
            escape(function),
            "" if power.full is None else f"{power.full.nodes_v[at]:.2f} V",
            "" if power.empty is None else f"{power.empty.nodes_v[at]:.2f} V",
            "not stated" if limit_v is None else f"{limit_v:.2f} V",
            "" if power.in_flight_v is None else f"{power.in_flight_v[at]:.2f} V",
        )
    out.print(sag)
    for which, one in (("full", power.full), ("empty", power.empty)):
        if one is not None:
            spare = one.least_spare_v
            least = (
                ""
                if spare is None
                else f"; the worst is {abs(spare):.2f} V {'above' if spare >= 0 else 'below'} its limit"
            )
            out.print(f"  {which} pack: {one.current_a:.1f} A of all, {one.bus_v:.2f} V where the leads begin{least}")
    if power.in_flight_v is not None:
        out.print(
            "  in flight (last column): all surfaces at their greatest torque, "
            f"{power.in_flight_a:.1f} A of all actuators"
        )
    if power.hold_up_s:
        times = ", ".join(f"{what} {seconds * 1000:.2f} ms" for what, seconds in power.hold_up_s.items())
        out.print(f"  the capacitor alone feeds them down to the highest limit: {times}")
    for function, why in power.missing.items():
        out.print(f"[red]not counted:[/red] {escape(function)}: {why}; the supply sags more than told here")
    if power.without_lead:
        names = ", ".join(f"'{one}'" for one in power.without_lead)
        out.print(f"[dim]note: no lead is told of {escape(names)}: counted as if there were none[/dim]")
    for problem in (*power.rating_problems, *power.problems):
        out.print(f"[red]problem:[/red] {escape(problem)}")
    for note in power.notes:
        out.print(f"[dim]note: {escape(note)}[/dim]")
