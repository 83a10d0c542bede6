"""What a user does with a bus, as generators without I/O; `Link` and `AsyncLink` run them::

    from busproto.ops import Link, find
    from busproto.transport import open_transport

    with Link(open_transport("/dev/ttyUSB0")) as link:
        roster = link.run(find())

Most programs do without all of this: `busproto.open` stands above it. An operation of this room that is made and never
run warns (see `busproto.ops.operation`).
"""

from busproto.ops import addressing, parameter_access
from busproto.ops import transact as transacting
from busproto.ops.addressing import ordered_moves, parse_address, parse_uid
from busproto.ops.discovery import address_proof
from busproto.ops.discovery import search as discovery
from busproto.ops.discovery.search import Found, Roster
from busproto.ops.link import AsyncLink, Link
from busproto.ops.moving import letting_go, motion
from busproto.ops.moving.letting_go import LetGo, OnLine, require_limp
from busproto.ops.operation import Operation, operation

prove_addresses = operation(address_proof.prove_addresses)
assign = operation(addressing.assign)
assign_all = operation(addressing.assign_all)
find = operation(discovery.find)
ending_limp = operation(letting_go.ending_limp)
let_go = operation(letting_go.let_go)
release_all = operation(letting_go.release_all)
demand = operation(motion.demand)
engage = operation(motion.engage)
move = operation(motion.move)
release = operation(motion.release)
report = operation(motion.report)
report_round = operation(motion.report_round)
restart = operation(motion.restart)
stream = operation(motion.stream)
take_demand_away = operation(motion.take_demand_away)
commit = operation(parameter_access.commit)
describe = operation(parameter_access.describe)
read = operation(parameter_access.read)
read_all = operation(parameter_access.read_all)
read_whole = operation(parameter_access.read_whole)
parameters_of = operation(parameter_access.parameters_of)
undo = operation(parameter_access.undo)
write = operation(parameter_access.write)
transact = operation(transacting.transact)
uids_at = operation(transacting.uids_at)

__all__ = [
    "AsyncLink",
    "Found",
    "LetGo",
    "Link",
    "OnLine",
    "Operation",
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
    "parameters_of",
    "parse_address",
    "parse_uid",
    "prove_addresses",
    "read",
    "read_all",
    "read_whole",
    "release",
    "release_all",
    "report",
    "report_round",
    "require_limp",
    "restart",
    "stream",
    "take_demand_away",
    "transact",
    "uids_at",
    "undo",
    "write",
]
