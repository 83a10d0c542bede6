"""The actuators on the line for a claim: scratch addresses, descriptions, and which one a person names.

An actuator without an address of its own cannot be asked by itself, neither what it is nor where its arm stands.
`scratch_moves` gives each of these an address that the plan does not use.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busproto.errors import InputError, OperationError
from busproto.ops.addressing import Move, assign_all, ordered_moves, parse_address, parse_uid
from busproto.ops.discovery.search import Roster
from busproto.ops.moving.hand_movement import Member
from busproto.ops.moving.motion import report
from busproto.ops.steps import Progress, Steps
from busproto.ops.transact import transact
from busproto.plan.hardware import Difference, Harmed, hardware_differences, harm_of
from busproto.plan.load import Plan
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED
from busproto.wire.messages import Describe, Description


def scratch_moves(plan: Plan, roster: Roster) -> list[Move]:
    """Moves that give every actuator without an address of its own, or with a shared one, a free address: from 239
    down, by uid.

    An address is free if no actuator has it and neither the airframe nor its fleet map uses it.

    Raises:
        InputError: there are not enough free addresses.
    """
    shared = {uid for uids in roster.clashes.values() for uid in uids}
    needy = sorted((shared | set(roster.unaddressed)) - set(roster.twins))
    used = {one.address for one in roster.found} | {role.address for role in plan.roles.values()}
    used |= {row["address"] for row in plan.fleet.data["function"].values()}
    free = [address for address in range(MAX_ADDRESS, MIN_ADDRESS - 1, -1) if address not in used]
    if len(needy) > len(free):
        raise InputError(f"{len(needy)} actuators need an address of their own, but only {len(free)} are free")
    return ordered_moves(roster, dict(zip(needy, free, strict=False)))


@dataclass(frozen=True, slots=True)
class Known:
    """The answers of one actuator.

    Attributes:
        address: 1..239, at which it was asked.
        description: its description.
        supply_mv: its measured supply, mV; None if it did not report it.
    """

    address: int
    description: Description
    supply_mv: int | None


def alone_at(roster: Roster, moves: Sequence[Move] = ()) -> dict[int, bytes]:
    """By address, the uid at each address with exactly one actuator, once the moves are done."""
    at = {one.uid: one.address for one in roster.found} | {move.uid: move.new for move in moves}
    addresses = list(at.values())
    return {
        address: uid
        for uid, address in sorted(at.items(), key=lambda one: one[1])
        if address != UNADDRESSED and addresses.count(address) == 1 and uid not in roster.twins
    }


def ask_what_they_are(at: Mapping[int, bytes]) -> Steps[dict[bytes, Known]]:
    """Read description and supply of these actuators, by address. Those that do not answer are missing."""
    known = {}
    for number, (address, uid) in enumerate(at.items()):
        yield Progress("asking each actuator what it is", number, len(at))
        try:
            description = yield from transact(Describe(), address, Description, attempts=2)
        except OperationError:
            continue
        supply_mv: int | None = None
        with contextlib.suppress(OperationError):
            supply_mv = (yield from report(address)).supply_mv
        known[uid] = Known(address, description, supply_mv)
    return known


def meet(
    roster: Roster, moves: Sequence[Move], known: Mapping[bytes, Known] | None = None
) -> Steps[tuple[tuple[Member, ...], dict[bytes, Known]]]:
    """Give the scratch addresses, then read the description of every actuator with an address of its own.

    An actuator that does not answer stays in the list: it may answer later.

    Args:
        known: answers read before; these actuators are not asked again.

    Returns:
        Every actuator that can be asked, and the answers.

    Raises:
        as `busproto.ops.addressing.assign`; what was written until then stays.
    """
    yield from assign_all(moves)
    alone = alone_at(roster, moves)
    known = dict(known or {})
    known |= yield from ask_what_they_are({address: uid for address, uid in alone.items() if uid not in known})
    actuators = tuple(
        Member(uid, address, known[uid].description.model if uid in known else "") for address, uid in alone.items()
    )
    return actuators, known


def harmed_of(plan: Plan, assigned: Mapping[str, bytes], known: Mapping[bytes, Known]) -> dict[bytes, Harmed]:
    """By uid, the actuators that the pack or the supply harms."""
    functions = {uid: function for function, uid in assigned.items()}
    found = {
        uid: harm_of(plan, one.description, one.address, one.supply_mv, functions.get(uid, ""))
        for uid, one in known.items()
    }
    return {uid: harmed for uid, harmed in found.items() if harmed is not None}


def unfit_of(
    plan: Plan, assigned: Mapping[str, bytes], known: Mapping[bytes, Known]
) -> dict[str, tuple[Difference, ...]]:
    """By function, the differences in model, firmware, rating and supply; functions without any are missing."""
    found = {}
    for function, uid in assigned.items():
        one = known.get(uid)
        if one is None:
            continue
        differences = tuple(hardware_differences(plan, plan.roles[function], one.description, one.supply_mv))
        if differences:
            found[function] = differences
    return found


def named_actuator(plan: Plan, assigned: Mapping[str, bytes], name: str) -> tuple[bytes, int | None]:
    """Uid (b"" if not known) and address (None if not known) of the actuator that a person named.

    Raises:
        InputError: the name is not a claimed function, a uid or an address.
    """
    if name in plan.roles:
        if name not in assigned:
            raise InputError(f"'{name}' is not claimed yet: name an address or a uid, or claim it first")
        return assigned[name], None
    with contextlib.suppress(InputError):
        return b"", parse_address(name)
    with contextlib.suppress(InputError):
        return parse_uid(name), None
    functions = ", ".join(plan.roles)
    raise InputError(
        f"'{name}' is not an address (1..239), a uid (16 digits) or a function of this airframe: {functions}"
    )


def own_address(roster: Roster, uid: bytes) -> int:
    """The address of this uid. Raises InputError: it is not on the line, has no address, or shares it."""
    address = next((one.address for one in roster.found if one.uid == uid), None)
    if address is None:
        raise InputError(f"{uid.hex()} is not on the line; is it plugged in and powered?")
    if address == UNADDRESSED or address in roster.clashes:
        raise InputError(f"{uid.hex()} has no address of its own; 'busproto claim' gives it a scratch one")
    return address
