"""Roll calls: each actuator that is not yet acknowledged answers once in a slot; the next call acknowledges those that
were read.

Each call is a broadcast that opens a window of slots. The calls end with a window in which every byte belongs to an
answer that can be read. `Search` keeps what was received on the way, for the proof and for the report afterwards.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from busproto.ops.discovery.evidence import Account, CallHeard, account
from busproto.ops.steps import Progress, Steps, exchange, now
from busproto.ops.transact import PRESENT_BYTES, uid_of, window
from busproto.session.exchange import Heard, Verdict
from busproto.wire.decoder import Decoder
from busproto.wire.frame import FRAMING_BYTES, HEADER_BYTES, Frame
from busproto.wire.hash import device_tag, digest_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.messages import MAX_DIGESTS_PER_CALL, MAX_WINDOW_SLOTS, RollCall

MS: Final = 1_000_000
FIRST_WINDOW_SLOTS: Final = 128
SLOTS_PER_ACTUATOR: Final = 3
MIN_WINDOW_SLOTS: Final = 8
LATECOMER_SLOTS: Final = 16
MAX_CALLS: Final = 60
LATECOMER_CALLS: Final = 8
LATECOMER_ROUNDS: Final = 3
MAX_OVERRUNS: Final = 3
"""Number of windows in which bytes never stopped, after which a search is given up."""
MOST_NS: Final = 20_000 * MS
"""ns. A search that has lasted this long begins no further exchange. The one under way takes at most 1 s at 115 200 Bd,
so a search ends whatever is on the line."""
MIN_PASSES: Final = 2


@dataclass
class Search:
    """What a search knows while it runs.

    Attributes:
        strange: how often bytes came outside a roll call's window that no listed actuator accounts for.
            is_odd: an echo was broken, or only some requests had one.
        account_of, last_account: the last `Account` of the roll calls, and the state for which it was made.
        only_echo: after the last call with a broken echo no bytes but that echo came.
        gone: uids that were listed, and then did not answer any more.
        out_of_turn: uids that came outside a window.
        doubled: for each uid, how often its answer to a member list came twice.
        answered: by answer byte, the uid that answered the last member list.
    """

    rng: random.Random
    epoch: int
    began_ns: int
    addresses: dict[bytes, int] = field(default_factory=dict)
    twins: set[bytes] = field(default_factory=set)
    gone: list[bytes] = field(default_factory=list)
    out_of_turn: set[bytes] = field(default_factory=set)
    doubled: Counter[bytes] = field(default_factory=Counter)
    answered: dict[int, bytes] = field(default_factory=dict)
    to_acknowledge: list[int] = field(default_factory=list)
    calls_heard: list[CallHeard] = field(default_factory=list)
    echoes: set[bool] = field(default_factory=set)
    heard_anything: bool = False
    is_odd: bool = False
    only_echo: bool = False
    account_of: tuple[object, ...] = ()
    last_account: Account = field(default_factory=lambda: Account((), Counter(), Counter()))
    strange: int = 0
    calls: int = 0
    passes: int = 0
    overruns: int = 0

    def fresh_salt(self) -> int:
        return self.rng.randrange(0x100)

    def note(self, heard: Heard) -> None:
        """Note what an exchange brought beside its answers: echo, late frames, stray bytes."""
        self.heard_anything |= bool(heard.raw or heard.before)
        self.overruns += heard.overran
        self.strange += bool(heard.before)
        self.echoes.add(heard.echoed)
        self.is_odd |= heard.verdict is Verdict.ECHO_BROKEN or len(self.echoes) > 1
        for data in (heard.before, heard.raw if heard.stale else b""):
            # late, or asked for by another host: no answer to be counted, but its uid is known now
            uids = (uid_of(found) for found in Decoder().feed(data) if isinstance(found, Frame) and found.is_reply)
            self.out_of_turn.update(uid for uid in uids if uid is not None)
        # a byte after the end that equals an answer already counted: sent twice by one actuator, or by two
        self.note_doubled(Counter(self.answered[byte] for byte in heard.before if byte in self.answered))

    def note_doubled(self, times: Mapping[bytes, int]) -> None:
        """Add how often the answer of each uid to a member list came twice; enough of it makes twins of them."""
        self.doubled.update(times)
        self.twins |= {uid for uid, often in self.doubled.items() if often >= MIN_PASSES}

    def account(self) -> Account:
        """The account of the roll calls with all uids that were ever read (see `account` of `evidence`)."""
        state = (len(self.calls_heard), *self.addresses, *self.gone)
        if state != self.account_of:
            self.account_of = state
            self.last_account = account(self.calls_heard, [*self.addresses, *self.gone], self.epoch)
        return self.last_account


def call_until_read(search: Search, slots: int, most_calls: int = MAX_CALLS) -> Steps[bool]:
    """Send roll calls until one brings no unreadable byte. Returns False where that does not happen."""
    for _ in range(most_calls):
        garbled = yield from roll_call(search, slots)
        if search.overruns >= MAX_OVERRUNS or (yield from now()) >= search.began_ns + MOST_NS:
            return False
        yield Progress("finding", len(search.addresses))
        if garbled is None:
            continue
        if not garbled:
            return True
        slots = min(MAX_WINDOW_SLOTS, max(MIN_WINDOW_SLOTS, SLOTS_PER_ACTUATOR * _estimated_rest(search, garbled)))
    return False


def call_latecomers(search: Search) -> Steps[None]:
    """Send roll calls for actuators that answered after the search, until each one that was read is acknowledged.

    Where the next request is no member list, those that were read last would answer once more, and two of them in one
    slot would be a doubt."""
    for _ in range(LATECOMER_ROUNDS):
        yield from call_until_read(search, LATECOMER_SLOTS, LATECOMER_CALLS)
        if not search.to_acknowledge:
            return
        garbled = yield from roll_call(search, MIN_WINDOW_SLOTS)
        if not garbled and not search.to_acknowledge:
            return


def wire_bytes(message: Message) -> int:
    """Length of a request on the wire, bytes."""
    return HEADER_BYTES + len(message.payload()) + FRAMING_BYTES


def _estimated_rest(search: Search, garbled_bytes: int) -> int:
    """Estimate how many actuators answered unreadably in the last window, from the number of unreadable bytes.

    A collision is received as about one answer. How many answers are in it was measured on the virtual bus: 2.2 where
    nearly all could be read, up to 4.5 where nearly none could.
    """
    collisions = max(1.0, garbled_bytes / PRESENT_BYTES)
    understood = max(1, len(search.to_acknowledge))
    return max(2, round(collisions * (2.2 + 0.7 * math.sqrt(collisions / understood))))


def roll_call(search: Search, slots: int, *, times: int = 1) -> Steps[int | None]:
    """Send one roll call, which also acknowledges the actuators read in the one before.

    Returns the number of unreadable bytes (with delimiters, as little else is left where very many answers collide);
    None where the echo shows that the call itself was broken.
    """
    digests = search.to_acknowledge
    ahead: list[Message] = []
    while len(digests) > MAX_DIGESTS_PER_CALL:
        part, digests = digests[:MAX_DIGESTS_PER_CALL], digests[MAX_DIGESTS_PER_CALL:]
        ahead.append(RollCall(search.epoch, search.fresh_salt(), 0, tuple(part)))
    salt = search.fresh_salt()
    call = RollCall(search.epoch, salt, slots, tuple(digests))
    heard = yield from exchange(window(call, ahead=(*ahead, *[call] * (times - 1))))
    search.calls += 1
    search.note(heard)
    search.to_acknowledge = []
    seen: Counter[bytes] = Counter()
    for frame in heard.replies:
        uid = uid_of(frame)
        if uid is None:
            continue
        if frame.tag != device_tag(uid):
            search.strange += 1  # the tag of the reply is not that of its uid
            continue
        seen[uid] += 1
        if search.addresses.get(uid, frame.source) != frame.source:
            # no address changes during a search: two actuators have this uid, or one reports wrongly
            search.twins.add(uid)
        search.addresses[uid] = frame.source
        search.to_acknowledge.append(digest_of(uid_hash(uid, search.epoch, salt)))
    search.twins |= {uid for uid, times in seen.items() if times > 1}
    if heard.verdict is Verdict.ECHO_BROKEN:
        search.only_echo = len(heard.raw) <= sum(map(wire_bytes, (*heard.ask.ahead, call)))
        return None
    search.calls_heard.append(CallHeard(salt, slots, frozenset(seen), heard.unread_bytes, times))
    return heard.unread_bytes
