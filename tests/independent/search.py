"""Roll calls until one is clean, and what they tell. Sections Discovery and What a host may conclude."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import ceil
from typing import Final

from tests.independent.asking import Asker
from tests.independent.codec import ALL, HOST, Frame, Hash, hash_of, replies_in, tag_of
from tests.independent.figure import Count
from tests.independent.line import IN_ROLL_CALL, Heard, Send, Talk
from tests.independent.messages import MOST_DIGESTS, Op, roll_call

FIRST_SLOTS: Final = 128
MOST_SLOTS: Final = 1024
LEAST_SLOTS: Final = 8
SHORT_SLOTS: Final = 8
CLOCKS_APART: Final = 0.025
SPARE_BYTES: Final = 2
ANSWER_BYTES: Final = 24
END_S: Final = 20.0
"""A search and its proof end by then (find.host-time)."""


@dataclass(frozen=True)
class Window:
    """One roll call and what came of it.

    Attributes:
        read: uid and address of each valid reply.
        spared: those that this call acknowledged, or an earlier one: they need not answer.
        strange: bytes that belong to no valid reply.
    """

    salt: int
    slots: int
    read: tuple[tuple[bytes, int], ...]
    spared: frozenset[bytes]
    strange: int


@dataclass
class Search:
    """Roll calls in one epoch.

    Attributes:
        addresses: of each uid that was read, the addresses it was read from.
        odd: what makes a proof impossible, in words.
        has_broken_echo: the host heard something else than what it sent.
    """

    asker: Asker
    epoch: int = field(init=False)
    addresses: dict[bytes, set[int]] = field(default_factory=dict)
    windows: list[Window] = field(default_factory=list)
    acknowledged: set[bytes] = field(default_factory=set)
    odd: list[str] = field(default_factory=list)
    has_echo: bool = False
    has_broken_echo: bool = False
    begun_s: float = 0.0
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.epoch = self.asker.chance.randrange(0x10000)

    def hashed(self, uid: bytes, salt: int) -> Hash:
        return hash_of(uid, salt, self.epoch)

    @property
    def is_late(self) -> bool:
        return self.now_s - self.begun_s > END_S

    def run(self) -> Talk[bool]:
        """Call until every byte of a window belongs to a valid reply; False where that never came."""
        self.begun_s = self.now_s = (yield Send(b"", 0.0)).at_s
        slots, read, salt = FIRST_SLOTS, list[bytes](), 0
        while not self.is_late:
            window = yield from self.call(slots, read, salt)
            if window.strange == 0:
                return True
            read, salt = [uid for uid, _ in window.read], window.salt
            left = 2 * -(-window.strange // ANSWER_BYTES)
            slots = min(MOST_SLOTS, max(LEAST_SLOTS, 3 * left))
        return False

    def call(self, slots: int, read: Iterable[bytes], salt_before: int, copies: int = 1) -> Talk[Window]:
        """One roll call, sent `copies` times in one burst; its digests acknowledge those `read` in the one before."""
        salt = self.asker.chance.randrange(0x100)
        digests = sorted({self.hashed(uid, salt_before).digest for uid in read})
        self.acknowledged |= set(read)
        cuts = range(0, max(1, len(digests)), MOST_DIGESTS)
        parts = [digests[at : at + MOST_DIGESTS] for at in cuts]
        payloads = [roll_call(self.epoch, salt, 0, part) for part in parts[:-1]]
        before = b"".join(self.asker.request(ALL, Op.ROLL_CALL, payload).wire for payload in payloads)
        request = self.asker.request(ALL, Op.ROLL_CALL, roll_call(self.epoch, salt, slots, parts[-1]))
        sent = before + request.wire * copies
        heard = yield Send(sent, IN_ROLL_CALL.silence_s(slots))
        window = self._window(request, salt, slots, self.behind_echo(sent, heard))
        self.windows.append(window)
        return window

    def behind_echo(self, sent: bytes, heard: Heard) -> bytes:
        """What others sent; notes a broken echo, and bytes that came while there was no request."""
        self.now_s = heard.at_s
        if heard.before:
            self.odd.append(f"{len(heard.before)} bytes between two requests")
        if heard.data.startswith(sent):
            self.has_echo = self.has_echo or bool(sent)
            return heard.data[len(sent) :]
        if self.has_echo:
            self.has_broken_echo = True
            return heard.data[len(sent) :]
        return heard.data

    def _window(self, request: Frame, salt: int, slots: int, data: bytes) -> Window:
        replies = [one for one in replies_in(data) if self._is_answer(one, request)]
        read = tuple((one.payload, one.source) for one in replies)
        for uid, times in Counter(uid for uid, _ in read).items():
            if times > 1:
                self.odd.append(f"{uid.hex()} was read twice in one window")
        for uid, address in read:
            self.addresses.setdefault(uid, set()).add(address)
            if len(self.addresses[uid]) > 1:
                self.odd.append(f"{uid.hex()} was read from two addresses")
        strange = len(data) - sum(len(one.wire) for one in replies)
        if -len(replies) < strange < 0:  # delimiters that replies share
            strange = 0
        spared = frozenset(self.acknowledged)
        self.acknowledged -= {uid for uid, _ in read}  # it answered: it does not know that it is acknowledged
        return Window(salt, slots, read, spared, strange)

    def _is_answer(self, reply: Frame, request: Frame) -> bool:
        if (reply.operation, reply.destination) != (Op.ROLL_CALL, HOST) or len(reply.payload) != 8:
            return False
        if reply.tag != tag_of(reply.payload):
            self.odd.append(f"{reply.payload.hex()} came with the tag of another uid")
            return False
        if reply.sequence != request.sequence:
            self.odd.append(f"{reply.payload.hex()} was read unasked")
            return False
        return True

    # --- what the windows tell once all are over ---

    def near(self, window: Window) -> set[bytes]:
        """Those found later that had to answer in `window`, and whose slots lay too near another's to be sure."""
        read = {uid for uid, _ in window.read}
        late = [uid for uid in self.addresses if uid not in read and uid not in window.spared]
        slot = {uid: self.hashed(uid, window.salt).slot(window.slots) for uid in late}
        return {
            uid
            for uid in late
            if any(abs(slot[uid] - slot[other]) <= reach(window.slots) for other in late if other != uid)
        }

    def strange_windows(self) -> list[Window]:
        """Windows in which more came than those can have sent."""
        most = ANSWER_BYTES + SPARE_BYTES
        return [one for one in self.windows if one.strange > most * len(self.near(one))]

    def count(self, counts: dict[bytes, Count]) -> None:
        """Add what each actuator was asked by the calls, and missed."""
        for window in self.windows:
            read, near = {uid for uid, _ in window.read}, self.near(window) if window.strange else set()
            for uid in self.addresses:
                is_spared = uid in window.spared
                if uid not in near and window.slots:
                    counts[uid].asked += 1
                    counts[uid].missed += (uid in read) == is_spared


def reach(slots: int) -> int:
    """How many slots apart two actuators may still answer at once (find.host-doubt)."""
    return 1 + ceil(CLOCKS_APART * slots)
