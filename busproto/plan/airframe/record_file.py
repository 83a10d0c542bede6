"""The file of a record: JSON that a person can read, settings in their units. An actuator's own parameters are
described beside its settings.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
import rfc8785
from msgspec import Meta

from busproto.atomic_files import keep_numbered, write_whole
from busproto.errors import FileError, InputError
from busproto.ops.addressing import parse_uid
from busproto.plan.airframe.record import (
    NO_ROWS,
    Entry,
    Rating,
    Record,
    Unread,
    address_json,
    canonical,
    in_units,
    sha256_hex,
)
from busproto.reading import decode_json, read_text
from busproto.toml_source import PlainText
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.parameter_list import is_own_name, own_row
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter, RawValue, disagreement, parameter_named

RECORD_KEY: Final = "bus-record"
"""The first key of every record."""
FORMAT: Final = 1

_Uid = Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
_Address = Annotated[int, Meta(ge=MIN_ADDRESS, le=MAX_ADDRESS)]
_Sum = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
_Word = Annotated[int, Meta(ge=0, le=0xFFFF)]


class _Table(msgspec.Struct, forbid_unknown_fields=True, rename="kebab", frozen=True, kw_only=True):
    pass


class _Search(_Table, frozen=True, kw_only=True):
    proven: bool
    reason: str
    chance_that_one_is_missing: Annotated[float, Meta(ge=0, le=1)]


class _Rating(_Table, frozen=True, kw_only=True):
    supply_v: tuple[float, float]
    stall_torque_nm: float
    stall_current_a: float
    no_load_speed_deg_s: _Word
    mechanical_travel_deg: float


class _Own(_Table, frozen=True, kw_only=True):
    number: int
    bytes: int
    points: int
    count_unit: str
    low: int
    high: int
    factory: int


class _Actuator(_Table, frozen=True, kw_only=True):
    function: PlainText
    address: _Address
    uid: _Uid
    model: str
    firmware: Annotated[str, Meta(pattern=r"^\d{1,3}\.\d{1,3}$")]
    memory_writes: _Word
    rating: _Rating
    settings: dict[str, Any]
    not_stored_then: list[str]
    own_parameters: dict[str, _Own] = {}


class _UnreadRow(_Table, frozen=True, kw_only=True):
    uid: _Uid
    address: _Address | None
    why: str


class _File(_Table, frozen=True, kw_only=True):
    bus_record: Annotated[int, Meta(ge=1, le=FORMAT)]
    title: PlainText
    airframe: PlainText
    made: PlainText
    fingerprint: _Sum
    sum_of_all: _Sum
    as_it_is: bool
    search: _Search
    units: dict[str, str]
    actuators: list[_Actuator]
    unread: list[_UnreadRow]


def record_text(record: Record) -> str:
    """The file of a record: JSON, one setting a line."""
    body: dict[str, Any] = {
        RECORD_KEY: FORMAT,
        "title": record.title,
        "airframe": record.airframe,
        "made": record.made,
        "fingerprint": record.fingerprint,
        "as-it-is": bool(record.flaws),
        "search": {
            "proven": record.proven,
            "reason": record.reason,
            "chance-that-one-is-missing": record.remaining_error,
        },
        "units": {row.name: row.unit for row in PARAMETERS.values() if row.unit},
        "actuators": [_entry_json(one) for one in record.entries],
        "unread": [
            {"uid": one.uid.hex(), "address": address_json(one.address), "why": one.why} for one in record.unread
        ],
    }
    return _spread({**body, "sum-of-all": sha256_hex(canonical(body))}, "") + "\n"


def parse_record(text: str, name: str) -> Record:
    """The record in the text of a file.

    Args:
        text: the whole text.
        name: name of the file, for messages.

    Returns:
        The record; `edited` lists the signs that the text was changed since it was saved.

    Raises:
        FileError: it is not a record, or incomplete.
    """
    try:
        body: Any = decode_json(text)
        file = msgspec.convert(body, _File)
        sum_of_all = sha256_hex(canonical({key: value for key, value in body.items() if key != "sum-of-all"}))
    except msgspec.ValidationError as error:
        raise FileError(name, [f"not a record of this program's: {error}"]) from error
    except (msgspec.DecodeError, UnicodeEncodeError, rfc8785.CanonicalizationError) as error:
        raise FileError(name, [f"not whole JSON: {error}"]) from error
    problems: list[str] = []
    entries = tuple(_entry(row, problems) for row in file.actuators)
    unread = tuple(Unread(parse_uid(row.uid), row.address or UNADDRESSED, row.why) for row in file.unread)
    problems += _sense_problems(entries, unread)
    if problems:
        raise FileError(name, problems)
    record = Record(
        title=file.title,
        airframe=file.airframe,
        made=file.made,
        proven=file.search.proven,
        reason=file.search.reason,
        remaining_error=file.search.chance_that_one_is_missing,
        entries=entries,
        unread=unread,
    )
    return replace(record, edited=tuple(_edits(record, file, sum_of_all)))


def load_record(path: str | Path) -> Record:
    """Read the record in a file.

    Raises:
        FileError: it is not a record, or incomplete.
        InputError: the file cannot be read.
    """
    return parse_record(read_text(Path(path)), str(path))


def save_record(path: Path, record: Record) -> Path | None:
    """Write the record; an older file at that path is kept under the next free number.

    Returns:
        The new path of the older file; None if there was none.

    Raises:
        InputError: the file cannot be written; the older file is unchanged.
    """
    kept = keep_numbered(path)
    write_whole(path, record_text(record))
    return kept


def _entry_json(one: Entry) -> dict[str, Any]:
    rating = one.rating
    return {
        "function": one.function,
        "address": one.address,
        "uid": one.uid.hex(),
        "model": one.model,
        "firmware": one.firmware,
        "memory-writes": one.generation,
        "rating": {
            "supply-v": [rating.supply_min_mv / 1000, rating.supply_max_mv / 1000],
            "stall-torque-nm": rating.stall_torque_mnm / 1000,
            "stall-current-a": rating.stall_current_ma / 1000,
            "no-load-speed-deg-s": rating.no_load_speed_deg_s,
            "mechanical-travel-deg": rating.mechanical_travel_cdeg / 100,
        },
        "settings": in_units(one),
        "not-stored-then": list(one.unsaved),
        **({"own-parameters": {name: _own_json(row) for name, row in one.own.items()}} if one.own else {}),
    }


def _own_json(row: Parameter) -> dict[str, Any]:
    """A parameter of an actuator's own; limits and factory value are raw counts."""
    return {
        "number": row.number,
        "bytes": row.size,
        "points": row.points,
        "count-unit": row.count_unit,
        "low": row.low,
        "high": row.high,
        "factory": row.default if isinstance(row.default, int) else 0,
    }


def _own_rows(row: _Actuator, where: str, problems: list[str]) -> dict[str, Parameter]:
    """The rows of its own that a file holds; problems with them are added to `problems`."""
    rows: dict[str, Parameter] = {}
    for name, one in row.own_parameters.items():
        try:
            if not is_own_name(name, one.number):
                raise InputError("no name of an actuator's own")
            rows[name] = own_row(
                number=one.number,
                name=name,
                size=one.bytes,
                points=one.points,
                count_unit=one.count_unit,
                low=one.low,
                high=one.high,
                default=one.factory,
            )
        except InputError as error:
            problems.append(f"{where}own parameter '{name}': {error}")
    return rows


def _entry(row: _Actuator, problems: list[str]) -> Entry:
    """One actuator of a file; problems with its settings are added to `problems`."""
    where = f"{row.function or row.uid}: "
    settings: dict[str, RawValue] = {}
    own = _own_rows(row, where, problems)
    for name, value in row.settings.items():
        try:
            settings[name] = (own.get(name) or parameter_named(name)).from_value(value)
        except InputError as error:
            problems.append(where + str(error))
    problems += [f"{where}own parameter '{name}': no value among the settings" for name in own if name not in settings]
    if why := disagreement(settings):
        problems.append(where + why)
    rating = row.rating
    return Entry(
        uid=bytes.fromhex(row.uid),
        address=row.address,
        function=row.function,
        model=row.model,
        firmware=row.firmware,
        rating=Rating(
            supply_min_mv=round(rating.supply_v[0] * 1000),
            supply_max_mv=round(rating.supply_v[1] * 1000),
            stall_torque_mnm=round(rating.stall_torque_nm * 1000),
            stall_current_ma=round(rating.stall_current_a * 1000),
            no_load_speed_deg_s=rating.no_load_speed_deg_s,
            mechanical_travel_cdeg=round(rating.mechanical_travel_deg * 100),
        ),
        settings={name: settings[name] for name in (*BY_NAME, *own) if name in settings},
        unsaved=tuple(row.not_stored_then),
        generation=row.memory_writes,
        own=own or NO_ROWS,
    )


def _sense_problems(entries: tuple[Entry, ...], unread: tuple[Unread, ...]) -> list[str]:
    """Contradictions: a uid twice, two actuators each alone at one address, two in one function."""
    uids = [one.uid.hex() for one in entries] + [one.uid.hex() for one in unread]
    addresses = [str(one.address) for one in entries]
    functions = [one.function for one in entries if one.function]
    return [
        f"{kind} {value} is there twice"
        for kind, values in (("uid", uids), ("address", addresses), ("function", functions))
        for value in sorted({value for value in values if values.count(value) > 1})
    ]


def _edits(record: Record, file: _File, sum_of_all: str) -> list[str]:
    if record.fingerprint != file.fingerprint:
        return ["actuators, addresses or settings in it are not those that were saved (the fingerprint differs)"]
    if file.sum_of_all != sum_of_all:
        return ["it was changed since it was saved, though not in addresses or settings (the fingerprint holds)"]
    return []


def _spread(value: Any, indent: str) -> str:
    """Readable JSON: one item a line, a list of plain values on one line."""
    inner = indent + "  "
    if isinstance(value, dict) and value:
        rows = [f"{inner}{json.dumps(key)}: {_spread(one, inner)}" for key, one in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(one, dict) for one in value):
        return "[\n" + ",\n".join(inner + _spread(one, inner) for one in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)
