"""Make a record of the actuators on the line now."""

from __future__ import annotations

from busproto.atomic_files import now_text
from busproto.ops.steps import Steps
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import assigned_uids
from busproto.plan.airframe.record import (
    Record,
    record_of,
)
from busproto.plan.assignment import load_assignment
from busproto.plan.load import Plan


def read_record(plan: Plan | None, *, title: str) -> Steps[Record]:
    """Read a record of the actuators on the line; functions come from the plan, if given. Changes nothing."""
    assignment = load_assignment(plan) if plan is not None else {}
    found = yield from survey()
    assigned = assigned_uids(plan, assignment, found) if plan is not None else {}
    return record_of(
        found,
        title=title,
        made=now_text(),
        airframe=plan.title if plan is not None else "",
        functions={uid: function for function, uid in assigned.items()},
    )


def missing_functions(plan: Plan, record: Record) -> list[str]:
    """Functions of the plan whose actuator is not on the line, neither read nor unread."""
    functions = {one.function for one in record.entries}
    assignment = load_assignment(plan)
    unread = {one.uid for one in record.unread}
    return [one for one in plan.roles if one not in functions and assignment.get(one) not in unread]
