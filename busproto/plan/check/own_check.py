"""Planned parameters that the table does not know, and parameters that an actuator lacks, held against what its record
says. Without a record of the airframe nothing is known of them, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator

from busproto.errors import InputError
from busproto.plan.airframe.record import ENDING, Entry, Record
from busproto.plan.airframe.record_file import load_record
from busproto.plan.finding import Finding, make
from busproto.plan.load import Plan, Role


def own_findings(plan: Plan) -> Iterator[Finding]:
    """What the record beside the airframe file says of such parameters; reads it only where there may be any."""
    path = plan.beside(ENDING)
    try:
        record: Record | None = load_record(path)
    except InputError:  # none, or none that can be used: other commands say what is wrong with it
        record = None
    for role in plan.roles.values():
        entry = None
        if record is not None:
            entry = next((one for one in record.entries if one.function == role.function), None)
        if entry is None:
            yield from _unchecked(plan, role)
        else:
            yield from _lacking(plan, role, entry, path.name)
            yield from _own(plan, role, entry, path.name)


def _unchecked(plan: Plan, role: Role) -> Iterator[Finding]:
    for name in role.own:
        text = (
            "not checked: no record beside the plan has the actuator of this function ('busproto save' makes it); "
            "'busproto audit' and 'busproto apply' ask the actuator itself"
        )
        yield _finding("own-unchecked", plan, role, name, text, is_error=False)


def _lacking(plan: Plan, role: Role, entry: Entry, file: str) -> Iterator[Finding]:
    for name in entry.lacks:
        if name in role.stated and name not in role.lacks:
            text = (
                f"{name} is stated for it, and the actuator in it has no such parameter ({file}): take it out of the "
                f'plan, say lacks = ["{name}"] here, or fit another actuator'
            )
            concerned = (role.function,)
            yield make("parameter-not-there", plan.airframe, ("function", role.function), text, functions=concerned)


def _own(plan: Plan, role: Role, entry: Entry, file: str) -> Iterator[Finding]:
    for name, given in role.own.items():
        row = entry.own.get(name)
        if row is None:
            has = f"it has: {', '.join(entry.own)}" if entry.own else "it has none of its own"
            text = f"the actuator in this function has no such parameter ({file}); {has}"
            yield _finding("parameter-not-there", plan, role, name, text)
            continue
        try:
            row.from_value(given)
        except InputError as error:
            text = f"{str(error).removeprefix(f'{name}: ')}, as the actuator describes it ({file})"
            yield _finding("own-outside", plan, role, name, text)


def _finding(kind: str, plan: Plan, role: Role, name: str, text: str, *, is_error: bool = True) -> Finding:
    path = ("function", role.function, "own", name)
    source = plan.airframe if plan.airframe.line_of(path) else plan.fleet
    return make(kind, source, path, text, is_error=is_error, functions=(role.function,))
