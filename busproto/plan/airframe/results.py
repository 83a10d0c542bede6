"""Preconditions and result files of calibration and trial."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import msgspec

from busproto.atomic_files import check_writable, now_text, write_whole
from busproto.errors import InputError
from busproto.ops.discovery.search import Roster
from busproto.plan.airframe.audit import Audit
from busproto.plan.calibration.gang_match import MATCH_ENDING, MATCH_FORMAT
from busproto.plan.calibration.match import Matched, matched_json, reasons_against
from busproto.plan.load import Gang, Plan
from busproto.plan.trials.direction import PART as DIRECTION
from busproto.plan.trials.direction import Tried, carried_over, with_directions
from busproto.plan.trials.trial import Findings, Subject, findings_json
from busproto.reading import decode_json, read_text

TRIAL_ENDING: Final = "trial.json"
TRIAL_FORMAT: Final = 1


# --- match ------------------------------------------------------------------------------------------------------


def gang_named(plan: Plan, name: str) -> Gang:
    """The gang of that name. Raises InputError if there is none."""
    if name not in plan.gangs:
        there = ", ".join(plan.gangs) or "none"
        raise InputError(f"'{plan.title}' has no gang '{name}'; there are: {there}")
    return plan.gangs[name]


def members_to_match(gang: Gang, found: Audit) -> list[Subject]:
    """The members of a gang as they are on the line, the lead first.

    Raises:
        InputError: a member is not alone at its planned address, the supply is outside its rating, or the members are
            unlike.
    """
    rows = {row.role.function: row for row in found.rows}
    subjects = []
    for function in gang.members:
        row = rows[function]
        if row.snapshot is None or row.address != row.role.address:
            raise InputError(f"{function} is {row.status}: 'busproto audit' tells more. Nothing was moved")
        if row.harm:
            raise InputError(f"{function}: {'; '.join(row.harm)}. Nothing was moved")
        subjects.append(Subject(row.role, row.snapshot))
    reasons = reasons_against(subjects)
    if reasons:
        raise InputError(f"the {gang.name} cannot be matched: {'; '.join(reasons)}. Nothing was moved")
    return subjects


def keep_match(plan: Plan, gang: Gang, subjects: Sequence[Subject], result: Matched) -> dict[str, Any]:
    """Write the results beside the airframe file, leaving those of other gangs; returns this gang's.

    If the match was refused, the last stored one is kept under "earlier".

    Raises:
        InputError: the file cannot be written.
    """
    return write_match(plan, gang, match_body(subjects, result))


def match_body(subjects: Sequence[Subject], result: Matched) -> dict[str, Any]:
    """The results of one gang, as in the file."""
    return {"date": now_text(), **matched_json(subjects, result)}


def write_match(plan: Plan, gang: Gang, body: dict[str, Any]) -> dict[str, Any]:
    """Write the result of `match_body`, and return it; see `keep_match`, also for errors."""
    path = plan.beside(MATCH_ENDING)
    before = _before(path, "gangs", dict)
    gangs = before["gangs"] if before else {}
    last = gangs.get(gang.name)
    if not body["stored"] and isinstance(last, dict):
        earlier = last if last.get("stored") else last.get("earlier")
        body = {**body, "earlier": earlier} if earlier else body
    _write(path, {"format": MATCH_FORMAT, "airframe": plan.title, "gangs": {**gangs, gang.name: body}})
    return body


def table_sentences(result: Matched) -> list[str]:
    """The state of the correction tables as read back, in sentences."""
    if result.stored:
        return ["The tables are stored, and were read back."]
    if not result.unknown:
        return ["Nothing was stored. The tables are as they were before; that was read back."]
    return [
        f"Whether the correction table of {function} is as before is NOT KNOWN: {why}. Once it answers, "
        "'busproto show' and 'busproto audit' tell"
        for function, why in result.unknown.items()
    ]


# --- trial ------------------------------------------------------------------------------------------------------


def subjects_to_try(plan: Plan, found: Audit, roster: Roster) -> tuple[list[Subject], list[str]]:
    """The actuators to try, and the functions left out, as no actuator is alone at their planned addresses.

    Raises:
        InputError: nothing must be moved now (a clash, or the supply), or there is no actuator to try.
    """
    if roster.clashes:
        at = ", ".join(str(address) for address in roster.clashes)
        raise InputError(f"several actuators share an address ({at}): 'busproto apply' parts them. Nothing was moved")
    harm = [f"{row.role.function}: {text}" for row in found.rows for text in row.harm]
    if harm:
        raise InputError(f"the supply is outside a rating ({'; '.join(harm)}). Nothing was moved")
    subjects = [
        Subject(row.role, row.snapshot)
        for row in found.rows
        if row.snapshot is not None and row.address == row.role.address
    ]
    if not subjects:
        raise InputError(f"no actuator of {plan.title} is at its planned address: 'busproto audit' tells more")
    present = {subject.role.function for subject in subjects}
    return subjects, [row.role.function for row in found.rows if row.role.function not in present]


def trial_body(
    plan: Plan,
    parts: Sequence[str],
    subjects: Sequence[Subject],
    findings: Mapping[int, Findings],
    missing: Sequence[str],
    unmatched: Mapping[str, str],
) -> dict[str, Any]:
    """The results of a trial, as in the file.

    Args:
        missing: functions that were not tried.
        unmatched: by gang, why it is not matched.
    """
    return {
        "format": TRIAL_FORMAT,
        "airframe": plan.title,
        "date": now_text(),
        "parts": list(parts),
        "as_planned": not missing and not unmatched and all(not one.faults for one in findings.values()),
        "missing": list(missing),
        "unmatched": dict(unmatched),
        "actuators": [
            {**findings_json(subject, findings[subject.address]), "direction_test": None} for subject in subjects
        ],
    }


def write_trial(plan: Plan, body: dict[str, Any]) -> dict[str, Any]:
    """Write the result of `trial_body` beside the airframe file; returns the content of the file.

    An earlier trial with parts that this one lacks is kept under a name with its date. Directions that were tried
    earlier are carried over, each with its own date.

    Raises:
        InputError: the file cannot be written.
    """
    path = plan.beside(TRIAL_ENDING)
    before = _before(path, "parts", list)
    if before:
        if any(part not in body["parts"] for part in before["parts"] if part != DIRECTION):
            stamp = "".join(one for one in str(before.get("date"))[:19] if one.isalnum())
            write_whole(plan.beside(f"trial.{stamp}.json"), read_text(path))
        body = carried_over(body, before)
    _write(path, body)
    return body


def keep_directions(plan: Plan, tried: Sequence[Tried]) -> dict[str, Any]:
    """Add directions that were tried to the file of the trial, creating it if needed; returns its content.

    Raises:
        InputError: the file cannot be written.
    """
    path = plan.beside(TRIAL_ENDING)
    body = _before(path, "parts", list)
    if body is None or not all(isinstance(body.get(key), list) for key in ("actuators", "missing")):
        body = trial_body(plan, (), (), {}, (), {})
    body = with_directions(body, tried)
    _write(path, body)
    return body


def check_result_place(plan: Plan, ending: str) -> None:
    """Check beforehand that a result can be written beside the airframe file. Raises InputError; nothing was sent."""
    check_writable(plan.beside(ending))


def _before(path: Path, key: str, kind: type) -> dict[str, Any] | None:
    """The content of the file. A file that cannot be parsed is kept under another name: a person may have edited it."""
    if not path.exists():
        return None
    try:
        body: Any = decode_json(read_text(path))
        if isinstance(body, dict) and isinstance(body.get(key), kind):
            return body
    except (ValueError, msgspec.MsgspecError):
        pass
    unread = path.with_name(f"{path.name}.unreadable")
    try:
        path.replace(unread)
    except OSError as error:
        raise InputError(f"'{path}' cannot be understood, nor renamed: {error.strerror}") from error
    return None


def _write(path: Path, body: Mapping[str, Any]) -> None:
    write_whole(path, json.dumps(body, indent=2, ensure_ascii=False) + "\n")
