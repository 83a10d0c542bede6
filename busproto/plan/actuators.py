"""Who is on the line for a claim: a way to an address of its own for each, what each says it is, whom a person names.

What has no address of its own cannot be asked anything by itself, so neither what it is nor where its arm stands.
`scratch_moves` says who has none, and an address for each that the plan does not use.
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
    """A way to an address of its own for everyone who has none or shares one: free ones from 239 down, by uid.

    An address counts as free where nobody is and neither the airframe nor its fleet map uses it.

    Raises:
        InputError: there are not enough of them.
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
    """What one actuator says of itself.

    Attributes:
        address: 1..239, where it was asked.
        description: its answer.
        supply_mv: what it measures, mV; None where it did not say.
    """

    address: int
    description: Description
    supply_mv: int | None


def alone_at(roster: Roster, moves: Sequence[Move] = ()) -> dict[int, bytes]:
    """The uid at each address where one answers alone, once the moves are done; by address."""
    at = {one.uid: one.address for one in roster.found} | {move.uid: move.new for move in moves}
    addresses = list(at.values())
    return {
        address: uid
        for uid, address in sorted(at.items(), key=lambda one: one[1])
        if address != UNADDRESSED and addresses.count(address) == 1 and uid not in roster.twins
    }


def ask_what_they_are(at: Mapping[int, bytes]) -> Steps[dict[bytes, Known]]:
    """Ask these, by address, what they are and what supply they have. Who does not answer is missing."""
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
    """Give the scratch addresses, then ask everyone who has an address of its own what it is, by address.

    One that does not say what it is stays in the list: it may answer later.

    Args:
        known: those who said it already; they are not asked again.

    Returns:
        Everyone who can be asked, and what they say of themselves.

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
    """Those whom the pack or the supply harms, by uid."""
    functions = {uid: function for function, uid in assigned.items()}
    found = {
        uid: harm_of(plan, one.description, one.address, one.supply_mv, functions.get(uid, ""))
        for uid, one in known.items()
    }
    return {uid: harmed for uid, harmed in found.items() if harmed is not None}


def unfit_of(
    plan: Plan, assigned: Mapping[str, bytes], known: Mapping[bytes, Known]
) -> dict[str, tuple[Difference, ...]]:
    """What of model, firmware, rating and supply is not as planned, by function; those that fit are missing."""
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
    """Uid (empty where not known) and address (None where not known) of whom a person named.

    Raises:
        InputError: it is no function that is claimed, no uid and no address.
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
        f"'{name}' is no address (1..239), no uid (16 digits) and no function of this airframe: {functions}"
    )


def own_address(roster: Roster, uid: bytes) -> int:
    """The address of this uid. Raises InputError where it is not on the line, has none, or shares it."""
    address = next((one.address for one in roster.found if one.uid == uid), None)
    if address is None:
        raise InputError(f"{uid.hex()} is not on the line; is it plugged in and powered?")
    if address == UNADDRESSED or address in roster.clashes:
        raise InputError(f"{uid.hex()} has no address of its own; 'busproto claim' gives it a scratch one")
    return address
