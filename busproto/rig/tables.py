"""The tables of an airframe file about surfaces: linkage, size, flight case, leads, pack.

Shapes and single ranges only; `busproto.rig.report` says what does not fit together. Lengths of a linkage are mm,
those of surfaces and leads m, areas of surfaces m^2, angles deg, speeds m/s, voltages V, masses kg.
"""

from __future__ import annotations

import math
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta

from busproto.errors import InputError
from busproto.toml_source import Name

MOST_HOLES: Final = 200
"""Most holes of one grid: more means a mistaken pitch."""

Millimetres = Annotated[float, Meta(gt=0, le=1000)]
Metres = Annotated[float, Meta(gt=0, le=20)]
Degrees = Annotated[float, Meta(ge=-360, le=360)]


class Table(msgspec.Struct, forbid_unknown_fields=True, rename="kebab", frozen=True, kw_only=True):
    """Base of all tables here: unknown keys are refused."""


class FlightTable(Table, frozen=True, kw_only=True):
    """The flight case of the calculation: the fastest flight with full throw.

    `airspeed` is true; `altitude` above sea level, m; `temperature_offset` warmer than standard, K; `angle_of_attack`
    counts either way; `load_factor` is that of the surface's own weight, g; `margin` is stall over needed torque;
    `stick` is the fastest to and fro with the whole throw, Hz.
    """

    airspeed: Annotated[float, Meta(gt=0, le=250)]
    altitude: Annotated[float, Meta(ge=-1000, le=20_000)] = 0.0
    temperature_offset: Annotated[float, Meta(ge=-60, le=60)] = 0.0
    angle_of_attack: Annotated[float, Meta(ge=-30, le=30)] = 0.0
    load_factor: Annotated[float, Meta(ge=0, le=30)] = 1.0
    margin: Annotated[float, Meta(gt=0, le=10)] = 1.5
    stick: Annotated[float, Meta(gt=0, le=20)] | None = None


class PackTable(Table, frozen=True, kw_only=True):
    """The pack: `resistance` is of the pack, its plugs, switch and common wires, Ohm; `wire_temperature` degC.

    `other_power` is what else hangs on it behind a switching regulator, W; `capacitor` stands where the leads begin,
    uF. Where the airframe says nothing else under `supply`, its voltages follow from the cells.
    """

    chemistry: Literal["lipo", "lipo-hv", "life"]
    cells: Annotated[int, Meta(ge=1, le=14)]
    resistance: Annotated[float, Meta(ge=0, le=10)] | None = None
    wire_temperature: Annotated[float, Meta(ge=-60, le=200)] = 40.0
    other_power: Annotated[float, Meta(ge=0, le=500)] = 0.0
    capacitor: Annotated[float, Meta(gt=0, le=10_000_000)] | None = None


class LineTable(Table, frozen=True, kw_only=True):
    """The differential line: `unit_load` of each actuator, `other_loads` of adapter and receiver together, unit loads.

    `terminations` are those between the wires, Ohm; `bias` is each of the two resistors that hold the idle line, Ohm,
    on `bias_supply`, V.
    """

    unit_load: Annotated[float, Meta(gt=0, le=4)]
    other_loads: Annotated[float, Meta(ge=0, le=32)] = 1.0
    terminations: Annotated[list[Annotated[float, Meta(ge=1, le=100_000)]], Meta(max_length=4)] = []
    bias: Annotated[float, Meta(ge=1, le=1_000_000)] | None = None
    bias_supply: Annotated[float, Meta(ge=1, le=30)] = 5.0


class HolesTable(Table, frozen=True, kw_only=True):
    """Holes at an even distance: from `first` to `last`, mm, `pitch` apart."""

    first: Millimetres
    last: Millimetres
    pitch: Annotated[float, Meta(ge=0.1, le=100)]

    def each_mm(self) -> tuple[float, ...]:
        """All of them, shortest first. Raises InputError where the last is before the first, or there are too many."""
        if self.last < self.first:
            raise InputError(f"holes: from {self.first:g} to {self.last:g} mm is the wrong way round")
        count = math.floor((self.last - self.first) / self.pitch + 1e-6) + 1
        if count > MOST_HOLES:
            raise InputError(f"holes: {count} are too many, {MOST_HOLES} go")
        return tuple(round(self.first + at * self.pitch, 6) for at in range(count))


Holes = list[Millimetres] | HolesTable
"""Holes one by one, or at an even distance."""


def holes_mm(told: Holes) -> tuple[float, ...]:
    """All stated holes, shortest first. Raises InputError as `HolesTable.each_mm`."""
    return tuple(sorted(set(told))) if isinstance(told, list) else told.each_mm()


class LinkageTable(Table, frozen=True, kw_only=True):
    """The linkage of one surface, hole to hole; `pivots` is the distance of the two pivots.

    Without `rod`, `arm_angle` and `horn_angle`, arm and horn are taken to stand square to the rod at neutral. With both
    angles the rod is made to fit; with the rod as well, all is held together. Angles count from the direction that
    leads from the actuator's pivot to the surface's, both the same way round. `holes` are the arm lengths that there
    are, `horn_holes` those of the horn: one by one, or at an even distance.
    """

    arm: Millimetres
    horn: Millimetres
    pivots: Annotated[float, Meta(gt=0, le=5000)]
    rod: Annotated[float, Meta(gt=0, le=5000)] | None = None
    arm_angle: Degrees | None = None
    horn_angle: Degrees | None = None
    opposite_sides: bool = False
    holes: Holes = []
    horn_holes: Holes = []


class AirTable(Table, frozen=True, kw_only=True):
    """The movable part behind the hinge: `area`, mean `chord`; either `chord_ratio` or `b1` and `b2` (per radian).

    `chord_ratio` is movable chord over whole chord; the coefficients then are those of a thin aerofoil, an upper
    estimate. `centre` is how far the centre of `mass` is behind the hinge; `balance_lever` how far ahead of it a mass
    could be put to balance it, m. `inertia` is about the hinge, with all that turns with it when limp, kg m^2;
    `damping` of the limp surface, N m per rad/s.
    """

    area: Annotated[float, Meta(gt=0, le=20)]
    chord: Metres
    chord_ratio: Annotated[float, Meta(ge=0.01, le=1)] | None = None
    b1: Annotated[float, Meta(ge=-10, le=10)] | None = None
    b2: Annotated[float, Meta(ge=-10, le=10)] | None = None
    mass: Annotated[float, Meta(ge=0, le=50)] = 0.0
    centre: Annotated[float, Meta(ge=-5, le=5)] = 0.0
    balance_lever: Metres | None = None
    inertia: Annotated[float, Meta(gt=0, le=100)] | None = None
    damping: Annotated[float, Meta(ge=0, le=1000)] = 0.0


class LeadTable(Table, frozen=True, kw_only=True):
    """The supply lead of an actuator, or of each actuator of a surface: `length` one way; either `gauge` or `copper`.

    `gauge` is AWG, `copper` the area of a flexible conductor, mm^2.
    `brown_out` is the supply below which the actuator drops out, V, by its maker or measured: there is no default.
    `behind` is the function at whose plug the lead begins; left out, all leads begin at the pack's common wires.
    """

    length: Annotated[float, Meta(ge=0, le=50)]
    brown_out: Annotated[float, Meta(gt=0, le=60)]
    gauge: Annotated[int, Meta(ge=0, le=40)] | None = None
    copper: Annotated[float, Meta(gt=0, le=100)] | None = None
    behind: Name | None = None


class SharingTable(Table, frozen=True, kw_only=True):
    """How several actuators share a surface: `stiffness` of each, N m/deg, `mismatch` of the worst, deg, seen there."""

    stiffness: Annotated[float, Meta(gt=0, le=1000)]
    mismatch: Annotated[float, Meta(ge=0, le=20)]


class SurfaceTable(Table, frozen=True, kw_only=True):
    """One surface, and the functions of the airframe that move it together.

    `throw` is wanted at the surface, deg, lowest and highest; left out, it is that of the first function, or else all
    that the linkage gives.
    """

    functions: Annotated[list[Name], Meta(min_length=1, max_length=3)]
    linkage: LinkageTable
    air: AirTable
    lead: LeadTable | None = None
    sharing: SharingTable | None = None
    throw: tuple[Annotated[float, Meta(ge=-80, le=80)], Annotated[float, Meta(ge=-80, le=80)]] | None = None


class RigTables(Table, frozen=True, kw_only=True):
    """All tables of an airframe file for `busproto.rig.report`; `leads` are those of single functions."""

    flight: FlightTable
    pack: PackTable | None = None
    surface: Annotated[dict[Name, SurfaceTable], Meta(min_length=1)]
    leads: dict[Name, LeadTable] = {}


EXAMPLE: Final = """\
[flight]                        # the fastest flight with full throw
airspeed = 45.0                 # m/s, true
altitude = 300.0                # m
temperature-offset = 10.0       # K warmer than standard
angle-of-attack = 8.0           # deg, either way
load-factor = 4.0               # g, for the surfaces' own weight
margin = 1.5                    # stall torque over needed torque

[pack]
chemistry = "lipo"              # lipo, lipo-hv, life
cells = 2
resistance = 0.02               # Ohm: pack, plugs, switch, common wires
wire-temperature = 40.0         # degC

[surface.aileron-left]
functions = ["aileron-left"]
throw = [-22.0, 22.0]           # deg at the surface

[surface.aileron-left.linkage]  # mm, hole to hole
arm = 14.0
horn = 25.0
pivots = 90.0
holes = { first = 10.0, last = 18.0, pitch = 2.0 }     # or a list: [10.0, 12.0]

[surface.aileron-left.air]      # the movable part behind the hinge
area = 0.045                    # m^2
chord = 0.06                    # m
chord-ratio = 0.25              # or b1 and b2, per radian
mass = 0.12                     # kg
centre = 0.02                   # m behind the hinge

[surface.aileron-left.lead]
length = 1.4                    # m, one way
gauge = 20                      # AWG; or copper = 0.5 (mm^2)
brown-out = 4.5                 # V; of this actuator, by its maker or measured

[surface.rudder]
functions = ["rudder-top", "rudder-bottom"]
throw = [-30.0, 30.0]

[surface.rudder.linkage]
arm = 16.0
horn = 25.0
pivots = 120.0
rod = 119.7
arm-angle = 92.0
horn-angle = 93.0

[surface.rudder.air]
area = 0.09
chord = 0.15
b1 = -0.25
b2 = -0.55

[surface.rudder.sharing]
stiffness = 0.8                 # N m per deg at the surface, each
mismatch = 0.3                  # deg, the worst of them
"""
"""These tables as they stand in an airframe file."""
