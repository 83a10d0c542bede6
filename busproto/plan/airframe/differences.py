"""The differences of two records: actuators in only one of them, other addresses, other settings. Calculation only.

An actuator is the same if its uid is. Where another actuator has its function (or else its address) in the second
record, both are compared too, so that after an exchange one sees what the new one lacks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from busproto.plan.airframe.record import (
    Entry,
    Record,
    Unread,
)
from busproto.plan.fitting import NOT_THERE
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import BY_NAME, Parameter, RawValue


@dataclass(frozen=True, slots=True)
class Different:
    """One difference.

    Attributes:
        uid: uid of the actuator in the first record.
        other_uid: uid of the actuator in the second; another one if it took the first one's place.
        name: name of the actuator for a person.
        what: "address", "function", "model", "firmware", "rating", or a setting.
        first, second: raw for a setting (None if the actuator lacks it), else in words.
        rows: the parameter of each side, to print a setting; None for anything else.
    """

    uid: bytes
    other_uid: bytes
    name: str
    what: str
    first: RawValue | str | None
    second: RawValue | str | None
    rows: tuple[Parameter | None, Parameter | None] = (None, None)

    @property
    def texts(self) -> tuple[str, str]:
        """The value in the first and in the second record, in words."""
        return self._text(self.first, self.rows[0]), self._text(self.second, self.rows[1])

    def _text(self, value: RawValue | str | None, row: Parameter | None) -> str:
        if value is None:
            return NOT_THERE
        return value if isinstance(value, str) else (row or BY_NAME[self.what]).text(value)

    def as_json(self) -> dict[str, Any]:
        """For ``--json``: settings in their unit."""
        first, second = (
            value if value is None or isinstance(value, str) else (row or BY_NAME[self.what]).value(value)
            for value, row in zip((self.first, self.second), self.rows, strict=True)
        )
        return {
            "uid": self.uid.hex(),
            "other_uid": self.other_uid.hex(),
            "function": self.name,
            "name": self.what,
            "first": first,
            "second": second,
        }


@dataclass(frozen=True, slots=True)
class Differences:
    """All differences of two records.

    Attributes:
        only_first, only_second: actuators that are in one record only.
        exchanged: of those, pairs of which the second took the place of the first.
        different: differences of actuators that are in both, or in each other's place.
        unread: for each record (0, 1), actuators that were found but not read, and not so in the other.
    """

    only_first: tuple[Entry, ...]
    only_second: tuple[Entry, ...]
    exchanged: tuple[tuple[Entry, Entry], ...]
    different: tuple[Different, ...]
    unread: tuple[tuple[Unread, ...], tuple[Unread, ...]]

    @property
    def is_alike(self) -> bool:
        """Whether nothing differs."""
        return not (self.only_first or self.only_second or self.different or self.unread[0] or self.unread[1])


def differences(first: Record, second: Record) -> Differences:
    """Compare two records. A function named in only one of them is no difference; neither are title and date."""
    ours = {one.uid: one for one in first.entries}
    theirs = {one.uid: one for one in second.entries}
    only_first = tuple(one for uid, one in ours.items() if uid not in theirs)
    only_second = tuple(one for uid, one in theirs.items() if uid not in ours)
    exchanged = tuple(_exchanged(only_first, only_second))
    pairs = [*((ours[uid], theirs[uid]) for uid in ours if uid in theirs), *exchanged]
    unread = _unread(first, second), _unread(second, first)
    different = tuple(row for pair in pairs for row in _different(*pair))
    return Differences(only_first, only_second, exchanged, different, unread)


def _exchanged(only_first: tuple[Entry, ...], only_second: tuple[Entry, ...]) -> Iterator[tuple[Entry, Entry]]:
    for old in only_first:
        for new in only_second:
            both_named = old.function and new.function
            if old.function == new.function if both_named else old.address == new.address:
                yield old, new
                break


def _unread(one: Record, other: Record) -> tuple[Unread, ...]:
    same = {(row.uid, row.address) for row in other.unread}
    return tuple(row for row in one.unread if (row.uid, row.address) not in same)


def _different(one: Entry, other: Entry) -> Iterator[Different]:
    name = one.function or other.function or one.name
    facts: list[tuple[str, str, str]] = [
        ("address", address_words(one.address), address_words(other.address)),
        ("model", one.model, other.model),
        ("firmware", one.firmware, other.firmware),
        ("rating", _rating_words(one), _rating_words(other)),
    ]
    if one.function and other.function:
        facts.append(("function", one.function, other.function))
    for what, here, there in facts:
        if here != there:
            yield Different(one.uid, other.uid, name, what, here, there)
    for what in dict.fromkeys((*BY_NAME, *one.own, *other.own)):
        raw, other_raw = one.settings.get(what), other.settings.get(what)
        rows = one.row(what), other.row(what)
        if raw != other_raw or (None not in rows and _scale(rows[0]) != _scale(rows[1])):
            yield Different(one.uid, other.uid, name, what, raw, other_raw, rows)


def _scale(row: Parameter | None) -> str:
    """The unit and size of one count, in words."""
    return "" if row is None else row.count_unit


def address_words(address: int) -> str:
    """An address in words, also for none."""
    return "none" if address == UNADDRESSED else str(address)


def _rating_words(one: Entry) -> str:
    rating = one.rating
    return (
        f"{rating.supply_min_mv / 1000:g}..{rating.supply_max_mv / 1000:g} V, "
        f"{rating.stall_torque_mnm / 1000:g} N m at {rating.stall_current_ma / 1000:g} A, "
        f"{rating.no_load_speed_deg_s} deg/s, {rating.mechanical_travel_cdeg / 100:g} deg"
    )
