"""Plans and records as operations: compare with the bus, apply, save, restore. Prints nothing and asks no question."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from busproto.atomic_files import check_appendable, check_writable, now_text, require_own
from busproto.errors import FileError, InputError, NotAgreedError, NotProvenError, OperationError
from busproto.interrupts import INTERRUPTS
from busproto.library.work import Work
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.steps import Steps
from busproto.ops.survey import Survey, survey
from busproto.plan.airframe.applying import (
    LEAVE,
    WRITE,
    Applied,
    Job,
    absent_of,
    carry_out_job,
    job_of_prospect,
    job_of_record,
    journal_beside,
    look_again,
    prospect_of,
)
from busproto.plan.airframe.audit import Audit, audit
from busproto.plan.airframe.differences import Differences, differences
from busproto.plan.airframe.record import (
    ENDING as RECORD_ENDING,
)
from busproto.plan.airframe.record import (
    Record,
    record_of,
)
from busproto.plan.airframe.record_file import (
    RECORD_KEY,
    load_record,
    save_record,
)
from busproto.plan.airframe.recording import missing_functions, read_record
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.changes import Change
from busproto.plan.check.check import check
from busproto.plan.journal import ENDING as JOURNAL_ENDING
from busproto.plan.load import Plan, load

AnyPath = str | PathLike[str]


@dataclass(frozen=True, slots=True)
class Proposal:
    """The changes that are proposed, for the function that agrees or not. ``str`` gives them as lines of text.

    Attributes:
        title: of the airframe or the record.
        changes: the changes, in the order in which they would be done.
        interrupted: where an earlier run stopped; "" if none did.
        harmed: the actuators whose rating the pack or the supply exceeds, in words: take the supply off.
        wrong_hardware: by function, why its actuator is not the hardware of the plan.
        by_address: functions whose actuator is known by its address alone.
    """

    title: str
    changes: tuple[Change, ...]
    interrupted: str = ""
    harmed: tuple[str, ...] = ()
    wrong_hardware: Mapping[str, Sequence[str]] | None = None
    by_address: tuple[str, ...] = ()

    def __str__(self) -> str:
        lines = [*self.harmed, f"{self.title}: {len(self.changes)} changes; all go limp first, nothing moves."]
        lines += [f"going on: {self.interrupted}"] if self.interrupted else []
        lines += [f"{change.name} ({change.uid.hex()}): {change.text}" for change in self.changes]
        for function, whys in (self.wrong_hardware or {}).items():
            lines.append(f"not the hardware of the plan: {function}: {'; '.join(whys)}")
        return "\n".join(lines)


Agree = bool | Callable[[Proposal], bool]
"""True, or a function that takes the proposal and returns whether it may be carried out."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of applying a plan.

    Attributes:
        applied: the changes, how many steps were done, and the proof of the addresses.
        audit: the line against the plan afterwards.
        wrong_hardware: by function, why its actuator is not the hardware of the plan, as known before the changes.
    """

    applied: Applied
    audit: Audit
    wrong_hardware: Mapping[str, Sequence[str]]

    @property
    def let_go(self) -> LetGo:
        """What was seen after the release at the end."""
        return self.applied.let_go

    @property
    def is_as_planned(self) -> bool:
        """Whether all is as planned, each actuator proven alone at its address, and all seen limp."""
        return self.audit.is_clean and not self.applied.proof and self.let_go.is_limp


@dataclass(frozen=True, slots=True)
class Saved:
    """A record that was written.

    Attributes:
        path: of the file.
        record: its content.
        kept: the new path of an older file of that name; None if there was none.
        missing: functions of the plan whose actuator is not on the line.
    """

    path: Path
    record: Record
    kept: Path | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Restored:
    """The result of restoring a record.

    Attributes:
        applied: the changes, how many steps were done, and the proof of the addresses.
        differences: the record against the line afterwards.
    """

    applied: Applied
    differences: Differences

    @property
    def let_go(self) -> LetGo:
        """What was seen after the release at the end."""
        return self.applied.let_go

    @property
    def is_as_recorded(self) -> bool:
        """Whether nothing differs, each actuator is proven alone at its address, and all were seen limp."""
        return self.differences.is_alike and not self.applied.proof and self.let_go.is_limp


def plan_of(given: object) -> Plan:
    """The plan given, or loaded from an airframe file. Raises FileError, InputError."""
    return given if isinstance(given, Plan) else load(_path(given, "a plan, or the path of an airframe file"))


def record_in(given: object) -> Record:
    """The record given, or loaded from a file. Raises FileError, InputError."""
    if isinstance(given, Saved):
        return given.record
    return given if isinstance(given, Record) else load_record(_path(given, "a record, or the path of its file"))


def _path(given: object, wanted: str) -> Path:
    if isinstance(given, str | PathLike):
        return Path(given)
    raise InputError(f"{given!r}: {wanted} is wanted")


def audit_line(work: Work, given: Plan | AnyPath) -> Steps[Audit]:
    """See `Bus.audit`."""
    plan = plan_of(given)
    assignment, matches = load_assignment(plan), matches_of(plan)
    return audit(plan, assignment, (yield from _survey(work)), matches)


def apply_plan(
    work: Work,
    given: Plan | AnyPath,
    agree: Agree,
    wrong_hardware: str | None,
    by_address: bool,
    despite_errors: bool,
) -> Steps[Outcome]:
    """See `Bus.apply`."""
    plan = plan_of(given)
    if wrong_hardware not in {None, LEAVE, WRITE}:
        raise InputError(f"wrong_hardware {wrong_hardware!r}: None, '{LEAVE}' or '{WRITE}' is wanted")
    errors = [str(one) for one in check(plan) if one.is_error]
    if errors and not despite_errors:
        raise FileError(str(plan.path), [*errors, "nothing was sent (despite_errors=True goes on all the same)"])
    assignment, matches = load_assignment(plan), matches_of(plan)
    check_appendable(plan.beside(JOURNAL_ENDING))
    before = yield from _survey(work)
    found = audit(plan, assignment, before)
    _require_proven(before)
    prospect = prospect_of(plan, assignment, before, found, wrong_hardware)
    if prospect.wrong_to_be_written and wrong_hardware is None:
        whys = "; ".join(f"{name}: {', '.join(prospect.wrong[name])}" for name in sorted(prospect.wrong_to_be_written))
        raise NotAgreedError(
            f"not the hardware of the plan: {whys}. Nothing was changed: wrong_hardware='{LEAVE}' does the others, "
            f"wrong_hardware='{WRITE}' writes to all"
        )
    if prospect.unclaimed_to_be_written and not by_address:
        names = ", ".join(sorted(prospect.unclaimed_to_be_written))
        raise NotAgreedError(
            f"never claimed, known by address alone: {names}. Nothing was changed. by_address=True accepts the address "
            "as proof of these functions; 'busproto claim' finds them by hand"
        )
    job = job_of_prospect(prospect, wrong_hardware, {"port": work.link.transport.url})
    harmed = tuple(one.text for one in found.harmed)
    proposal = Proposal(job.title, job.todo, job.interrupted, harmed, prospect.wrong, prospect.unclaimed)
    _require_agreed(proposal, agree)
    applied = yield from _carry_out(work, job)
    after = audit(plan, assignment, (yield from _again(work, job)), matches)
    return Outcome(applied, after, prospect.wrong)


def restore_record(
    work: Work,
    given: Record | Saved | AnyPath,
    agree: Agree,
    those_present: bool,
    edited: bool,
    journal: AnyPath | None,
) -> Steps[Restored]:
    """See `Bus.restore`."""
    record = record_in(given)
    if record.edited and not edited:
        raise InputError(
            f"'{record.title}': {'; '.join(record.edited)}; edited=True uses it all the same. Nothing was sent"
        )
    if journal is not None:
        journal_path = _path(journal, "the path of a journal")
    elif isinstance(given, Record):
        raise InputError("a record that is in no file: journal=PATH is wanted, where each step is kept")
    else:
        journal_path = journal_beside(given.path if isinstance(given, Saved) else Path(given))
    check_appendable(journal_path)
    before = yield from _survey(work)
    _require_proven(before)
    absent = absent_of(record, before.roster)
    if absent and (not those_present or len(absent) == len(record.entries)):
        names = "; ".join(f"{one.name} ({one.uid.hex()}, address {one.address})" for one in absent)
        raise OperationError(
            absent[0].address,
            f"not on the line: {names}. Plug in and power them, or say those_present=True. Nothing was changed",
        )
    job = job_of_record(record, before, journal_path=journal_path, about={"port": work.link.transport.url})
    _require_agreed(Proposal(job.title, job.todo, job.interrupted), agree)
    applied = yield from _carry_out(work, job)
    seen = yield from _again(work, job)
    now = record_of(seen, title="the bus now", made=now_text(), functions={})
    return Restored(applied, differences(record, now))


def save_line(
    work: Work, path: AnyPath | None, plan: Plan | AnyPath | None, title: Any, as_it_is: bool
) -> Steps[Saved]:
    """See `Bus.save`."""
    of = plan_of(plan) if plan is not None else None
    if path is not None:
        file = _path(path, "the path of a file")
    elif of is not None:
        file = of.beside(RECORD_ENDING)
    else:
        raise InputError("no output given: use a path, or plan=... to save next to the airframe file")
    if title is not None and (not isinstance(title, str) or any(unicodedata.category(one)[0] == "C" for one in title)):
        raise InputError(f"title {title!r}: a text without control characters is wanted")
    require_own(file, f'"{RECORD_KEY}"', "a record")
    check_writable(file)
    record = yield from read_record(of, title=title or (of.title if of else file.name.partition(".")[0]))
    if not record.entries and not record.unread:
        raise OperationError(0, "no actuator answers, so there is nothing to save: check power, wiring and line rate")
    if record.flaws and not as_it_is:
        raise OperationError(
            0, f"{'; '.join(record.flaws)}. Nothing was written: as_it_is=True writes the record, marked"
        )
    missing = tuple(missing_functions(of, record)) if of is not None else ()
    return Saved(file, record, save_record(file, record), missing)


def compare_line(given: Record | Saved | AnyPath) -> Steps[Differences]:
    """See `Bus.compare`."""
    record = record_in(given)
    return differences(record, (yield from read_record(None, title="the bus now")))


def _survey(work: Work) -> Steps[Survey]:
    seen = yield from survey()
    work.note(seen.roster)
    return seen


def _carry_out(work: Work, job: Job) -> Steps[Applied]:
    work.forget()  # nothing is known for certain until the job has ended
    applied = yield from carry_out_job(job)
    work.saw(applied.let_go, to_all=True)
    return applied


def _again(work: Work, job: Job) -> Steps[Survey]:
    seen = yield from look_again(job)
    work.note(seen.roster)
    return seen


def _require_proven(before: Survey) -> None:
    if not before.roster.proven:
        raise NotProvenError(before.roster.reason)


def _require_agreed(proposal: Proposal, agree: Agree) -> None:
    """Call `agree` if there is anything to do. Raises NotAgreedError, InputError."""
    if agree is not True and not callable(agree):
        raise InputError(f"agree {agree!r}: True is wanted, or a function that is shown the changes and gives True")
    if not proposal.changes or agree is True:
        return
    with INTERRUPTS.at_once():
        is_agreed = agree(proposal)
    if is_agreed is not True:
        raise NotAgreedError(f"{proposal.title}: the changes were not agreed to. Nothing was changed")
