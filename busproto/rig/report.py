"""From an airframe's surfaces and its actuators' ratings to margins, resolution, and the arm and travel to take.

Pure calculation: tables and numbers in, one result per surface out. What is wrong or too little stands in `problems`,
what was taken for granted in `notes`; a table that makes no sense raises InputError with the surface's name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from busproto.errors import InputError
from busproto.rig.actuator import Actuator
from busproto.rig.checks import Function
from busproto.rig.choice import Choice, choose, full_throw
from busproto.rig.gang import Fight, Member, fight, standing_current_ma
from busproto.rig.hinge import (
    Air,
    Surface,
    atmosphere,
    dynamic_pressure_pa,
    plain_flap,
    worst_margin_speed_m_s,
)
from busproto.rig.judged import DEAD_DEG, MOST_THROW_DEG, Judged, Room, Wish, judge, reasons_against, used_ends_deg
from busproto.rig.linkage import Linkage, Throw
from busproto.rig.motion import Limp, Motion, limp_of, motion_of
from busproto.rig.power import PowerResult, Rest, lead_ohm_of, power_of, rest_of, wire_c
from busproto.rig.tables import (
    AirTable,
    LeadTable,
    LinkageTable,
    RigTables,
    SharingTable,
    SurfaceTable,
    holes_mm,
)

_MISSED_DEG: Final = 0.05
"""deg. A throw missed by less than this counts as reached."""
_COMPRESSIBLE: Final = 0.3
"""Mach number above which the air does not behave as calculated here; common practice, no source."""


@dataclass(frozen=True, slots=True)
class SurfaceResult:
    """The results for one surface.

    Torques at the arm, margins and currents are those of each actuator, the worst one; moments at the hinge are those
    of the whole surface.

    Attributes:
        name: of the surface.
        functions: that move it.
        linkage: as built.
        room: how far the arm goes to either side, by travel, ends, stops and neutral.
        full_throw: of all that room; None where the arm does not get to both ends.
        wanted_deg: lowest and highest wanted surface angle.
        judged: as built, between the ends where the wanted throw is reached.
        hinge_nm: greatest moment at the hinge within the wanted throw, by air and weight.
        needed_nm: greatest torque of an actuator at its arm, its share of the load and the fight counted.
        flight_a: its current then; None where its stall current is not known.
        margin: stall torque at the highest rated supply over that.
        margin_empty: the same with the supply of an empty pack at rest, which a drive that does not regulate gets;
            None where no pack is told.
        limit_m_s: true airspeed at which the margin falls to what is wanted; at the empty pack's supply where
            there is one.
        rod_deg: lowest and highest direction of the rod in the used sweep, from that at neutral.
        transmission_deg: transmission angle at neutral.
        motion, limp: how it moves, driven and limp.
        fight: of its actuators, with the greatest moment; None where nothing is said about sharing.
        lead_ohm: of one actuator's lead, out and back; None where not told.
        choice: arm, horn and travel to take.
        problems: what is wrong or too little, each with what to do.
        notes: what was taken for granted.
    """

    name: str
    functions: tuple[str, ...]
    linkage: Linkage
    room: Room
    full_throw: Throw | None
    wanted_deg: tuple[float, float]
    judged: Judged
    hinge_nm: float
    needed_nm: float
    flight_a: float | None
    margin: float
    margin_empty: float | None
    limit_m_s: float
    rod_deg: tuple[float, float]
    transmission_deg: float
    motion: Motion
    limp: Limp
    fight: Fight | None
    lead_ohm: float | None
    choice: Choice
    problems: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AirframeResult:
    """What came out for an airframe.

    Attributes:
        air: at the altitude.
        pressure_pa: dynamic.
        surfaces: in the order of the tables.
        power: the supply of all its actuators; None where no pack is told.
        notes: what was taken for granted for all.
    """

    air: Air
    pressure_pa: float
    surfaces: tuple[SurfaceResult, ...]
    power: PowerResult | None
    notes: tuple[str, ...]


def linkage_of(table: LinkageTable) -> Linkage:
    """The linkage that a table describes.

    Raises:
        InputError: the table says too little or too much, or there is no such linkage.
    """
    arm_deg, horn_deg = table.arm_angle, table.horn_angle
    if arm_deg is None or horn_deg is None:
        if table.rod is not None or arm_deg is not None or horn_deg is not None:
            raise InputError(
                "linkage: arm-angle and horn-angle belong together, and rod needs both; leave all three out where arm "
                "and horn stand square to the rod at neutral"
            )
        return Linkage.normal_case(table.arm, table.horn, table.pivots, opposite_sides=table.opposite_sides)
    if table.opposite_sides:
        raise InputError("linkage: the angles tell already on which sides arm and horn stand; leave out opposite-sides")
    if table.rod is None:
        return Linkage.from_angles(table.arm, table.horn, table.pivots, arm_deg, horn_deg)
    return Linkage.from_measured(table.arm, table.horn, table.rod, table.pivots, arm_deg, horn_deg)


def surface_of(table: AirTable) -> Surface:
    """The movable part that a table describes.

    Raises:
        InputError: neither a chord ratio nor both coefficients are told, or both ways are.
    """
    if table.chord_ratio is not None:
        if table.b1 is not None or table.b2 is not None:
            raise InputError("air: either chord-ratio or b1 and b2, not both ways")
        flap = plain_flap(table.chord_ratio)
        b1, b2 = flap.b1, flap.b2
    elif table.b1 is not None and table.b2 is not None:
        b1, b2 = table.b1, table.b2
    else:
        raise InputError("air: chord-ratio is wanted, or both b1 and b2")
    return Surface(table.area, table.chord, b1, b2, table.mass, table.centre)


def report(tables: RigTables, actuators: Mapping[str, Actuator | None], rest: Rest | None = None) -> AirframeResult:
    """What comes out for every surface of an airframe, and for its supply.

    Args:
        tables: of the airframe file.
        actuators: of every function of the airframe; None where nothing is known of one.
        rest: the pack at rest; None where only its cells are told, or nothing.
    Raises:
        InputError: a table makes no sense, or a surface's function has no actuator; the surface is named.
    """
    flight = tables.flight
    if rest is None and tables.pack is not None:
        rest = rest_of(tables.pack)
    air = atmosphere(flight.altitude, temperature_offset_k=flight.temperature_offset)
    pressure_pa = dynamic_pressure_pa(flight.airspeed, air.density_kg_m3)
    results = []
    for name, table in tables.surface.items():
        try:
            members = [actuators.get(one) for one in table.functions]
            known = [one for one in members if one is not None]
            if len(known) < len(members):
                missing = [one for one in table.functions if actuators.get(one) is None]
                raise InputError(f"nothing is known of the actuator of {', '.join(missing)}")
            results.append(_surface_result(name, table, known, tables, air, pressure_pa, rest))
        except InputError as error:
            raise InputError(f"surface '{name}': {error}") from error
    notes = []
    if flight.airspeed > _COMPRESSIBLE * air.sound_m_s:
        notes.append(
            f"{flight.airspeed:g} m/s is above Mach {_COMPRESSIBLE:g}: hinge moments are greater than told here"
        )
    power = None
    if rest is not None:
        flight_a = {function: amps for result in results for function, amps in _flight_a(result)}
        power = power_of(actuators, leads_of(tables), flight_a, rest, tables.pack)
    return AirframeResult(air, pressure_pa, tuple(results), power, tuple(notes))


def _flight_a(result: SurfaceResult) -> Iterator[tuple[str, float]]:
    """The current of each actuator of a surface at its greatest torque; 0 where it is not known."""
    if result.fight is None:
        yield from ((function, result.flight_a or 0.0) for function in result.functions)
        return
    for function, current_ma in zip(result.functions, result.fight.currents_ma, strict=True):
        yield function, (current_ma or 0.0) / 1000.0


def leads_of(tables: RigTables) -> dict[str, LeadTable]:
    """The lead of each function with a stated one: its own, else that of its surface."""
    of_surfaces = {
        function: table.lead
        for table in tables.surface.values()
        if table.lead is not None
        for function in table.functions
    }
    return {**of_surfaces, **tables.leads}


def _surface_result(
    name: str,
    table: SurfaceTable,
    members: Sequence[Actuator],
    tables: RigTables,
    air: Air,
    pressure_pa: float,
    rest: Rest | None,
) -> SurfaceResult:
    flight = tables.flight
    problems: list[str] = []
    notes: list[str] = []
    linkage, surface = linkage_of(table.linkage), surface_of(table.air)
    if table.air.chord_ratio is not None:
        notes.append("hinge moment of a thin aerofoil: an upper estimate")
    weak = min(members, key=lambda one: one.stall_nm)
    count = len(members)
    travel_deg = min(one.travel_deg for one in members)
    if len({one.travel_deg for one in members}) > 1:
        problems.append("its actuators are set to different travels: they would fight; set them alike")
    own = _own_room(table, members)
    room = own.of_travel(travel_deg)
    reached = full_throw(linkage, room)
    wanted_deg = _wanted(table, members, linkage, room, notes)
    plus_deg, minus_deg = max(0.0, wanted_deg[1]), max(0.0, -wanted_deg[0])
    fought_nm = _fought_nm(table, count, notes)

    def hinge_nm(surface_deg: float) -> float:
        return surface.worst_moment_nm(surface_deg, flight.angle_of_attack, pressure_pa, flight.load_factor)

    def held_nm(surface_deg: float) -> float:
        """What each actuator has to hold at the hinge."""
        return hinge_nm(surface_deg) / count + fought_nm

    ends = used_ends_deg(linkage, plus_deg, minus_deg, room)
    if ends[0] >= ends[1]:
        raise InputError("neutral, end limits and stops leave the arm no way to go: set them anew")
    if linkage.smallest_transmission_deg(*ends) < DEAD_DEG:
        raise InputError(
            f"the throw of {wanted_deg[0]:g} to {wanted_deg[1]:g} deg takes the arm to its dead point, where rod and "
            "horn stand in line and nothing holds: take a shorter arm, a longer horn or less throw"
        )
    dead_band_deg = max(one.dead_band_deg for one in members)
    sensor_deg = max(one.sensor_deg for one in members)
    judged = judge(
        linkage, travel_deg, ends, weak.stall_nm, held_nm, dead_band_deg=dead_band_deg, sensor_deg=sensor_deg
    )
    problems += reasons_against(judged)
    problems += _missed(judged, plus_deg, minus_deg)
    problems += _beyond(linkage, room, reached)
    share = 1.0 if rest is None else min(1.0, rest.lowest_v / weak.supply_v[1])
    at_empty = None if rest is None else judged.margin * share
    if share < 1.0:
        notes.append(
            "on an empty pack torque and speed are taken to fall with the supply; drives that regulate keep them"
        )
    least = judged.margin if at_empty is None else at_empty
    if least < flight.margin:
        at = "" if at_empty is None else " on an empty pack"
        problems.append(
            f"the margin of each actuator is {least:.2f}{at}, {flight.margin:g} is wanted: fly slower, ask for less "
            "throw, or take a shorter arm with more travel, a longer horn or a stronger actuator"
        )
    limit_m_s = worst_margin_speed_m_s(
        surface,
        flight.angle_of_attack,
        air.density_kg_m3,
        weak.stall_nm * share * count,
        ends,
        linkage.surface_deg,
        linkage.ratio,
        wanted=flight.margin,
        load_factor=flight.load_factor,
        steady_nm=fought_nm * count,
    )
    wish = Wish(
        plus_deg=plus_deg,
        minus_deg=minus_deg,
        horns_mm=holes_mm(table.linkage.horn_holes) or (table.linkage.horn,),
        base_mm=table.linkage.pivots,
        stall_nm=weak.stall_nm * share,
        hinge_nm=held_nm,
        room=own,
        dead_band_deg=dead_band_deg,
        sensor_deg=sensor_deg,
        holes_mm=holes_mm(table.linkage.holes),
        margin=flight.margin,
        opposite_sides=linkage.ratio(0.0) < 0.0,
    )
    stiffness = None if table.sharing is None else math.degrees(table.sharing.stiffness) * count
    leads = leads_of(tables)
    own_leads = [leads[one] for one in table.functions if one in leads]
    return SurfaceResult(
        name=name,
        functions=tuple(table.functions),
        linkage=linkage,
        room=room,
        full_throw=reached,
        wanted_deg=wanted_deg,
        judged=judged,
        hinge_nm=max(hinge_nm(plus_deg), hinge_nm(minus_deg)),
        needed_nm=judged.worst_nm,
        flight_a=None
        if weak.stall_ma is None
        else standing_current_ma(judged.worst_nm, weak.stall_nm, weak.stall_ma) / 1000.0,
        margin=judged.margin,
        margin_empty=at_empty,
        limit_m_s=limit_m_s,
        rod_deg=linkage.rod_tilt_deg(*ends),
        transmission_deg=linkage.transmission_deg(0.0),
        motion=motion_of(
            weak,
            share,
            ends[1] - ends[0],
            judged.worst_nm,
            linkage.ratio(0.0),
            flight,
            inertia_kg_m2=None if table.air.inertia is None else table.air.inertia / count,
            held_nm_rad=None if stiffness is None else stiffness / count,
            air_nm_rad=surface.stiffness_nm_rad(pressure_pa) / count,
        ),
        limp=limp_of(table.air, surface, flight, pressure_pa),
        fight=_fight_of(table, members, linkage, hinge_nm, judged),
        lead_ohm=lead_ohm_of(own_leads[0], wire_c(tables.pack)) if own_leads else None,
        choice=choose(wish),
        problems=tuple(problems),
        notes=tuple(notes),
    )


def _own_room(table: SurfaceTable, members: Sequence[Actuator]) -> Room:
    """How far every arm can go, to the sides that take the surface up and down in angle.

    A positive demand takes the surface up in angle, unless the throw of the function says the other way.
    """
    sides = []
    for one in members:
        low_deg, high_deg = one.room_deg
        is_turned = one.throw_deg is not None and one.throw_deg[0] > one.throw_deg[1]
        sides.append((low_deg, high_deg) if is_turned else (high_deg, low_deg))
    return Room(min(plus for plus, _ in sides), min(minus for _, minus in sides))


def _wanted(
    table: SurfaceTable, members: Sequence[Actuator], linkage: Linkage, room: Room, notes: list[str]
) -> tuple[float, float]:
    told = table.throw or members[0].throw_deg
    if told is not None:
        low_deg, high_deg = min(*told, 0.0), max(*told, 0.0)
        if low_deg == high_deg:
            raise InputError("the wanted throw is 0 to both sides; it is given as two angles, such as [-20, 20]")
        return low_deg, high_deg
    notes.append("no throw is wanted: all that the linkage gives is taken")
    (low_deg, high_deg), follows = room.arm_deg(linkage), linkage.follows_deg
    ends = linkage.throw(min(high_deg, follows[1]), max(low_deg, follows[0]))
    most_deg = MOST_THROW_DEG
    return max(-most_deg, min(ends.plus_deg, ends.minus_deg)), min(most_deg, max(ends.plus_deg, ends.minus_deg))


def _missed(judged: Judged, plus_deg: float, minus_deg: float) -> list[str]:
    sides = ((plus_deg, judged.throw.plus_deg), (-minus_deg, judged.throw.minus_deg))
    return [
        f"the surface goes to {reached_deg:+.1f} deg, {wanted_deg:+g} deg is wanted: take a longer arm, a shorter horn "
        "or more travel"
        for wanted_deg, reached_deg in sides
        if abs(reached_deg) < abs(wanted_deg) - _MISSED_DEG
    ]


def _beyond(linkage: Linkage, room: Room, reached: Throw | None) -> list[str]:
    """Problems with the room outside the wanted throw, in words."""
    low_deg, high_deg = linkage.reach_deg if reached is None else linkage.follows_deg
    arm_low_deg, arm_high_deg = room.arm_deg(linkage)
    if low_deg <= arm_low_deg and high_deg >= arm_high_deg:
        return []
    what = "the surface turns back" if reached is not None else "rod and horn stand in line and the arm jams"
    return [
        f"travel and ends let the arm go from {arm_low_deg:.1f} to {arm_high_deg:.1f} deg of its neutral, but beyond "
        f"{low_deg:.1f} to {high_deg:.1f} deg {what}: set less travel, or end-low and end-high inside of that"
    ]


def _fought_nm(table: SurfaceTable, count: int, notes: list[str]) -> float:
    """What the fight costs the worst actuator at the hinge, N m."""
    if count == 1:
        return 0.0
    if table.sharing is None:
        notes.append(f"the load is taken as shared evenly by {count} actuators, without any fight")
        return 0.0
    return fight(sharing_members(table.sharing, count)).worst_nm


def sharing_members(table: SharingTable, count: int) -> list[Member]:
    """The actuators of a surface as a gang: one is off by the mismatch, the others are not."""
    return [Member(table.stiffness, table.mismatch if at == count - 1 else 0.0) for at in range(count)]


def _fight_of(
    table: SurfaceTable, members: Sequence[Actuator], linkage: Linkage, hinge_nm: Function, judged: Judged
) -> Fight | None:
    if len(members) == 1 or table.sharing is None:
        return None
    ratio = abs(linkage.ratio(judged.worst_at_deg))
    fighters = [
        # the rating is that of the arm; at the surface it is greater by the mechanical advantage there
        replace(one, stall_nm=actuator.stall_nm / ratio, stall_ma=actuator.stall_ma) if ratio else one
        for one, actuator in zip(sharing_members(table.sharing, len(members)), members, strict=True)
    ]
    return fight(fighters, hinge_nm(linkage.surface_deg(judged.worst_at_deg)))
