"""``busproto rig``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import json_option, print_json
from busproto.cli.plan.rig_plots import draw
from busproto.cli.plan.rig_text import ESTIMATE, print_rig
from busproto.cli.plots import require_plots
from busproto.errors import FileError, InputError
from busproto.plan.check.rigging import problems_of, rigging_of
from busproto.plan.load import Plan, load
from busproto.rig.judged import Candidate
from busproto.rig.motion import Limp, Motion
from busproto.rig.power import PowerResult
from busproto.rig.report import AirframeResult, SurfaceResult
from busproto.rig.supply import Sag


@click.command(
    epilog="""\b
Examples:
  busproto rig hauler.toml
  busproto rig hauler.toml --surface rudder --plot rudder.svg
\b
JSON: "airframe", "density_kg_m3", "pressure_pa", "surfaces" (surface, function_names,
throw_wanted_deg, throw_reached_deg, room_deg to plus and minus, hinge_nm of the
whole surface; of each actuator: each_needed_nm, each_current_ma, each_margin,
each_margin_empty, each_lead_ohm, each_fight_nm at the hinge; limit_m_s, step_deg,
step_coarsest_deg, band_deg, band_coarsest_deg, transmission_deg,
transmission_least_deg, rod_tilt_deg, "motion": slew_s, drive_s, rest_to_rest_s,
onset_hz, stick_gain, stick_phase_deg, holds_share, held_hz, "when_limp": floats_deg,
has_weight, swings_hz, next_share, balance_kg, unbalance_nm, problems, notes,
"choice": tried, recommended, any_arm, each with arm_mm, horn_mm, travel_deg,
each_torque_nm, each_margin, band_deg, transmission_least_deg, reason; reason), "power" (rest,
actuators with function, full_v, empty_v, brown_out_v, in_flight_v, has_lead; not_calculated
with function, reason; full, empty: bus_v, total_current_a, least_spare_v; in_flight_current_a,
hold_up_s, problems, notes), "notes", "disclaimer".
Currents of one actuator are in mA, totals of a supply in A.
Exit code 3: something is too little, or does not fit."""
)
@click.argument("airframe")
@click.option("--surface", "only", multiple=True, help="Only this surface; may be given again.")
@click.option("--plot", "plot_file", metavar="FILE", help="Also pictures of all surfaces, SVG, PNG or PDF.")
@json_option
def command(airframe: str, only: tuple[str, ...], plot_file: str | None, as_json: bool) -> int:
    """Calculate the surfaces of AIRFRAME: margin, resolution, and which arm and travel to take.

    From each linkage, the air at the fastest flight, weight, actuators with their settings, leads and pack, as the
    airframe file and the fleet map state them. Talks to no bus.
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
    problems = problems_of(found, plan)
    if plot_file is not None:
        draw(Path(plot_file), plan, found, surfaces)
    if as_json:
        print_json(_json(plan, found, surfaces, problems))
    else:
        print_rig(plan, found, surfaces, problems)
    of_power = () if found.power is None else (*found.power.problems, *found.power.rating_problems)
    too_little = of_power or any(problems[one.name] for one in surfaces)
    return exit_codes.NOT_AS_WANTED if too_little else exit_codes.DONE


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _json(
    plan: Plan, found: AirframeResult, surfaces: list[SurfaceResult], problems: Mapping[str, list[str]]
) -> dict[str, Any]:
    return {
        "airframe": plan.title,
        "density_kg_m3": round(found.air.density_kg_m3, 5),
        "pressure_pa": round(found.pressure_pa, 2),
        "surfaces": [_surface_json(one, problems[one.name]) for one in surfaces],
        "power": None if found.power is None else _power_json(found.power),
        "notes": list(found.notes),
        "disclaimer": ESTIMATE,
    }


def _surface_json(one: SurfaceResult, problems: list[str]) -> dict[str, Any]:
    judged, choice = one.judged, one.choice
    return {
        "surface": one.name,
        "function_names": list(one.functions),
        "throw_wanted_deg": [round(angle, 3) for angle in one.wanted_deg],
        "throw_reached_deg": [round(judged.throw.minus_deg, 3), round(judged.throw.plus_deg, 3)],
        "room_deg": {"plus": round(one.room.plus_deg, 3), "minus": round(one.room.minus_deg, 3)},
        "hinge_nm": round(one.hinge_nm, 5),
        "each_needed_nm": round(one.needed_nm, 5),
        "each_current_ma": None if one.flight_a is None else round(1000 * one.flight_a),
        "each_margin": round(one.margin, 3),
        "each_margin_empty": _round(one.margin_empty, 3),
        "each_lead_ohm": _round(one.lead_ohm, 5),
        "each_fight_nm": None if one.fight is None else round(one.fight.worst_nm, 4),
        "limit_m_s": round(one.limit_m_s, 2),
        "step_deg": round(judged.step_at_neutral_deg, 5),
        "step_coarsest_deg": round(judged.step_coarsest_deg, 5),
        "band_deg": round(judged.band_at_neutral_deg, 4),
        "band_coarsest_deg": round(judged.band_coarsest_deg, 4),
        "transmission_deg": round(one.transmission_deg, 2),
        "transmission_least_deg": round(judged.smallest_transmission_deg, 2),
        "rod_tilt_deg": [round(angle, 2) for angle in one.rod_deg],
        "motion": _motion_json(one.motion),
        "when_limp": _limp_json(one.limp),
        "problems": problems,
        "notes": list(one.notes),
        "choice": {
            "tried": [_candidate_json(candidate) for candidate in choice.tried],
            "recommended": None if choice.recommended is None else _candidate_json(choice.recommended),
            "any_arm": None if choice.any_arm is None else _candidate_json(choice.any_arm),
            "reason": choice.reason,
        },
    }


def _motion_json(motion: Motion) -> dict[str, Any]:
    return {
        "slew_s": _round(motion.slew_s, 3),
        "drive_s": _round(motion.drive_s, 3),
        "rest_to_rest_s": _round(motion.rest_to_rest_s, 3),
        "onset_hz": _round(motion.onset_hz, 3),
        "stick_gain": None if motion.stick is None else round(motion.stick.gain, 4),
        "stick_phase_deg": None if motion.stick is None else round(motion.stick.phase_deg, 2),
        "holds_share": round(motion.holds_share, 4),
        "held_hz": None if motion.held_hz is None else [round(one, 2) for one in motion.held_hz],
    }


def _limp_json(limp: Limp) -> dict[str, Any]:
    return {
        "floats_deg": _round(limp.floats_deg, 2),
        "has_weight": limp.has_weight,
        "swings_hz": _round(limp.swings_hz, 3),
        "next_share": _round(limp.next_share, 4),
        "balance_kg": _round(limp.balance_kg, 4),
        "unbalance_nm": round(limp.unbalance_nm, 5),
    }


def _candidate_json(one: Candidate) -> dict[str, Any]:
    judged = one.judged
    return {
        "arm_mm": round(one.arm_mm, 3),
        "horn_mm": round(one.horn_mm, 3),
        "travel_deg": _round(one.travel_deg, 2),
        "each_torque_nm": None if judged is None else round(judged.worst_nm, 4),
        "each_margin": None if judged is None else round(judged.margin, 3),
        "band_deg": None if judged is None else round(judged.band_at_neutral_deg, 4),
        "transmission_least_deg": None if judged is None else round(judged.smallest_transmission_deg, 2),
        "reason": one.refused,
    }


def _power_json(power: PowerResult) -> dict[str, Any]:
    full, empty = power.full, power.empty
    return {
        "rest": {
            "nominal_v": _round(power.rest.nominal_v, 3),
            "full_v": round(power.rest.full_v, 3),
            "empty_v": _round(power.rest.empty_v, 3),
        },
        "actuators": [
            {
                "function": function,
                "full_v": None if full is None else round(full.nodes_v[at], 3),
                "empty_v": None if empty is None else round(empty.nodes_v[at], 3),
                "brown_out_v": _round(power.limits_v[at], 3),
                "in_flight_v": None if power.in_flight_v is None else round(power.in_flight_v[at], 3),
                "has_lead": function not in power.without_lead,
            }
            for at, function in enumerate(power.counted)
        ],
        "not_calculated": [{"function": function, "reason": why} for function, why in power.missing.items()],
        "full": None if full is None else _sag_json(full),
        "empty": None if empty is None else _sag_json(empty),
        "in_flight_current_a": round(power.in_flight_a, 3),
        "hold_up_s": {what: round(seconds, 6) for what, seconds in power.hold_up_s.items()},
        "problems": [*power.rating_problems, *power.problems],
        "notes": list(power.notes),
    }


def _sag_json(sag: Sag) -> dict[str, Any]:
    return {
        "bus_v": round(sag.bus_v, 3),
        "total_current_a": round(sag.current_a, 3),
        "least_spare_v": _round(sag.least_spare_v, 3),
    }
