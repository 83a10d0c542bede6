"""How one surface moves: loss time-out, following the stick, shaking, and limp. Combines the figures of `drive`."""

from __future__ import annotations

import math
from dataclasses import dataclass

from busproto.rig.actuator import Actuator
from busproto.rig.drive import (
    Drive,
    LimpSurface,
    SineAnswer,
    dead_zone_gain,
    limiting_onset_hz,
    profile_s,
    rate_limited_s,
    sine_answer,
)
from busproto.rig.hinge import Surface, balance_mass_kg, floating_deg, floating_with_weight_deg
from busproto.rig.tables import AirTable, FlightTable

SHAKEN: float = 2.0
"""Amplitude of the small oscillation that is calculated, in dead bands to each side; a choice."""


@dataclass(frozen=True, slots=True)
class Motion:
    """How a surface moves. Times are for the used sweep, from end to end.

    Attributes:
        slew_s: by the slew limit alone; None where that is not known.
        drive_s: by the drive alone, all the way against the greatest torque, on the lowest pack; None where the speed
            is not known, or it stands.
        rest_to_rest_s: with braking, at the lower of both speeds, where the surface's inertia is told; None otherwise.
        onset_hz: the fastest to and fro over the whole used sweep that the slew limit still lets through; None where it
            is not known.
        stick: how the fundamental of the told stick frequency arrives; None where none is told.
        holds_share: share of its stiffness with which a drive holds against a shaking of twice its dead band, inside of
            which it does nothing; 1 without a dead band.
        held_hz: natural frequency of the held surface, with all of the stiffness and with that share; None where
            stiffness or inertia is not told.
    """

    slew_s: float | None
    drive_s: float | None
    rest_to_rest_s: float | None
    onset_hz: float | None
    stick: SineAnswer | None
    holds_share: float
    held_hz: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Limp:
    """How a limp surface stands and swings at the flight case. Friction and what the gear holds back are not counted.

    Attributes:
        floats_deg: where it stands, with its weight where that is told; None where the air would not hold it.
        has_weight: whether its weight is counted in that.
        swings_hz: how fast it swings; 0 where it creeps back; None where the inertia is not told.
        next_share: each swing over the one before, as a size; 0 where it creeps, None where the inertia is not told.
        balance_kg: the mass at the told lever that balances it; None where no lever is told.
        unbalance_nm: moment of its weight about the hinge when level, at 1 g.
    """

    floats_deg: float | None
    has_weight: bool
    swings_hz: float | None
    next_share: float | None
    balance_kg: float | None
    unbalance_nm: float


def motion_of(
    actuator: Actuator,
    share: float,
    sweep_deg: float,
    needed_nm: float,
    ratio: float,
    flight: FlightTable,
    *,
    inertia_kg_m2: float | None,
    held_nm_rad: float | None,
    air_nm_rad: float,
) -> Motion:
    """How a surface moves.

    Args:
        actuator: the weakest of the surface.
        share: of its torque and speed that the lowest pack leaves, above 0..1.
        sweep_deg: of the arm, from end to end, above 0.
        needed_nm: greatest torque of each actuator.
        ratio: d(surface)/d(actuator) at neutral.
        flight: for the stick.
        inertia_kg_m2: of the surface, as far as this actuator moves it; None where not told.
        held_nm_rad: stiffness of all actuators together at the surface; None where not told.
        air_nm_rad: that of the air.
    Raises:
        InputError: a number is out of its range.
    """
    slew = actuator.slew_deg_s
    drive_s = at_load_deg_s = None
    drive = None
    if actuator.no_load_deg_s is not None and needed_nm < actuator.stall_nm * share:
        lowest_v = actuator.supply_v[1] * share
        inertia_nms2 = 0.0 if inertia_kg_m2 is None else inertia_kg_m2 * ratio * ratio
        drive = Drive(actuator.no_load_deg_s, actuator.stall_nm, inertia_nms2).at_supply(lowest_v, actuator.supply_v[1])
        drive_s, at_load_deg_s = drive.time_s(sweep_deg, needed_nm), drive.steady_deg_s(needed_nm)
    rest_s = None
    if drive is not None and drive.inertia_kg_m2 and at_load_deg_s is not None:
        speed = at_load_deg_s if slew is None else min(slew, at_load_deg_s)
        rest_s = profile_s(sweep_deg, speed, math.degrees((drive.stall_nm - needed_nm) / drive.inertia_kg_m2))
    half_band = actuator.dead_band_deg
    holds = dead_zone_gain(SHAKEN * half_band, half_band) if half_band else 1.0
    held_hz = None
    if held_nm_rad is not None and inertia_kg_m2 is not None:
        held_hz = tuple(
            math.sqrt(max(0.0, held_nm_rad * part + air_nm_rad) / inertia_kg_m2) / (2.0 * math.pi)
            for part in (1.0, holds)
        )
    return Motion(
        slew_s=None if slew is None else rate_limited_s(sweep_deg, slew),
        drive_s=drive_s,
        rest_to_rest_s=rest_s,
        onset_hz=None if slew is None else limiting_onset_hz(sweep_deg / 2.0, slew),
        stick=None if slew is None or flight.stick is None else sine_answer(sweep_deg / 2.0, slew, flight.stick),
        holds_share=holds,
        held_hz=None if held_hz is None else (held_hz[0], held_hz[1]),
    )


def limp_of(table: AirTable, surface: Surface, flight: FlightTable, pressure_pa: float) -> Limp:
    """How a limp surface stands and swings at the flight case. Raises InputError where a number is out of its range."""
    alpha_deg, has_weight = flight.angle_of_attack, surface.mass_kg > 0.0 and surface.centre_m != 0.0
    floats_deg = None
    if surface.b2 < 0.0:
        floats_deg = (
            floating_with_weight_deg(surface, alpha_deg, pressure_pa)
            if has_weight
            else floating_deg(surface.b1, surface.b2, alpha_deg)
        )
    swings_hz = next_share = None
    air_nm_rad = surface.stiffness_nm_rad(pressure_pa)
    if table.inertia is not None and air_nm_rad > 0.0:
        limp = LimpSurface(table.inertia, table.damping, air_nm_rad)
        swings_hz = limp.swings_hz
        next_share = abs(limp.extremes(1.0, 1)[0][1]) if swings_hz else 0.0
    return Limp(
        floats_deg=floats_deg,
        has_weight=has_weight,
        swings_hz=swings_hz,
        next_share=next_share,
        balance_kg=None
        if table.balance_lever is None
        else balance_mass_kg(surface.mass_kg, surface.centre_m, table.balance_lever),
        unbalance_nm=surface.moment_nm(0.0, 0.0, 0.0),
    )
