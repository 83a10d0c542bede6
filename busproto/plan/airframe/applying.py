"""Bringing actuators to their goals, once it is agreed: what is to be done, doing it with a journal, proving it.

The command line and the library both come through here. Neither prints nor asks: a `Job` says what would be done,
`carry_out_job` does it. For the plan of an airframe a `Prospect` comes before: whose settings a plan would write, who
is not the hardware of it, who is known by address alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from busproto.atomic_files import check_appendable, now_text
from busproto.errors import ReadBackError
from busproto.ops.discovery.address_proof import prove_addresses
from busproto.ops.discovery.search import Roster
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.steps import Steps
from busproto.ops.survey import Survey, actuators_of, roster_actuators, survey
from busproto.plan.airframe.audit import Audit, goals
from busproto.plan.airframe.record import (
    Entry,
    Record,
    goals_of,
)
from busproto.plan.changes import Change, Goal, carry_out, changes, verify
from busproto.plan.hardware import hardware_differences
from busproto.plan.journal import ENDING, Journal
from busproto.plan.load import Plan
from busproto.wire.messages import Description
from busproto.wire.parameter_list import ParameterList

LEAVE, WRITE = "leave", "write"
"""What to do with one that is not the hardware of the plan: leave it as it is, or write to it all the same."""
NONE_LEFT: Final[Mapping[bytes, str]] = MappingProxyType({})
Objections = Callable[[Goal, Description], Sequence[str]]
"""Why one that could not be read beforehand must not be set, in words; asked once it has an address."""


@dataclass(frozen=True, slots=True)
class Applied:
    """What came of it.

    Attributes:
        todo: the changes as they were shown.
        steps: how many single steps were done on the bus.
        proof: "" where everyone is proven to be alone at the address wanted; otherwise the reason why not.
        interrupted: where an earlier run had stopped; "" where it had not.
        let_go: what was seen when all were let go at the end.
        not_set: who got an address but no settings, as it then showed not to be what is wanted; and why.
    """

    todo: tuple[Change, ...]
    steps: int
    proof: str
    interrupted: str
    let_go: LetGo
    not_set: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """As data."""
        return {
            "changes": [change.as_json() for change in self.todo],
            "steps_done": self.steps,
            "addresses_proven": not self.proof,
            "reason": self.proof,
            "went_on_after": self.interrupted or None,
            "let_go": self.let_go.as_json(),
            "not_set": [{"function": name, "why": list(whys)} for name, whys in self.not_set.items()],
        }


@dataclass(frozen=True, slots=True)
class Job:
    """What would be done, as it was found out before anything is.

    Attributes:
        before: what is on the line.
        goals: what is wanted.
        title: of the airframe or the record.
        journal: the file in which each step is kept.
        todo: the changes, in their order; empty where all is as wanted.
        interrupted: where an earlier run had stopped, in words; "" where it had not.
        about: more for the journal.
        objections: see `Objections`; None lets everyone be set.
    """

    before: Survey
    goals: tuple[Goal, ...]
    title: str
    journal: Journal
    todo: tuple[Change, ...]
    interrupted: str
    about: Mapping[str, Any]
    objections: Objections | None


def job_of(
    before: Survey,
    wanted: Sequence[Goal],
    *,
    title: str,
    journal_path: Path,
    about: Mapping[str, Any] = MappingProxyType({}),
    objections: Objections | None = None,
    left: Mapping[bytes, str] = NONE_LEFT,
) -> Job:
    """What has to be done for these goals. Sends nothing.

    Args:
        before: what is on the line now; must be proven.
        left: names of those that are known and left as they are; one of them may lose an address that another needs.
        title, journal_path, about, objections: see `Job`.

    Raises:
        InputError: the journal cannot be written, or the goals cannot be reached (see `busproto.plan.changes`).
    """
    check_appendable(journal_path)
    todo = changes(before, wanted, left=left)
    journal = Journal(journal_path, now_text)
    return Job(before, tuple(wanted), title, journal, tuple(todo), journal.unfinished() or "", about, objections)


def carry_out_job(job: Job) -> Steps[Applied]:
    """Do it, and prove it; all are let go first, and however it ends. With nothing to do, what was read is the proof.

    Raises:
        InputError: the journal cannot be written.
        BusError: an actuator did not do it; the journal says how far it came. Run it again.
    """
    not_set: dict[str, tuple[str, ...]] = {}
    if job.todo:
        job.journal.begin(job.title, {"changes": len(job.todo), **job.about})
    actuators = actuators_of(job.before)

    def admit(goal: Goal, description: Description) -> bool:
        whys = tuple(job.objections(goal, description)) if job.objections is not None else ()
        if whys:
            not_set[goal.name] = whys
        return not whys

    def note(change: Change, step: str) -> None:
        job.journal.note(change, step)
        if change.kind in {"address", "park"}:
            actuators[:] = _as_it_is_moved(actuators, change, is_done=step == "done")

    lists = {uid: snapshot.parameters for uid, snapshot in job.before.snapshots.items()}

    def work() -> Steps[tuple[int, str]]:
        if not job.todo:
            return 0, (yield from _prove_roster(job.before.roster))
        steps = yield from carry_out(job.todo, job.goals, note=note, admit=admit, actuators=actuators, lists=lists)
        of = [replace(goal, settings={}, own={}) if goal.name in not_set else goal for goal in job.goals]
        proof, roster = yield from _prove(of, lists)
        if roster is not None:
            actuators[:] = roster_actuators(roster)
        return steps, proof

    (steps, proof), seen = yield from ending_limp(work(), actuators)
    if job.todo or job.interrupted:
        job.journal.end("; ".join([proof or "all as wanted", *(f"not set: {name}" for name in not_set)]))
    return Applied(job.todo, steps, proof, job.interrupted, seen, not_set)


def look_again(job: Job) -> Steps[Survey]:
    """What is on the line when it is done. Where nothing was to do, nothing was written: it is what was read."""
    return (yield from survey()) if job.todo else job.before


def _as_it_is_moved(actuators: Sequence[OnLine], change: Change, *, is_done: bool) -> list[OnLine]:
    """Those on the line where they are once an address was given; and until that is read back, also where it was."""
    return [
        one
        if one.uid != change.uid
        else replace(one, address=change.address, or_at=0)
        if is_done
        else replace(one, or_at=change.address)
        for one in actuators
    ]


def _prove(wanted: Sequence[Goal], lists: Mapping[bytes, ParameterList]) -> Steps[tuple[str, Roster | None]]:
    """Why it is not proven, "" where it is; and who is there, None where that is not known."""
    try:
        roster = yield from verify(wanted, lists)
    except ReadBackError as error:
        return str(error), None
    return (yield from _prove_roster(roster)), roster


def _prove_roster(roster: Roster) -> Steps[str]:
    """Why it is not proven that each is alone at its address, "" where it is."""
    if not roster.proven:
        return roster.reason
    if roster.unaddressed:
        return "" if not roster.clashes else "some still share an address"
    # the member list by addresses says at once that each is where it is to be, and that nobody shares
    return (yield from prove_addresses({one.uid: one.address for one in roster.found}))


# --- for the plan of an airframe --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Prospect:
    """What a plan would do to those that are there.

    Attributes:
        plan: what is wanted.
        before: what is on the line.
        goals: what everyone who is to be set is to be.
        wrong: by function, why the actuator in it is not the hardware of the plan.
        unclaimed: functions in which the actuator is known by its address alone.
        left: names of those that are left as they are.
        changes: what would be done.
    """

    plan: Plan
    before: Survey
    goals: tuple[Goal, ...]
    wrong: Mapping[str, Sequence[str]]
    unclaimed: tuple[str, ...]
    left: Mapping[bytes, str]
    changes: tuple[Change, ...]

    @property
    def wrong_to_be_written(self) -> set[str]:
        """Functions with wrong hardware to which something would be written."""
        return {change.name for change in self.changes} & set(self.wrong)

    @property
    def unclaimed_to_be_written(self) -> set[str]:
        """Functions that nobody was claimed for, and to which something would be written."""
        return {change.name for change in self.changes} & set(self.unclaimed)


def prospect_of(
    plan: Plan, assignment: Mapping[str, bytes], before: Survey, found: Audit, wrong_hardware: str | None
) -> Prospect:
    """What a plan would do. Calculation only.

    Args:
        assignment: the uid in each function, as far as it was claimed.
        before: what is on the line; must be proven.
        found: the audit of both.
        wrong_hardware: LEAVE, WRITE, or None where that is not decided.

    Raises:
        InputError: the plan cannot be reached (see `busproto.plan.changes`).
    """
    wanted = goals(plan, assignment, before)
    wrong = {row.role.function: row.wrong_hardware for row in found.rows if row.wrong_hardware}
    unclaimed = tuple(goal.name for goal in wanted if goal.name not in assignment)
    left: dict[bytes, str] = {}
    if wrong_hardware == LEAVE:
        left = {goal.uid: goal.name for goal in wanted if goal.name in wrong}
        wanted = [goal for goal in wanted if goal.uid not in left]
    return Prospect(plan, before, tuple(wanted), wrong, unclaimed, left, tuple(changes(before, wanted)))


def job_of_prospect(one: Prospect, wrong_hardware: str | None, about: Mapping[str, Any]) -> Job:
    """The job of a plan. Raises InputError: its journal cannot be written."""
    plan = one.plan

    def objections(goal: Goal, description: Description) -> list[str]:
        return [row.text for row in hardware_differences(plan, plan.role(goal.name), description)]

    return job_of(
        one.before,
        one.goals,
        title=plan.title,
        journal_path=plan.beside(ENDING),
        about=about,
        objections=None if wrong_hardware == WRITE else objections,
        left=one.left,
    )


# --- for a record -----------------------------------------------------------------------------------------------


def absent_of(record: Record, roster: Roster) -> list[Entry]:
    """Actuators of a record that are not on the line."""
    return [one for one in record.entries if roster.address_of(one.uid) is None]


def job_of_record(record: Record, before: Survey, *, journal_path: Path, about: Mapping[str, Any]) -> Job:
    """What brings those of a record that are there back to it. Raises InputError: see `job_of`."""
    there = [goal for goal in goals_of(record) if before.roster.address_of(goal.uid) is not None]
    return job_of(
        before, there, title=record.title, journal_path=journal_path, about={**about, "record": record.fingerprint}
    )


def left_out(job: Job) -> dict[str, list[str]]:
    """By name of an actuator, what it lacks or does not take of what is wanted, in words; the rest of it is done."""
    found = {}
    for goal in job.goals:
        snapshot = job.before.snapshots.get(goal.uid)
        if snapshot is not None and (texts := goal.fitted(snapshot.parameters).texts):
            found[goal.name] = texts
    return found


def journal_beside(record: Path) -> Path:
    """The journal of the airframe, or of the record where its name is of another kind."""
    name = re.sub(r"(\.record(\.\d+)?)?\.json$", "", record.name)
    return record.with_name(f"{name}.{ENDING}")
