"""Who sits where: the uid of the actuator in each function, as the tool has learned it; kept beside the airframe file.

The airframe file says what is wanted and belongs to the user; this one says which actuator it is, and belongs to the
tool. Where nothing is kept for a function, whoever answers alone at its address is taken for it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from busproto.errors import FileError, InputError
from busproto.keeping import write_whole
from busproto.ops.addressing import parse_uid
from busproto.plan.load import Plan
from busproto.reading import decode_json, read_text

ENDING: Final = "seats.json"
FORMAT: Final = 1


class _File(msgspec.Struct, forbid_unknown_fields=True, rename="kebab"):
    seats_of: str
    format: Annotated[int, Meta(ge=1, le=FORMAT)]
    uids: dict[str, str]


def load_seating(plan: Plan) -> dict[str, bytes]:
    """The uid of each function of the plan that is known; empty where nothing was kept.

    Raises:
        FileError: the file cannot be used.
    """
    path = plan.beside(ENDING)
    if not os.path.exists(path):  # also where the system has no such names; Path.exists would raise
        return {}
    try:
        file: _File = decode_json(read_text(path), _File)
        uids = {function: parse_uid(uid) for function, uid in file.uids.items()}
    except (msgspec.MsgspecError, InputError) as error:
        raise FileError(str(path), [f"{error}; 'busproto claim' makes it anew once it is moved away"]) from error
    twice = {uid for uid in uids.values() if list(uids.values()).count(uid) > 1}
    if twice:
        raise FileError(str(path), [f"{uid.hex()} stands in several functions" for uid in sorted(twice)])
    return {function: uid for function, uid in uids.items() if function in plan.seats}


def save_seating(plan: Plan, uids: Mapping[str, bytes]) -> None:
    """Keep who sits where. Raises InputError where the file cannot be written; the old one is then unchanged."""
    body = {
        "seats-of": plan.title,
        "format": FORMAT,
        "uids": {function: uids[function].hex() for function in plan.seats if function in uids},
    }
    write_whole(plan.beside(ENDING), json.dumps(body, indent=2, ensure_ascii=False) + "\n")
