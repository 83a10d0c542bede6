"""What a search has seen, and what may be concluded from it.

Two kinds of evidence are kept apart. A *doubt* is a byte that no listed actuator accounts for: in a window, behind a
member list, or between two exchanges. A *miss* is a listed actuator that should have answered and was not received:
either the actuator did not receive the request, or the host did not receive the answer. A miss counts for both
directions of the line.

From the counted misses follows how often a request may be missed at most: the upper confidence bound of the proportion
by Clopper and Pearson (Biometrika 26, 1934, p. 404; from memory). It is calculated for all listed actuators together
and for each one that missed any, so that an actuator with poor reception is not hidden among good ones. An actuator
that is not listed is assumed to be as bad as the worst of these.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Final

from busproto.ops.transact import PRESENT_BYTES
from busproto.wire.frame import UNADDRESSED
from busproto.wire.hash import slot_of, uid_hash

CONFIDENCE: Final = 0.95
"""Confidence, 0..1, of the bound on how often a request is missed."""
ASSUMED_BYTE_ERROR: Final = 1e-3
"""Least assumed probability that an actuator misreads a byte, however few misses were seen."""
SHORT_CALL_BYTES: Final = 19
POOR_SHARE: Final = 0.4
POOR_CONFIDENCE: Final = 0.99
MOST_NAMED: Final = 3
NEAR_SLOTS: Final = 1
CLOCKS_APART: Final = 0.025
"""Drift of clocks of +-1 %, and a little more: two slots this far apart, as a fraction of the time since the window
began, may still overlap."""
SPARE_BYTES: Final = 2
"""A collision may be received as this many bytes more than its longest answer has: a receiver may read its end as one.
"""


@lru_cache(maxsize=4096)
def upper_bound(misses: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """Upper bound of a proportion by Clopper and Pearson: with a greater one, so few misses are rarer than 1 -
    confidence.

    Args:
        misses: 0..trials.
        trials: 0..; with none the bound is 1.
    """
    if misses >= trials:
        return 1.0
    rare = 1.0 - confidence
    if not misses:
        return float(1.0 - rare ** (1.0 / trials))
    low, high = misses / trials, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _at_most(misses, trials, middle) > rare else (low, middle)
    return high


def lower_bound(misses: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """Lower bound of a proportion by Clopper and Pearson. Arguments as `upper_bound`."""
    return 1.0 - upper_bound(trials - misses, trials, confidence)


def _at_most(misses: int, trials: int, share: float) -> float:
    """Probability of this many misses or fewer, 0 < share < 1: the binomial sum, begun at its greatest term."""
    odds = share / (1.0 - share)
    log_term = (
        math.lgamma(trials + 1)
        - math.lgamma(misses + 1)
        - math.lgamma(trials - misses + 1)
        + misses * math.log(share)
        + (trials - misses) * math.log1p(-share)
    )
    term = total = 1.0
    for count in range(misses, 0, -1):
        term *= count / ((trials - count + 1) * odds)
        total += term
        if term < 1e-12 * total:
            break
    return math.exp(log_term) * total


@dataclass(frozen=True, slots=True)
class CallHeard:
    """One roll call and what was received in its window.

    Attributes:
        salt, slots: as sent.
        read: uids that could be read.
        unread: number of bytes that belong to none of these answers.
        times: how often the call was sent in one burst.
    """

    salt: int
    slots: int
    read: frozenset[bytes]
    unread: int
    times: int


@dataclass(frozen=True, slots=True)
class Account:
    """Whether the listed actuators account for what was received in the roll calls.

    Attributes:
        unexplained: indices of the calls, from 0, with bytes that no listed actuator accounts for.
        missed: for each listed actuator, the number of calls that it should have answered, or taken as its
            acknowledgement, and did not.
        heard: for each, the number of calls that it answered.
    """

    unexplained: tuple[int, ...]
    missed: Counter[bytes]
    heard: Counter[bytes]


def account(calls: list[CallHeard], known: Iterable[bytes], epoch: int) -> Account:
    """Compare what was received in each call with what the known actuators must have sent.

    An actuator whose answer was first read in a later call had to answer this call too, if it had power and received
    it. If its answer could not be read, it overlapped with that of another actuator in a slot near its own, which could
    not be read either. Only such answers account for unreadable bytes; bytes beyond their length stay unexplained.
    """
    first: dict[bytes, int] = {}
    for number, call in enumerate(calls):
        for uid in call.read:
            first.setdefault(uid, number)
    known = [uid for uid in known if uid in first]
    last = max(first.values(), default=-1)
    unexplained: list[int] = []
    missed: Counter[bytes] = Counter()
    heard: Counter[bytes] = Counter()
    for number, call in enumerate(calls):
        heard.update(call.read)
        # an actuator that was read before and answers again has missed its acknowledgement
        missed.update(uid for uid in call.read if first[uid] < number)
        waited = [uid for uid in known if first[uid] > number] if number < last else []
        together = _together(call, waited, epoch)
        # an actuator whose slot no other came near did not receive the call, or had no power yet
        missed.update(set(waited) - together)
        if not call.unread:
            missed.update(together)
        elif call.unread > len(together) * (PRESENT_BYTES + SPARE_BYTES):
            unexplained.append(number)
    return Account(tuple(unexplained), missed, heard)


def _together(call: CallHeard, waited: list[bytes], epoch: int) -> set[bytes]:
    """The waiting actuators whose slot in a call was near that of another, so that their answers may have
    overlapped."""
    near = NEAR_SLOTS + math.ceil(CLOCKS_APART * call.slots)
    by_slot = sorted((slot_of(uid_hash(uid, epoch, call.salt), call.slots), uid) for uid in waited)
    pairs = ((one, other) for (at, one), (then, other) in pairwise(by_slot) if then - at <= near)
    return {uid for pair in pairs for uid in pair}


def poor_text(poor: Mapping[bytes, tuple[int, int]], addresses: Mapping[bytes, int]) -> str:
    """Why nothing is proven where some listed actuators answer too seldom."""
    named = [
        f"{uid.hex()}{'' if addresses[uid] == UNADDRESSED else f' at address {addresses[uid]}'} answered {answered} of "
        f"{asked} times"
        for uid, (answered, asked) in sorted(poor.items(), key=lambda one: addresses[one[0]])
    ]
    more = f", and {len(named) - MOST_NAMED} more as seldom" if len(named) > MOST_NAMED else ""
    where = "at its connector, lead and supply" if len(named) == 1 else "at connectors, leads and supply"
    return f"{', '.join(named[:MOST_NAMED])}{more}: too seldom to prove anything; look {where}"


@dataclass
class Odds:
    """The probability that a powered actuator which is not in the list has stayed unnoticed.

    Such an actuator has missed every quiet member list (or its digest equals a listed one by chance), and has missed
    every repetition of every short call (or takes itself for acknowledged by chance). The figure is an upper bound for
    an actuator whose reception, in both directions, is no worse than the worst of the listed ones may be.

    Attributes:
        quiet: bytes and positions of each quiet member list.
        sayings: how often each short call was sent that no actuator answered.
    """

    quiet: list[tuple[int, int]] = field(default_factory=list)
    sayings: int = 0
    asked: Counter[bytes] = field(default_factory=Counter)
    missed: Counter[bytes] = field(default_factory=Counter)
    sent_bytes: list[int] = field(default_factory=list)

    def member_list(self, sent_bytes: int, answered: dict[bytes, bool]) -> None:
        """Note which positions answered a member list of `sent_bytes` bytes."""
        self.sent_bytes.append(sent_bytes)
        self.asked.update(answered.keys())
        self.missed.update(uid for uid, has in answered.items() if not has)

    def forget_silence(self) -> None:
        """An actuator was found that had been silent: drop the quiet passes and calls so far, as they prove nothing."""
        self.quiet.clear()
        self.sayings = 0

    def worst(self, present: Iterable[bytes], calls: Account) -> float:
        """Upper bound of the probability that an actuator that is there misses a member list, 0..1."""
        counts = [
            (self.missed[uid] + calls.missed[uid], self.asked[uid] + calls.missed[uid] + calls.heard[uid])
            for uid in present
        ]
        together = upper_bound(sum(missed for missed, _ in counts), sum(asked for _, asked in counts))
        return max([together, *(upper_bound(*one) for one in counts if one[0])])

    def miss(self, size: int, worst: float) -> float:
        """Upper bound of the probability that a request of `size` bytes is missed, 0..1; short ones get no credit."""
        mean_bytes = sum(self.sent_bytes) / len(self.sent_bytes)
        least = 1 - float((1 - ASSUMED_BYTE_ERROR) ** size)
        return max(least, 1 - float((1 - worst) ** max(1.0, size / mean_bytes)))

    def poor(self, present: Iterable[bytes]) -> dict[bytes, tuple[int, int]]:
        """Actuators that miss more than two of five member lists, with 99 % confidence: how many they answered, of how
        many.

        Silence on such a line proves little about actuators that are not in the list: two actuators with one uid that
        received nothing for four fifths of the time, in windows, were listed as one after 54 passes (virtual bus).
        """
        return {
            uid: (self.asked[uid] - self.missed[uid], self.asked[uid])
            for uid in present
            if lower_bound(self.missed[uid], self.asked[uid], POOR_CONFIDENCE) > POOR_SHARE
        }

    def is_gone(self, times: int, others: Iterable[bytes], rare: float) -> bool:
        """Whether an actuator that was silent this many times in a row has gone: the misses of the others do not
        explain it."""
        others = list(others)
        missed, asked = (sum(counts[uid] for uid in others) for counts in (self.missed, self.asked))
        return float(upper_bound(missed, asked) ** times) <= rare if missed else True

    def one_is_missing(self, present: Iterable[bytes], calls: Account) -> float:
        """The probability from the evidence so far, 0..1; 1 before the first quiet member list, and with an empty
        list."""
        present = list(present)
        if not self.quiet or not present:
            return 1.0
        worst = self.worst(present, calls)
        sizes = Counter(self.quiet)
        member_lists = math.prod(
            min(1.0, self.miss(size, worst) + positions / 0x10000) ** times
            for (size, positions), times in sizes.items()
        )
        said = self.miss(SHORT_CALL_BYTES, worst) ** self.sayings
        return float(member_lists * min(1.0, said + 1 / 0x10000))
