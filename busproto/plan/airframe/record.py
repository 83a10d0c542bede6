"""A record: everything that all actuators of one bus hold, in one file that can be checked, compared and restored.

The file is JSON that a person can read: settings in their units, stored memory as it was. Its fingerprint is the
SHA-256 of what matters, as RFC 8785 canonical JSON: ``{"actuators": [...], "unread": [...]}``, both by uid, of each
actuator its uid, address, model, firmware and settings (of one that could not be read: uid and address). Date, title,
functions and write counters do not count, so the same settings give the same fingerprint, whoever saves them when.
A second sum covers the whole file: it tells whether anything at all was changed since. Knows no clock.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
import rfc8785
from msgspec import Meta

from busproto.errors import FileError, InputError
from busproto.keeping import keep_numbered, write_whole
from busproto.ops.addressing import parse_uid
from busproto.ops.survey import Sheet, Survey, firmware_text
from busproto.plan.changes import Goal
from busproto.reading import decode_json, read_text
from busproto.toml_source import PlainText
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.messages import Description
from busproto.wire.parameters import BY_NAME, PARAMETERS, RawValue, disagreement, parameter_named

RECORD_KEY: Final = "bus-record"
"""The first key of every record."""
FORMAT: Final = 1
ENDING: Final = "record.json"
SHORT_DIGITS: Final = 12


@dataclass(frozen=True, slots=True)
class Rating:
    """What an actuator says of its own limits: supply in mV, torque in mN m, current in mA, speed in deg/s, travel
    between the stops in 0.01 deg; torque, current and speed at the highest rated supply."""

    supply_min_mv: int
    supply_max_mv: int
    stall_torque_mnm: int
    stall_current_ma: int
    no_load_speed_deg_s: int
    mechanical_travel_cdeg: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One actuator of a record.

    Attributes:
        uid: 8 bytes.
        address: 1..239.
        function: in the airframe; "" where that is not known.
        model, firmware: as it says them, firmware such as "2.4".
        rating: as it says it.
        settings: stored, raw, by name.
        unsaved: names of settings that were different in working memory when this was saved.
        generation: how often its memory had been written.
    """

    uid: bytes
    address: int
    function: str
    model: str
    firmware: str
    rating: Rating
    settings: Mapping[str, RawValue]
    unsaved: tuple[str, ...] = ()
    generation: int = 0

    @property
    def name(self) -> str:
        """What a person knows it by: its function, or its model and address."""
        return self.function or f"{self.model} at {self.address}"


@dataclass(frozen=True, slots=True)
class Unread:
    """One that was found, but could not be read.

    Attributes:
        uid: 8 bytes.
        address: 1..239, or 240 (F0h) for none.
        why: in words.
    """

    uid: bytes
    address: int
    why: str


@dataclass(frozen=True, slots=True)
class Record:
    """All actuators of one bus at one time.

    Attributes:
        title: what a person calls it.
        airframe: title of the airframe, "" where none was given.
        made: when, ISO 8601 with the offset from UTC.
        proven: whether the search was proven complete; `reason` says why not.
        remaining_error: chance that one is missing all the same.
        entries: those that were read, by address.
        unread: those that were found and could not be read, by address.
        edited: what shows that the file was changed since it was saved; empty where nothing was.
    """

    title: str
    airframe: str
    made: str
    proven: bool
    reason: str
    remaining_error: float
    entries: tuple[Entry, ...]
    unread: tuple[Unread, ...] = ()
    edited: tuple[str, ...] = ()

    @property
    def fingerprint(self) -> str:
        """64 hexadecimal digits over what matters."""
        return sha256_hex(canonical(_what_matters(self)))

    @property
    def flaws(self) -> list[str]:
        """Why this is not the whole bus; empty where it is."""
        found = [] if self.proven else [f"the search was not proven complete: {self.reason}"]
        for address in sorted({one.address for one in self.unread}):
            there = [one for one in self.unread if one.address == address]
            uids = ", ".join(one.uid.hex() for one in there)
            if address == UNADDRESSED:
                found.append(f"without an address, so not read: {uids}")
            elif len(there) > 1:
                found.append(f"address {address} is shared, so not read: {uids}")
            else:
                found.append(f"not read: {uids}: {there[0].why}")
        return found

    def entry(self, function: str) -> Entry:
        """The actuator in a function, or with that uid. Raises InputError, with the functions, where there is none."""
        for one in self.entries:
            if function in {one.function, one.uid.hex()} and function:
                return one
        known = ", ".join(one.function for one in self.entries if one.function)
        there = (
            f"there are: {known}" if known else "saved without the airframe file, it names none: the uid does as well"
        )
        raise InputError(f"the record '{self.title}' has no function '{function}'; {there}")

    def with_uid(self, uid: bytes) -> Entry | None:
        """The actuator with this uid, None where it was not there."""
        return next((one for one in self.entries if one.uid == uid), None)


def short(fingerprint: str) -> str:
    """The first digits of a fingerprint, in fours, as one reads them aloud."""
    return " ".join(fingerprint[at : at + 4] for at in range(0, SHORT_DIGITS, 4))


def canonical(body: Any) -> bytes:
    """Canonical JSON (RFC 8785) of plain data: the same data gives the same bytes."""
    return rfc8785.dumps(body)


def sha256_hex(data: bytes) -> str:
    """SHA-256 (FIPS 180-4), 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def record_of(survey: Survey, *, title: str, made: str, airframe: str = "", functions: Mapping[bytes, str]) -> Record:
    """The record of what was read.

    Args:
        survey: everything on the line.
        title: what a person calls it.
        made: when, ISO 8601.
        airframe: title of the airframe.
        functions: by uid, where known.
    """
    roster = survey.roster
    entries = [entry_of(sheet, functions.get(uid, "")) for uid, sheet in survey.sheets.items()]
    unread = [
        Unread(one.uid, one.address, _why_unread(one.uid, one.address, survey))
        for one in roster.found
        if one.uid not in survey.sheets
    ]
    return Record(
        title=title,
        airframe=airframe,
        made=made,
        proven=roster.proven,
        reason=roster.reason,
        remaining_error=roster.remaining_error,
        entries=tuple(sorted(entries, key=lambda one: (one.address, one.uid))),
        unread=tuple(sorted(unread, key=lambda one: (one.address, one.uid))),
    )


def entry_of(sheet: Sheet, function: str) -> Entry:
    """One actuator as a record holds it: stored memory, and where working memory differs."""
    return Entry(
        uid=sheet.uid,
        address=sheet.address,
        function=function,
        model=sheet.description.model,
        firmware=firmware_text(sheet.description),
        rating=rating_of(sheet.description),
        settings=dict(sheet.stored),
        unsaved=tuple(name for name in BY_NAME if sheet.working[name] != sheet.stored[name]),
        generation=sheet.description.generation,
    )


def rating_of(description: Description) -> Rating:
    """What an actuator says of its limits."""
    return Rating(**{name: getattr(description, name) for name in Rating.__dataclass_fields__})


def goals_of(record: Record) -> list[Goal]:
    """What every actuator of the record is to be again: its address and all settings that the record names."""
    return [Goal(one.uid, one.name, one.address, one.settings) for one in record.entries]


def _why_unread(uid: bytes, address: int, survey: Survey) -> str:
    if address == UNADDRESSED:
        return "it has no address yet"
    others = [other.hex() for other in survey.roster.by_address[address] if other != uid]
    if others:
        return f"it shares address {address} with {', '.join(others)}"
    return survey.problems.get(address, f"another uid answered at address {address}")


def _what_matters(record: Record) -> dict[str, Any]:
    actuators = [
        {
            "uid": one.uid.hex(),
            "address": one.address,
            "model": one.model,
            "firmware": one.firmware,
            "settings": _in_units(one.settings),
        }
        for one in sorted(record.entries, key=lambda one: one.uid)
    ]
    unread = [
        {"uid": one.uid.hex(), "address": _address_json(one.address)}
        for one in sorted(record.unread, key=lambda one: one.uid)
    ]
    return {"actuators": actuators, "unread": unread}


def _in_units(settings: Mapping[str, RawValue]) -> dict[str, Any]:
    return {name: row.value(settings[name]) for name, row in BY_NAME.items() if name in settings}


def _address_json(address: int) -> int | None:
    return None if address == UNADDRESSED else address


# --- the file -------------------------------------------------------------------------------------------------------

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
            {"uid": one.uid.hex(), "address": _address_json(one.address), "why": one.why} for one in record.unread
        ],
    }
    return _spread({**body, "sum-of-all": sha256_hex(canonical(body))}, "") + "\n"


def parse_record(text: str, name: str) -> Record:
    """The record in the text of a file.

    Args:
        text: all of it.
        name: of the file, for messages.

    Returns:
        The record; `edited` says what shows that the text was changed since it was saved.

    Raises:
        FileError: it is no record, or torn.
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
    """The record in a file.

    Raises:
        FileError: it is no record, or torn.
        InputError: it cannot be read.
    """
    return parse_record(read_text(Path(path)), str(path))


def save_record(path: Path, record: Record) -> Path | None:
    """Write the record; what stood at that path is kept under the next free number.

    Returns:
        Where the old file is kept now, None where there was none.

    Raises:
        InputError: it cannot be written; the old file then stands as it was.
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
        "settings": _in_units(one.settings),
        "not-stored-then": list(one.unsaved),
    }


def _entry(row: _Actuator, problems: list[str]) -> Entry:
    """One actuator of a file; what is wrong with its settings goes to `problems`."""
    where = f"{row.function or row.uid}: "
    settings: dict[str, RawValue] = {}
    for name, value in row.settings.items():
        try:
            settings[name] = parameter_named(name).from_value(value)
        except InputError as error:
            problems.append(where + str(error))
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
        settings={name: settings[name] for name in BY_NAME if name in settings},
        unsaved=tuple(row.not_stored_then),
        generation=row.memory_writes,
    )


def _sense_problems(entries: tuple[Entry, ...], unread: tuple[Unread, ...]) -> list[str]:
    """What no bus can be: one uid twice, two alone at one address, two in one function."""
    uids = [one.uid.hex() for one in entries] + [one.uid.hex() for one in unread]
    addresses = [str(one.address) for one in entries]
    functions = [one.function for one in entries if one.function]
    return [
        f"{kind} {value} stands there twice"
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
    """JSON as one reads it: one thing a line, but a list of plain values on one."""
    inner = indent + "  "
    if isinstance(value, dict) and value:
        rows = [f"{inner}{json.dumps(key)}: {_spread(one, inner)}" for key, one in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(one, dict) for one in value):
        return "[\n" + ",\n".join(inner + _spread(one, inner) for one in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)
