"""The rigging calculation of an airframe file: its surfaces, with the ratings that the fleet map has of its models.

Estimates for the bench, from what the files say; the makers' data and the local model-flying code come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from busproto.errors import InputError
from busproto.plan.load import Plan, Role
from busproto.rig.actuator import Actuator
from busproto.rig.gang import Member, fight
from busproto.rig.judged import MOST_TRAVEL_DEG, sensor_step_deg
from busproto.rig.power import Rest
from busproto.rig.report import AirframeResult, SurfaceResult, linkage_of, report, sharing_members
from busproto.rig.supply import Pack
from busproto.wire.parameters import DIRECTION_REVERSED

SENSOR_DEG: Final = 0.05
"""Step of a usual position sensor, where the map does not tell its bits; common practice, no source."""
MUCH_FIGHT: Final = 0.1
"""A gang whose members pull against each other with more of their stall torque than this, without any load, fights.
A choice, as the margin of 1.5 is one."""
FULL_DRIVE_DEG: Final = 1.0
"""How far from its demand a position loop of 100 % stiffness gives all of its torque. That of the virtual actuator; the
format leaves it to the firmware."""


def setting(role: Role, name: str) -> int:
    """A raw setting of a role that is a single number."""
    raw = role.settings[name]
    assert isinstance(raw, int)
    return raw


def is_reversed(role: Role) -> bool:
    """Whether a positive demand takes the arm to lower angles."""
    return setting(role, "direction") == DIRECTION_REVERSED


def room_deg(plan: Plan, role: Role) -> tuple[float, float]:
    """How far the arm can go from its neutral, deg, to the side of demand -100 % and of +100 %.

    Between its end limits and the mechanical stops of its model; 0 where the neutral itself is out of reach.
    """
    neutral, low, high = (setting(role, name) / 100 for name in ("neutral", "end-low", "end-high"))
    model = plan.models.get(role.model or "")
    if model is not None and model.mechanical_travel is not None:
        low, high = max(low, -model.mechanical_travel / 2), min(high, model.mechanical_travel / 2)
    below, above = max(0.0, neutral - low), max(0.0, high - neutral)
    return (above, below) if is_reversed(role) else (below, above)


def actuator_of(plan: Plan, role: Role) -> Actuator:
    """What the files say of the actuator in a role.

    Raises:
        InputError: its model is not stated, or the map does not say what it can do.
    """
    if role.model is None:
        raise InputError(f"{role.function}: no model is stated")
    model = plan.models.get(role.model)
    if model is None or model.stall_nm is None:
        raise InputError(f"{role.function}: the fleet map has no stall-torque of a model '{role.model}'")
    bits = model.sensor_bits
    return Actuator(
        stall_nm=model.stall_nm,
        supply_v=model.supply,
        travel_deg=min(MOST_TRAVEL_DEG, setting(role, "travel") / 100),
        stall_ma=model.stall_current,
        no_load_deg_s=model.no_load_deg_s,
        room_deg=room_deg(plan, role),
        dead_band_deg=setting(role, "dead-band") / 100,
        sensor_deg=SENSOR_DEG if bits is None else sensor_step_deg(model.sensor_span, bits),
        throw_deg=role.throw_deg,
        slew_deg_s=setting(role, "slew-limit") / 10,
    )


def rest_of_plan(plan: Plan) -> Rest | None:
    """The pack at rest, as the plan has it; None where it is not said."""
    if plan.full_mv is None:
        return None
    nominal_v = None if plan.pack is None else Pack(plan.pack.chemistry, plan.pack.cells).nominal_v
    return Rest(nominal_v, plan.full_mv / 1000, None if plan.empty_mv is None else plan.empty_mv / 1000)


def rigging_of(plan: Plan) -> AirframeResult | None:
    """What comes out for every surface of a plan, and for the supply of all its actuators; None without surfaces.

    Raises:
        InputError: something is missing, or makes no sense; the surface or function is named.
    """
    if plan.rig is None:
        return None
    on_surfaces = {function for table in plan.rig.surface.values() for function in table.functions}
    actuators: dict[str, Actuator | None] = {}
    for function, role in plan.roles.items():
        try:
            actuators[function] = actuator_of(plan, role)
        except InputError:
            if function in on_surfaces:
                raise
            actuators[function] = None
    return report(plan.rig, actuators, rest_of_plan(plan))


def gang_members(plan: Plan, functions: tuple[str, ...]) -> tuple[list[Member], float, str] | None:
    """The actuators of a gang as they pull against each other; None where a rating is not told.

    Each stiffness is that of its position loop (`FULL_DRIVE_DEG`), or what the surface says under `sharing`.

    Returns:
        the members, without an error; the local ratio d(surface)/d(arm) that angles of an arm are to be taken times;
        and where torques are seen: "at the hinge" of the surface that is described for them, else "at the arm".
    """
    ratio, where, told = 1.0, "at the arm", None
    for table in () if plan.rig is None else plan.rig.surface.values():
        if set(functions) <= set(table.functions):
            ratio, where = abs(linkage_of(table.linkage).ratio(0.0)), "at the hinge"
            told = None if table.sharing is None else table.sharing.stiffness
    members = []
    for function in functions:
        role = plan.roles[function]
        model = plan.models.get(role.model or "")
        if model is None or model.stall_nm is None or model.stall_current is None:
            return None
        loop = model.stall_nm * setting(role, "stiffness") / 100 / FULL_DRIVE_DEG / ratio**2
        members.append(Member(loop if told is None else told, 0.0, model.stall_nm / ratio, float(model.stall_current)))
    return members, ratio, where


def fight_problem(result: SurfaceResult, plan: Plan) -> str | None:
    """What is wrong with how the members of a surface pull against each other; None where nothing is."""
    assert plan.rig is not None
    sharing = plan.rig.surface[result.name].sharing
    count = len(result.functions)
    if sharing is None or count < 2:
        return None
    fought_nm = fight(sharing_members(sharing, count)).worst_nm
    stall_nm = min(actuator_of(plan, plan.roles[one]).stall_nm for one in result.functions)
    at_surface_nm = stall_nm / max(1e-9, abs(result.linkage.ratio(0.0)))
    share = fought_nm / at_surface_nm
    if share <= MUCH_FIGHT:
        return None
    return (
        f"{sharing.mismatch:g} deg of mismatch make its actuators pull against each other, the worst with "
        f"{fought_nm:.2f} N m at the hinge, {share:.0%} of its stall torque: 'busproto match' takes that out"
    )


def problems_of(found: AirframeResult, plan: Plan) -> Mapping[str, list[str]]:
    """What is wrong with each surface, by its name."""
    return {
        one.name: [*one.problems, *([fight_text] if (fight_text := fight_problem(one, plan)) else [])]
        for one in found.surfaces
    }
