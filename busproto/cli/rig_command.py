"""``busproto rig``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from busproto.cautions import DISCLAIMER
from busproto.cli import exit_codes
from busproto.cli.common import console, json_option, print_json
from busproto.cli.plots import require_plots, save_picture
from busproto.errors import FileError, InputError
from busproto.plan.load import Plan, load
from busproto.plan.rigging import actuator_of, fight_problem, rigging_of
from busproto.rig.choice import Candidate
from busproto.rig.hinge import Surface
from busproto.rig.report import AirframeResult, SurfaceResult, surface_of

ESTIMATE = "Estimates from what the files say, not a clearance. " + DISCLAIMER
PLOT_STEPS = 121


@click.command(
    epilog="""\b
Examples:
  busproto rig hauler.toml
  busproto rig hauler.toml --surface rudder --plot rudder.svg
\b
JSON: "airframe", "density_kg_m3", "pressure_pa", "surfaces" (surface, functions,
throw_wanted_deg, throw_reached_deg, differential, hinge_nm, needed_nm, margin,
margin_empty, limit_m_s, floating_deg, sweep_s, step_deg, step_coarsest_deg,
band_deg, transmission_deg, lead_ohm, fight_nm, problems, notes, "choice":
candidates with travel_deg, needed_mm, arm_mm, torque_nm, margin, band_deg,
transmission_deg, refused; recommended, reason), "sag" (function, full_v, empty_v),
"problems", "notes".
Exit code 3: something is too little, or does not fit."""
)
@click.argument("airframe")
@click.option("--surface", "only", multiple=True, help="Only this surface; may be given again.")
@click.option("--plot", "plot_file", metavar="FILE", help="Also pictures of all surfaces, SVG, PNG or PDF.")
@json_option
def command(airframe: str, only: tuple[str, ...], plot_file: str | None, as_json: bool) -> int:
    """Reckon the surfaces of AIRFRAME: margin, resolution, and which arm and travel to take.

    From each linkage, the air at the fastest flight, weight, actuators, leads and pack, as the airframe file and the
    fleet map state them. Talks to no bus.
    """
    plan = load(airframe)
    if plot_file is not None:
        require_plots(plot_file)
    try:
        found = rigging_of(plan)
    except InputError as error:
        raise FileError(airframe, [str(error)]) from error
    if found is None:
        raise FileError(airframe, ["it describes no surface: 'busproto plan new --example hauler' shows how"])
    unknown = [name for name in only if name not in {one.name for one in found.surfaces}]
    if unknown:
        there = ", ".join(one.name for one in found.surfaces)
        raise InputError(f"there is no surface '{unknown[0]}'; there are: {there}")
    surfaces = [one for one in found.surfaces if not only or one.name in only]
    problems = {one.name: _problems(one, plan) for one in surfaces}
    if plot_file is not None:
        _plot(Path(plot_file), plan, found, surfaces)
    if as_json:
        print_json(_json(plan, found, surfaces, problems))
    else:
        _print(plan, found, surfaces, problems)
    return exit_codes.NOT_AS_WANTED if found.problems or any(problems.values()) else exit_codes.DONE


def _problems(surface: SurfaceResult, plan: Plan) -> list[str]:
    fight = fight_problem(surface, plan)
    return [*surface.problems, *([fight] if fight else [])]


# --- for a person -----------------------------------------------------------------------------------------------


def _print(plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult], problems: dict[str, list[str]]) -> None:
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
        judged = one.judged
        out.print(f"\n[bold]{escape(one.name)}[/bold]  ({escape(', '.join(one.functions))})")
        throw = judged.throw
        low, high = one.wanted_deg
        table = Table(box=None, show_header=False, pad_edge=False)
        differential = f", differential {throw.differential:.2f}" if throw.minus_deg and throw.plus_deg else ""
        table.add_row(
            "throw",
            f"{low:+.1f}..{high:+.1f} deg wanted, {throw.minus_deg:+.1f}..{throw.plus_deg:+.1f} reached{differential}",
        )
        empty = "" if one.margin_empty is None else f", {one.margin_empty:.2f} on an empty pack"
        table.add_row("torque", f"{one.needed_nm:.3f} N m at the arm ({one.hinge_nm:.3f} at the hinge)")
        table.add_row("margin", f"{one.margin:.2f}{empty}; {flight.margin:g} up to {one.limit_m_s:.0f} m/s")
        table.add_row(
            "resolution",
            f"{judged.step_at_neutral_deg:.4f} deg a step at neutral, {judged.step_coarsest_deg:.4f} at worst; "
            f"dead band and sensor {judged.band_at_neutral_deg:.2f} deg",
        )
        table.add_row("rod", f"smallest transmission angle {judged.smallest_transmission_deg:.0f} deg")
        if one.sweep_s is not None:
            table.add_row("speed", f"{one.sweep_s:.2f} s from end to end, all the way against the greatest torque")
        if one.fight is not None:
            table.add_row("sharing", f"the worst member has {one.fight.worst_nm:.2f} N m at the hinge")
        if one.floating_deg is not None:
            table.add_row("limp", f"floats at {one.floating_deg:+.1f} deg at that angle of attack, without its weight")
        out.print(table)
        out.print(_choice_table(one))
        out.print(f"[green]take:[/green] {escape(one.choice.reason)}")
        for problem in problems[one.name]:
            out.print(f"[red]problem:[/red] {escape(problem)}")
        for note in one.notes:
            out.print(f"[dim]note: {escape(note)}[/dim]")
    if found.sag_full is not None and found.sag_empty is not None:
        out.print("\n[bold]supply[/bold]  all of these stall at once: what each still gets")
        sag = Table("function", "full pack", "empty pack", box=None)
        for function, full_v, empty_v in zip(
            found.sag_of, found.sag_full.nodes_v, found.sag_empty.nodes_v, strict=True
        ):
            sag.add_row(escape(function), f"{full_v:.2f} V", f"{empty_v:.2f} V")
        out.print(sag)
    for problem in found.problems:
        out.print(f"[red]problem:[/red] {escape(problem)}")
    for note in found.notes:
        out.print(f"[dim]note: {escape(note)}[/dim]")
    out.print(f"\n{ESTIMATE}")


def _choice_table(surface: SurfaceResult) -> Any:
    from rich.table import Table

    table = Table("travel", "arm needed", "arm", "torque", "margin", "dead band there", "rod", "", box=None)
    for one in surface.choice.candidates:
        judged = one.judged
        word = "[green]recommended[/green]" if one is surface.choice.recommended else one.refused
        table.add_row(
            f"{one.travel_deg:g} deg",
            "" if one.needed_mm is None else f"{one.needed_mm:.1f} mm",
            "" if one.arm_mm is None else f"{one.arm_mm:.1f} mm",
            *(
                ("", "", "", "")
                if judged is None
                else (
                    f"{judged.worst_nm:.3f} N m",
                    f"{judged.margin:.2f}",
                    f"{judged.band_at_neutral_deg:.2f} deg",
                    f"{judged.smallest_transmission_deg:.0f} deg",
                )
            ),
            word,
        )
    return table


# --- as data ----------------------------------------------------------------------------------------------------


def _json(
    plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult], problems: dict[str, list[str]]
) -> dict[str, Any]:
    sags = (
        [] if found.sag_full is None or found.sag_empty is None else [found.sag_full.nodes_v, found.sag_empty.nodes_v]
    )
    return {
        "airframe": plan.title,
        "density_kg_m3": round(found.air.density_kg_m3, 5),
        "pressure_pa": round(found.pressure_pa, 2),
        "surfaces": [_surface_json(one, problems[one.name]) for one in surfaces],
        "sag": [
            {"function": function, "full_v": round(full_v, 3), "empty_v": round(empty_v, 3)}
            for function, full_v, empty_v in (zip(found.sag_of, *sags, strict=True) if sags else ())
        ],
        "problems": list(found.problems),
        "notes": list(found.notes),
        "disclaimer": ESTIMATE,
    }


def _surface_json(one: SurfaceResult, problems: list[str]) -> dict[str, Any]:
    judged = one.judged
    recommended = one.choice.recommended
    return {
        "surface": one.name,
        "functions": list(one.functions),
        "throw_wanted_deg": [round(angle, 3) for angle in one.wanted_deg],
        "throw_reached_deg": [round(judged.throw.minus_deg, 3), round(judged.throw.plus_deg, 3)],
        "hinge_nm": round(one.hinge_nm, 5),
        "needed_nm": round(one.needed_nm, 5),
        "margin": round(one.margin, 3),
        "margin_empty": None if one.margin_empty is None else round(one.margin_empty, 3),
        "limit_m_s": round(one.limit_m_s, 2),
        "floating_deg": None if one.floating_deg is None else round(one.floating_deg, 2),
        "sweep_s": None if one.sweep_s is None else round(one.sweep_s, 3),
        "step_deg": round(judged.step_at_neutral_deg, 5),
        "step_coarsest_deg": round(judged.step_coarsest_deg, 5),
        "band_deg": round(judged.band_at_neutral_deg, 4),
        "transmission_deg": round(judged.smallest_transmission_deg, 2),
        "lead_ohm": None if one.lead_ohm is None else round(one.lead_ohm, 5),
        "fight_nm": None if one.fight is None else round(one.fight.worst_nm, 4),
        "problems": problems,
        "notes": list(one.notes),
        "choice": {
            "candidates": [_candidate_json(candidate) for candidate in one.choice.candidates],
            "recommended": None if recommended is None else _candidate_json(recommended),
            "reason": one.choice.reason,
        },
    }


def _candidate_json(one: Candidate) -> dict[str, Any]:
    judged = one.judged
    return {
        "travel_deg": one.travel_deg,
        "needed_mm": None if one.needed_mm is None else round(one.needed_mm, 2),
        "arm_mm": None if one.arm_mm is None else round(one.arm_mm, 2),
        "torque_nm": None if judged is None else round(judged.worst_nm, 4),
        "margin": None if judged is None else round(judged.margin, 3),
        "band_deg": None if judged is None else round(judged.band_at_neutral_deg, 4),
        "transmission_deg": None if judged is None else round(judged.smallest_transmission_deg, 2),
        "refused": one.refused,
    }


# --- pictures ---------------------------------------------------------------------------------------------------


def _plot(file: Path, plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult]) -> None:
    """Two pictures for each surface: where the linkage takes it, and the torque it asks for over its throw.

    Raises:
        InputError: the file cannot be written.
    """
    from matplotlib.figure import Figure

    assert plan.rig is not None
    figure = Figure(figsize=(11, 3.6 * len(surfaces)), layout="constrained")
    grid = figure.subplots(len(surfaces), 2, squeeze=False)
    for (left, right), one in zip(grid, surfaces, strict=True):
        _plot_linkage(left, one, plan)
        _plot_torque(right, one, plan, found, surface_of(plan.rig.surface[one.name].air))
    figure.suptitle(f"{plan.title}: {plan.rig.flight.airspeed:g} m/s. Estimates, not a clearance.")
    save_picture(figure, file)


def _plot_linkage(axes: Any, one: SurfaceResult, plan: Plan) -> None:
    half_deg = actuator_of(plan, plan.seats[one.functions[0]]).travel_deg / 2
    low_deg, high_deg = one.linkage.reach_deg
    low_deg, high_deg = max(-half_deg, low_deg + 0.5), min(half_deg, high_deg - 0.5)
    arms = [low_deg + (high_deg - low_deg) * at / (PLOT_STEPS - 1) for at in range(PLOT_STEPS)]
    axes.plot(arms, [one.linkage.surface_deg(arm) for arm in arms], label="surface, deg")
    axes.axvspan(one.judged.end_low_deg, one.judged.end_high_deg, alpha=0.12, label="used for the throw")
    for angle in one.wanted_deg:
        axes.axhline(angle, color="0.5", linewidth=0.8, linestyle=":")
    ratio = axes.twinx()
    ratio.plot(arms, [one.linkage.ratio(arm) for arm in arms], color="C1", linestyle="--", label="ratio")
    ratio.set_ylabel("surface deg per arm deg")
    ratio.set_ylim(bottom=0)
    axes.set(xlabel="arm, deg", ylabel="surface, deg", title=f"{one.name}: where the linkage takes it")
    axes.grid(alpha=0.3)
    lines = [*axes.get_lines()[:1], *ratio.get_lines()]
    axes.legend(lines, ["surface", "ratio (right)"], loc="lower right")


def _plot_torque(axes: Any, one: SurfaceResult, plan: Plan, found: AirframeResult, surface: Surface) -> None:
    assert plan.rig is not None
    flight = plan.rig.flight
    actuator = min((actuator_of(plan, plan.seats[name]) for name in one.functions), key=lambda each: each.stall_nm)
    count = len(one.functions)
    low_deg, high_deg = one.judged.end_low_deg, one.judged.end_high_deg
    arms = [low_deg + (high_deg - low_deg) * at / (PLOT_STEPS - 1) for at in range(PLOT_STEPS)]
    throws = [one.linkage.surface_deg(arm) for arm in arms]
    needed = []
    for arm, throw in zip(arms, throws, strict=True):
        hinge_nm = surface.worst_moment_nm(throw, flight.angle_of_attack, found.pressure_pa, flight.load_factor)
        needed.append(abs(one.linkage.actuator_torque_nm(hinge_nm, arm)) / count)
    axes.plot(throws, needed, label="needed, each actuator (air and weight)")
    axes.axhline(actuator.stall_nm, color="C3", label=f"stall, {actuator.stall_nm:g} N m")
    axes.axhline(
        actuator.stall_nm / flight.margin,
        color="C3",
        linestyle="--",
        label=f"stall over the margin of {flight.margin:g}",
    )
    axes.set(xlabel="surface, deg", ylabel="torque at the arm, N m", title=f"{one.name}: torque over its throw")
    axes.set_ylim(bottom=0)
    axes.grid(alpha=0.3)
    axes.legend()
