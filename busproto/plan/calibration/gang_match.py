"""Whether a gang is matched: compares the file of the last match with the actuators that are in the gang now.

A correction table belongs to one individual actuator, and to the lead whose scale it copies. So a gang is matched only
as long as it has the same actuators, with the tables that were found for them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from busproto.errors import FileError
from busproto.plan.load import Gang, Plan
from busproto.reading import decode_json, read_text
from busproto.wire.parameters import RawValue

MATCH_ENDING: Final = "match.json"
MATCH_FORMAT: Final = 1
NOT_MATCHED: Final = "not matched"
NOT_SINCE: Final = "not matched since"


class MatchRow(msgspec.Struct, frozen=True):
    """The result of matching one member other than the lead; angles in deg. Without figures if it was refused."""

    uid: Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
    function: str = ""
    table_deg: tuple[float, ...] = ()
    greatest_before_deg: float | None = None
    greatest_after_deg: float | None = None


class MatchGang(msgspec.Struct, frozen=True):
    """What the last match of one gang found; `lead` is a function, `reasons` tell why nothing was stored."""

    lead: str
    stored: bool
    members: list[MatchRow]
    date: str = ""
    lead_uid: str = ""
    reasons: tuple[str, ...] = ()


class Matches(msgspec.Struct, frozen=True):
    """The file of match results, by gang."""

    format: Annotated[int, Meta(ge=1, le=MATCH_FORMAT)]
    gangs: dict[str, MatchGang]


@dataclass(frozen=True, slots=True)
class Member:
    """The actuator in a function now.

    Attributes:
        uid: 8 bytes.
        tables: its correction table, raw, in each memory that was read.
    """

    uid: bytes
    tables: tuple[RawValue, ...]


def load_matches(path: str | Path) -> Matches:
    """Read the match results in a file.

    Raises:
        FileError: the file has no match results.
        InputError: the file cannot be read.
    """
    try:
        return decode_json(read_text(path), Matches)
    except msgspec.MsgspecError as error:
        raise FileError(str(path), [f"not the results of matching: {error}"]) from error


def matches_of(plan: Plan) -> Matches:
    """The match results of an airframe; empty without a file. Raises as `load_matches`."""
    path = plan.beside(MATCH_ENDING)
    return load_matches(path) if path.exists() else Matches(MATCH_FORMAT, {})


def unmatched(plan: Plan, matches: Matches, seen: Mapping[str, Member]) -> dict[str, str]:
    """By gang, why it is not matched, or not any more, in words; a matched gang is missing here.

    Args:
        seen: by function, the actuators that are there and could be read.
    """
    reasons = {name: _reason(gang, matches.gangs.get(name), seen) for name, gang in plan.gangs.items()}
    return {name: reason for name, reason in reasons.items() if reason}


def _reason(gang: Gang, kept: MatchGang | None, seen: Mapping[str, Member]) -> str:
    if kept is None:
        return NOT_MATCHED
    if not kept.stored:
        return f"{NOT_MATCHED}: the last try was refused: {'; '.join(kept.reasons) or 'the tables were not better'}"
    since = f"{NOT_SINCE}: "
    if kept.lead != gang.members[0]:
        return f"{since}{kept.lead} led then"
    rows = {row.function: row for row in kept.members}
    if set(rows) != set(gang.members[1:]):
        return f"{since}the gang had other members then"
    for function in gang.members:
        there = seen.get(function)
        row = rows.get(function)
        uid = kept.lead_uid if row is None else row.uid
        if there is None:
            return f"not known to be matched: {function} could not be read"
        if there.uid.hex() != uid:
            return f"{since}another actuator is in {function} now"
        wanted = () if row is None else tuple(round(100 * value) for value in row.table_deg)
        if any(table != wanted for table in there.tables):
            return f"{since}the correction table of {function} is another now"
    return ""
