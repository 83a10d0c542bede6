"""The commissioning card: what one airframe's actuators are and how they were found, as rows to be printed.

It is made from a record and, if given, the plan (gangs by name, the map's defaults) and the results of trial and match.
"Not tested" is printed where it is so; a result with another loss action than the recorded one does not count. Each
finding is under the heading of its source: settings, trial, match. `card_html` draws it.
"""

from __future__ import annotations

import dataclasses
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from busproto.errors import FileError
from busproto.plan.airframe.record import (
    Entry,
    Record,
    short,
)
from busproto.plan.airframe.results import TRIAL_FORMAT
from busproto.plan.calibration.gang_match import MATCH_FORMAT, Matches, Member, unmatched
from busproto.plan.fitting import NOT_THERE
from busproto.plan.load import Plan
from busproto.plan.trials.direction import Way, positive_of
from busproto.plan.trials.trial import LOSS_EARLY_MS, LOSS_LATE_MS, SOFT_START_SLACK, SOFT_START_SLACK_MS
from busproto.reading import decode_json, read_text
from busproto.wire.parameters import BY_NAME, FACTORY, Parameter, RawValue

GAP: Final = "\N{NO-BREAK SPACE}"
"""Between a number and its unit."""
IN_COLUMNS: Final = frozenset({"channel", "gang", "place", "neutral"})
"""Settings that are not listed again among those that differ from the defaults."""


class Verdict(Enum):
    """The verdict of a result. It is also printed as a sign and words: colour alone is not enough."""

    GOOD = "good"
    BAD = "bad"
    OPEN = "open"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Result:
    """The result of a test in a few words.

    Attributes:
        verdict: whether it is good, bad, not known, or not asked for here.
        text: what is printed.
    """

    verdict: Verdict
    text: str


NOT_TESTED: Final = Result(Verdict.OPEN, "not tested")
NOT_MEASURED: Final = Result(Verdict.OPEN, "not measured")
NO_GANG: Final = "-"
ALONE: Final = Result(Verdict.NOTHING, NO_GANG)


@dataclass(frozen=True, slots=True)
class Row:
    """One actuator on the card.

    Attributes:
        function: its name; "" where the record has none.
        address: 1..239.
        channel, gang: in words.
        kind: model and firmware.
        uid: 16 digits.
        neutral, ends: deg, in words.
        loss: the loss action as it is set.
        loss_test, soft_start, throw: what the trial found when the signal was taken away, at the start, and where it
            stood when centred and moved.
        match: how its gang moves together.
        direction: which way a positive demand takes its surface, and which person saw it when.
        trial_faults: what the trial did not let pass, in words.
        settings: those that differ from the defaults: name, value, default.
    """

    function: str
    address: int
    channel: str
    gang: str
    kind: str
    uid: str
    neutral: str
    ends: str
    loss: str
    loss_test: Result
    soft_start: Result
    throw: Result
    match: Result
    direction: Result
    trial_faults: tuple[str, ...]
    settings: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Note:
    """A warning, printed before anything else.

    Attributes:
        heading: what it is about: "Record", "Settings", "Plan", "Trial" or "Match".
        text: a sentence.
    """

    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class Card:
    """Everything on the card.

    Attributes:
        title: of the record.
        airframe: title of the airframe; "" where it is that of the record, or not known.
        made: when the settings were read, ISO 8601.
        fingerprint: 64 digits; `short` is its beginning, for comparing by eye.
        search: what the search proved, in words.
        defaults: against what the settings are held, in words.
        trial: when the trial was, in words.
        warnings: the warnings, by heading.
        rows: by address.
    """

    title: str
    airframe: str
    made: str
    fingerprint: str
    search: str
    defaults: str
    trial: str
    warnings: tuple[Note, ...]
    rows: tuple[Row, ...]

    @property
    def short(self) -> str:
        """The first digits of the fingerprint."""
        return short(self.fingerprint)

    @property
    def day(self) -> str:
        """Date and time of the settings, as one reads them."""
        return self.made.replace("T", " ")[:16]


def printable(text: str) -> str:
    """The text with a sign in the place of each letter that neither page may hold (control characters)."""
    return "".join("\N{REPLACEMENT CHARACTER}" if _is_control(letter) else letter for letter in text)


def _is_control(letter: str) -> bool:
    return unicodedata.category(letter) == "Cc" or letter in "\ufffe\uffff"


class TrialDirection(msgspec.Struct, frozen=True):
    """Which way a surface went, for the planned direction that is named; see `busproto.plan.trials.direction.Tried`."""

    positive: str
    direction: str
    way: str
    seen_by: str = ""
    date: str = ""


class TrialRow(msgspec.Struct, frozen=True):
    """What a trial found of one actuator; null where it was not tried.

    `loss_after_ms` is one figure, or between which two looks it began; `problems` are in words; `throws` has an entry
    for each side that was tried; older files do not say which part of the trial was not as planned.
    """

    uid: Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]
    function: str = ""
    centred: bool | None = None
    loss_action_seen: str | None = None
    loss_after_ms: float | tuple[float, float] | None = None
    soft_start_ms: float | None = None
    throws: dict[str, Any] = {}
    as_planned: bool = False
    problems: tuple[str, ...] = ()
    problems_by_part: dict[str, tuple[str, ...]] | None = None
    direction_test: TrialDirection | None = None

    def failed(self, *parts: str) -> bool:
        """Whether one of these parts showed a fault; where it is not said which did, whether any did."""
        if self.problems_by_part is None:
            return not self.as_planned
        return any(self.problems_by_part.get(part) for part in parts)


class Trial(msgspec.Struct, frozen=True):
    """The file of a trial."""

    format: Annotated[int, Meta(ge=1, le=TRIAL_FORMAT)]
    date: str
    actuators: list[TrialRow]


def load_trial(path: str | Path) -> Trial:
    """The results of a trial.

    Raises:
        FileError: the file holds none.
        InputError: it cannot be read.
    """
    try:
        return decode_json(read_text(path), Trial)
    except msgspec.MsgspecError as error:
        raise FileError(str(path), [f"not the results of a trial: {error}"]) from error


def card_of(
    record: Record, plan: Plan | None = None, trial: Trial | None = None, matches: Matches | None = None
) -> Card:
    """The card of a record.

    Args:
        plan: of the airframe, for gangs by name and the map's defaults; without it the factory's count.
        trial: what was tested.
        matches: how gangs were matched.
    """
    defaults = plan.defaults if plan is not None else FACTORY
    tested = {row.uid: row for row in trial.actuators} if trial is not None else {}
    matches = matches if matches is not None else Matches(MATCH_FORMAT, {})
    seen = {one.function: Member(one.uid, (one.settings.get("correction", ()),)) for one in record.entries}
    reasons = unmatched(plan, matches, seen) if plan is not None else {}
    rows = tuple(
        dataclasses.replace(
            _row(one, plan, defaults, tested.get(one.uid.hex())), match=_match(one, plan, matches, reasons)
        )
        for one in record.entries
    )
    return Card(
        title=record.title,
        airframe=record.airframe if record.airframe != record.title else "",
        made=record.made,
        fingerprint=record.fingerprint,
        search=(
            f"Search proven complete: {len(record.entries) + len(record.unread)} on the line"
            if record.proven
            else "Search NOT proven complete"
        ),
        defaults=f"the map '{plan.fleet_title}'" if plan is not None else "the factory",
        trial=trial.date.replace("T", " ")[:16] if trial is not None else "",
        warnings=tuple(_warnings(record, plan, tested, reasons)),
        rows=rows,
    )


def _warnings(
    record: Record, plan: Plan | None, tested: Mapping[str, TrialRow], reasons: Mapping[str, str]
) -> Iterator[Note]:
    for text in record.edited:
        yield Note("Record", f"The file of the record: {text}.")
    for flaw in record.flaws:
        yield Note("Record", f"Not the whole bus: {flaw}.")
    for one in record.entries:
        if one.unsaved:
            yield Note("Settings", f"{one.name}: {', '.join(one.unsaved)} had been changed without being stored.")
    if plan is not None:
        missing = [function for function in plan.roles if all(one.function != function for one in record.entries)]
        if missing:
            yield Note("Plan", f"In the plan but not in this record: {'; '.join(missing)}.")
    known = {one.uid.hex() for one in record.entries}
    strangers = [uid for uid in tested if uid not in known]
    if strangers:
        yield Note("Trial", f"The trial included actuators that are not in this record: {', '.join(strangers)}.")
    for gang, reason in reasons.items():
        yield Note("Match", f"{gang}: {reason}.")


def _row(one: Entry, plan: Plan | None, defaults: Mapping[str, RawValue], tested: TrialRow | None) -> Row:
    settings = one.settings
    gang = _count(settings, "gang")
    return Row(
        function=one.function,
        address=one.address,
        channel=_count(settings, "channel") or "none",
        gang=_gang(one, plan, gang),
        kind=f"{one.model}, firmware {one.firmware}",
        uid=one.uid.hex(),
        neutral=_deg(settings, "neutral"),
        ends=f"{_deg(settings, 'end-low')} to{GAP}{_deg(settings, 'end-high')}",
        loss=_loss(settings),
        loss_test=_loss_test(settings, tested),
        soft_start=_soft_start(settings, tested),
        throw=_throw(tested),
        match=ALONE,
        direction=_direction(one, plan, tested),
        trial_faults=_faults(tested),
        settings=tuple(_other_settings(one, defaults)),
    )


def _other_settings(one: Entry, defaults: Mapping[str, RawValue]) -> Iterator[tuple[str, str, str]]:
    """Name, value and default of those that stand in no column: what differs from the default, what the actuator lacks,
    and all that only it has."""
    for name, raw in one.settings.items():
        row = one.own.get(name)
        if row is not None:
            yield name, _text(row, raw), _text(row, row.default)
        elif name not in IN_COLUMNS and raw != defaults.get(name, FACTORY[name]):
            yield name, _setting(name, raw), _setting(name, defaults.get(name, FACTORY[name]))
    for name in one.lacks:
        yield name, NOT_THERE, _setting(name, defaults.get(name, FACTORY[name]))


def _match(one: Entry, plan: Plan | None, matches: Matches, reasons: Mapping[str, str]) -> Result:
    """How it matches its gang; only while the gang has the same actuators, with the tables that were found then."""
    if not _count(one.settings, "gang"):
        return ALONE
    role = plan.roles.get(one.function) if plan is not None else None
    if role is None or not role.gang:
        return NOT_MEASURED
    if role.gang in reasons:
        return Result(Verdict.BAD, reasons[role.gang].partition(":")[0])
    gang = matches.gangs[role.gang]
    row = next((row for row in gang.members if row.function == one.function), None)
    if row is None:
        return Result(Verdict.NOTHING, "leads")
    if row.greatest_before_deg is None or row.greatest_after_deg is None:
        return Result(Verdict.GOOD, "matched")
    return Result(Verdict.GOOD, f"{row.greatest_after_deg:.2f}{GAP}deg, was {row.greatest_before_deg:.2f}{GAP}deg")


NOT_TRIED: Final = Result(Verdict.OPEN, "not tried")
NO_POSITIVE: Final = Result(Verdict.NOTHING, "not planned")


def _direction(one: Entry, plan: Plan | None, tested: TrialRow | None) -> Result:
    """Which way it goes; only while function, words of the plan and direction are those with which it was tried."""
    role = plan.roles.get(one.function) if plan is not None else None
    planned = positive_of(plan, role) if plan is not None and role is not None else ""
    tried = tested.direction_test if tested is not None else None
    if tested is None or tried is None:
        return NOT_TRIED if planned else NO_POSITIVE
    is_set = _setting("direction", one.settings.get("direction", FACTORY["direction"]))
    if tested.function != one.function or tried.direction != is_set or (planned and planned != tried.positive):
        return Result(Verdict.OPEN, "try again: it was tried otherwise")
    if tried.way == Way.OTHER.value:
        return Result(Verdict.BAD, f"the OTHER way than {tried.positive}")
    if tried.way != Way.PLANNED.value:
        return Result(Verdict.OPEN, "not known")
    day = tried.date.replace("T", " ")[:16]
    return Result(Verdict.GOOD, f"{tried.positive}; seen by {tried.seen_by or '?'}, {day}")


def _count(settings: Mapping[str, RawValue], name: str) -> str:
    raw = settings.get(name, 0)
    return str(raw) if raw else ""


def _gang(one: Entry, plan: Plan | None, number: str) -> str:
    if not number:
        return NO_GANG
    role = plan.roles.get(one.function) if plan is not None else None
    name = role.gang if role is not None and role.gang else f"gang {number}"
    place = one.settings.get("place", 0)
    return f"{name}, {'leads' if place == 1 else f'place{GAP}{place}'}"


def _deg(settings: Mapping[str, RawValue], name: str) -> str:
    raw = settings.get(name)
    if not isinstance(raw, int):
        return "?"
    text = f"{raw / BY_NAME[name].counts_per_unit:+.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"+0", "-0"} else text.replace("-", "\N{MINUS SIGN}")


def _loss(settings: Mapping[str, RawValue]) -> str:
    if "loss-action" not in settings:
        return NOT_THERE
    text = _setting("loss-action", settings.get("loss-action", FACTORY["loss-action"]))
    if text == "preset":
        text += f" {_deg(settings, 'preset')}\N{DEGREE SIGN}"
    return f"{text} after {settings.get('loss-time-out', '?')}{GAP}ms"


def _loss_test(settings: Mapping[str, RawValue], tested: TrialRow | None) -> Result:
    if tested is None or tested.loss_action_seen is None:
        return NOT_TESTED
    is_set = _setting("loss-action", settings.get("loss-action", FACTORY["loss-action"]))
    seen, after_ms = tested.loss_action_seen or "nothing seen", _times(tested)
    after = f" after {' to '.join(f'{one:.0f}' for one in after_ms)}{GAP}ms" if after_ms else ""
    if tested.failed("loss"):
        return Result(Verdict.BAD, f"NOT passed: {seen}{after}")
    if seen != is_set:
        return Result(Verdict.BAD, f"test again: was tested as {seen}")
    due_ms = settings.get("loss-time-out")
    if after_ms and isinstance(due_ms, int):
        is_early, is_late = after_ms[-1] < due_ms - LOSS_EARLY_MS, after_ms[0] > due_ms + LOSS_LATE_MS
        if is_early or is_late:
            return Result(Verdict.BAD, f"test again: was tested with{after.removeprefix(' after')}")
    return Result(Verdict.GOOD, f"passed: {seen}{after}")


def _times(tested: TrialRow) -> tuple[float, ...]:
    """None, one or two figures, ms."""
    after_ms = tested.loss_after_ms
    return () if after_ms is None else after_ms if isinstance(after_ms, tuple) else (after_ms,)


def _soft_start(settings: Mapping[str, RawValue], tested: TrialRow | None) -> Result:
    if tested is None or tested.soft_start_ms is None:
        return NOT_TESTED
    text = f"{tested.soft_start_ms:.0f}{GAP}ms"
    due_ms = settings.get("soft-start")
    if isinstance(due_ms, int):
        slack_ms = max(SOFT_START_SLACK_MS, SOFT_START_SLACK * due_ms)
        if tested.soft_start_ms < due_ms - slack_ms:
            return Result(Verdict.BAD, f"{text}, set: {due_ms}{GAP}ms")
    if tested.problems_by_part is not None and tested.failed("start"):
        return Result(Verdict.BAD, f"NOT passed: {text}")
    return Result(Verdict.GOOD, text)


def _throw(tested: TrialRow | None) -> Result:
    """Where it stood when it was centred and moved to both sides."""
    if tested is None or (tested.centred is None and not tested.throws):
        return NOT_TESTED
    if tested.centred is False or (tested.problems_by_part is not None and tested.failed("centre", "move")):
        return Result(Verdict.BAD, "NOT as planned")
    return Result(Verdict.GOOD, "as planned") if tested.throws else Result(Verdict.OPEN, "centre only")


def _faults(tested: TrialRow | None) -> tuple[str, ...]:
    if tested is None or tested.as_planned:
        return ()
    return tested.problems or (("not centred",) if tested.centred is False else ("not passed",))


def _setting(name: str, raw: RawValue) -> str:
    return _text(BY_NAME[name], raw)


def _text(row: Parameter, raw: RawValue) -> str:
    if not isinstance(raw, tuple) or not raw:
        text = row.text(raw)
        number, _, unit = text.partition(" ")
        if "." in number:
            number = number.rstrip("0").rstrip(".")
        return f"{number} {unit}".strip()
    most = max(abs(row.raw_to_scaled(one)) for one in raw)
    return f"{len(raw)} points, at most {most:g} {row.unit}"
