"""The classic ways to find all actuators on a shared line, for teaching and comparison. Use `backoff` in practice.

The roster of each says what its method cannot do; none proves that no actuator is missing. They use the operations
match, slotted call and describe, which exist for them, and suppress, so that an actuator that was found stays silent.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Final

from busproto.errors import DecodeError
from busproto.ops.discovery.roll_call import MAX_OVERRUNS
from busproto.ops.discovery.roster import Found, Roster
from busproto.ops.steps import Progress, Steps, exchange, now
from busproto.ops.transact import PRESENT_BYTES, uid_of
from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, MIN_ADDRESS, UID_BYTES
from busproto.wire.messages import Describe, Description, PrefixQuery, SlottedCall, Suppress
from busproto.wire.timing import FIRST_SLOT_NS, START_JITTER_NS

UID_BITS: Final = 8 * UID_BYTES
MAX_QUERIES: Final = 20_000
MAX_ROUNDS: Final = 60
MAX_SLOTS: Final = 256
MOST_NS: Final = 60_000_000_000
"""ns. A search that has lasted this long begins no further request."""
SLOT_MARGIN_US: Final = 100
"""ns. Covers the start jitter, and the drift of clocks of 1 % over a few slots; over many slots they drift further."""


@dataclass
class _Tally:
    """What a method has found so far."""

    rng: random.Random
    epoch: int
    answer_ns: int
    found: dict[bytes, int]
    began_ns: int
    queries: int = 0
    overruns: int = 0
    ended: str = ""

    def go_on(self, heard: Heard) -> Steps[bool]:
        """Whether to send another request: not on a line where bytes never stop, nor after `MOST_NS`."""
        self.overruns += heard.overran
        if self.overruns >= MAX_OVERRUNS:
            self.ended = "broken off, as a device keeps sending or the line is stuck; "
        elif (yield from now()) >= self.began_ns + MOST_NS:
            self.ended = f"broken off after {MOST_NS / 1e9:.0f} s; "
        return not self.ended

    def take(self, heard: Heard) -> list[bytes]:
        """Note every uid in what came back; returns them."""
        uids = []
        for frame in heard.replies:
            uid = uid_of(frame)
            if uid is not None:
                self.found[uid] = frame.source
                uids.append(uid)
        return uids


def _tally(rng: random.Random, baud: int) -> Steps[_Tally]:
    began_ns = yield from now()
    return _Tally(rng, rng.randrange(1, 0x10000), PRESENT_BYTES * 10 * 1_000_000_000 // baud, {}, began_ns)


def _roster(tally: _Tally, cannot: str) -> Steps[Roster]:
    ended_ns = yield from now()
    found = sorted((Found(uid, at) for uid, at in tally.found.items()), key=lambda one: (one.address, one.uid))
    return Roster(
        found=tuple(found),
        proven=False,
        reason=tally.ended + cannot,
        remaining_error=1.0,
        calls=tally.queries,
        searching_ns=ended_ns - tally.began_ns,
    )


POLL_CANNOT: Final = (
    "asking address by address cannot separate two that answer at once, and finds no actuator without an address"
)


def poll(rng: random.Random, baud: int) -> Steps[Roster]:
    """Ask every address from 1 to 239 what is there."""
    tally = yield from _tally(rng, baud)
    for address in range(MIN_ADDRESS, MAX_ADDRESS + 1):
        heard = yield from exchange(Ask.one(Describe(), address, listen_out=True))
        tally.queries += 1
        if not (yield from tally.go_on(heard)):
            break
        if heard.verdict is Verdict.ANSWERED:
            try:
                message = message_of(heard.replies[0])
            except DecodeError:
                continue
            if isinstance(message, Description):
                tally.found[message.uid] = address
        if address % 16 == 0:
            yield Progress("asking every address", address, MAX_ADDRESS)
    return (yield from _roster(tally, POLL_CANNOT))


TREE_CANNOT: Final = (
    "a tree of uid prefixes takes one clean answer for one actuator: a second one under the same prefix that was "
    "drowned out, or an answer lost to noise, stays unnoticed"
)


def _match(tally: _Tally, prefix: int, bits: int, *, brief: bool = False) -> Steps[Heard]:
    """Ask the actuators whose uid begins with these bits; all of them answer at once."""
    tally.queries += 1
    aligned = (prefix << (UID_BITS - bits)).to_bytes(UID_BYTES, "big")
    message = PrefixQuery(tally.epoch, bits, int(brief), aligned)
    expect = Expect.BYTES if brief else Expect.WINDOW
    # many answers at once keep the line low for most of an answer's time: only then does the line count as idle
    ask = Ask(
        message,
        BROADCAST_ADDRESS,
        expect,
        window_ns=FIRST_SLOT_NS + START_JITTER_NS,
        quiet_ns=0 if brief else tally.answer_ns,
    )
    return (yield from exchange(ask))


def query_tree(rng: random.Random, baud: int, bits_per_step: int = 1) -> Steps[Roster]:
    """Ask for the uids that begin with a prefix; where several answer, ask for each longer prefix in turn."""
    tally = yield from _tally(rng, baud)
    stack = [(0, 0)]
    while stack and tally.queries < MAX_QUERIES:
        prefix, bits = stack.pop()
        heard = yield from _match(tally, prefix, bits)
        if not (yield from tally.go_on(heard)):
            break
        uids = tally.take(heard)
        if tally.queries % 16 == 0:
            yield Progress("asking prefixes", len(tally.found))
        is_collision = bool(heard.unread_bytes) or len(uids) > 1
        if is_collision and bits < UID_BITS:
            step = min(bits_per_step, UID_BITS - bits)
            stack += [((prefix << step) + part, bits + step) for part in reversed(range(1 << step))]
    return (yield from _roster(tally, TREE_CANNOT))


def bit_search(rng: random.Random, baud: int) -> Steps[Roster]:
    """Ask only whether any actuator answers, one bit of the uid at a time, and follow each branch to its end."""
    tally = yield from _tally(rng, baud)
    stack = [(0, 0)]
    while stack and tally.queries < MAX_QUERIES and not tally.ended:
        prefix, bits = stack.pop()
        if bits == UID_BITS:
            tally.take((yield from _match(tally, prefix, bits)))  # the next bit asks whether to go on
            yield Progress("asking bit by bit", len(tally.found))
            continue
        branches = []
        for bit in (0, 1):
            heard = yield from _match(tally, prefix << 1 | bit, bits + 1, brief=True)
            if not (yield from tally.go_on(heard)):
                break
            if heard.raw:
                branches.append((prefix << 1 | bit, bits + 1))
        stack += reversed(branches)
    return (yield from _roster(tally, BIT_CANNOT))


BIT_CANNOT: Final = "one answer lost or made by noise sends a search by bits down the wrong branch"
SLOTS_CANNOT: Final = "framed slots end when a round brings no collision; one drowned out in every round is missing"


def framed_slots(rng: random.Random, baud: int) -> Steps[Roster]:
    """Let each answer in a slot of fixed length, drawn anew each round; an actuator that was received is suppressed."""
    tally = yield from _tally(rng, baud)
    answer_us = -(-tally.answer_ns // 1000)
    slot_us = answer_us + SLOT_MARGIN_US + answer_us // 50
    slots = 16
    for _ in range(MAX_ROUNDS):
        salt = rng.randrange(0x100)
        message = SlottedCall(tally.epoch, salt, slots, slot_us)
        window_ns = FIRST_SLOT_NS + slots * slot_us * 1000
        heard = yield from exchange(Ask(message, BROADCAST_ADDRESS, Expect.SLOTS, window_ns=window_ns))
        tally.queries += 1
        if not (yield from tally.go_on(heard)):
            break
        uids = tally.take(heard)
        for uid in uids:
            yield from exchange(Ask.all(Suppress(tally.epoch, uid)))
        yield Progress("calling into slots", len(tally.found))
        collisions = round(heard.unread_bytes / PRESENT_BYTES)
        if not heard.unread_bytes:
            break
        # as many slots as are left; 2.39 in a collision on average where slots and actuators are as many
        # (Schoute 1983, from memory); where no answer at all could be read, the bytes tell too little
        wanted = 2.39 * max(1, collisions) if uids else 2 * slots
        slots = max(2, min(MAX_SLOTS, round(wanted)))
    return (yield from _roster(tally, SLOTS_CANNOT))
