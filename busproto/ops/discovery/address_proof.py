"""The proof keyed by address: the actuators on the line are exactly those of a map, each alone at its address.

The rules are those of `busproto.ops.discovery.search`. A byte that no actuator of the map accounts for is a doubt. An
actuator that should have answered and was not received is a miss. Any doubt or miss makes the proof a long one.
"""

from __future__ import annotations

import random
from collections import Counter
from typing import Final

from busproto.ops.discovery.evidence import Account, Odds, poor_text
from busproto.ops.discovery.list_answers import is_noise, read_answers
from busproto.ops.discovery.roll_call import MIN_PASSES, MOST_NS
from busproto.ops.discovery.search import (
    DOUBT_PASSES,
    LAST_PASSES,
    MAX_PASSES,
    MOST_ERROR,
    MOST_PAUSE_NS,
    ODD_PASSES,
    SILENT_PASSES,
    SPREAD_NS,
    TOO_LONG,
    answered_by_bytes,
)
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.session.exchange import Verdict
from busproto.wire.frame import FRAMING_BYTES, HEADER_BYTES, MAX_ADDRESS
from busproto.wire.hash import list_answer, uid_hash
from busproto.wire.messages import ADDRESS_MAP_BYTES, AddressList

ADDRESS_PASSES: Final = 3
"""Least number of quiet passes: two actuators at one address look like one in up to 1 of 20 passes (virtual bus)."""
LIST_BYTES: Final = HEADER_BYTES + 3 + ADDRESS_MAP_BYTES + FRAMING_BYTES
NO_CALLS: Final = Account((), Counter(), Counter())
ILL_MAP: Final = "the plan itself gives one address twice, or leaves an actuator without one"
UNLISTED: Final = (
    "bytes were received that no actuator of the map accounts for: from an actuator whose address is not in the map, "
    "from two at one address, or noise"
)
NO_MAP: Final = "no actuator is in the map, and silence alone proves nothing"


def prove_addresses(
    addresses: dict[bytes, int], *, rng: random.Random | None = None, max_passes: int = MAX_PASSES
) -> Steps[str]:
    """Prove that the actuators on the line are exactly these, each alone at its address.

    Args:
        addresses: address of each uid, all different and 1..239.

    Returns:
        "" where it is proven; otherwise the reason why not.
    """
    rng = rng or random.SystemRandom()
    order = sorted(addresses, key=lambda uid: addresses[uid])
    if len(set(addresses.values())) != len(order) or any(not 0 < at <= MAX_ADDRESS for at in addresses.values()):
        return ILL_MAP
    marked = sum(1 << (at - 1) for at in addresses.values()).to_bytes(ADDRESS_MAP_BYTES, "little")
    epoch = rng.randrange(1, 0x10000)
    odds = Odds()
    confirmed: Counter[bytes] = Counter()
    lately: list[frozenset[bytes]] = []
    doubts = quiet = quiet_ns = 0
    is_odd = False
    began_ns = yield from now()
    for number in range(max_passes):
        if is_odd:
            yield Pause(round(2 * MOST_PAUSE_NS * rng.random()))
        pass_ns = yield from now()
        if pass_ns >= began_ns + MOST_NS:
            return TOO_LONG
        salt = rng.randrange(0x100)
        expected = [list_answer(uid_hash(uid, epoch, salt)) for uid in order]
        heard = yield from exchange(answered_by_bytes(AddressList(epoch, salt, marked), len(order)))
        answers = read_answers(heard.raw, expected)
        is_broken = heard.verdict is Verdict.ECHO_BROKEN
        odds.member_list(LIST_BYTES, {uid: position in answers.confirmed for position, uid in enumerate(order)})
        lately = [*lately, frozenset(order[position] for position in answers.confirmed)][-LAST_PASSES:]
        seen = frozenset().union(*lately)
        if heard.before or (answers.extras and not is_broken and not is_noise(heard.raw, len(order))):
            doubts += 1
            quiet = 0
            confirmed.clear()
        elif not is_broken:
            confirmed.update(lately[-1])
            if not answers.extras and 2 * len(answers.confirmed) >= len(order) > 0:
                odds.quiet.append((LIST_BYTES, 0))
                quiet_ns = quiet_ns if quiet else pass_ns
                quiet += 1
        is_odd = bool(is_odd or is_broken or doubts or odds.missed)
        if not order and (doubts or number + 1 >= SILENT_PASSES):
            break
        twice = sum(confirmed[uid] >= MIN_PASSES for uid in order)
        yield Progress("proving the addresses", twice, len(order))
        wanted = DOUBT_PASSES if doubts else ODD_PASSES if is_odd else ADDRESS_PASSES
        spread_ns = SPREAD_NS if is_odd else 0
        if quiet >= wanted and twice == len(order) and seen == frozenset(order):
            if doubts:
                break
            ended_ns = yield from now()
            if ended_ns - quiet_ns >= spread_ns and odds.one_is_missing(order, NO_CALLS) <= MOST_ERROR:
                poor = odds.poor(order)
                return poor_text(poor, addresses) if poor else ""
        if quiet + max_passes - number - 1 < wanted:
            break
    missing = [f"{addresses[uid]}" for uid in order if odds.missed[uid] and uid not in seen]
    if missing:
        return f"no certain answer from address {', '.join(missing)}"
    return UNLISTED if doubts else "too much noise" if order else NO_MAP
