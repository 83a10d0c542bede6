"""Surfaces in a scenario file: which actuators share one, how each is linked to it, and the other loads on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated

from msgspec import Meta

from busproto.sim.bus import VirtualBus
from busproto.sim.mechanics.surface import Hinge, Link, Surface
from busproto.sim.scene.events import Degrees, Name, Table, Wrong

MOST_MEMBERS = 3


class MemberTable(Table, frozen=True):
    """One actuator: stiffness of its linkage in N m per degree of the surface, degrees of the surface per degree of
    its arm (negative where it turns the other way), and the deflection when its arm is in the middle.
    """

    actuator: Name
    stiffness: Annotated[float, Meta(gt=0, le=1000)]
    ratio: Annotated[float, Meta(ge=-5, le=5)] = 1.0
    offset: Degrees = 0.0


class SurfaceTable(Table, frozen=True):
    """One surface, its members, and its hinge.

    Friction and unbalance in N m (positive weighs towards plus), damping in N m s/rad, inertia in kg m^2 (0: it does
    not swing), stops at plus and minus `stop` deg. Hinge moment H = Ch q S c, with S = `area` in m^2 and c = `chord`
    in m of the movable part behind the hinge, Ch = `b1` alpha + `b2` delta per radian. `airspeed` m/s at power-up.
    With `fitted = false` the rods are off until the command `fit NAME` in the terminal of the bus.
    """

    name: Name
    members: Annotated[list[MemberTable], Meta(min_length=1, max_length=MOST_MEMBERS)]
    friction: Annotated[float, Meta(ge=0, le=100)] = 0.0
    unbalance: Annotated[float, Meta(ge=-100, le=100)] = 0.0
    damping: Annotated[float, Meta(ge=0, le=100)] = 0.0
    inertia: Annotated[float, Meta(ge=0, le=10)] = 0.0
    stop: Annotated[float, Meta(gt=0, le=90)] = 60.0
    area: Annotated[float, Meta(ge=0, le=10)] = 0.0
    chord: Annotated[float, Meta(ge=0, le=5)] = 0.0
    b1: Annotated[float, Meta(ge=-5, le=5)] = 0.0
    b2: Annotated[float, Meta(ge=-5, le=0)] = 0.0
    alpha: Annotated[float, Meta(ge=-30, le=30)] = 0.0
    airspeed: Annotated[float, Meta(ge=0, le=150)] = 0.0
    fitted: bool = True


def link(bus: VirtualBus, table: SurfaceTable) -> None:
    """Put the surface on the bus, or keep it in `bus.unfitted`."""
    if table.fitted:
        _fit(bus, table)
    else:
        bus.unfitted[table.name] = lambda: _fit(bus, table)


def _fit(bus: VirtualBus, table: SurfaceTable) -> Surface:
    hinge = Hinge(
        area_m2=table.area,
        chord_m=table.chord,
        b1=table.b1,
        b2=table.b2,
        alpha_deg=table.alpha,
        unbalance_nm=table.unbalance,
        friction_nm=table.friction,
        damping_nms=table.damping,
        inertia_kgm2=table.inertia,
        stop_deg=table.stop,
    )
    links = {one.actuator: Link(one.stiffness, one.ratio, one.offset) for one in table.members}
    surface = bus.link(table.name, hinge, links)
    if table.airspeed:
        surface.set_airspeed(table.airspeed)
    bus.unfitted.pop(table.name, None)
    return surface


def problems(tables: Sequence[SurfaceTable], labels: Sequence[str]) -> Iterator[Wrong]:
    """Problems of well-formed tables on a bus with these actuators."""
    names: list[str] = []
    taken: dict[str, str] = {}
    for at, table in enumerate(tables):
        here = ("surface", at)
        if table.name in names:
            yield (*here, "name"), f"'{table.name}' is used twice"
        names.append(table.name)
        for number, member in enumerate(table.members):
            there = (*here, "members", number)
            if member.actuator not in labels:
                yield (*there, "actuator"), f"there is no '{member.actuator}'"
            elif member.actuator in taken:
                yield (*there, "actuator"), f"'{member.actuator}' is on '{taken[member.actuator]}' already"
            taken.setdefault(member.actuator, table.name)
            if not member.ratio:
                yield (*there, "ratio"), "0 moves nothing"
