"""From what was found to one address for each: clashes resolved, and proven by address lists."""

from __future__ import annotations

from tests.independent.asking import Asker
from tests.independent.codec import LAST_ADDRESS, UNADDRESSED
from tests.independent.host import assign
from tests.independent.line import Talk
from tests.independent.proof import Found, prove_addresses
from tests.independent.search import Search

TRIES = 5


def planned(found: Found) -> dict[bytes, int]:
    """An address for each uid: the first at an address keeps it, every other one gets the lowest that is free."""
    plan: dict[bytes, int] = {}
    for uid, address in sorted(found.addresses.items()):
        if address != UNADDRESSED and address not in plan.values():
            plan[uid] = address
    free = iter(sorted(set(range(1, LAST_ADDRESS + 1)) - set(found.addresses.values())))
    return {uid: plan[uid] if uid in plan else next(free) for uid in sorted(found.addresses)}


def give_addresses(asker: Asker, found: Found) -> Talk[tuple[dict[bytes, int], Found]]:
    """Assign what `planned` says; gives the addresses by uid, and the proof of them."""
    plan = planned(found)
    for uid, address in plan.items():
        if found.addresses[uid] != address:
            yield from assign(asker, uid, address)
    for _ in range(TRIES):
        proof = yield from prove_addresses(Search(asker), plan)
        if proof.is_proven:
            break
    return plan, proof
