"""What a search has seen, and what may be concluded from it.

Two kinds of sign are kept apart. A *doubt* is a byte that no listed actuator accounts for: in a window, behind a member
list, between two exchanges. A *miss* is a listed actuator that should have answered and was not heard: either it did
not hear the request, or the host did not hear it; a miss counts for both directions of the line. Misses are counted,
and how often a request may be missed at most is the upper confidence bound of that share, by Clopper and Pearson
(Biometrika 26, 1934, p. 404; from memory): of all listed actuators together, and of each that missed any by itself, so
that one with a bad ear is not hidden among good ones. The worst of these is what one is taken for that is not listed.
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
"""Of the bound on how often a request is missed."""
ASSUMED_BYTE_ERROR: Final = 1e-3
"""Least chance that a byte is not understood by an actuator, whatever was seen."""
SHORT_CALL_BYTES: Final = 19
POOR_SHARE: Final = 0.4
POOR_CONFIDENCE: Final = 0.99
MOST_NAMED: Final = 3
NEAR_SLOTS: Final = 1
CLOCKS_APART: Final = 0.025
"""Clocks of +-1 %, and a little: two that are so far apart in a window may still answer at once."""
SPARE_BYTES: Final = 2
"""A collision may leave so many bytes more than its longest answer has: what a receiver makes of its end."""


@lru_cache(maxsize=4096)
def upper_bound(misses: int, trials: int, confidence: float = CONFIDENCE) -> float:
    """Upper bound of a share by Clopper and Pearson: a greater one makes so few misses rarer than 1 - confidence.

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
    """The same from below: what is not missed is bounded from above."""
    return 1.0 - upper_bound(trials - misses, trials, confidence)


def _at_most(misses: int, trials: int, share: float) -> float:
    """Chance of so many misses or fewer, 0 < share < 1: the binomial distribution's sum, begun at its greatest term."""
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
    """One roll call and what came of it.

    Attributes:
        salt, slots: as sent.
        read: uids that were understood.
        unread: bytes that belong to none of them.
        times: how often it was said in one burst.
    """

    salt: int
    slots: int
    read: frozenset[bytes]
    unread: int
    times: int


@dataclass(frozen=True, slots=True)
class Account:
    """Whether the listed actuators account for what the roll calls brought.

    Attributes:
        unexplained: numbers of the calls, from 0, that brought bytes which no listed actuator accounts for.
        missed: how many calls each listed actuator should have answered, or have been acknowledged by, and did not.
        heard: how many it answered.
    """

    unexplained: tuple[int, ...]
    missed: Counter[bytes]
    heard: Counter[bytes]


def account(calls: list[CallHeard], known: Iterable[bytes], epoch: int) -> Account:
    """Hold what each call brought against what the known actuators must have done.

    One that was first understood in a later call had to answer this one too, if it had power and heard it. Where it was
    not understood, its answer met with that of another which was not understood either and had a slot near its own.
    Bytes that were not understood come from such only; what is more than they had to say is left unexplained.
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
        # one that was understood before, and is again, has not taken note that it was
        missed.update(uid for uid in call.read if first[uid] < number)
        waited = [uid for uid in known if first[uid] > number] if number < last else []
        together = _together(call, waited, epoch)
        # one that met with no other did not hear the call, or had no power yet
        missed.update(set(waited) - together)
        if not call.unread:
            missed.update(together)
        elif call.unread > len(together) * (PRESENT_BYTES + SPARE_BYTES):
            unexplained.append(number)
    return Account(tuple(unexplained), missed, heard)


def _together(call: CallHeard, waited: list[bytes], epoch: int) -> set[bytes]:
    """Those of the waiting that had a slot near another's in a call, so that their answers may have met."""
    near = NEAR_SLOTS + math.ceil(CLOCKS_APART * call.slots)
    by_slot = sorted((slot_of(uid_hash(uid, epoch, call.salt), call.slots), uid) for uid in waited)
    pairs = ((one, other) for (at, one), (then, other) in pairwise(by_slot) if then - at <= near)
    return {uid for pair in pairs for uid in pair}


def poor_text(poor: Mapping[bytes, tuple[int, int]], addresses: Mapping[bytes, int]) -> str:
    """Why nothing is proven where some of those that are known answer too seldom."""
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
    """The chance that a powered actuator which is not in the list has stayed unnoticed.

    It has if it missed every quiet member list, or its digest fitted a listed one by chance, and missed every saying of
    every short call, or believes by chance to be acknowledged. That is the most it can be for an actuator that hears,
    and is heard, no worse than the worst of those in the list may be.

    Attributes:
        quiet: bytes and positions of each quiet member list.
        sayings: of short calls that nobody answered.
    """

    quiet: list[tuple[int, int]] = field(default_factory=list)
    sayings: int = 0
    asked: Counter[bytes] = field(default_factory=Counter)
    missed: Counter[bytes] = field(default_factory=Counter)
    sent_bytes: list[int] = field(default_factory=list)

    def member_list(self, sent_bytes: int, answered: dict[bytes, bool]) -> None:
        """Note who answered a member list."""
        self.sent_bytes.append(sent_bytes)
        self.asked.update(answered.keys())
        self.missed.update(uid for uid, has in answered.items() if not has)

    def forget_silence(self) -> None:
        """One was found that had kept silent: silence before that proves nothing."""
        self.quiet.clear()
        self.sayings = 0

    def worst(self, present: Iterable[bytes], calls: Account) -> float:
        """How often a member list may be missed at most, by those who are there, 0..1."""
        counts = [
            (self.missed[uid] + calls.missed[uid], self.asked[uid] + calls.missed[uid] + calls.heard[uid])
            for uid in present
        ]
        together = upper_bound(sum(missed for missed, _ in counts), sum(asked for _, asked in counts))
        return max([together, *(upper_bound(*one) for one in counts if one[0])])

    def miss(self, size: int, worst: float) -> float:
        """How often a request of so many bytes may be missed at most; shorter ones get no credit for being short."""
        mean_bytes = sum(self.sent_bytes) / len(self.sent_bytes)
        least = 1 - float((1 - ASSUMED_BYTE_ERROR) ** size)
        return max(least, 1 - float((1 - worst) ** max(1.0, size / mean_bytes)))

    def poor(self, present: Iterable[bytes]) -> dict[bytes, tuple[int, int]]:
        """Those that miss more than two of five member lists, as is certain to 99 %: how many they answered, of how
        many.

        What such a line says of actuators that are not in the list is worth little: two with one uid that were deaf for
        four fifths of the time, in windows, stood in a list as one after 54 passes (virtual bus).
        """
        return {
            uid: (self.asked[uid] - self.missed[uid], self.asked[uid])
            for uid in present
            if lower_bound(self.missed[uid], self.asked[uid], POOR_CONFIDENCE) > POOR_SHARE
        }

    def is_gone(self, times: int, others: Iterable[bytes], rare: float) -> bool:
        """Whether one that was silent so many times in a row has gone: what the others missed does not explain it."""
        others = list(others)
        missed, asked = (sum(counts[uid] for uid in others) for counts in (self.missed, self.asked))
        return float(upper_bound(missed, asked) ** times) <= rare if missed else True

    def one_is_missing(self, present: Iterable[bytes], calls: Account) -> float:
        """The chance by what is known now; 1 before the first quiet member list, and where nobody is listed."""
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
