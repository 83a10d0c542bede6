"""A record: all settings of all actuators of one bus, in one file that can be checked, compared and restored.

Settings are those of stored memory. The fingerprint is the SHA-256 of this part, as RFC 8785 canonical JSON:
``{"actuators": [...], "unread": [...]}``, both by uid, of each actuator its uid, address, model, firmware and settings
(of one that could not be read: uid and address). Date, title, functions and write counters are left out, so the same
settings always give the same fingerprint. A second sum covers the whole file: it shows any later change. This module
knows no clock.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

import rfc8785

from busproto.errors import InputError
from busproto.ops.survey import Snapshot, Survey, firmware_text
from busproto.plan.changes import Goal
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description
from busproto.wire.parameters import BY_NAME, Parameter, RawValue

ENDING: Final = "record.json"
SHORT_DIGITS: Final = 12
NO_ROWS: Final[Mapping[str, Parameter]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Rating:
    """The rating that an actuator reports: supply in mV, torque in mN m, current in mA, speed in deg/s, travel
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
        function: its function in the airframe; "" if not known.
        model, firmware: as reported, firmware such as "2.4".
        rating: as reported.
        settings: stored, raw, by name.
        unsaved: names of settings that differed in working memory when this was saved.
        generation: counter of writes to its stored memory.
        own: by name, the parameters that are not in the table, as the actuator described them.
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
    own: Mapping[str, Parameter] = field(default_factory=lambda: NO_ROWS)

    def row(self, name: str) -> Parameter | None:
        """The parameter of a setting; None if it is neither in the table nor the actuator's own."""
        return BY_NAME.get(name) or self.own.get(name)

    @property
    def lacks(self) -> tuple[str, ...]:
        """Names of parameters in the table that it lacks."""
        return tuple(name for name in BY_NAME if name not in self.settings)

    @property
    def name(self) -> str:
        """Its name for a person: its function, or its model and address."""
        return self.function or f"{self.model} at {self.address}"


@dataclass(frozen=True, slots=True)
class Unread:
    """An actuator that was found, but could not be read.

    Attributes:
        uid: 8 bytes.
        address: 1..239, or 240 (F0h) for none.
        why: the reason, in words.
    """

    uid: bytes
    address: int
    why: str


@dataclass(frozen=True, slots=True)
class Record:
    """All actuators of one bus at one time.

    Attributes:
        title: title of the record.
        airframe: title of the airframe, "" if none was given.
        made: date and time, ISO 8601 with the offset from UTC.
        proven: whether the search was proven complete; `reason` says why not.
        remaining_error: probability that an actuator is missing all the same, 0..1.
        entries: the actuators that were read, by address.
        unread: the actuators that were found and could not be read, by address.
        edited: signs that the file was changed since it was saved, in words; empty without any.
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
        """The fingerprint: 64 hexadecimal digits."""
        return sha256_hex(canonical(_what_matters(self)))

    @property
    def flaws(self) -> list[str]:
        """Why this is not the whole bus, in words; empty if it is."""
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
        """The actuator of a function, or with that uid. Raises InputError, which lists the functions, if there is
        none."""
        for one in self.entries:
            if function in {one.function, one.uid.hex()} and function:
                return one
        known = ", ".join(one.function for one in self.entries if one.function)
        there = (
            f"there are: {known}" if known else "saved without the airframe file, it names none: the uid does as well"
        )
        raise InputError(f"the record '{self.title}' has no function '{function}'; {there}")

    def with_uid(self, uid: bytes) -> Entry | None:
        """The actuator with this uid; None if it is not in the record."""
        return next((one for one in self.entries if one.uid == uid), None)


def short(fingerprint: str) -> str:
    """The first digits of a fingerprint, in groups of four, for comparing by eye."""
    return " ".join(fingerprint[at : at + 4] for at in range(0, SHORT_DIGITS, 4))


def canonical(body: Any) -> bytes:
    """Canonical JSON (RFC 8785) of plain data: the same data gives the same bytes."""
    return rfc8785.dumps(body)


def sha256_hex(data: bytes) -> str:
    """SHA-256 (FIPS 180-4), 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def record_of(survey: Survey, *, title: str, made: str, airframe: str = "", functions: Mapping[bytes, str]) -> Record:
    """Make a record of a survey.

    Args:
        survey: the survey of the line.
        title: title of the record.
        made: date and time, ISO 8601.
        airframe: title of the airframe.
        functions: by uid, as far as known.
    """
    roster = survey.roster
    entries = [entry_of(snapshot, functions.get(uid, "")) for uid, snapshot in survey.snapshots.items()]
    unread = [
        Unread(one.uid, one.address, _why_unread(one.uid, one.address, survey))
        for one in roster.found
        if one.uid not in survey.snapshots
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


def entry_of(snapshot: Snapshot, function: str) -> Entry:
    """The entry of one actuator: its stored settings, and the names of those that differ in working memory."""
    return Entry(
        uid=snapshot.uid,
        address=snapshot.address,
        function=function,
        model=snapshot.description.model,
        firmware=firmware_text(snapshot.description),
        rating=rating_of(snapshot.description),
        settings=dict(snapshot.stored),
        unsaved=tuple(name for name, raw in snapshot.stored.items() if snapshot.working[name] != raw),
        generation=snapshot.description.generation,
        own=snapshot.parameters.own_rows or NO_ROWS,
    )


def rating_of(description: Description) -> Rating:
    """The rating in a description."""
    return Rating(**{name: getattr(description, name) for name in Rating.__dataclass_fields__})


def goals_of(record: Record) -> list[Goal]:
    """The goal of every actuator of the record: its recorded address and settings."""
    return [goal_of_entry(one, may_lack=True) for one in record.entries]


def goal_of_entry(one: Entry, *, may_lack: bool) -> Goal:
    """The goal with address and settings of an entry; for `may_lack` see `Goal`."""
    return Goal(
        one.uid,
        one.name,
        one.address,
        {name: raw for name, raw in one.settings.items() if name in BY_NAME},
        own={name: row.value(one.settings[name]) for name, row in one.own.items()},
        units={name: row.unit for name, row in one.own.items()},
        may_lack=may_lack,
    )


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
            "settings": in_units(one),
        }
        for one in sorted(record.entries, key=lambda one: one.uid)
    ]
    unread = [
        {"uid": one.uid.hex(), "address": address_json(one.address)}
        for one in sorted(record.unread, key=lambda one: one.uid)
    ]
    return {"actuators": actuators, "unread": unread}


def in_units(one: Entry) -> dict[str, Any]:
    """The settings of an entry in their units, as JSON types."""
    return {name: row.value(one.settings[name]) for name, row in {**BY_NAME, **one.own}.items() if name in one.settings}


def address_json(address: int) -> int | None:
    """An address for JSON; None for no address."""
    return None if address == UNADDRESSED else address
