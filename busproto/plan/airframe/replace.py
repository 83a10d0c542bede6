"""Put a new actuator in the place of a lost one: find it, check whether it may be used, and set it.

The new actuator gets the address and every recorded setting of the old one, except the correction table, which was
measured on the old one's sensor: the new one has none until it is matched. Its model must be the same, its firmware too
unless another is allowed, and its rating must cover that of the old one, and the pack. If a plan states model and
firmware, the plan counts, as the old actuator may have been the wrong one.

If several actuators share an address, or several have none, the new one cannot be read there: it is then lent a free
address first. A shared address is not restored, even if the new actuator is refused.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.ops.addressing import assign
from busproto.ops.steps import Steps
from busproto.ops.survey import Snapshot, Survey, firmware_text, read_snapshot
from busproto.plan.airframe.record import (
    Entry,
    Record,
    entry_of,
    goal_of_entry,
    rating_of,
)
from busproto.plan.changes import Goal
from busproto.plan.load import MEASURED, Role
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.messages import Description
from busproto.wire.parameters import FACTORY

_MUST_REACH: Final = (
    ("supply_max_mv", "supply up to", 1000, "V"),
    ("stall_torque_mnm", "stall torque", 1000, "N m"),
    ("no_load_speed_deg_s", "speed", 1, "deg/s"),
    ("mechanical_travel_cdeg", "travel between the stops", 100, "deg"),
)
"""The ratings of which the new actuator needs at least as much as the old one had."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """Which new actuator takes the place of which old one.

    Attributes:
        old: the entry of the old one in the record.
        uid: uid of the new one.
        address: address of the new one now, 240 (F0h) for none.
        is_readable: whether the new one can be read there.
        lend: a free address for reading it; not used if it is readable.
    """

    old: Entry
    uid: bytes
    address: int
    is_readable: bool
    lend: int


def exchange_of(
    record: Record, function: str, survey: Survey, *, uid: bytes | None = None, take_over: bool = False
) -> Exchange:
    """Find the new actuator for the place of the one recorded in a function.

    Args:
        survey: the survey of the line; its roster must be proven.
        uid: uid of the new one; None if it is the only one that is not in the record.
        take_over: go on even if the old one is on the line.

    Raises:
        InputError: the new one is not unique, or the place is not free. Nothing was sent.
    """
    old = record.entry(function)
    roster = survey.roster
    old_at = roster.address_of(old.uid)
    if old_at is not None and not take_over:
        where = "without an address" if old_at == UNADDRESSED else f"at address {old_at}"
        raise InputError(
            f"{function}: the old actuator {old.uid.hex()} is on the line, {where}; unplug it, or say --take-over"
        )
    new = _new_one(record, old, survey, uid)
    holder = next((one for one in roster.found if one.address == old.address and one.uid not in (new, old.uid)), None)
    known = record.with_uid(holder.uid) if holder else None
    if holder and known:
        raise InputError(
            f"address {old.address} of the {function} is held by {known.name} ({known.uid.hex()}), which the record "
            f"has at {known.address}: 'busproto restore --those-present' puts it back first"
        )
    address = roster.address_of(new)
    assert address is not None
    taken = {one.address for one in roster.found}
    taken |= {one.address for one in record.entries} | {one.address for one in record.unread}
    lend = next((at for at in range(MAX_ADDRESS, MIN_ADDRESS - 1, -1) if at not in taken), UNADDRESSED)
    is_readable = new in survey.snapshots or roster.unaddressed == (new,)
    return Exchange(old, new, address, is_readable, lend)


def _new_one(record: Record, old: Entry, survey: Survey, uid: bytes | None) -> bytes:
    recorded = {one.uid: one.name for one in record.entries}
    recorded |= {one.uid: f"an unread one ({one.why})" for one in record.unread}
    strangers = [one for one in survey.roster.found if one.uid not in recorded]
    if uid is None:
        if len(strangers) == 1:
            return strangers[0].uid
        if not strangers:
            raise InputError("every actuator on the bus is already in the record: plug in the new one")
        rows = [
            f"{one.uid.hex()} ({'no address' if one.address == UNADDRESSED else f'address {one.address}'})"
            for one in strangers
        ]
        raise InputError(f"the record does not know {len(rows)} on the line; say which with --uid: {', '.join(rows)}")
    if uid == old.uid:
        raise InputError(f"{uid.hex()} is the old actuator itself; 'busproto restore' gives it its settings again")
    if uid in recorded:
        raise InputError(f"{uid.hex()} is in the record already, as {recorded[uid]}: it is needed there")
    if survey.roster.address_of(uid) is None:
        raise InputError(f"{uid.hex()} is not on the line; is it plugged in and powered?")
    return uid


def look_at(exchange: Exchange, survey: Survey) -> Steps[Snapshot]:
    """Read the new actuator. If it is not readable where it is, it is given the lent address first and keeps it.

    Raises:
        OperationError: the new actuator does not answer.
        InputError: no address is free to lend.
    """
    if exchange.uid in survey.snapshots:
        return survey.snapshots[exchange.uid]
    if exchange.is_readable:
        return (yield from read_snapshot(UNADDRESSED))
    if exchange.lend == UNADDRESSED:
        raise InputError("no address is free to read the new actuator at")
    yield from assign(exchange.uid, exchange.lend)
    return (yield from read_snapshot(exchange.lend))


def give_back(exchange: Exchange) -> Steps[int]:
    """Give a refused actuator its earlier address again, unless that would restore a clash: then it keeps the lent one.

    Returns:
        Its address then: 1..239, or 240 (F0h) for none.
    """
    if exchange.is_readable:
        return exchange.address
    if exchange.address != UNADDRESSED:
        return exchange.lend
    yield from assign(exchange.uid, UNADDRESSED)
    return UNADDRESSED


def objections(
    old: Entry,
    new: Description,
    *,
    role: Role | None = None,
    full_mv: int | None = None,
    other_firmware: bool = False,
) -> list[str]:
    """Why the new one must not take the old one's place, in words; empty if it may.

    Args:
        role: the planned role; None without a plan.
        full_mv: the pack, fully charged, mV; None if not known.
        other_firmware: whether another firmware is allowed.
    """
    return list(_objections(old, new, role, full_mv, other_firmware))


def _objections(
    old: Entry, new: Description, role: Role | None, full_mv: int | None, other_firmware: bool
) -> Iterator[str]:
    model, said = (role.model, "the plan says") if role and role.model else (old.model, "the old one's was")
    if new.model != model:
        yield f"its model is {new.model}, {said} {model}"
    firmware = firmware_text(new)
    wanted, said = (role.firmware, "the plan says") if role and role.firmware else (old.firmware, "the old one's was")
    if firmware != wanted and not other_firmware:
        yield f"its firmware is {firmware}, {said} {wanted} (--other-firmware allows that)"
    rating = rating_of(new)
    # if the plan wants another model than the old one was, the old rating does not count
    measured = model == old.model
    if measured and rating.supply_min_mv > old.rating.supply_min_mv:
        low, old_low = rating.supply_min_mv / 1000, old.rating.supply_min_mv / 1000
        yield f"its rating: supply from {low:g} V, the old one's was from {old_low:g} V"
    for name, words, counts, unit in _MUST_REACH:
        has, had = getattr(rating, name), getattr(old.rating, name)
        if measured and has < had:
            yield f"its rating: {words} {has / counts:g} {unit}, the old one's was {had / counts:g} {unit}"
    if full_mv is not None and full_mv > rating.supply_max_mv:
        yield f"its rating: supply up to {rating.supply_max_mv / 1000:g} V, the pack has {full_mv / 1000:g} V"


def goal_of(exchange: Exchange) -> Goal:
    """The goal of the new one: the recorded address and settings of the old one, except the correction table. It may
    lack only parameters that had factory values in the old one."""
    old = exchange.old
    measured = {name: FACTORY[name] for name in MEASURED}
    goal = goal_of_entry(old, may_lack=False)
    stated = {name for name, raw in goal.settings.items() if raw != FACTORY[name] and name not in MEASURED}
    own = {name: given for name, given in goal.own.items() if old.settings[name] != old.own[name].default}
    settings = {**goal.settings, **measured}
    return dataclasses.replace(goal, uid=exchange.uid, settings=settings, own=own, stated=stated)


def needs_match(old: Entry) -> bool:
    """Whether the new one must be matched: the old one had a correction table, or shares a surface with others."""
    return bool(old.settings.get("correction")) or bool(old.settings.get("gang"))


def record_after(record: Record, exchange: Exchange, snapshot: Snapshot, *, made: str) -> Record:
    """The record with the new actuator in the old one's place; the other entries are unchanged.

    Args:
        snapshot: snapshot of the new one, read after it was set.
        made: date, ISO 8601.
    """
    old = exchange.old
    entries = tuple(entry_of(snapshot, old.function) if one.uid == old.uid else one for one in record.entries)
    return dataclasses.replace(record, entries=entries, made=made, edited=())


def assignment_after(assignment: Mapping[str, bytes], function: str, uid: bytes) -> dict[str, bytes]:
    """The assignment with the new uid in this function."""
    return {**{name: one for name, one in assignment.items() if one != uid}, function: uid}
