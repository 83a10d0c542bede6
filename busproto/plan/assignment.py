"""The assignment: the uid of the actuator in each function, as claimed; kept in a file beside the airframe file.

The user writes the airframe file; the tool writes this one. For a function without an entry, the actuator that is alone
at its planned address counts.

A claim that is begun anew has a file of its own, the draft, until it is complete. Until then the earlier one stays in
force, however often the new one is interrupted. When the draft replaces it, the earlier one is kept under a number.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from busproto.atomic_files import keep_numbered, write_whole
from busproto.errors import FileError, InputError
from busproto.ops.addressing import parse_uid
from busproto.plan.load import Plan
from busproto.reading import decode_json, read_text

ENDING: Final = "assignment.json"
DRAFT_ENDING: Final = "assignment.anew.json"
FORMAT: Final = 1


class _File(msgspec.Struct, forbid_unknown_fields=True, rename="kebab"):
    assignment_of: str
    format: Annotated[int, Meta(ge=1, le=FORMAT)]
    uids: dict[str, str]


def assignment_path(plan: Plan, *, draft: bool = False) -> Path:
    """The path of the file; `draft`: of a claim that was begun anew and is not in force."""
    return plan.beside(DRAFT_ENDING if draft else ENDING)


def load_assignment(plan: Plan, *, draft: bool = False) -> dict[str, bytes]:
    """Read the known uid of each function of the plan; empty without a file.

    Raises:
        FileError: the file cannot be used.
    """
    path = assignment_path(plan, draft=draft)
    if not os.path.exists(path):  # Path.exists would raise for a name that the system cannot have
        return {}
    try:
        file: _File = decode_json(read_text(path), _File)
        uids = {function: parse_uid(uid) for function, uid in file.uids.items()}
    except (msgspec.MsgspecError, InputError) as error:
        raise FileError(str(path), [f"{error}; 'busproto claim' makes it anew once it is moved away"]) from error
    twice = {uid for uid in uids.values() if list(uids.values()).count(uid) > 1}
    if twice:
        raise FileError(str(path), [f"{uid.hex()} is in several functions" for uid in sorted(twice)])
    return {function: uid for function, uid in uids.items() if function in plan.roles}


def save_assignment(plan: Plan, uids: Mapping[str, bytes], *, draft: bool = False) -> Path:
    """Write the assignment. Raises InputError if the file cannot be written; the old one is then unchanged.

    Returns:
        The path of the file.
    """
    body = {
        "assignment-of": plan.title,
        "format": FORMAT,
        "uids": {function: uids[function].hex() for function in plan.roles if function in uids},
    }
    path = assignment_path(plan, draft=draft)
    write_whole(path, json.dumps(body, indent=2, ensure_ascii=False) + "\n")
    return path


def put_in_force(plan: Plan) -> Path | None:
    """Replace the earlier claim by the draft; the earlier one is kept under the next free number.

    After an interruption at any moment one of the two is in force, whole, and nothing is lost; it can be run again.

    Returns:
        The new path of the earlier one; None if there was none.

    Raises:
        InputError: there is no draft, or a file cannot be written; the claim in force is unchanged.
        FileError: the draft cannot be used.
    """
    draft = assignment_path(plan, draft=True)
    if not draft.exists():
        raise InputError(f"there is no claim begun anew: '{draft}' is not there")
    uids = load_assignment(plan, draft=True)
    earlier = keep_numbered(assignment_path(plan))
    save_assignment(plan, uids)
    draft.unlink(missing_ok=True)
    return earlier
