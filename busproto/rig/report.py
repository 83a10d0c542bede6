"""From an airframe's surfaces and its actuators' ratings to margins, resolution, and the arm and travel to take.

Pure calculation: tables and numbers in, one result per surface out. What is wrong or too little stands in `problems`,
what was taken for granted in `notes`; a table that makes no sense raises InputError with the surface's name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import Function, not_negative, positive, within
from busproto.rig.choice import (
    DEAD_DEG,
    MOST_THROW_DEG,
    TRAVELS_DEG,
    Choice,
    Judged,
    Wish,
    compare_travels,
    full_throw,
    judge,
    reasons_against,
    used_ends_deg,
)
from busproto.rig.drive import Drive
from busproto.rig.gang import Fight, Member, fight
from busproto.rig.hinge import (
    Air,
    Surface,
    atmosphere,
    dynamic_pressure_pa,
    floating_deg,
    margin,
    plain_flap,
    worst_margin_speed_m_s,
)
from busproto.rig.linkage import Linkage, Throw
from busproto.rig.supply import Pack, Sag, all_stall, awg_ohm_m, class_5_ohm_m, fit_of, lead_ohm
from busproto.rig.tables import (
    AirTable,
    FlightTable,
    LeadTable,
    LinkageTable,
    PackTable,
    RigTables,
    SharingTable,
    SurfaceTable,
)

_MISSED_DEG: Final = 0.05
"""A throw that is missed by less than this is taken as reached."""
_COMPRESSIBLE: Final = 0.3
"""Mach number above which the air does not behave as reckoned here; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Actuator:
    """What is known of one actuator, from its maker and from its settings.

    Attributes:
        stall_nm, stall_ma: at the highest rated supply, above 0; the current None where not known.
        supply_v: lowest and highest rated supply.
        travel_deg: set between demand -100 % and +100 %, above 0..180.
        no_load_deg_s: at the highest rated supply; None where not known.
        most_travel_deg: between its mechanical stops.
        dead_band_deg: as set, at the arm, not below 0.
        sensor_deg: one count of its sensor, at the arm; 0 where not known.
        throw_deg: wanted at the surface at demand -100 % and +100 %; None where not said.

    Raises:
        InputError: outside that.
    """

    stall_nm: float
    supply_v: tuple[float, float]
    travel_deg: float
    stall_ma: float | None = None
    no_load_deg_s: float | None = None
    most_travel_deg: float = 180.0
    dead_band_deg: float = 0.0
    sensor_deg: float = 0.0
    throw_deg: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        positive("the stall torque", self.stall_nm, "N m")
        lowest_v, highest_v = self.supply_v
        if positive("the highest rated supply", highest_v, "V") < positive("the lowest rated supply", lowest_v, "V"):
            raise InputError(
                f"a rating goes from a lower to a higher voltage, not from {lowest_v:g} to {highest_v:g} V"
            )
        positive("the travel", within("the travel", self.travel_deg, 0.0, 180.0, "deg"), "deg")
        for name, value in (("stall current", self.stall_ma), ("no-load speed", self.no_load_deg_s)):
            if value is not None:
                positive(f"the {name}", value)
        positive("the widest travel", self.most_travel_deg, "deg")
        not_negative("the dead band", self.dead_band_deg, "deg")
        not_negative("the sensor's step", self.sensor_deg, "deg")


@dataclass(frozen=True, slots=True)
class SurfaceResult:
    """What came out for one surface.

    Attributes:
        name: of the surface.
        functions: that move it.
        linkage: as built.
        full_throw: of the whole travel that is set; None where the arm does not get to both ends.
        wanted_deg: lowest and highest wanted surface angle.
        judged: between the ends where the wanted throw is reached; its torque is that of all actuators together, each
            as bad as the worst one.
        hinge_nm: greatest moment at the hinge within the wanted throw, by air and weight.
        needed_nm: greatest torque of the worst of its actuators, with its share of the load and the fight among them.
        margin: stall torque at the highest rated supply over that.
        margin_empty: the same with the supply of an empty pack at rest, which a drive that does not regulate gets;
            None where no pack is told.
        limit_m_s: true airspeed at which the margin falls to what is wanted; at the empty pack's supply where
            there is one.
        floating_deg: where the limp surface floats at the angle of attack, deg, without weight; None where the air
            would not hold it.
        sweep_s: from one end of the used sweep to the other, all the way against the greatest torque; None where the
            speed is not known, or it stands.
        fight: of its actuators, with the greatest moment; None where nothing is said about sharing.
        lead_ohm: of one actuator's lead, out and back; None where not told.
        choice: travels and arms to choose from; torques are those of all its actuators together, as in `judged`.
        problems: what is wrong or too little, each with what to do.
        notes: what was taken for granted.
    """

    name: str
    functions: tuple[str, ...]
    linkage: Linkage
    full_throw: Throw | None
    wanted_deg: tuple[float, float]
    judged: Judged
    hinge_nm: float
    needed_nm: float
    margin: float
    margin_empty: float | None
    limit_m_s: float
    floating_deg: float | None
    sweep_s: float | None
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
        sag_of: functions whose leads are told, in the order of the nodes of both sags.
        sag_full, sag_empty: all of them stall at once, on the full and on the empty pack; None where not told.
        problems, notes: of the supply; those of the surfaces stand with them.
    """

    air: Air
    pressure_pa: float
    surfaces: tuple[SurfaceResult, ...]
    sag_of: tuple[str, ...] = ()
    sag_full: Sag | None = None
    sag_empty: Sag | None = None
    problems: tuple[str, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())


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


def lead_ohm_of(table: LeadTable, temperature_c: float) -> float:
    """Resistance of a lead, out and back, Ohm.

    Raises:
        InputError: neither gauge nor area is told, both are, or there is no such wire.
    """
    if (table.gauge is None) == (table.copper is None):
        raise InputError("lead: either gauge or copper is wanted, not both")
    ohm_m = class_5_ohm_m(table.copper) if table.copper is not None else awg_ohm_m(table.gauge or 0)
    return lead_ohm(table.length, ohm_m, temperature_c=temperature_c)


def report(
    tables: RigTables, actuators: Mapping[str, Actuator], travels_deg: Sequence[float] = TRAVELS_DEG
) -> AirframeResult:
    """What comes out for every surface of an airframe.

    Args:
        tables: of the airframe file.
        actuators: of every function that the tables name.
        travels_deg: to choose from, each above 0..180.
    Raises:
        InputError: a table makes no sense, or a function has no actuator; the surface is named.
    """
    flight = tables.flight
    air = atmosphere(flight.altitude, temperature_offset_k=flight.temperature_offset)
    pressure_pa = dynamic_pressure_pa(flight.airspeed, air.density_kg_m3)
    results = []
    for name, table in tables.surface.items():
        try:
            missing = [one for one in table.functions if one not in actuators]
            if missing:
                raise InputError(f"nothing is known of the actuator of {', '.join(missing)}")
            members = [actuators[one] for one in table.functions]
            results.append(_surface_result(name, table, members, flight, tables.pack, air, pressure_pa, travels_deg))
        except InputError as error:
            raise InputError(f"surface '{name}': {error}") from error
    bare = AirframeResult(air=air, pressure_pa=pressure_pa, surfaces=tuple(results))
    notes = []
    if flight.airspeed > _COMPRESSIBLE * air.sound_m_s:
        notes.append(
            f"{flight.airspeed:g} m/s is above Mach {_COMPRESSIBLE:g}: hinge moments are greater than told here"
        )
    bare = replace(bare, notes=tuple(notes))
    return bare if tables.pack is None else _with_supply(bare, tables, tables.pack, actuators)


def _surface_result(
    name: str,
    table: SurfaceTable,
    members: Sequence[Actuator],
    flight: FlightTable,
    pack: PackTable | None,
    air: Air,
    pressure_pa: float,
    travels_deg: Sequence[float],
) -> SurfaceResult:
    problems: list[str] = []
    notes: list[str] = []
    linkage, surface = linkage_of(table.linkage), surface_of(table.air)
    if table.air.chord_ratio is not None:
        notes.append("hinge moment of a thin aerofoil: an upper estimate")
    weak = min(members, key=lambda one: one.stall_nm)
    travel_deg = min(one.travel_deg for one in members)
    if len({one.travel_deg for one in members}) > 1:
        problems.append("its actuators are set to different travels: they would fight; set them alike")
    reached = full_throw(linkage, travel_deg)
    wanted_deg = _wanted(table, members, linkage, travel_deg, notes)
    plus_deg, minus_deg = max(0.0, wanted_deg[1]), max(0.0, -wanted_deg[0])

    def hinge_nm(surface_deg: float) -> float:
        return surface.worst_moment_nm(surface_deg, flight.angle_of_attack, pressure_pa, flight.load_factor)

    def held_nm(surface_deg: float) -> float:
        return hinge_nm(surface_deg) + fought_nm

    count = len(members)
    fought_nm = _fought_nm(table, count, notes)
    ends = used_ends_deg(linkage, plus_deg, minus_deg, travel_deg)
    if linkage.smallest_transmission_deg(*ends) < DEAD_DEG:
        raise InputError(
            f"the throw of {wanted_deg[0]:g} to {wanted_deg[1]:g} deg takes the arm to its dead point, where rod and "
            "horn stand in line and nothing holds: take a shorter arm, a longer horn or less throw"
        )
    dead_band_deg = max(one.dead_band_deg for one in members)
    sensor_deg = max(one.sensor_deg for one in members)
    judged = judge(
        linkage,
        travel_deg,
        ends,
        weak.stall_nm * count,
        held_nm,
        dead_band_deg=dead_band_deg,
        sensor_deg=sensor_deg,
    )
    problems += reasons_against(judged)
    problems += _missed(judged, plus_deg, minus_deg)
    problems += _beyond(linkage, travel_deg, reached)
    needed_nm = judged.worst_nm / count
    at_rated = margin(weak.stall_nm, needed_nm)
    share = 1.0 if pack is None else min(1.0, _pack_of(pack).empty_v / weak.supply_v[1])
    at_empty = None if pack is None else at_rated * share
    if share < 1.0:
        notes.append(
            "on an empty pack torque and speed are taken to fall with the supply; drives that regulate keep them"
        )
    least = at_rated if at_empty is None else at_empty
    if least < flight.margin:
        at = "" if at_empty is None else " on an empty pack"
        problems.append(
            f"the margin is {least:.2f}{at}, {flight.margin:g} is wanted: fly slower, ask for less throw, or take a "
            "shorter arm with more travel, a longer horn or a stronger actuator"
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
        steady_nm=fought_nm,
    )
    wish = Wish(
        plus_deg=plus_deg,
        minus_deg=minus_deg,
        horn_mm=table.linkage.horn,
        base_mm=table.linkage.pivots,
        stall_nm=weak.stall_nm * share * count,
        hinge_nm=held_nm,
        dead_band_deg=dead_band_deg,
        sensor_deg=sensor_deg,
        holes_mm=tuple(table.linkage.holes),
        margin=flight.margin,
        opposite_sides=linkage.ratio(0.0) < 0.0,
        most_travel_deg=min(one.most_travel_deg for one in members),
    )
    return SurfaceResult(
        name=name,
        functions=tuple(table.functions),
        linkage=linkage,
        full_throw=reached,
        wanted_deg=wanted_deg,
        judged=judged,
        hinge_nm=max(hinge_nm(plus_deg), hinge_nm(minus_deg)),
        needed_nm=needed_nm,
        margin=at_rated,
        margin_empty=at_empty,
        limit_m_s=limit_m_s,
        floating_deg=floating_deg(surface.b1, surface.b2, flight.angle_of_attack) if surface.b2 < 0.0 else None,
        sweep_s=_sweep_s(weak, share, ends, needed_nm),
        fight=_fight_of(table, members, linkage, hinge_nm, judged),
        lead_ohm=None if table.lead is None else lead_ohm_of(table.lead, _wire_c(pack)),
        choice=compare_travels(wish, travels_deg),
        problems=tuple(problems),
        notes=tuple(notes),
    )


def _wanted(
    table: SurfaceTable, members: Sequence[Actuator], linkage: Linkage, travel_deg: float, notes: list[str]
) -> tuple[float, float]:
    told = table.throw or members[0].throw_deg
    if told is not None:
        low_deg, high_deg = min(*told, 0.0), max(*told, 0.0)
        if low_deg == high_deg:
            raise InputError("the wanted throw is 0 to both sides; it is given as two angles, such as [-20, 20]")
        return low_deg, high_deg
    notes.append("no throw is wanted: all that the linkage gives is taken")
    low_deg, high_deg = linkage.follows_deg
    ends = linkage.throw(min(travel_deg / 2.0, high_deg), max(-travel_deg / 2.0, low_deg))
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


def _beyond(linkage: Linkage, travel_deg: float, reached: Throw | None) -> list[str]:
    """What is wrong with the travel outside the wanted throw."""
    low_deg, high_deg = linkage.reach_deg if reached is None else linkage.follows_deg
    if low_deg <= -travel_deg / 2.0 and high_deg >= travel_deg / 2.0:
        return []
    what = "the surface turns back" if reached is not None else "rod and horn stand in line and the arm jams"
    return [
        f"the travel is {travel_deg:g} deg, but beyond {low_deg:.1f} to {high_deg:.1f} deg of the arm {what}: set less "
        "travel, and end-low and end-high inside of that"
    ]


def _fought_nm(table: SurfaceTable, count: int, notes: list[str]) -> float:
    """What the fight costs at the hinge: as if the load were so much greater, shared evenly."""
    if count == 1:
        return 0.0
    if table.sharing is None:
        notes.append(f"the load is taken as shared evenly by {count} actuators, without any fight")
        return 0.0
    return fight(sharing_members(table.sharing, count)).worst_nm * count


def sharing_members(table: SharingTable, count: int) -> list[Member]:
    """The actuators of a surface as they fight: one is off by the mismatch, the others are not."""
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


def _sweep_s(actuator: Actuator, share: float, ends: tuple[float, float], needed_nm: float) -> float | None:
    if actuator.no_load_deg_s is None or needed_nm >= actuator.stall_nm * share:
        return None
    drive = Drive(actuator.no_load_deg_s * share, actuator.stall_nm * share)
    return drive.time_s(ends[1] - ends[0], needed_nm)


def _pack_of(table: PackTable) -> Pack:
    return Pack(table.chemistry, table.cells, table.resistance or 0.0)


def _wire_c(table: PackTable | None) -> float:
    return 20.0 if table is None else table.wire_temperature


def _with_supply(
    bare: AirframeResult, tables: RigTables, table: PackTable, actuators: Mapping[str, Actuator]
) -> AirframeResult:
    pack = _pack_of(table)
    problems: list[str] = []
    notes = list(bare.notes)
    if table.resistance is None:
        notes.append("the pack's resistance is not told and taken as 0: the supply sags more than told here")
    for function in dict.fromkeys(one for surface in tables.surface.values() for one in surface.functions):
        lowest_v, highest_v = actuators[function].supply_v
        fit = fit_of(pack, lowest_v, highest_v)
        if fit.over_share > 1e-9:
            problems.append(
                f"{function}: the full pack has {pack.full_v:.2f} V, rated up to {highest_v:g} V "
                f"({fit.over_share:+.1%}): fewer cells, or a regulator"
            )
        if fit.under_share > 1e-9:
            problems.append(
                f"{function}: the empty pack has {pack.empty_v:.2f} V, rated from {lowest_v:g} V: "
                "stop earlier, or more cells"
            )
    told: dict[str, tuple[float, float, float, float]] = {}
    for name, surface in tables.surface.items():
        for function in surface.functions:
            stall_ma = actuators[function].stall_ma
            if surface.lead is None or stall_ma is None:
                missing = "lead" if surface.lead is None else "stall current"
                notes.append(f"{function}: no {missing} is told; it is left out of the sag")
                continue
            try:
                ohm = lead_ohm_of(surface.lead, table.wire_temperature)
            except InputError as error:
                raise InputError(f"surface '{name}': {error}") from error
            told[function] = (ohm, stall_ma / 1000.0, actuators[function].supply_v[1], surface.lead.brown_out)
    if not told:
        return replace(bare, problems=tuple(problems), notes=tuple(notes))
    leads, amps, rated, limits = (list(column) for column in zip(*told.values(), strict=True))
    sags = [
        all_stall(volts, pack.source_ohm, leads, amps, rated_v=rated, brown_out_v=limits)
        for volts in (pack.full_v, pack.empty_v)
    ]
    for which, sag in zip(("full", "empty"), sags, strict=True):
        for function, here_v, limit_v, is_alive in zip(told, sag.nodes_v, limits, sag.alive, strict=True):
            if not is_alive:
                problems.append(
                    f"{function}: when all stall on the {which} pack it gets {here_v:.2f} V, it drops out below "
                    f"{limit_v:g} V: thicker or shorter leads, more cells, or a pack with less resistance"
                )
    return replace(
        bare,
        sag_of=tuple(told),
        sag_full=sags[0],
        sag_empty=sags[1],
        problems=tuple(problems),
        notes=tuple(notes),
    )
