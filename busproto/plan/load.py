"""A plan: what one airframe is to be, put together from its file and the fleet map, each setting in raw counts.

Where a setting comes from, last word first: the airframe's function, the map's function, the map's settings for all,
the factory. Channel, gang and place come from the map and the gangs alone. The correction table is not planned unless
stated: it is measured, and kept in the record.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, TypeVar

from busproto.errors import FileError, InputError
from busproto.plan.files import SAID_ELSEWHERE, AirframeFile, BusTable, FleetFile, ModelTable, RoleTable, Table
from busproto.reading import MAX_WRITTEN_BYTES, read_text
from busproto.rig.supply import Pack
from busproto.rig.tables import LineTable, PackTable, RigTables
from busproto.toml_source import Problem, Source, read
from busproto.wire.parameters import BY_NAME, FACTORY, RawValue, disagreement, parameter_named

F = TypeVar("F", bound=Table)
MEASURED: Final = frozenset({"correction"})
"""Settings that are not planned unless stated."""
MEASURED_SHARE: Final = 0.02
"""By how much a measured voltage may differ from that of the cells; a choice: other cells differ by 3 % or more."""


@dataclass(frozen=True, slots=True)
class Role:
    """One function of the airframe, and what the actuator in it is to be.

    Attributes:
        function: its name in the map.
        address: 1..239.
        channel: 1..32.
        gang: name of its gang, "" for none.
        model, firmware: expected, None where nothing is.
        settings: every planned setting, raw, by name; channel, gang and place among them.
        throw_deg: wanted at the surface for demand -100 % and +100 %, None where not said.
        positive: where a positive demand takes the surface, in words; "" where not said.
        stated: names of the settings that a file states; the others are the factory's.
        own: parameters that the table does not know, in the units of the actuator in it, by name.
        lacks: parameters of the table that the actuator in it does not have: nothing is planned for them.
    """

    function: str
    address: int
    channel: int
    gang: str
    model: str | None
    firmware: str | None
    settings: Mapping[str, RawValue]
    throw_deg: tuple[float, float] | None
    positive: str
    stated: frozenset[str] = frozenset()
    own: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))
    lacks: tuple[str, ...] = ()

    @property
    def wanted(self) -> dict[str, RawValue]:
        """The settings that the actuator in it is to have."""
        return {name: raw for name, raw in self.settings.items() if name not in self.lacks}


@dataclass(frozen=True, slots=True)
class Gang:
    """Actuators that move one surface; the first member leads.

    Attributes:
        name: of the surface.
        number: 1..32, as in the settings.
        members: functions, in the order of their places.
    """

    name: str
    number: int
    members: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """A whole airframe as it is to be.

    Attributes:
        path: of the airframe file.
        title: of the airframe.
        fleet_title: of the map.
        roles: by function, in the order of the airframe file.
        gangs: by name.
        models: what the makers' data say, by model name.
        defaults: raw settings that the map gives to all functions; factory values for the others.
        full_mv, empty_mv: the pack, None where not said.
        bus: rate and use of the bus in the air.
        line: what hangs on the differential line, None where not said.
        pack: cells, resistance and what else hangs on it, None where not said.
        rig: surfaces, flight case and pack; None where no surface is described.
        airframe, fleet: the files, to say where something stands.
    """

    path: Path
    title: str
    fleet_title: str
    roles: Mapping[str, Role]
    gangs: Mapping[str, Gang]
    models: Mapping[str, ModelTable]
    defaults: Mapping[str, RawValue]
    full_mv: int | None
    empty_mv: int | None
    bus: BusTable
    line: LineTable | None
    pack: PackTable | None
    rig: RigTables | None
    airframe: Source = field(repr=False, compare=False)
    fleet: Source = field(repr=False, compare=False)

    def role(self, function: str) -> Role:
        """The role of a function. Raises InputError, with the functions there are, where there is none."""
        if function not in self.roles:
            raise InputError(f"'{self.title}' has no function '{function}'; there are: {', '.join(self.roles)}")
        return self.roles[function]

    def beside(self, ending: str) -> Path:
        """The path of a file that belongs to this airframe, such as ``tow.assignment.json`` beside ``tow.toml``."""
        return self.path.with_name(f"{self.path.stem}.{ending}")


def load(path: str | Path) -> Plan:
    """The plan of an airframe file and its fleet map.

    Raises:
        FileError: one of them cannot be used; every problem of both is named, with line and key.
        InputError: one of them cannot be read.
    """
    path = Path(path)
    source, airframe, problems = _looked_at(path, path.name, AirframeFile)
    fleet_source: Source | None = None
    fleet: FleetFile | None = None
    map_name = None if source is None else source.data.get("fleet-map")
    if source is not None and isinstance(map_name, str) and map_name:
        try:
            fleet_source, fleet, in_map = _looked_at(path.parent / map_name, map_name, FleetFile)
            problems += [f"its fleet map {map_name}: {one}" for one in in_map]
        except InputError as error:
            problems.append(str(source.problem(("fleet-map",), f"the map {error}")))
    if source is None or airframe is None or fleet is None or fleet_source is None:
        raise FileError(str(path), problems)
    settings, problems = _settings(airframe, source, fleet, fleet_source)
    problems += [f"its fleet map {airframe.fleet_map}: {one}" for one in _unit_problems(fleet, fleet_source)]
    problems += [str(one) for one in _sense_problems(airframe, source, fleet)]
    if problems:
        raise FileError(str(path), problems)
    return _plan(path, (airframe, source), (fleet, fleet_source), settings)


def load_fleet(path: str | Path) -> tuple[FleetFile, Source]:
    """A fleet map alone, its settings looked at. Raises as `load`."""
    path = Path(path)
    source, fleet, problems = _looked_at(path, path.name, FleetFile)
    if source is None or fleet is None:
        raise FileError(str(path), problems)
    common: dict[str, RawValue] = dict(FACTORY)
    for place, given in _fleet_settings(fleet):
        raw = _raw(given, source, place, problems, "")
        if place == ("settings",):
            common |= raw
        if why := disagreement({**common, **raw}):
            problems.append(str(source.problem(place, why)))
    problems += [str(one) for one in _unit_problems(fleet, source)]
    problems += [str(one) for name, row in fleet.function.items() for one in _own_problems(name, row.own, source)]
    if problems:
        raise FileError(str(path), problems)
    return fleet, source


def kind_of(path: str | Path) -> str:
    """Which kind of file this is, by its first key: "airframe" or "fleet-map". Raises FileError where it is neither."""
    source, problems = read(read_text(path, MAX_WRITTEN_BYTES), Path(path).name)
    if source is None:
        raise FileError(str(path), [str(one) for one in problems])
    for kind in ("airframe", "fleet-map"):
        if kind in source.data and not (kind == "fleet-map" and isinstance(source.data[kind], str)):
            return kind
    raise FileError(str(path), ["it says neither 'airframe = 1' nor 'fleet-map = 1': 'busproto plan new' writes both"])


def _looked_at(path: Path, name: str, kind: type[F]) -> tuple[Source | None, F | None, list[str]]:
    """A file as far as it can be used, and what is wrong with it. Raises InputError where it cannot be read."""
    source, problems = read(read_text(path, MAX_WRITTEN_BYTES), name)
    table = None
    if source is not None:
        table, problems = source.checked(kind)
    return source, table, [str(one) for one in problems]


def _fleet_settings(fleet: FleetFile) -> Iterator[tuple[tuple[str | int, ...], Mapping[str, Any]]]:
    yield ("settings",), fleet.settings
    for name, row in fleet.function.items():
        yield ("function", name, "settings"), row.settings


def _settings(
    airframe: AirframeFile, source: Source, fleet: FleetFile, fleet_source: Source
) -> tuple[dict[str, dict[str, RawValue]], list[str]]:
    """The planned settings by function ("" for those of all), and what is wrong with them."""
    problems: list[str] = []
    in_map = f"its fleet map {airframe.fleet_map}: "
    common = {name: raw for name, raw in FACTORY.items() if name not in MEASURED and name not in SAID_ELSEWHERE}
    common |= _raw(fleet.settings, fleet_source, ("settings",), problems, in_map)
    by_map = {
        name: _raw(row.settings, fleet_source, ("function", name, "settings"), problems, in_map)
        for name, row in fleet.function.items()
    }
    for name, row in fleet.function.items():
        problems += [in_map + str(one) for one in _own_problems(name, row.own, fleet_source)]
    settings = {"": common}
    for name, role in airframe.function.items():
        own = _raw(role.settings, source, ("function", name, "settings"), problems, "")
        settings[name] = {**common, **by_map.get(name, {}), **own}
        problems += [str(one) for one in _own_problems(name, role.own, source)]
        problems += [str(one) for one in _lacks_problems(name, role, source)]
        if why := disagreement(settings[name]):
            problems.append(str(source.problem(("function", name), why)))
    return settings, problems


def _own_problems(function: str, own: Iterable[str], source: Source) -> Iterator[Problem]:
    """What cannot be meant of the parameters that only the actuator in a function has."""
    for name in own:
        if name in BY_NAME:
            yield source.problem(("function", function, "own", name), "one of the table: it stands under settings")


def _lacks_problems(function: str, role: RoleTable, source: Source) -> Iterator[Problem]:
    """What cannot be meant of the parameters that it lacks."""
    here = ("function", function)
    for at, name in enumerate(role.lacks):
        if name not in BY_NAME:
            yield source.problem((*here, "lacks", at), f"'{name}' is none of the table: {', '.join(BY_NAME)}")
        elif name in role.settings:
            yield source.problem((*here, "lacks", at), f"'{name}' stands under settings too")


def _raw(
    given: Mapping[str, Any], source: Source, path: tuple[str | int, ...], problems: list[str], prefix: str
) -> dict[str, RawValue]:
    raw: dict[str, RawValue] = {}
    for name, value in given.items():
        if name in SAID_ELSEWHERE:
            problems.append(prefix + str(source.problem((*path, name), f"not here: {SAID_ELSEWHERE[name]}")))
            continue
        try:
            raw[name] = parameter_named(name).from_value(value)
        except InputError as error:
            text = str(error).removeprefix(f"{name}: ")
            if name not in BY_NAME:
                text += "; one that only the actuator in a function has stands under own"
            problems.append(prefix + str(source.problem((*path, name), text)))
    return raw


def _unit_problems(fleet: FleetFile, source: Source) -> Iterator[Problem]:
    for name, model in fleet.model.items():
        for key, text in model.unit_problems():
            yield source.problem(("model", name, key), text)


def _sense_problems(airframe: AirframeFile, source: Source, fleet: FleetFile) -> Iterator[Problem]:
    for name in airframe.function:
        if name not in fleet.function:
            known = ", ".join(fleet.function)
            yield source.problem(("function", name), f"the fleet map has no such function; it has: {known}")
    yield from _lead_problems(airframe, source)
    yield from _pack_problems(airframe, source)
    if airframe.surface and airframe.flight is None:
        yield source.problem(("surface",), "surfaces are calculated for a flight case: a table [flight] is missing")
    for name, surface in airframe.surface.items():
        for at, function in enumerate(surface.functions):
            if function not in airframe.function:
                here = ("surface", name, "functions", at)
                yield source.problem(here, f"'{function}' is no function of this airframe")
    seen: dict[str, str] = {}
    numbers: dict[int, str] = {}
    for name, gang in airframe.gang.items():
        if gang.number in numbers:
            yield source.problem(("gang", name, "number"), f"{gang.number} is that of '{numbers[gang.number]}' already")
        numbers.setdefault(gang.number, name)
        for at, member in enumerate(gang.members):
            here = ("gang", name, "members", at)
            if member not in airframe.function:
                yield source.problem(here, f"'{member}' is no function of this airframe")
            if member in seen:
                yield source.problem(here, f"'{member}' is in the gang '{seen[member]}' already")
            seen.setdefault(member, name)


def _lead_problems(airframe: AirframeFile, source: Source) -> Iterator[Problem]:
    """Where a lead begins at no function of the airframe, or, over others, at its own end."""
    begins: dict[str, tuple[tuple[str, ...], str]] = {}
    for name, surface in airframe.surface.items():
        if surface.lead is not None and surface.lead.behind is not None:
            begins |= dict.fromkeys(surface.functions, (("surface", name, "lead", "behind"), surface.lead.behind))
    for name, role in airframe.function.items():
        if role.lead is not None:
            begins.pop(name, None)
            if role.lead.behind is not None:
                begins[name] = (("function", name, "lead", "behind"), role.lead.behind)
    for name, (here, first) in begins.items():
        if first not in airframe.function:
            yield source.problem(here, f"'{first}' is no function of this airframe")
            continue
        way = [name]
        while (next_one := begins[way[-1]][1]) in begins and next_one not in way:
            way.append(next_one)
        if next_one == name:
            round_text = " behind ".join(f"'{one}'" for one in (*way, name))
            yield source.problem(here, f"the leads go round in a circle: {round_text}")


def _pack_problems(airframe: AirframeFile, source: Source) -> Iterator[Problem]:
    """Where the supply says other voltages than the cells of the pack can have: the pack has one truth."""
    told, pack = airframe.supply, airframe.pack
    if told is None or pack is None:
        return
    cells = Pack(pack.chemistry, pack.cells)
    of_cells = f"line {source.line_of(('pack', 'cells'))}: {pack.cells} {pack.chemistry} cells"
    if abs(told.full / cells.full_v - 1.0) > MEASURED_SHARE:
        yield source.problem(
            ("supply", "full"),
            f"{told.full:.2f} V is not what [pack] says ({of_cells} have {cells.full_v:.2f} V fully charged): leave "
            "one of them out, or make them agree",
        )
    elif told.empty is not None and not cells.empty_v * (1.0 - MEASURED_SHARE) <= told.empty <= cells.full_v:
        yield source.problem(
            ("supply", "empty"),
            f"{told.empty:.2f} V is not what [pack] allows ({of_cells} are used from {cells.full_v:.2f} down to "
            f"{cells.empty_v:.2f} V): leave one of them out, or make them agree",
        )


def _supply_mv(airframe: AirframeFile) -> tuple[int | None, int | None]:
    """The pack at rest, full and empty, mV: as the supply says, where it says nothing as its cells do.

    What both say agrees (`_pack_problems`). All that calculates with the pack takes it from here.
    """
    told, pack = airframe.supply, airframe.pack
    cells = None if pack is None else Pack(pack.chemistry, pack.cells)
    full = told.full if told is not None else None if cells is None else cells.full_v
    empty = told.empty if told is not None and told.empty is not None else None if cells is None else cells.empty_v
    return (None if full is None else round(full * 1000), None if empty is None else round(empty * 1000))


def _plan(
    path: Path,
    airframe_and_source: tuple[AirframeFile, Source],
    fleet_and_source: tuple[FleetFile, Source],
    settings: Mapping[str, Mapping[str, RawValue]],
) -> Plan:
    (airframe, source), (fleet, fleet_source) = airframe_and_source, fleet_and_source
    gangs = {name: Gang(name, gang.number, tuple(gang.members)) for name, gang in airframe.gang.items()}
    places = {member: (gang, at) for gang in gangs.values() for at, member in enumerate(gang.members, 1)}
    roles = {}
    for name, row in airframe.function.items():
        gang, place = places.get(name, (None, 0))
        where = {"channel": fleet.function[name].channel, "gang": gang.number if gang else 0, "place": place}
        roles[name] = Role(
            function=name,
            address=fleet.function[name].address,
            channel=fleet.function[name].channel,
            gang=gang.name if gang else "",
            model=row.model,
            firmware=row.firmware,
            settings={**where, **settings[name]},
            throw_deg=row.throw,
            positive=row.positive or "",
            stated=frozenset({*fleet.settings, *fleet.function[name].settings, *row.settings, "channel"})
            | ({"gang", "place"} if gang else frozenset()),
            own={**fleet.function[name].own, **row.own},
            lacks=tuple(row.lacks),
        )
    supply = _supply_mv(airframe)
    rig = None
    if airframe.surface and airframe.flight is not None:
        leads = {name: row.lead for name, row in airframe.function.items() if row.lead is not None}
        rig = RigTables(flight=airframe.flight, pack=airframe.pack, surface=airframe.surface, leads=leads)
    return Plan(
        path=path,
        title=airframe.title,
        fleet_title=fleet.title,
        roles=roles,
        gangs=gangs,
        models=fleet.model,
        defaults=settings[""],
        full_mv=supply[0],
        empty_mv=supply[1],
        bus=airframe.bus,
        line=airframe.line,
        pack=airframe.pack,
        rig=rig,
        airframe=source,
        fleet=fleet_source,
    )
