"""The rigging calculation of an airframe file: its surfaces, with the ratings that the fleet map has of its models.

Estimates for the bench, from what the files say; the makers' data and the local model-flying code come first.
"""

from __future__ import annotations

from typing import Final

from busproto.errors import InputError
from busproto.plan.load import Plan, Seat
from busproto.rig.gang import fight
from busproto.rig.report import Actuator, AirframeResult, SurfaceResult, report, sharing_members

SENSOR_DEG: Final = 0.05
"""Step of a usual position sensor; common practice, no source."""
MUCH_FIGHT: Final = 0.1
"""A gang whose members pull against each other with more of their stall torque than this, without any load, fights.
A choice, as the margin of 1.5 is one."""


def actuator_of(plan: Plan, seat: Seat) -> Actuator:
    """What the files say of the actuator in a seat.

    Raises:
        InputError: its model is not stated, or the map does not say what it can do.
    """
    if seat.model is None:
        raise InputError(f"{seat.function}: no model is stated")
    model = plan.models.get(seat.model)
    if model is None or model.stall_torque is None:
        raise InputError(f"{seat.function}: the fleet map has no stall-torque of a model '{seat.model}'")
    travel, dead_band = seat.settings["travel"], seat.settings["dead-band"]
    assert isinstance(travel, int)
    assert isinstance(dead_band, int)
    return Actuator(
        stall_nm=model.stall_torque,
        supply_v=model.supply,
        travel_deg=travel / 100,
        stall_ma=model.stall_current,
        no_load_deg_s=model.no_load_speed,
        most_travel_deg=180.0 if model.mechanical_travel is None else min(180.0, model.mechanical_travel),
        dead_band_deg=dead_band / 100,
        sensor_deg=SENSOR_DEG,
        throw_deg=seat.throw_deg,
    )


def rigging_of(plan: Plan) -> AirframeResult | None:
    """What comes out for every surface of a plan; None where it describes none.

    Raises:
        InputError: something is missing, or makes no sense; the surface or function is named.
    """
    if plan.rig is None:
        return None
    functions = {function for table in plan.rig.surface.values() for function in table.functions}
    return report(plan.rig, {function: actuator_of(plan, plan.seats[function]) for function in functions})


def fight_problem(result: SurfaceResult, plan: Plan) -> str | None:
    """What is wrong with how the members of a surface pull against each other; None where nothing is."""
    assert plan.rig is not None
    sharing = plan.rig.surface[result.name].sharing
    count = len(result.functions)
    if sharing is None or count < 2:
        return None
    fought_nm = fight(sharing_members(sharing, count)).worst_nm
    stall_nm = min(actuator_of(plan, plan.seats[one]).stall_nm for one in result.functions)
    at_surface_nm = stall_nm / max(1e-9, abs(result.linkage.ratio(0.0)))
    share = fought_nm / at_surface_nm
    if share <= MUCH_FIGHT:
        return None
    return (
        f"{sharing.mismatch:g} deg of mismatch make its actuators pull against each other with {fought_nm:.2f} N m, "
        f"{share:.0%} of their stall torque: 'busproto match' takes that out"
    )
