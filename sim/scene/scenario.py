"""Scenario files: a virtual bus as data, in TOML, checked before anything runs.

Everything that is wrong is said at once, each with its line, the place it stands and what is allowed there. `load`
finds a shipped scenario by its name or reads a file; `Scenario.build` makes the bus for a seed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import Meta

from busproto import reading, toml_source
from busproto.errors import InputError
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import ScenarioError
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import LineKind
from busproto.sim.mechanics.supply import awg_ohm
from busproto.sim.native.device import Device
from busproto.sim.native.device_library import REFERENCE
from busproto.sim.scene import hand_script, own_table, sticks, surface_table
from busproto.sim.scene.events import Degrees, EventTable, Name, Table, Wrong, schedule
from busproto.wire.frame import DEFAULT_BAUD, MAX_ADDRESS, MIN_ADDRESS, UID_BYTES, UNADDRESSED
from busproto.wire.messages import MAX_CHANNELS, NULL_UID
from busproto.wire.parameter_list import STANDARD, ParameterList, list_of_rows
from busproto.wire.parameters import FACTORY, Parameter, RawValue, disagreement, parameter_named

Address = Annotated[int, Meta(ge=MIN_ADDRESS, le=MAX_ADDRESS)]
Uid = Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
NS_PER_S: Final = 1_000_000_000
NATIVE_WORD: Final = "native-code"
NATIVE_OPTION: Final = f"--{NATIVE_WORD}"
"""How a person says that the libraries which a scenario names may run."""


class LineTable(Table, frozen=True):
    """The line: its kind and rate, the receivers and clocks on it, and whether the host hears its own bytes.

    Each actuator's clock error is drawn by the seed, evenly within plus and minus `clock_error` percent. Receivers
    sample each bit once, or with 8 or 16 ticks a bit.
    """

    kind: Literal["open-drain", "differential"] = "open-drain"
    baud: Annotated[int, Meta(ge=9600, le=4_000_000)] = DEFAULT_BAUD
    echo: bool = True
    clock_error: Annotated[float, Meta(ge=0, le=1.5)] = 1.0
    start_jitter_us: Annotated[int, Meta(ge=0, le=30)] = 30
    oversampling: Literal[0, 8, 16] = 0


class PackTable(Table, frozen=True):
    """What the pack loses before its voltage arrives at the leads, Ohm: pack, plugs, switch, common wires."""

    resistance: Annotated[float, Meta(ge=0, le=10)] = 0.0


class LeadTable(Table, frozen=True):
    """The lead to one actuator: `length` in m one way and its gauge (AWG, copper), or its resistance out and back."""

    length: Annotated[float, Meta(ge=0, le=20)] | None = None
    gauge: Annotated[int, Meta(ge=0, le=40)] | None = None
    resistance: Annotated[float, Meta(ge=0, le=10)] | None = None

    @property
    def ohm(self) -> float:
        """Its resistance, out and back."""
        if self.resistance is not None:
            return self.resistance
        return awg_ohm(self.length or 0.0, 0 if self.gauge is None else self.gauge)


class LimitsTable(Table, frozen=True):
    """How far a run may grow."""

    nodes: Annotated[int, Meta(ge=1, le=MAX_ADDRESS)] = 64
    frames: Annotated[int, Meta(ge=1, le=1_000_000_000)] = 1_000_000
    seconds: Annotated[float, Meta(gt=0, le=31_536_000)] = 86_400


class ModelTable(Table, frozen=True):
    """Rating of one type of actuator. Currents in mA, torque in N m, supply in V.

    How it moves: `time_constant` of motor and gear in ms, `acceleration` in deg/s^2 (none: what the motor can),
    `friction` of motor and gear as a share of the stall torque, `backlash` in deg, `added_inertia` on the arm as a
    multiple of its own. Its sensor: off by no more than `sensor_curve` deg, each unit by a curve of its own drawn by
    the seed; `sensor_noise` in deg. Heat: `heat_resistance` in K/W and `heat_time` in s.
    `name` is what it calls itself, where two entries are one model with, say, unlike firmware.
    """

    name: Annotated[str, Meta(min_length=1, max_length=16)] | None = None
    firmware: Annotated[str, Meta(pattern=r"^\d{1,2}\.\d{1,2}$")] = "1.0"
    supply: tuple[Annotated[float, Meta(ge=1, le=60)], Annotated[float, Meta(ge=1, le=60)]] = (4.8, 8.4)
    stall_torque: Annotated[float, Meta(gt=0, le=60)] = 2.5
    stall_current: Annotated[int, Meta(ge=100, le=60_000)] = 4000
    no_load_speed: Annotated[int, Meta(gt=0, le=2000)] = 400
    mechanical_travel: Annotated[float, Meta(ge=10, le=360)] = 200.0
    time_constant: Annotated[float, Meta(ge=0, le=1000)] = 10.0
    acceleration: Annotated[float, Meta(ge=10, le=1_000_000)] | None = None
    friction: Annotated[float, Meta(ge=0, le=0.5)] = 0.03
    backlash: Annotated[float, Meta(ge=0, le=10)] = 0.0
    added_inertia: Annotated[float, Meta(ge=0, le=100)] = 0.0
    sensor_curve: Annotated[float, Meta(ge=0, le=5)] = 0.0
    sensor_noise: Annotated[float, Meta(ge=0, le=5)] = 0.0
    heat_resistance: Annotated[float, Meta(ge=0, le=1000)] = 20.0
    heat_time: Annotated[float, Meta(ge=1, le=100_000)] = 120.0


class ActuatorTable(Table, frozen=True):
    """One actuator as it lies in the box. Without an address it is factory-fresh; "unknown" draws one by the seed.

    A `baud` of its own is a fault: no other device then understands it, nor it them. `device` makes it a firmware in C:
    "reference" for the one that is shipped, or a shared library, its path counted from the scenario file. A library is
    code that runs here: whoever starts the bus has to allow it. `lacks` names parameters that it does not have, `own`
    describes those that it has more.
    """

    label: Name
    model: Name
    uid: Uid | None = None
    copy_of: Name | None = None
    address: Address | Literal["unknown"] | None = None
    arm_at: Degrees = 0.0
    baud: Annotated[int, Meta(ge=9600, le=4_000_000)] | None = None
    device: Annotated[toml_source.PlainText, Meta(min_length=1)] | None = None
    lead: LeadTable | None = None
    lacks: list[str] = []  # noqa: RUF012 - msgspec copies it
    own: list[own_table.OwnTable] = []  # noqa: RUF012
    settings: dict[str, Any] = {}  # noqa: RUF012


class WantedTable(Table, frozen=True):
    """Where an actuator belongs in the airframe of this scenario."""

    actuator: Name
    function: Name
    address: Address
    channel: Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
    gang: Annotated[int, Meta(ge=0, le=32)] = 0
    place: Annotated[int, Meta(ge=0, le=3)] = 0


class _File(Table, frozen=True, kw_only=True):
    title: Name
    about: str = ""
    supply: Annotated[float, Meta(ge=0, le=60)] = 7.4
    pack: PackTable = PackTable()
    line: LineTable = LineTable()
    limits: LimitsTable = LimitsTable()
    model: dict[Name, ModelTable]
    actuator: Annotated[list[ActuatorTable], Meta(min_length=1)]
    event: list[EventTable] = []  # noqa: RUF012
    surface: list[surface_table.SurfaceTable] = []  # noqa: RUF012
    wanted: list[WantedTable] = []  # noqa: RUF012
    hand: hand_script.HandTable | None = None
    receiver: sticks.ReceiverTable | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """A checked scenario.

    Attributes:
        source: name or path it came from.
        file: its tables.
        stored: raw stored settings of each actuator, by label.
    """

    source: str
    file: _File
    stored: dict[str, dict[str, RawValue]]

    @property
    def title(self) -> str:
        """One line that says what it is."""
        return self.file.title

    @property
    def wanted(self) -> list[WantedTable]:
        """Where each actuator belongs."""
        return self.file.wanted

    def uids(self, seed: int) -> dict[str, bytes]:
        """The uid of each actuator, by label; those not stated are drawn by the seed."""
        kernel = Kernel(seed)
        uids: dict[str, bytes] = {}
        for row in self.file.actuator:
            if row.copy_of is not None:
                uids[row.label] = uids[row.copy_of]
            elif row.uid is not None:
                uids[row.label] = bytes.fromhex(row.uid)
            else:
                uids[row.label] = kernel.stream(f"uid {row.label}").randbytes(UID_BYTES)
        return uids

    def build(self, seed: int = 0, *, baud: int | None = None, always_bits: bool = False) -> VirtualBus:
        """The bus of this scenario; the same seed gives the same run, to the nanosecond."""
        file = self.file
        kernel = Kernel(seed, max_ns=round(file.limits.seconds * NS_PER_S))
        line = file.line
        bus = VirtualBus(
            kernel,
            baud=baud or line.baud,
            echo=line.echo,
            kind=LineKind(line.kind),
            oversampling=line.oversampling,
            max_frames=file.limits.frames,
            always_bits=always_bits,
            pack_ohm=file.pack.resistance,
        )
        bus.supply_mv = round(file.supply * 1000)
        uids = self.uids(seed)
        addresses = self._addresses(kernel)
        for row in file.actuator:
            actuator = self._actuator(row, bus, uids[row.label], addresses[row.label])
            bus.add(actuator, row.lead.ohm if row.lead is not None else 0.0)
        for table in file.surface:
            surface_table.link(bus, table)
        schedule(bus, file.event)
        if file.hand is not None:
            hand_script.HandScript(bus, file.hand)
        if file.receiver is not None:
            sticks.Sticks(bus, file.receiver)
        return bus

    def _actuator(self, row: ActuatorTable, bus: VirtualBus, uid: bytes, address: int) -> Actuator | Device:
        file, kernel = self.file, bus.kernel
        model, stored = _model(row.model, file.model[row.model]), self.stored[row.label]
        clock_ppm = _clock_ppm(kernel, row.label, file.line.clock_error)
        if row.device is not None:
            return Device(
                kernel,
                bus.line,
                label=row.label,
                uid=uid,
                model=model,
                address=address,
                stored=stored,
                position_deg=row.arm_at,
                supply_mv=lambda: bus.supply.arrives_mv(row.label),
                library=_library(row.device, self.source),
                own_baud=row.baud,
                clock_ppm=clock_ppm,
            )
        return Actuator(
            kernel,
            bus.line,
            label=row.label,
            uid=uid,
            model=model,
            address=address,
            stored=stored,
            position_deg=row.arm_at,
            supply_mv=lambda: bus.supply.arrives_mv(row.label),
            address_changed=lambda _: bus.index(),
            own_baud=row.baud,
            clock_ppm=clock_ppm,
            jitter_ns=file.line.start_jitter_us * 1000,
            rows=own_table.rows_of(row.lacks, row.own),
        )

    def _addresses(self, kernel: Kernel) -> dict[str, int]:
        rows = self.file.actuator
        free = _free_addresses(self.file)
        stream = kernel.stream("unknown addresses")
        addresses = {}
        for row in rows:
            if row.address is None:
                addresses[row.label] = UNADDRESSED
            elif isinstance(row.address, int):
                addresses[row.label] = row.address
            else:
                addresses[row.label] = free.pop(stream.randrange(len(free)))
        return addresses


def _library(device: str, source: str) -> str:
    """The library that a scenario of that source names: a relative path is counted from the file."""
    return device if device == REFERENCE else str(Path(source).parent / device)


def _clock_ppm(kernel: Kernel, label: str, error_percent: float) -> int:
    most = round(error_percent * 10_000)
    return kernel.stream(f"clock {label}").randint(-most, most)


def _free_addresses(file: _File) -> list[int]:
    """Addresses that stand nowhere in the file."""
    used = {row.address for row in file.actuator} | {row.address for row in file.wanted}
    return [address for address in range(MIN_ADDRESS, MAX_ADDRESS + 1) if address not in used]


def _model(name: str, table: ModelTable) -> ActuatorModel:
    before, after = table.firmware.split(".")
    return ActuatorModel(
        name=table.name or name,
        firmware=(int(before), int(after)),
        supply_mv=(round(table.supply[0] * 1000), round(table.supply[1] * 1000)),
        stall_torque_mnm=round(table.stall_torque * 1000),
        stall_current_ma=table.stall_current,
        no_load_speed_deg_s=table.no_load_speed,
        mechanical_travel_deg=table.mechanical_travel,
        time_constant_ms=table.time_constant,
        acceleration_deg_s2=table.acceleration,
        friction=table.friction,
        backlash_deg=table.backlash,
        added_inertia=table.added_inertia,
        sensor_curve_deg=table.sensor_curve,
        sensor_noise_deg=table.sensor_noise,
        heat_k_per_w=table.heat_resistance,
        heat_time_s=table.heat_time,
    )


def _most_nm(table: ModelTable) -> float:
    """The stall torque at which what it gives is what it takes; 0 where that is below 1 mN m."""
    try:
        one_mnm = _model("", msgspec.structs.replace(table, stall_torque=1e-3)).motor()
    except ValueError:
        return 0.0
    return one_mnm.stall_nm / one_mnm.efficiency


def names() -> list[str]:
    """The scenarios that are shipped."""
    files = resources.files("busproto.sim").joinpath("scenarios").iterdir()
    return sorted(file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml"))


def load(name_or_path: str, *, native: bool = False) -> Scenario:
    """A shipped scenario by its name, or one from a file.

    Args:
        name_or_path: the name, or the path.
        native: whether it may name libraries that are then run; see `parse`.

    Raises:
        ScenarioError: there is none, or something in it is wrong; every problem is named.
    """
    try:
        if name_or_path in names():
            text = resources.files("busproto.sim").joinpath("scenarios", f"{name_or_path}.toml").read_text("utf-8")
        else:
            text = reading.read_text(name_or_path, reading.MAX_WRITTEN_BYTES)
    except InputError as error:
        problem = str(error).removeprefix(f"'{name_or_path}' ")
        if type(error.__cause__) in {FileNotFoundError, ValueError}:  # ValueError: there are no such names
            problem = f"no such file, and none is shipped by that name ({', '.join(names())})"
        raise ScenarioError(name_or_path, [problem]) from error
    return parse(text, name_or_path, native=native)


def parse(text: str, source: str = "text", *, native: bool = False) -> Scenario:
    """A scenario from TOML text.

    Args:
        text: all of it.
        source: the name of its file; a library's path is counted from there.
        native: whether it may name libraries. They run in this process with all rights of whoever started it, so
            that has to be asked for beside the file. The firmware that is shipped needs no such word: a scenario can
            only name it, not say what is in it.

    Raises:
        ScenarioError: something in it is wrong; every problem is named.
    """
    written, problems = toml_source.read(text, source)
    if written is None:
        raise ScenarioError(source, map(str, problems))
    file, problems = written.checked(_File)
    if file is None:
        raise ScenarioError(source, map(str, problems))
    stored: dict[str, dict[str, RawValue]] = {}
    wrong = [*_sense_problems(file, stored), *_device_problems(file, source, native=native)]
    if wrong:
        raise ScenarioError(source, (str(written.problem(path, what)) for path, what in wrong))
    return Scenario(source, file, stored)


def _sense_problems(file: _File, stored: dict[str, dict[str, RawValue]]) -> Iterator[Wrong]:
    """What has the right shape but makes no sense; fills `stored` with raw settings."""
    rows = file.actuator
    if len(rows) > file.limits.nodes:
        yield ("actuator",), f"{len(rows)} of them, limits.nodes allows {file.limits.nodes}"
        if len(rows) > MAX_ADDRESS:
            return  # no limit allows so many, and to hold each against all others would take long
    drawn = sum(row.address == "unknown" for row in rows)
    free = len(_free_addresses(file))
    if drawn > free:
        yield ("actuator",), f"{drawn} addresses are to be drawn, but only {free} are free"
    labels: list[str] = []
    uids: dict[str, str] = {}
    for at, row in enumerate(rows):
        here = ("actuator", at)
        if row.label in labels:
            yield (*here, "label"), f"'{row.label}' stands twice"
        if row.model not in file.model:
            yield (*here, "model"), f"'{row.model}' is not among the models ({', '.join(file.model)})"
        elif abs(row.arm_at) > file.model[row.model].mechanical_travel / 2:
            stop = file.model[row.model].mechanical_travel / 2
            yield (*here, "arm-at"), f"{row.arm_at:g} is beyond the stops of '{row.model}' (-{stop:g}..{stop:g})"
        if row.lead is not None and (row.lead.resistance is None) == (
            row.lead.length is None or row.lead.gauge is None
        ):
            yield (*here, "lead"), "either length and gauge, or a resistance"
        if row.copy_of is not None and row.uid is not None:
            yield here, "uid and copy-of exclude each other"
        if row.copy_of is not None and row.copy_of not in labels:
            yield (*here, "copy-of"), f"no actuator '{row.copy_of}' stands before this one"
        if row.uid is not None:
            if row.uid in uids:
                yield (*here, "uid"), f"{row.uid} is already that of '{uids[row.uid]}' (copy-of makes a twin)"
            elif bytes.fromhex(row.uid) == NULL_UID:
                yield (*here, "uid"), "all zeros stands for nobody"
            uids[row.uid] = row.label
        labels.append(row.label)
        stored[row.label] = {}
        wrong = list(own_table.problems(row.lacks, row.own, row.settings))
        yield from (((*here, *place), text) for place, text in wrong)
        named = STANDARD if wrong else list_of_rows(own_table.rows_of(row.lacks, row.own))
        for name, given in row.settings.items():
            try:
                stored[row.label][name] = _row(name, named).from_value(given)
            except InputError as error:
                yield (*here, "settings"), f"{error}"
        if why := disagreement({**FACTORY, **stored[row.label]}):
            yield (*here, "settings"), why
    for name, model in file.model.items():
        if len(name) > 16 or not name.isascii() or not name.isprintable():
            yield ("model", name), "a model name is at most 16 printable ASCII letters"
        if (most := _most_nm(model)) < model.stall_torque:
            yield ("model", name, "stall-torque"), f"at that speed volts x amps give no more than {most:.2f} N m"
        if model.supply[0] >= model.supply[1]:
            yield ("model", name, "supply"), f"{model.supply[0]:g} is not below {model.supply[1]:g}"
    for at, event in enumerate(file.event):
        who = getattr(event, "actuator", None)
        if who is not None and who not in labels:
            yield ("event", at, "actuator"), f"there is no '{who}'"
        until = getattr(event, "until", None)
        if until is not None and until <= event.at:
            yield ("event", at, "until"), f"{until:g} is not after {event.at:g}"
        surface = getattr(event, "surface", None)
        if surface is not None and surface not in [table.name for table in file.surface if table.fitted]:
            yield ("event", at, "surface"), f"there is no '{surface}' whose rods are on from the beginning"
    yield from surface_table.problems(file.surface, labels)
    yield from _wanted_problems(file, labels)
    if file.hand is not None:
        yield from hand_script.problems(file.hand, labels)
    if file.receiver is not None:
        yield from sticks.problems(file.receiver)


def _row(name: str, of: ParameterList) -> Parameter:
    return of.rows[name] if name in of.own else parameter_named(name)


def _device_problems(file: _File, source: str, *, native: bool) -> Iterator[Wrong]:
    linked = {member.actuator for table in file.surface for member in table.members}
    for at, row in enumerate(file.actuator):
        if row.device is None:
            continue
        if row.device != REFERENCE and not native:
            yield (
                ("actuator", at, "device"),
                f"'{row.device}' is code of this scenario's own that would run with all your rights; if you trust it, "
                f"say so: {NATIVE_OPTION}, or {NATIVE_WORD}=yes in a sim:// URL",
            )
        elif row.device != REFERENCE and not os.path.isfile(_library(row.device, source)):
            yield (
                ("actuator", at, "device"),
                f"there is no library '{_library(row.device, source)}'"
                f" ('{REFERENCE}' names the firmware that is shipped)",
            )
        if row.lacks or row.own:
            yield ("actuator", at, "device"), "a firmware has its own list: lacks and own are for others"
        if row.label in linked:
            yield ("actuator", at, "device"), "a firmware's arm is its own, it cannot be on a surface"


def _wanted_problems(file: _File, labels: list[str]) -> Iterator[Wrong]:
    seen: dict[tuple[str, object], int] = {}
    for at, row in enumerate(file.wanted):
        if row.actuator not in labels:
            yield ("wanted", at, "actuator"), f"there is no '{row.actuator}'"
        for key in ("actuator", "function", "address"):
            value = getattr(row, key)
            if (key, value) in seen:
                yield ("wanted", at, key), f"{value} stands in wanted[{seen[key, value]}] too"
            seen.setdefault((key, value), at)
