"""Bring actuators to their goals: work out the changes, carry them out with a journal, prove the result.

Command line and library both use this module. It prints nothing and asks no question: a `Job` lists the changes, and
`carry_out_job` does them. For the plan of an airframe a `Prospect` comes first: the actuators whose settings it would
write, those that are not the planned hardware, and those known by address alone.
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
"""What to do with an actuator that is not the planned hardware: leave it as it is, or write to it all the same."""
NONE_LEFT: Final[Mapping[bytes, str]] = MappingProxyType({})
Objections = Callable[[Goal, Description], Sequence[str]]
"""Returns why an actuator that could not be read beforehand must not be set, in words; called once it has its
address."""


@dataclass(frozen=True, slots=True)
class Applied:
    """The result of a job.

    Attributes:
        todo: the changes, as they were shown.
        steps: number of single steps done on the bus.
        proof: "" if every actuator is proven to be alone at its wanted address; otherwise the reason why not.
        interrupted: where an earlier run stopped; "" if none did.
        let_go: what was seen after the release at the end.
        not_set: actuators that got an address but no settings, as they turned out not to be what is wanted; and why.
    """

    todo: tuple[Change, ...]
    steps: int
    proof: str
    interrupted: str
    let_go: LetGo
    not_set: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The result as ``apply --json`` prints it: changes, proof, what was seen limp, what was not set."""
        return {
            "changes": [change.as_json() for change in self.todo],
            "step_count": self.steps,
            "proven": not self.proof,
            "reason": self.proof,
            "went_on_after": self.interrupted or None,
            "let_go": self.let_go.as_json(),
            "not_set": [{"function": name, "reasons": list(whys)} for name, whys in self.not_set.items()],
        }


@dataclass(frozen=True, slots=True)
class Job:
    """The changes to be made, worked out before anything is written.

    Attributes:
        before: the survey of the line.
        goals: the goal of each actuator.
        title: of the airframe or the record.
        journal: the file that records each step.
        todo: the changes, in order; empty if all is as wanted.
        interrupted: where an earlier run stopped, in words; "" if none did.
        about: further data for the journal.
        objections: see `Objections`; with None every actuator is set.
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
    todo: Sequence[Change] | None = None,
) -> Job:
    """The job of reaching these goals. Sends nothing.

    Args:
        before: the survey of the line; its roster must be proven.
        todo: the changes, where they are worked out already.
        title, journal_path, about, objections: see `Job`.

    Raises:
        InputError: the journal cannot be written, or the goals cannot be reached (see `busproto.plan.changes`).
    """
    check_appendable(journal_path)
    if todo is None:
        todo = changes(before, wanted)
    journal = Journal(journal_path, now_text)
    return Job(before, tuple(wanted), title, journal, tuple(todo), journal.unfinished() or "", about, objections)


def carry_out_job(job: Job) -> Steps[Applied]:
    """Carry out a job and prove the result. All are released first, and again however it ends.

    With nothing to do, the survey before is the proof.

    Raises:
        InputError: the journal cannot be written.
        BusError: a step failed; the journal holds the steps done. Run it again.
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
    """The survey after a job; with nothing to do, the one before, as nothing was written."""
    return (yield from survey()) if job.todo else job.before


def _as_it_is_moved(actuators: Sequence[OnLine], change: Change, *, is_done: bool) -> list[OnLine]:
    """The actuators after a change of address. Until the change is read back, its actuator is listed at both
    addresses."""
    return [
        one
        if one.uid != change.uid
        else replace(one, address=change.address, or_at=0)
        if is_done
        else replace(one, or_at=change.address)
        for one in actuators
    ]


def _prove(wanted: Sequence[Goal], lists: Mapping[bytes, ParameterList]) -> Steps[tuple[str, Roster | None]]:
    """Why the result is not proven, "" if it is; and the roster, None if it is not known."""
    try:
        roster = yield from verify(wanted, lists)
    except ReadBackError as error:
        return str(error), None
    return (yield from _prove_roster(roster)), roster


def _prove_roster(roster: Roster) -> Steps[str]:
    """Why it is not proven that each actuator is alone at its address; "" if it is."""
    if not roster.proven:
        return roster.reason
    if roster.unaddressed:
        return "" if not roster.clashes else "some still share an address"
    # the address list proves at once that each actuator is at its address, and that none shares it
    return (yield from prove_addresses({one.uid: one.address for one in roster.found}))


# --- for the plan of an airframe --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Prospect:
    """What a plan would change on the actuators that are there.

    Attributes:
        plan: the plan.
        before: the survey of the line.
        goals: the goals of the actuators that are to be set.
        wrong: by function, why its actuator is not the planned hardware.
        unclaimed: functions whose actuator is known by its address alone.
        left: by uid, names of the actuators that are left as they are; one of them may lose an address that another
            needs.
        changes: the changes that would be made.
    """

    plan: Plan
    before: Survey
    goals: tuple[Goal, ...]
    wrong: Mapping[str, Sequence[str]]
    unclaimed: tuple[str, ...]
    left: Mapping[bytes, str]
    changes: tuple[Change, ...]

    @property
    def _to_be_written(self) -> set[str]:
        return {change.name for change in self.changes if change.uid not in self.left}

    @property
    def wrong_to_be_written(self) -> set[str]:
        """Functions with wrong hardware to which something would be written."""
        return self._to_be_written & set(self.wrong)

    @property
    def unclaimed_to_be_written(self) -> set[str]:
        """Functions without a claimed actuator to which something would be written."""
        return self._to_be_written & set(self.unclaimed)


def prospect_of(
    plan: Plan, assignment: Mapping[str, bytes], before: Survey, found: Audit, wrong_hardware: str | None
) -> Prospect:
    """Work out what a plan would change. Calculation only.

    Args:
        assignment: by function, the uid, as far as claimed.
        before: the survey of the line; its roster must be proven.
        found: the audit of that survey against the plan.
        wrong_hardware: LEAVE, WRITE, or None if that is not decided.

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
    return Prospect(plan, before, tuple(wanted), wrong, unclaimed, left, tuple(changes(before, wanted, left=left)))


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
        todo=one.changes,
    )


# --- for a record -----------------------------------------------------------------------------------------------


def absent_of(record: Record, roster: Roster) -> list[Entry]:
    """Actuators of a record that are not on the line."""
    return [one for one in record.entries if roster.address_of(one.uid) is None]


def job_of_record(record: Record, before: Survey, *, journal_path: Path, about: Mapping[str, Any]) -> Job:
    """The job that brings the actuators of a record that are there back to it. Raises InputError: see `job_of`."""
    there = [goal for goal in goals_of(record) if before.roster.address_of(goal.uid) is not None]
    return job_of(
        before, there, title=record.title, journal_path=journal_path, about={**about, "record": record.fingerprint}
    )


def left_out(job: Job) -> dict[str, list[str]]:
    """By name of an actuator, which wanted settings it lacks or refuses, in words; its other settings are written."""
    found = {}
    for goal in job.goals:
        snapshot = job.before.snapshots.get(goal.uid)
        if snapshot is not None and (texts := goal.fitted(snapshot.parameters).texts):
            found[goal.name] = texts
    return found


def journal_beside(record: Path) -> Path:
    """The path of the journal: that of the airframe, or of the record if its file name has another form."""
    name = re.sub(r"(\.record(\.\d+)?)?\.json$", "", record.name)
    return record.with_name(f"{name}.{ENDING}")
