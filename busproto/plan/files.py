"""The two files of a plan, as tables: the fleet map, one for all airframes, and the airframe file that takes it over.

The fleet map says which function has which address and channel, and what every actuator is set to unless something
else is said; the airframe file says which functions this airframe has, and what is different on it. Shapes only; what
makes sense together is looked at in `busproto.plan.load` and `busproto.plan.check.check`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from busproto.errors import InputError
from busproto.rig.tables import FlightTable, LeadTable, LineTable, PackTable, SurfaceTable
from busproto.rig.units import speed_deg_s, torque_nm
from busproto.toml_source import Name
from busproto.wire.frame import DEFAULT_BAUD, MAX_ADDRESS, MIN_ADDRESS
from busproto.wire.messages import MAX_CHANNELS
from busproto.wire.parameters import PARAMETERS, Parameter

FORMAT: Final = 1
PLACES: Final = 3
SAID_ELSEWHERE: Final = {
    "channel": "the fleet map gives it",
    "gang": "the gangs of the airframe file give it",
    "place": "the gangs of the airframe file give it",
}
"""Settings that stand under no `settings`, and why."""

Version = Annotated[int, Meta(ge=1, le=FORMAT, description="version of this kind of file")]
Volts = Annotated[float, Meta(ge=1, le=60)]
Firmware = Annotated[str, Meta(pattern=r"^\d{1,3}\.\d{1,3}$", description="such as '2.4'")]
Settings = dict[str, Any]
OwnSettings = dict[Name, float | list[float]]
"""Parameters that the table does not know, as the actuator in this function names them, in its units."""
Written = Annotated[str, Meta(min_length=1, max_length=40)]
"""A number with its unit."""
MOST_TORQUE_NM: Final = 60.0
MOST_SPEED_DEG_S: Final = 2000.0


class Table(msgspec.Struct, forbid_unknown_fields=True, rename="kebab", frozen=True, kw_only=True):
    """Base of all tables: unknown keys are refused."""


class ModelTable(Table, frozen=True, kw_only=True):
    """Maker's data of one model: supply in V, travel in deg, torque in N m, current in mA, speed in deg/s.

    Torque and speed may be texts in the trade's units, such as "25 kgf cm" and "0.20 s/60 deg". The sensor of
    the arm has `sensor_bits` over `sensor_span`, deg.
    """

    supply: tuple[Volts, Volts]
    firmware: list[Firmware] = []
    mechanical_travel: Annotated[float, Meta(ge=10, le=360)] | None = None
    stall_torque: Annotated[float, Meta(gt=0, le=MOST_TORQUE_NM)] | Written | None = None
    stall_current: Annotated[int, Meta(gt=0, le=60_000)] | None = None
    no_load_speed: Annotated[float, Meta(gt=0, le=MOST_SPEED_DEG_S)] | Written | None = None
    sensor_bits: Annotated[int, Meta(ge=6, le=24)] | None = None
    sensor_span: Annotated[float, Meta(ge=10, le=3600)] = 360.0

    @property
    def stall_nm(self) -> float | None:
        """Stall torque in N m, None where not told. Raises InputError where its text has no such unit."""
        return None if self.stall_torque is None else torque_nm(self.stall_torque)

    @property
    def no_load_deg_s(self) -> float | None:
        """No-load speed in deg/s, None where not told. Raises InputError where its text has no such unit."""
        return None if self.no_load_speed is None else speed_deg_s(self.no_load_speed)

    def unit_problems(self) -> Iterator[tuple[str, str]]:
        """What is wrong with the texts of torque and speed, as (key, text)."""
        for key, given, read, most, unit in (
            ("stall-torque", self.stall_torque, torque_nm, MOST_TORQUE_NM, "N m"),
            ("no-load-speed", self.no_load_speed, speed_deg_s, MOST_SPEED_DEG_S, "deg/s"),
        ):
            if isinstance(given, str):
                try:
                    value = read(given)
                except InputError as error:
                    yield key, str(error)
                    continue
                if value > most:
                    yield key, f"'{given}' is {value:.4g} {unit}; up to {most:g} {unit} is allowed"


class MapTable(Table, frozen=True, kw_only=True):
    """One function of the fleet: the same address and channel on every airframe that has it."""

    address: Annotated[int, Meta(ge=MIN_ADDRESS, le=MAX_ADDRESS)]
    channel: Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
    settings: Settings = {}
    own: OwnSettings = {}


class FleetFile(Table, frozen=True, kw_only=True):
    """The fleet map."""

    fleet_map: Version
    title: Name
    settings: Settings = {}
    model: dict[Name, ModelTable] = {}
    function: Annotated[dict[Name, MapTable], Meta(min_length=1)]


class SupplyTable(Table, frozen=True, kw_only=True):
    """The pack of this airframe, V at rest: fully charged, and where one stops using it.

    What is left out follows from the cells of `pack`; what both say has to agree.
    """

    full: Volts
    empty: Volts | None = None


class BusTable(Table, frozen=True, kw_only=True):
    """How the bus is used in the air: line rate, Bd; demands a second; whether each reports in every cycle."""

    baud: Annotated[int, Meta(ge=9600, le=4_000_000)] = DEFAULT_BAUD
    demands_per_second: Annotated[float, Meta(ge=1, le=500)] = 50.0
    reports: bool = False


class RoleTable(Table, frozen=True, kw_only=True):
    """One function that this airframe has.

    `throw` is wanted at the surface, deg, for demand -100 % and +100 %; `positive` says in words where a positive
    demand takes the surface, such as "trailing edge down"; `lead` is its supply lead, where no surface says it.
    `own` are parameters that only the actuator in it has, `lacks` those of the table that it does not have.
    """

    model: Name | None = None
    firmware: Firmware | None = None
    settings: Settings = {}
    own: OwnSettings = {}
    lacks: list[str] = []
    throw: tuple[Annotated[float, Meta(ge=-90, le=90)], Annotated[float, Meta(ge=-90, le=90)]] | None = None
    positive: Name | None = None
    lead: LeadTable | None = None


class GangTable(Table, frozen=True, kw_only=True):
    """Actuators that move one surface together; the first leads. The number stands in each one's settings."""

    number: Annotated[int, Meta(ge=1, le=32)]
    members: Annotated[list[Name], Meta(min_length=2, max_length=PLACES)]


class AirframeFile(Table, frozen=True, kw_only=True):
    """The airframe file; `fleet_map` is the path of the map it takes over, seen from this file."""

    airframe: Version
    title: Name
    fleet_map: Annotated[str, Meta(min_length=1)]
    supply: SupplyTable | None = None
    bus: BusTable = BusTable()
    line: LineTable | None = None
    flight: FlightTable | None = None
    pack: PackTable | None = None
    function: Annotated[dict[Name, RoleTable], Meta(min_length=1)]
    gang: dict[Name, GangTable] = {}
    surface: dict[Name, SurfaceTable] = {}


KINDS: Final[dict[str, type[Table]]] = {"fleet-map": FleetFile, "airframe": AirframeFile}
"""The kinds of file, by name."""


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file, with every parameter that a file may set and its range, for editors.

    Raises KeyError where there is no such kind.
    """
    body = msgspec.json.schema(KINDS[kind])
    settings = {row.name: _schema_of(row) for row in PARAMETERS.values() if row.name not in SAID_ELSEWHERE}
    for table in body["$defs"].values():
        if "settings" in table.get("properties", {}):
            table["properties"]["settings"] = {
                "type": "object",
                "properties": settings,
                "additionalProperties": False,
                "default": {},
            }
    body["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return body


def _schema_of(row: Parameter) -> dict[str, Any]:
    low, high = row.raw_to_scaled(row.low), row.raw_to_scaled(row.high)
    number: dict[str, Any] = {"type": "number", "minimum": low, "maximum": high}
    if row.choices and len(row.choices) == row.high - row.low + 1:
        number = {"enum": list(row.choices)}
    text = row.doc + (f" ({row.unit})" if row.unit else "")
    if row.points:
        return {"type": "array", "items": number, "maxItems": row.points, "description": text}
    return {**number, "description": text}
