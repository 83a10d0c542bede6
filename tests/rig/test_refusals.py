"""What rigging refuses: for each number of each function and table whether it may be 0 or below, never nan or infinite;
and no bad number ends in anything but a refusal in words.
"""

from __future__ import annotations

import ast
import dataclasses
import math
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import pytest

import busproto.rig
from busproto.errors import InputError
from busproto.rig import drive, gang, hinge, judged, supply, units
from busproto.rig.actuator import Actuator
from busproto.rig.linkage import Linkage
from busproto.rig.wiring import line, pull_up

NO_NUMBER: Final = (math.nan, math.inf, -math.inf)


@dataclasses.dataclass(frozen=True)
class Number:
    """A good value, or a row of them, and what may not stand in its place."""

    good: float | tuple[float, ...]
    refused: tuple[float, ...]

    def spoiled(self) -> Iterator[Any]:
        """One value in its place that is to be refused."""
        for bad in self.refused:
            if isinstance(self.good, tuple):
                yield from ((*self.good[:at], bad, *self.good[at + 1 :]) for at in range(len(self.good)))
            else:
                yield bad


def above(good: float | tuple[float, ...]) -> Number:
    """Of a number that is above 0."""
    return Number(good, (*NO_NUMBER, -1.0, 0.0))


def not_below(good: float | tuple[float, ...]) -> Number:
    """Of a number that is 0 or above."""
    return Number(good, (*NO_NUMBER, -1.0))


def any_finite(good: float | tuple[float, ...]) -> Number:
    """Of a number that may be below 0 as well."""
    return Number(good, NO_NUMBER)


MOTOR: Final = drive.Drive(400.0, 2.5, 1e-5)
LINKS: Final = Linkage.normal_case(14.0, 25.0, 90.0)
FLAP: Final = hinge.Surface(0.02, 0.05, -0.5, -0.9)
WISH: Final[dict[str, Any]] = {
    "plus_deg": not_below(20.0),
    "minus_deg": not_below(15.0),
    "horns_mm": above((25.0,)),
    "base_mm": above(90.0),
    "stall_nm": above(2.5),
    "hinge_nm": lambda deg: 0.3,
    "room": judged.Room(60.0, 60.0),
    "dead_band_deg": not_below(0.1),
    "sensor_deg": not_below(0.1),
    "holes_mm": above((10.0, 14.0)),
    "margin": above(1.5),
}
LOADS: Final = (supply.Load(4.0, 8.4, 0.05, 4.5), supply.Load(4.0, 8.4, 0.05, None, 0))


def steady_moment(moment_nm: float) -> judged.Judged:
    """Judge a linkage whose surface has the same moment everywhere."""
    ends_deg = (-40.0, 40.0)
    return judged.judge(LINKS, 90.0, ends_deg, 2.5, lambda _: moment_nm, dead_band_deg=0.1, sensor_deg=0.1)


CALLS: Final[tuple[tuple[Callable[..., object], dict[str, Any]], ...]] = (
    (
        Actuator,
        {
            "stall_nm": above(2.5),
            "supply_v": above((4.8, 8.4)),
            "travel_deg": above(120.0),
            "stall_ma": above(4000.0),
            "no_load_deg_s": above(400.0),
            "room_deg": not_below((90.0, 90.0)),
            "dead_band_deg": not_below(0.1),
            "sensor_deg": not_below(0.1),
            "slew_deg_s": above(300.0),
        },
    ),
    (drive.Drive, {"no_load_deg_s": above(400.0), "stall_nm": above(2.5), "inertia_kg_m2": not_below(1e-5)}),
    (MOTOR.steady_deg_s, {"load_nm": any_finite(0.1)}),
    (MOTOR.time_s, {"angle_deg": not_below(30.0)}),
    (MOTOR.at_supply, {"supply_v": above(6.0), "rated_v": above(8.4)}),
    (drive.rating_share, {"drive": MOTOR, "supply_v": above(8.4), "stall_a": above(4.0)}),
    (drive.rate_limited_s, {"angle_deg": not_below(30.0), "limit_deg_s": above(300.0)}),
    (drive.profile_s, {"angle_deg": not_below(30.0), "limit_deg_s": above(300.0), "limit_deg_s2": above(9000.0)}),
    (drive.profile_crossover_deg, {"limit_deg_s": above(300.0), "limit_deg_s2": above(9000.0)}),
    (drive.limiting_onset_hz, {"amplitude_deg": above(10.0), "limit_deg_s": above(300.0)}),
    (drive.sine_answer, {"amplitude_deg": above(10.0), "limit_deg_s": above(300.0), "frequency_hz": above(7.0)}),
    (drive.dead_zone_gain, {"amplitude": above(1.0), "half_width": not_below(0.2)}),
    (drive.second_order_step, {"damping_ratio": not_below(0.5), "natural_rad_s": above(20.0)}),
    (
        drive.LimpSurface,
        {"inertia_kg_m2": above(1e-4), "damping_nm_s": not_below(1e-3), "stiffness_nm_rad": above(1.0)},
    ),
    (drive.LimpSurface(1e-4, 1e-3, 1.0).extremes, {"released_deg": any_finite(10.0), "count": 3}),
    (drive.loss_window, {"time_out_ms": above(500.0), "period_ms": above(20.0)}),
    (
        gang.Member,
        {
            "stiffness_nm_deg": above(1.0),
            "error_deg": any_finite(0.1),
            "stall_nm": above(2.5),
            "stall_ma": above(4000.0),
        },
    ),
    (gang.fight, {"members": (gang.Member(1.0), gang.Member(1.0, 0.2)), "load_nm": any_finite(0.1)}),
    (gang.standing_current_ma, {"torque_nm": any_finite(0.5), "stall_nm": above(2.5), "stall_ma": above(4000.0)}),
    (
        hinge.Surface,
        {
            "area_m2": above(0.02),
            "chord_m": above(0.05),
            "b1": any_finite(-0.5),
            "b2": any_finite(-0.9),
            "mass_kg": not_below(0.1),
            "centre_m": any_finite(0.01),
        },
    ),
    (hinge.atmosphere, {"altitude_m": any_finite(300.0), "temperature_offset_k": any_finite(10.0)}),
    (hinge.dynamic_pressure_pa, {"airspeed_m_s": not_below(40.0), "density_kg_m3": above(1.2)}),
    (hinge.airspeed_m_s, {"pressure_pa": not_below(900.0), "density_kg_m3": above(1.2)}),
    (hinge.plain_flap, {"chord_ratio": above(0.25)}),
    (
        hinge.hinge_coefficient,
        {"b1": any_finite(-0.5), "b2": any_finite(-0.9), "alpha_deg": any_finite(4.0), "surface_deg": any_finite(10.0)},
    ),
    (
        hinge.hinge_moment_nm,
        {
            "coefficient": any_finite(-0.1),
            "pressure_pa": not_below(900.0),
            "area_m2": above(0.02),
            "chord_m": above(0.05),
        },
    ),
    (
        hinge.weight_moment_nm,
        {
            "mass_kg": not_below(0.1),
            "centre_m": any_finite(0.02),
            "surface_deg": any_finite(10.0),
            "load_factor": any_finite(4.0),
        },
    ),
    (hinge.balance_mass_kg, {"mass_kg": not_below(0.1), "centre_m": any_finite(0.02), "lever_m": above(0.05)}),
    (hinge.floating_deg, {"b1": any_finite(-0.5), "b2": -0.9, "alpha_deg": any_finite(4.0)}),
    (
        hinge.floating_with_weight_deg,
        {"surface": FLAP, "alpha_deg": any_finite(4.0), "pressure_pa": not_below(900.0), "stop_deg": above(30.0)},
    ),
    (hinge.margin, {"stall_nm": above(2.5), "needed_nm": any_finite(0.5)}),
    (
        hinge.worst_margin_speed_m_s,
        {
            "surface": FLAP,
            "alpha_deg": any_finite(4.0),
            "density_kg_m3": above(1.2),
            "stall_nm": above(2.5),
            "angles_deg": (-20.0, 20.0),
            "surface_at": LINKS.surface_deg,
            "ratio_at": LINKS.ratio,
            "wanted": above(1.5),
            "steady_nm": not_below(0.1),
        },
    ),
    (judged.sensor_step_deg, {"span_deg": above(120.0), "bits": 12}),
    (judged.demand_step_deg, {"travel_deg": above(120.0)}),
    (judged.Room, {"plus_deg": not_below(60.0), "minus_deg": not_below(50.0)}),
    (judged.Room(60.0, 50.0).of_travel, {"travel_deg": above(90.0)}),
    (judged.Wish, WISH),
    (judged.Wish, {**WISH, "plus_deg": not_below(0.0)}),
    (
        judged.judge,
        {
            "linkage": LINKS,
            "travel_deg": above(90.0),
            "ends_deg": any_finite((-40.0, 40.0)),
            "stall_nm": above(2.5),
            "hinge_nm": lambda deg: 0.3,
            "dead_band_deg": not_below(0.1),
            "sensor_deg": not_below(0.1),
        },
    ),
    (steady_moment, {"moment_nm": any_finite(0.3)}),
    (
        judged.used_ends_deg,
        {"linkage": LINKS, "plus_deg": not_below(20.0), "minus_deg": not_below(15.0), "room": judged.Room(60.0, 60.0)},
    ),
    (
        Linkage,
        {
            "arm_mm": above(10.0),
            "horn_mm": above(15.0),
            "rod_mm": above(50.0),
            "base_mm": above(50.0),
            "arm_neutral_deg": any_finite(90.0),
        },
    ),
    (Linkage.normal_case, {"arm_mm": above(14.0), "horn_mm": above(25.0), "base_mm": above(90.0)}),
    (
        Linkage.from_angles,
        {
            "arm_mm": above(10.0),
            "horn_mm": above(15.0),
            "base_mm": above(50.0),
            "arm_neutral_deg": any_finite(90.0),
            "horn_neutral_deg": any_finite(90.0),
        },
    ),
    (
        Linkage.from_measured,
        {
            "arm_mm": above(14.0),
            "horn_mm": above(25.0),
            "rod_mm": above(LINKS.rod_mm),
            "base_mm": above(90.0),
            "arm_neutral_deg": any_finite(LINKS.arm_neutral_deg),
            "horn_neutral_deg": any_finite(90.0),
            "tolerance_deg": above(180.0),
        },
    ),
    (LINKS.actuator_deg, {"surface_deg": any_finite(10.0)}),
    (LINKS.actuator_torque_nm, {"hinge_nm": any_finite(0.3), "actuator_deg": any_finite(10.0)}),
    (supply.at_temperature, {"ohm_at_20": not_below(0.1), "temperature_c": any_finite(40.0)}),
    (supply.lead_ohm, {"length_m": not_below(1.0), "ohm_m": above(0.03)}),
    (
        supply.wired_v,
        {
            "supply_v": above(8.0),
            "source_ohm": not_below(0.02),
            "behind": (None, 0),
            "leads_ohm": not_below((0.1, 0.1)),
            "currents_a": not_below((1.0, 2.0)),
        },
    ),
    (supply.constant_power_v, {"supply_v": above(8.0), "source_ohm": not_below(0.02), "power_w": not_below(10.0)}),
    (supply.collapse_w, {"supply_v": above(8.0), "source_ohm": not_below(0.02)}),
    (
        supply.hold_up_current_s,
        {"capacitance_f": above(1e-3), "from_v": above(6.0), "to_v": not_below(4.5), "current_a": above(2.0)},
    ),
    (
        supply.hold_up_power_s,
        {"capacitance_f": above(1e-3), "from_v": above(6.0), "to_v": not_below(4.5), "power_w": above(10.0)},
    ),
    (
        supply.hold_up_resistance_s,
        {"capacitance_f": above(1e-3), "from_v": above(6.0), "to_v": above(4.5), "load_ohm": above(2.0)},
    ),
    (
        supply.hold_up_power_s,
        {"capacitance_f": above(1e-3), "from_v": not_below(0.0), "to_v": not_below(0.0), "power_w": above(10.0)},
    ),
    (supply.Pack, {"chemistry": "lipo", "cells": 2, "source_ohm": not_below(0.02)}),
    (supply.fit_of, {"full_v": above(8.4), "empty_v": above(6.6), "lowest_v": above(4.8), "highest_v": above(8.4)}),
    (
        supply.Load,
        {"stall_a": above(4.0), "rated_v": above(8.4), "lead_ohm": not_below(0.05), "brown_out_v": above(4.5)},
    ),
    (
        supply.all_stall,
        {"supply_v": above(8.0), "source_ohm": not_below(0.02), "loads": LOADS, "other_w": not_below(1.0)},
    ),
    (units.torque_nm, {"given": above(2.5)}),
    (units.speed_deg_s, {"given": above(400.0)}),
    (lambda number: units.torque_nm(f"{number:f} kgf cm"), {"number": above(25.0)}),
    (lambda number: units.speed_deg_s(f"{number:f} deg/s"), {"number": above(400.0)}),
    (lambda number: units.speed_deg_s(f"{number:f} rpm"), {"number": above(60.0)}),
    (lambda number: units.speed_deg_s(f"{number:f} s/60 deg"), {"number": above(0.1)}),
    (lambda degrees: units.speed_deg_s(f"0.1 s/{degrees:.0f} deg"), {"degrees": above(60.0)}),
    (line.inputs_ohm, {"unit_loads": not_below(4.0)}),
    (line.most_nodes, {"unit_load": above(0.125), "other_loads": not_below(1.0)}),
    (
        line.Line,
        {
            "unit_loads": not_below(4.0),
            "terminations_ohm": above((120.0, 120.0)),
            "bias_ohm": above(390.0),
            "bias_v": above(5.0),
        },
    ),
    (line.Line(4.0, (120.0,), 390.0, 5.0).greatest_bias_ohm, {"least_v": above(0.2)}),
    (pull_up.rise_s, {"pull_up_ohm": above(1000.0), "capacitance_f": above(1e-9), "share": not_below(0.5)}),
    (pull_up.greatest_pull_up_ohm, {"baud": above(115200.0), "capacitance_f": above(1e-9), "bits": above(0.2)}),
    (pull_up.least_pull_up_ohm, {"supply_v": above(5.0), "sink_a": above(0.02), "low_v": above(0.4)}),
)


def good_of(arguments: Mapping[str, Any]) -> dict[str, Any]:
    """The arguments with each number good."""
    return {name: one.good if isinstance(one, Number) else one for name, one in arguments.items()}


ROWS: Final = [
    pytest.param(call, arguments, name, id=f"{at}-{getattr(call, '__qualname__', call)}-{name}")
    for at, (call, arguments) in enumerate(CALLS)
    for name, one in arguments.items()
    if isinstance(one, Number)
]


@pytest.mark.parametrize(("call", "arguments", "name"), ROWS)
def test_a_number_that_cannot_be_is_refused(
    call: Callable[..., object], arguments: Mapping[str, Any], name: str
) -> None:
    good = good_of(arguments)
    call(**good)
    for bad in arguments[name].spoiled():
        with pytest.raises(InputError):
            call(**{**good, name: bad})


CHECKS: Final = frozenset({"positive", "not_negative", "within", "finite"})


def test_every_function_that_checks_a_number_stands_in_the_table() -> None:
    room = Path(busproto.rig.__file__).parent
    tried = {name for call, _ in CALLS for name in getattr(call, "__qualname__", "").split(".")}
    tried |= {"torque", "torque_nm", "speed_deg_s", "__post_init__"}  # within `judge`, by texts, by their classes
    missing = [
        f"{path.name}: {function.name}"
        for path in sorted(room.rglob("*.py"))
        if path.name != "checks.py"
        for function in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(function, ast.FunctionDef) and not function.name.startswith("_")
        for call in ast.walk(function)
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in CHECKS
        if function.name not in tried
    ]
    assert missing == []
