"""Compare the actuators on the line with the plan: as planned, different, missing, clashing, unlisted. Calculation
only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from busproto.ops.moving.motion import fault_texts
from busproto.ops.survey import Snapshot, Survey, firmware_text
from busproto.plan.calibration.gang_match import Matches, Member, unmatched
from busproto.plan.changes import Goal
from busproto.plan.fitting import NOT_THERE, Wanted, fitted
from busproto.plan.hardware import (
    WRONG_HARDWARE,
    Difference,
    Harmed,
    gang_difference,
    hardware_differences,
    harmed_by_supply,
)
from busproto.plan.load import Plan, Role
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Fault
from busproto.wire.parameters import BY_NAME, Parameter, RawValue

AS_PLANNED: Final = "as planned"
DIFFERS: Final = "differs"
MISSING: Final = "missing"
CLASHING: Final = "clashing"
UNREAD: Final = "could not be read"


@dataclass(frozen=True, slots=True)
class Row:
    """One function of the plan.

    Attributes:
        role: the planned role.
        uid: uid of its actuator; None if no actuator is known.
        address: the address at which it answers; None if it does not.
        status: one of the words above.
        differences: the differences from the plan.
        snapshot: its snapshot; None if it could not be read.
    """

    role: Role
    uid: bytes | None
    address: int | None
    status: str
    differences: tuple[Difference, ...] = ()
    snapshot: Snapshot | None = None

    @property
    def harm(self) -> list[str]:
        """Why it must not be moved with this supply, in words: the supply harms it, or is outside its rating now."""
        return [one.text for one in self.differences if one.harms or one.name == "supply"]

    @property
    def wrong_hardware(self) -> list[str]:
        """Why this is not the actuator that the plan means, or not one for its pack, in words."""
        return [one.text for one in self.differences if one.name in WRONG_HARDWARE]


@dataclass(frozen=True, slots=True)
class Stray:
    """An actuator on the line without a function in the plan."""

    uid: bytes
    address: int
    model: str


@dataclass(frozen=True, slots=True)
class Audit:
    """The whole comparison.

    Attributes:
        rows: every function of the plan, in its order.
        strays: actuators without a function.
        clashes: shared addresses, and the uids there.
        proven: whether the list of actuators is proven complete; `reason` says why not.
        unmatched: by gang, why it is not matched; also empty if that was not asked for.
        harmed: actuators for which the pack or the supply is too high; to be reported before anything else.
    """

    rows: tuple[Row, ...]
    strays: tuple[Stray, ...]
    clashes: Mapping[int, tuple[bytes, ...]]
    proven: bool
    reason: str
    unmatched: Mapping[str, str] = field(default_factory=dict)
    harmed: tuple[Harmed, ...] = ()

    @property
    def is_clean(self) -> bool:
        """Whether everything is as planned, every gang matched, no other actuator there, and the list proven."""
        return (
            self.proven
            and not self.strays
            and not self.clashes
            and not self.unmatched
            and all(row.status == AS_PLANNED for row in self.rows)
        )


def audit(plan: Plan, assignment: Mapping[str, bytes], survey: Survey, matches: Matches | None = None) -> Audit:
    """Compare a survey with a plan.

    Args:
        assignment: by function, the uid, as far as known; for other functions the actuator that is alone at the planned
            address counts.
        matches: the results of matching; None to compare addresses and settings only.
    """
    assigned = assigned_uids(plan, assignment, survey)
    clashing = {uid for uids in survey.roster.clashes.values() for uid in uids}
    gang_firmware = _gang_firmware(plan, assigned, survey)
    rows = []
    for function, role in plan.roles.items():
        uid = assigned.get(function)
        address = None if uid is None else survey.roster.address_of(uid)
        snapshot = None if uid is None else survey.snapshots.get(uid)
        differences = tuple(_differences(plan, role, address, snapshot, gang_firmware.get(role.gang, ())))
        if uid is None and role.address in survey.roster.clashes:
            status = CLASHING
        elif uid is None or address is None:
            status = MISSING
        elif uid in clashing:
            status = CLASHING
        elif snapshot is None and address != UNADDRESSED:
            status = UNREAD
        else:
            status = DIFFERS if differences else AS_PLANNED
        rows.append(Row(role, uid, address, status, differences, snapshot))
    strays = tuple(
        Stray(one.uid, one.address, snapshot.description.model if (snapshot := survey.snapshots.get(one.uid)) else "")
        for one in survey.roster.found
        if one.uid not in assigned.values()
    )
    snapshots = {row.role.function: row.snapshot for row in rows if row.snapshot is not None}
    seen = {
        function: Member(snapshot.uid, (snapshot.working.get("correction", ()), snapshot.stored.get("correction", ())))
        for function, snapshot in snapshots.items()
    }
    return Audit(
        tuple(rows),
        strays,
        survey.roster.clashes,
        survey.roster.proven,
        survey.roster.reason,
        {} if matches is None else unmatched(plan, matches, seen),
        harmed_by_supply(plan, assigned, survey),
    )


def assigned_uids(plan: Plan, assignment: Mapping[str, bytes], survey: Survey) -> dict[str, bytes]:
    """By function, the claimed uid, or else that of an unclaimed actuator that is alone at the planned address."""
    assigned = {function: assignment[function] for function in plan.roles if function in assignment}
    taken = set(assignment.values())
    for function, role in plan.roles.items():
        there = survey.roster.by_address.get(role.address, ())
        if function not in assigned and len(there) == 1 and there[0] not in taken:
            assigned[function] = there[0]
    return assigned


def goals(plan: Plan, assignment: Mapping[str, bytes], survey: Survey) -> list[Goal]:
    """The goals of all actuators that are there and have a function."""
    assigned = assigned_uids(plan, assignment, survey)
    return [
        Goal(assigned[function], function, role.address, role.wanted, role.own, stated=role.stated)
        for function, role in plan.roles.items()
        if function in assigned and survey.roster.address_of(assigned[function]) is not None
    ]


def _gang_firmware(plan: Plan, assigned: Mapping[str, bytes], survey: Survey) -> dict[str, tuple[str, ...]]:
    """Model and firmware of the members of each gang, as read from the actuators."""
    kinds: dict[str, tuple[str, ...]] = {}
    for gang in plan.gangs.values():
        snapshots = [survey.snapshots.get(assigned[one]) for one in gang.members if one in assigned]
        kinds[gang.name] = tuple(
            f"{snapshot.description.model} {firmware_text(snapshot.description)}"
            for snapshot in snapshots
            if snapshot is not None
        )
    return kinds


def _differences(
    plan: Plan, role: Role, address: int | None, snapshot: Snapshot | None, gang_kinds: Sequence[str]
) -> Iterator[Difference]:
    if address is not None and address != role.address:
        yield Difference("address", "none" if address == UNADDRESSED else str(address), str(role.address))
    if snapshot is None:
        return
    yield from hardware_differences(plan, role, snapshot.description, snapshot.status.supply_mv)
    if role.firmware is None or firmware_text(snapshot.description) == role.firmware:
        yield from gang_difference(gang_kinds)
    yield from _setting_differences(role, snapshot)
    # a demand lost once since the start is no difference: a trial leaves that flag behind
    for text in fault_texts(snapshot.status.faults & ~Fault.DEMAND_LOST):
        yield Difference("fault", text, "none", can_be_applied=False)


def _setting_differences(role: Role, snapshot: Snapshot) -> Iterator[Difference]:
    known = snapshot.parameters
    fit = fitted(Wanted(role.wanted, role.own, stated=role.stated), known)
    for name, raw in fit.settings.items():
        yield from _setting_difference(known.rows[name], snapshot.working[name], snapshot.stored[name], raw)
    for name in fit.lacking:
        planned = BY_NAME[name].text(role.settings[name]) if name in BY_NAME else str(role.own[name])
        note = f"no such parameter at address {snapshot.address}: fit another actuator, or take it out of the plan"
        if name in BY_NAME:
            note += f' (lacks = ["{name}"] for the {role.function})'
        yield Difference(name, NOT_THERE, planned, can_be_applied=False, note=note)
    for name, why in fit.refused.items():
        row = known.rows[name]
        planned = row.text(role.settings[name]) if name in BY_NAME else str(role.own[name])
        yield Difference(name, row.text(snapshot.stored[name]), planned, can_be_applied=False, note=why)


def _setting_difference(row: Parameter, working: RawValue, stored: RawValue, wanted: RawValue) -> Iterator[Difference]:
    if stored != wanted:
        note = "" if working == stored else f"working memory holds {row.text(working)}"
        yield Difference(row.name, row.text(stored), row.text(wanted), note=note)
    elif working != wanted:
        yield Difference(row.name, row.text(working), row.text(wanted), note="in working memory only")


def audit_json(found: Audit) -> dict[str, Any]:
    """The audit as ``audit --json`` prints it."""
    return {
        "harmed": [one.as_json() for one in found.harmed],
        "as_planned": found.is_clean,
        "proven": found.proven,
        "reason": found.reason,
        "unmatched": dict(found.unmatched),
        "functions": [
            {
                "function": row.role.function,
                "status": row.status,
                "uid": None if row.uid is None else row.uid.hex(),
                "address": None if row.address in {None, UNADDRESSED} else row.address,
                "planned_address": row.role.address,
                "differences": [
                    {
                        "name": one.name,
                        "found": one.found,
                        "planned": one.wanted,
                        "can_be_applied": one.can_be_applied,
                        "note": one.note,
                    }
                    for one in row.differences
                ],
            }
            for row in found.rows
        ],
        "unexpected": [
            {
                "uid": one.uid.hex(),
                "address": None if one.address == UNADDRESSED else one.address,
                "model": one.model or None,
            }
            for one in found.strays
        ],
        "clashes": [{"address": at, "uids": [uid.hex() for uid in uids]} for at, uids in found.clashes.items()],
    }
