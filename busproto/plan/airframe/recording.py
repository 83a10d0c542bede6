"""Making a record of what is on the line now."""

from __future__ import annotations

from busproto.keeping import now_text
from busproto.ops.steps import Steps
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import seated_uids
from busproto.plan.airframe.record import (
    Record,
    record_of,
)
from busproto.plan.load import Plan
from busproto.plan.seating import load_seating


def read_record(plan: Plan | None, *, title: str) -> Steps[Record]:
    """The record of what is on the line now; functions come from the plan, where there is one. Changes nothing."""
    seating = load_seating(plan) if plan is not None else {}
    found = yield from survey()
    seated = seated_uids(plan, seating, found) if plan is not None else {}
    return record_of(
        found,
        title=title,
        made=now_text(),
        airframe=plan.title if plan is not None else "",
        functions={uid: function for function, uid in seated.items()},
    )


def missing_functions(plan: Plan, record: Record) -> list[str]:
    """Functions of the plan whose actuator is not on the line, neither read nor unread."""
    functions = {one.function for one in record.entries}
    seating = load_seating(plan)
    unread = {one.uid for one in record.unread}
    return [one for one in plan.seats if one not in functions and seating.get(one) not in unread]
