"""What a user does with a bus, as generators without I/O; `Link` and `AsyncLink` run them.

from busproto.ops import Link, find
from busproto.transport import open_transport

with Link(open_transport("/dev/ttyUSB0")) as link:
    roster = link.run(find())
"""

from busproto.ops.address_proof import prove_addresses
from busproto.ops.addressing import assign, assign_all, ordered_moves, parse_address, parse_uid
from busproto.ops.discovery import Found, Roster, find
from busproto.ops.letting_go import LetGo, OnLine, ending_limp, let_go, release_all, require_limp
from busproto.ops.link import AsyncLink, Link
from busproto.ops.motion import (
    demand,
    engage,
    move,
    release,
    report,
    restart,
    stream,
    take_demand_away,
)
from busproto.ops.parameter_access import commit, describe, read, read_all, undo, write
from busproto.ops.transact import transact, who_is_at

__all__ = [
    "AsyncLink",
    "Found",
    "LetGo",
    "Link",
    "OnLine",
    "Roster",
    "assign",
    "assign_all",
    "commit",
    "demand",
    "describe",
    "ending_limp",
    "engage",
    "find",
    "let_go",
    "move",
    "ordered_moves",
    "parse_address",
    "parse_uid",
    "prove_addresses",
    "read",
    "read_all",
    "release",
    "release_all",
    "report",
    "require_limp",
    "restart",
    "stream",
    "take_demand_away",
    "transact",
    "undo",
    "who_is_at",
    "write",
]
