"""Lists and short calls behind a search, until the list of actuators is proven or cannot be. Same sections."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from tests.independent.codec import ALL, Frame
from tests.independent.figure import Count, figure, upper_bound
from tests.independent.line import IN_ORDER, Send, Talk
from tests.independent.messages import Op, address_list, member_list
from tests.independent.search import SHORT_SLOTS, Search

WANTED_FIGURE: Final = 0.0001
QUIET_PASSES: Final = {Op.MEMBER_LIST: 2, Op.ADDRESS_LIST: 3}
LONG_PASSES: Final = 16
LONG_S: Final = 0.3
DOUBT_PASSES: Final = 6
RECENT_PASSES: Final = 4
LONGEST_PAUSE_S: Final = 0.08
LEAST_S: Final = 0.055
LONGEST_LISTENING_S: Final = 0.03
SHORT_COPIES: Final = 2
UNLISTED_SLOTS: Final = 4


def confirmed(expected: Sequence[int], received: Sequence[int]) -> tuple[list[bool], int]:
    """Which positions every longest fitting of `received` to `expected`, in order, answers; and its length."""
    n, k = len(expected), len(received)
    ahead = [[0] * (k + 1) for _ in range(n + 1)]
    behind = [[0] * (k + 1) for _ in range(n + 1)]
    for i in range(n):
        for j in range(k):
            fits = ahead[i][j] + (expected[i] == received[j])
            ahead[i + 1][j + 1] = max(fits, ahead[i][j + 1], ahead[i + 1][j])
    for i in reversed(range(n)):
        for j in reversed(range(k)):
            fits = behind[i + 1][j + 1] + (expected[i] == received[j])
            behind[i][j] = max(fits, behind[i][j + 1], behind[i + 1][j])
    most = ahead[n][k]
    return [max(ahead[i][j] + behind[i + 1][j] for j in range(k + 1)) < most for i in range(n)], most


@dataclass(frozen=True)
class Pass:
    """One list and its answers.

    Attributes:
        confirmed: for each position.
        unlisted: salt and byte of each answer of an actuator that is not in the list.
        stray: other bytes that are no answer of a position, or came once too often.
        is_noise: answers of positions, changed on their way, look like the stray ones.
    """

    at_s: float
    size: int
    confirmed: tuple[bool, ...]
    unlisted: tuple[tuple[int, int], ...]
    stray: int
    is_noise: bool

    @property
    def is_quiet(self) -> bool:
        return not self.unlisted and not self.stray and 2 * sum(self.confirmed) >= len(self.confirmed)


@dataclass(frozen=True)
class Found:
    """What a search and its proof came to.

    Attributes:
        addresses: by uid; where one was read from more than one address, the lowest.
        why_not: empty where the list is proven.
        figure: bound of the chance that a powered actuator is missing.
    """

    addresses: dict[bytes, int]
    why_not: tuple[str, ...]
    figure: float
    calls: int
    passes: int
    took_s: float

    @property
    def is_proven(self) -> bool:
        return not self.why_not

    def at(self, address: int) -> list[bytes]:
        return sorted(uid for uid, stands in self.addresses.items() if stands == address)


@dataclass
class Proof:
    """Passes and short calls over one list; `order` gives the uids by position, drawn anew when one comes in addition.

    Attributes:
        kind: member list, or address list.
        earlier: unlisted answers of passes before the list grew, that one found since must account for.
    """

    search: Search
    kind: Op = Op.MEMBER_LIST
    order: list[bytes] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)
    short_calls: int = 0
    counts: dict[bytes, Count] = field(default_factory=dict)
    earlier: list[tuple[int, int]] = field(default_factory=list)
    done_passes: int = 0

    def run(self) -> Talk[Found]:
        while not self._is_over():
            self._take_in_new()
            if not self.order:
                break
            if self._is_long:
                yield from self._pause()
                if self._calls:
                    yield from self._short_call(copies=3)
                    yield from self._pause()
            done = yield from self._pass()
            self.passes.append(done)
            if self._calls and done.is_quiet and sum(one.is_quiet for one in self.passes) == 1:
                yield from self._short_call(SHORT_COPIES)
        yield from self._listen_out()
        return self._found()

    @property
    def _calls(self) -> bool:
        """Whether short calls belong to the proof."""
        return self.kind is Op.MEMBER_LIST

    def _take_in_new(self) -> None:
        """Begin anew where an actuator was read that is not in the list."""
        known = sorted(self.search.addresses, key=lambda uid: (min(self.search.addresses[uid]), uid))
        if known != self.order:
            new = set(known) - set(self.order)
            self.earlier += [answer for one in self.passes for answer in one.unlisted]
            self.earlier = [answer for answer in self.earlier if not self._accounts(new, answer)]
            self.order, self.passes, self.short_calls = known, [], 0
            for uid in known:
                self.counts.setdefault(uid, Count())

    def _accounts(self, uids: set[bytes], answer: tuple[int, int]) -> bool:
        salt, byte = answer
        return any(self.search.hashed(uid, salt).unlisted_byte == byte for uid in uids)

    def _pass(self) -> Talk[Pass]:
        salt = self._salt()
        sent = b"".join(frame.wire for frame in self._frames(salt))
        heard = yield Send(sent, IN_ORDER.silence_s(len(self.order) + UNLISTED_SLOTS))
        answers = self.search.behind_echo(sent, heard)
        self.search.acknowledged = set(self.order)
        fits, fitted = confirmed([self.search.hashed(uid, salt).list_byte for uid in self.order], answers)
        for uid, is_heard in zip(self.order, fits, strict=True):
            self.counts[uid].asked += 1
            self.counts[uid].missed += not is_heard
        unlisted = tuple((salt, byte) for byte in answers if byte < 0x80)
        self.done_passes += 1
        stray = len(answers) - len(unlisted) - fitted
        is_noise = not unlisted and len(answers) <= len(self.order)
        return Pass(heard.at_s, len(sent), tuple(fits), unlisted, stray, is_noise)

    def _salt(self) -> int:
        while True:
            salt = self.search.asker.chance.randrange(0x100)
            if len({self.search.hashed(uid, salt).digest for uid in self.order}) == len(self.order):
                return salt

    def _frames(self, salt: int) -> list[Frame]:
        if self.kind is Op.ADDRESS_LIST:
            marked = [min(self.search.addresses[uid]) for uid in self.order]
            payloads = [address_list(self.search.epoch, salt, marked)]
        else:
            payloads = member_list(
                self.search.epoch, salt, [self.search.hashed(uid, salt).digest for uid in self.order]
            )
        return [self.search.asker.request(ALL, self.kind, payload) for payload in payloads]

    def _short_call(self, copies: int) -> Talk[None]:
        window = yield from self.search.call(SHORT_SLOTS, (), 0, copies)
        self.short_calls += copies if not window.read else 0

    def _pause(self) -> Talk[None]:
        yield from self._listen(self.search.asker.chance.uniform(0, LONGEST_PAUSE_S))

    def _listen(self, for_s: float) -> Talk[None]:
        heard = yield Send(b"", for_s)
        if self.search.behind_echo(b"", heard):
            self.search.odd.append(f"{len(heard.data)} bytes while no request was sent")

    def _listen_out(self) -> Talk[None]:
        """What is left of the least time is spent on listening and calls."""
        while self.order and self.search.now_s - self.search.begun_s < LEAST_S:
            yield from self._listen(self.search.asker.chance.uniform(0, LONGEST_LISTENING_S))
            if self._calls:
                yield from self._short_call(SHORT_COPIES)

    # --- what it has come to ---

    @property
    def _doubts(self) -> list[str]:
        doubts = list(self.search.odd)
        doubts += [f"{one.strange} bytes in a roll call" for one in self.search.strange_windows()]
        unlisted = self.earlier + [answer for one in self.passes for answer in one.unlisted]
        doubts += [f"an unlisted actuator answered {byte:#04x}" for _, byte in unlisted]
        doubts += [f"{one.stray} stray bytes behind a list" for one in self.passes if one.stray and not one.is_noise]
        return doubts

    def _all_counts(self) -> dict[bytes, Count]:
        counts = {uid: Count(one.asked, one.missed) for uid, one in self.counts.items()}
        for uid in self.search.addresses:
            counts.setdefault(uid, Count())
        self.search.count(counts)
        return counts

    @property
    def _has_misses(self) -> bool:
        return any(one.missed for one in self._all_counts().values())

    @property
    def _is_long(self) -> bool:
        return self.search.has_broken_echo or self._has_misses or bool(self._doubts)

    def _figure(self) -> float:
        sizes = [one.size for one in self.passes if one.is_quiet]
        counts = self._all_counts()
        positions = len(self.order) if self._calls else 0
        return figure(counts.values(), sizes, positions, self.short_calls) if counts else 1.0

    def _is_over(self) -> bool:
        if self.search.is_late:
            return True
        if set(self.order) != set(self.search.addresses) or not self.order:
            return False
        if self._doubts:
            return len(self.passes) >= DOUBT_PASSES
        return all(is_so for _, is_so in self._conditions())

    def _conditions(self) -> list[tuple[str, bool]]:
        quiet = [one for one in self.passes if one.is_quiet]
        often = self._each_confirmed(self.passes, 2)
        conditions = [("a position was not confirmed twice", often), ("the figure is too large", self._is_small())]
        if self._is_long:
            span = quiet[-1].at_s - quiet[0].at_s if quiet else 0.0
            recent = self._each_confirmed(self.passes[-RECENT_PASSES:], 1)
            return [
                *conditions,
                ("too few quiet passes", len(quiet) >= LONG_PASSES and span >= LONG_S),
                ("a position was not confirmed lately", recent),
            ]
        enough = len(quiet) >= QUIET_PASSES[self.kind]
        return [
            *conditions,
            ("too few quiet passes", enough),
            ("no short call", self.short_calls > 0 or not self._calls),
        ]

    def _is_small(self) -> bool:
        return self._figure() <= WANTED_FIGURE

    def _each_confirmed(self, passes: Sequence[Pass], times: int) -> bool:
        return all(sum(one.confirmed[at] for one in passes) >= times for at in range(len(self.order)))

    def _found(self) -> Found:
        reasons = self._doubts + [words for words, is_so in self._conditions() if not is_so]
        if not self.order:
            reasons.append("the list is empty")
        for uid, count in self._all_counts().items():
            if upper_bound(count.asked - count.missed, count.asked, 0.99) < 3 / 5:
                reasons.append(f"{uid.hex()} answers too few requests")
        took = self.search.now_s - self.search.begun_s
        addresses = {uid: min(stands) for uid, stands in self.search.addresses.items()}
        return Found(addresses, tuple(reasons), self._figure(), len(self.search.windows), self.done_passes, took)


def find(search_anew: Callable[[], Search], tries: int = 3) -> Talk[Found]:
    """Search and prove, in a new epoch where the list was not proven; the last result where none was."""
    while True:
        search = search_anew()
        is_clean = yield from search.run()
        found = yield from Proof(search).run()
        tries -= 1
        if (is_clean and found.is_proven) or not tries:
            return found


def prove_addresses(search: Search, addresses: dict[bytes, int]) -> Talk[Found]:
    """Lists of addresses, in a new epoch, until each actuator is proven to stand where `addresses` has it."""
    search.begun_s = search.now_s = (yield Send(b"", 0.0)).at_s
    search.addresses = {uid: {address} for uid, address in addresses.items()}
    return (yield from Proof(search, Op.ADDRESS_LIST).run())
