"""The values that a program passes and receives, in units. Calculation only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from busproto.errors import InputError
from busproto.ops.addressing import parse_uid
from busproto.ops.discovery.roster import Found
from busproto.ops.holding import Held
from busproto.ops.moving.demand_units import check_target
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.moving.motion import fault_texts
from busproto.ops.reports import state_word
from busproto.ops.survey import firmware_text
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UID_BYTES
from busproto.wire.messages import LIMP_STATES, ZERO_UID, Description, Memory, Status
from busproto.wire.parameters import Parameter, RawValue

Value = float | str | list[float]
"""A setting as a program reads and sets it: a number in its unit, a word such as "reversed", or a list of numbers."""
MEMORIES: Final[Mapping[str, Memory]] = {one.name.lower(): one for one in Memory}
UNITS: Final = ("deg", "%", "us")
NO_AGE: Final = 0xFFFF
MIN_HOLD_S, MAX_HOLD_S = 0.1, 600.0


@dataclass(frozen=True, slots=True)
class ActuatorReport:
    """The report of one actuator, in units.

    Attributes:
        state: a word: "limp", "soft-starting", "following", "lost-limp", "lost-hold", "lost-preset", "released",
            "faulted".
        faults: what is wrong, in words.
        position_deg: position of the arm, deg.
        demand_deg: position to which it is driven, deg; while limp the position of the arm.
        current_ma: of motor and electronics, mA.
        supply_v: supply voltage at the actuator, V.
        temperature_degc: inside, degC.
        demand_age_ms: time since the last valid demand, ms; None for 65 s or more, or without one.
        good_frames, bad_frames: requests it received, modulo 65536.
        is_showing: whether it makes itself known now.
        is_limp: whether the arm can be moved by hand.
    """

    state: str
    faults: tuple[str, ...]
    position_deg: float
    demand_deg: float
    current_ma: int
    supply_v: float
    temperature_degc: float
    demand_age_ms: int | None
    good_frames: int
    bad_frames: int
    is_showing: bool
    is_limp: bool


def report_of(status: Status) -> ActuatorReport:
    """A status as the library gives it: deg, mA, V, degC."""
    return ActuatorReport(
        state=state_word(status.state),
        faults=tuple(fault_texts(status.faults)),
        position_deg=status.position_cdeg / 100,
        demand_deg=status.demand_cdeg / 100,
        current_ma=status.current_ma,
        supply_v=status.supply_mv / 1000,
        temperature_degc=status.temperature_cdeg / 100,
        demand_age_ms=None if status.demand_age_ms == NO_AGE else status.demand_age_ms,
        good_frames=status.good_frames,
        bad_frames=status.bad_frames,
        is_showing=bool(status.is_showing),
        is_limp=status.state in LIMP_STATES,
    )


@dataclass(frozen=True, slots=True)
class About:
    """The description of one actuator, in units. Torque, current and speed are at the highest rated supply.

    Attributes:
        address: the address at which it was read, 1..239.
        uid: 16 hexadecimal digits.
        model, firmware: as reported, firmware such as "2.4".
        supply_v: lowest and highest rated supply, V.
        stall_torque_nm: stall torque, N m.
        stall_current_a: stall current, A.
        no_load_speed_deg_s: no-load speed, deg/s.
        mechanical_travel_deg: from stop to stop, deg.
        stored_writes: how often its stored memory was written, modulo 65536.
    """

    address: int
    uid: str
    model: str
    firmware: str
    supply_v: tuple[float, float]
    stall_torque_nm: float
    stall_current_a: float
    no_load_speed_deg_s: int
    mechanical_travel_deg: float
    stored_writes: int

    def as_dict(self) -> dict[str, Any]:
        """All fields by name, as JSON types."""
        return asdict(self)


def about_of(address: int, description: Description) -> About:
    """A description as the library gives it: V, N m, A."""
    return About(
        address=address,
        uid=description.uid.hex(),
        model=description.model,
        firmware=firmware_text(description),
        supply_v=(description.supply_min_mv / 1000, description.supply_max_mv / 1000),
        stall_torque_nm=description.stall_torque_mnm / 1000,
        stall_current_a=description.stall_current_ma / 1000,
        no_load_speed_deg_s=description.no_load_speed_deg_s,
        mechanical_travel_deg=description.mechanical_travel_cdeg / 100,
        stored_writes=description.generation,
    )


@dataclass(frozen=True, slots=True)
class Moved:
    """The result of a move.

    Attributes:
        address: 1..239.
        target_percent: the demand, -100..100 % of the travel.
        target_deg: the position of that demand by the actuator's settings, deg.
        pulse_us: the same demand as a pulse width, 1000..2000 us.
        arrived: whether the arm came within 0.3 deg of `target_deg`.
        peak_current_ma: the highest current reported meanwhile, mA.
        before, held: reports at the beginning, and at the end of the hold.
        let_go: what was seen after the release; None with ``stay``.
    """

    address: int
    target_percent: float
    target_deg: float
    pulse_us: float
    arrived: bool
    peak_current_ma: int
    before: ActuatorReport
    held: ActuatorReport
    let_go: LetGo | None


def value_of(row: Parameter, raw: RawValue) -> Value:
    """A setting in its unit."""
    value: Value = row.value(raw)  # type: ignore[assignment]  # the types that a file may hold
    return value


def values_of(held: Held) -> dict[str, Value]:
    """Settings in their units, by name."""
    return {name: value_of(held.parameters.rows[name], raw) for name, raw in held.items()}


def raw_of(row: Parameter, given: object) -> RawValue:
    """The raw count of a program's value. Raises InputError, which names setting, value, range and unit."""
    if isinstance(given, str):
        return row.from_text(given)
    return row.from_value(list(given) if isinstance(given, tuple) else given)


def memory_named(name: object, *, but: str = "") -> Memory:
    """The memory named "working", "stored" or "factory". Raises InputError for another name, and for `but`."""
    allowed = {word: memory for word, memory in MEMORIES.items() if word != but}
    if not isinstance(name, str) or name not in allowed:
        raise InputError(f"memory {name!r}: one of {', '.join(allowed)} is wanted")
    return allowed[name]


def target_text(target: object, unit: str | None) -> str:
    """A target as text with its unit: "12.5deg", "40%", "1700us", "centre".

    Raises:
        InputError: not a target, without a unit, or outside what any actuator can do.
    """
    if isinstance(target, str):
        if unit is not None:
            raise InputError(f"target '{target}': the text has its unit, so unit={unit!r} must be left out")
        if target.strip().lower() == "limp":
            raise InputError("target 'limp': limp() lets an actuator go, move() moves it")
        text = target
    elif isinstance(target, int | float) and not isinstance(target, bool):
        if unit not in UNITS:
            given = "without a unit" if unit is None else f"in {unit!r}"
            raise InputError(f'target {target!r} {given}: say "{target:g}deg", or unit="deg", "%" or "us"')
        text = f"{float(target)!r}{unit}"
    else:
        raise InputError(f'target {target!r}: a text such as "12.5deg" is wanted, or a number and its unit')
    check_target(text)
    return text


def hold_ns_of(hold_s: object) -> int:
    """How long to hold, ns. Raises InputError: not 0.1..600 s."""
    if not isinstance(hold_s, int | float) or isinstance(hold_s, bool) or not MIN_HOLD_S <= hold_s <= MAX_HOLD_S:
        raise InputError(f"hold_s {hold_s!r}: {MIN_HOLD_S:g}..{MAX_HOLD_S:g} s are allowed")
    return round(hold_s * 1e9)


def address_of(given: object) -> int:
    """The address given, as an int. Raises InputError: not a whole number 1..239."""
    if type(given) is not int or not MIN_ADDRESS <= given <= MAX_ADDRESS:
        raise InputError(f"address {given!r}: a whole number {MIN_ADDRESS}..{MAX_ADDRESS} is wanted")
    return given


def key_of(given: object) -> int | bytes:
    """The address, or the uid as 8 bytes, for what a program wrote in ``bus[...]``.

    Raises:
        InputError: neither an address, nor a uid as bytes, as 16 hexadecimal digits, or as an entry of a roster.
    """
    if isinstance(given, Found):
        return given.uid
    if isinstance(given, str):
        return parse_uid(given)
    if isinstance(given, bytes | bytearray):
        if len(given) != UID_BYTES or given == ZERO_UID:
            raise InputError(f"uid {bytes(given).hex()}: {UID_BYTES} bytes are wanted, not all zero")
        return bytes(given)
    if isinstance(given, int) and not isinstance(given, bool):
        return address_of(given)
    raise InputError(
        f"{given!r}: an actuator is named by its address {MIN_ADDRESS}..{MAX_ADDRESS}, or by its uid (16 digits, or "
        f"{UID_BYTES} bytes)"
    )
