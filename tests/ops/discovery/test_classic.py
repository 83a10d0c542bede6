"""The classic ways of finding every actuator: what theory says they cost, what they find, and what they cannot do.

Sources of the expected values stand beside them.
"""

from __future__ import annotations

import math
import random
import statistics
from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from functools import cache

import pytest

from busproto.lessons.theory import alone_mean
from busproto.ops import Link, Roster
from busproto.ops.discovery.classic import MAX_QUERIES, MAX_ROUNDS, MOST_NS, POLL_CANNOT
from busproto.ops.discovery.methods import METHODS
from busproto.ops.steps import Now, Steps, exchange
from busproto.ops.transact import uid_of
from busproto.plan.check.bus_load import poll_cycle_ns
from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.events import BabbleEvent, schedule
from busproto.wire.frame import BROADCAST_ADDRESS, FRAMING_BYTES, HEADER_BYTES, MAX_ADDRESS
from busproto.wire.hash import slot_of, uid_hash
from busproto.wire.messages import SlottedCall
from busproto.wire.timing import FIRST_SLOT_NS
from tests.fleet import fleet
from tests.ops.helpers import MS, lasting, seeds

BAUD = 115_200
UID_BITS = 64
CLASSIC = [name for name, method in METHODS.items() if method.cannot]
FINDING = [name for name in CLASSIC if name != "poll"]


def search(bus: VirtualBus, name: str, seed: int = 0) -> Roster:
    return Link(bus.host).run(METHODS[name].run(random.Random(f"method {seed}"), BAUD))


def uids_on(bus: VirtualBus) -> set[bytes]:
    return {one.uid for one in bus.actuators}


def found_by(roster: Roster) -> set[bytes]:
    found = {one.uid for one in roster.found}
    assert len(found) == len(roster.found)
    return found


def numbers_on(bus: VirtualBus) -> list[int]:
    return [int.from_bytes(uid, "big") for uid in uids_on(bus)]


# --- trees ---


@cache
def mean_queries(n: int, k: int = 2) -> Fraction:
    """Mean queries of a random k-ary tree: one for the node itself, and k subtrees, each with Binomial(n, 1/k)."""
    if n <= 1:
        return Fraction(1)
    weights = [Fraction(math.comb(n, i) * (k - 1) ** (n - i), k**n) for i in range(n + 1)]
    rest = sum((weight * mean_queries(i, k) for i, weight in enumerate(weights[:n])), Fraction(0))
    return (1 + k * rest) / (1 - k * weights[n])


def queries_of_tree(numbers: Iterable[int], bits: int, step: int = 1) -> int:
    """Queries of a tree over numbers of so many bits, high bit first: one, and as many more as it has branches for
    each prefix that several of them share.
    """
    prefixes = Counter((depth, number >> (bits - depth)) for number in numbers for depth in range(0, bits, step))
    return 1 + (1 << step) * sum(count > 1 for count in prefixes.values())


@pytest.mark.parametrize(
    ("name", "k", "n", "expected"),
    [
        ("tree-2", 2, 8, 22.0854),
        ("tree-2", 2, 32, 91.3328),
        ("tree-4", 4, 8, 22.7885),
        ("tree-4", 4, 32, 92.0511),
    ],
)
def test_queries_on_the_virtual_bus_are_those_of_theory(name: str, k: int, n: int, expected: float) -> None:
    """Expected: the recursion, computed from the stated definition. Each search asks exactly as often as its uids
    make it, so every collision was seen as one; and that count has the mean of the recursion.
    """
    step = k.bit_length() - 1
    assert float(mean_queries(n, k)) == pytest.approx(expected, abs=5e-5)
    for seed in seeds(12 if n == 8 else 4):
        bus = fleet(n, seed)
        assert search(bus, name, seed).calls == queries_of_tree(numbers_on(bus), UID_BITS, step)
    # drawn as the buses' uids are; four standard errors, so that one in 16 000 sets of seeds would fail
    draw = random.Random(f"{name} {n}")
    counts = [queries_of_tree([draw.getrandbits(UID_BITS) for _ in range(n)], UID_BITS, step) for _ in range(2000)]
    bound = 4 * statistics.stdev(counts) / math.sqrt(len(counts))
    assert bound < 0.05 * expected
    assert abs(statistics.fmean(counts) - expected) < bound


# --- one bit at a time ---


@pytest.mark.parametrize("near_identical", [False, True])
@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_bits_asks_twice_at_each_branching_and_once_at_each_end(n: int, near_identical: bool) -> None:
    for seed in seeds(2):
        bus = fleet(n, seed, near_identical=near_identical)
        shared = {(depth, number >> (UID_BITS - depth)) for number in numbers_on(bus) for depth in range(UID_BITS)}
        assert search(bus, "bits", seed).calls == 2 * max(1, len(shared)) + n


# --- slots of fixed length ---


@pytest.mark.parametrize(("n", "expected"), [(8, 3.14157), (16, 6.07700)])
def test_mean_single_replies_in_framed_slots(n: int, expected: float) -> None:
    """n(1-1/N)^(n-1): Schoute 1983, from memory. The hash's slots have that mean over many salts."""
    assert alone_mean(n, n) == pytest.approx(expected, abs=1e-5)
    draw = random.Random(f"slots {n}")
    uids = [draw.randbytes(8) for _ in range(n)]
    singles = []
    for epoch in range(16):
        for salt in range(256):
            slots = Counter(slot_of(uid_hash(uid, epoch, salt), n) for uid in uids)
            singles.append(sum(count == 1 for count in slots.values()))
    assert abs(statistics.fmean(singles) - expected) < 4 * statistics.stdev(singles) / math.sqrt(len(singles))


def test_a_slotted_call_brings_exactly_those_who_are_alone_in_their_slot() -> None:
    """Slots here are long enough for clocks of 1 % to agree on them."""
    slots, slot_us = 16, 4000
    for seed in seeds(10):
        bus = fleet(16, seed)
        epoch, salt = 1 + seed, 7 * seed % 256
        message = SlottedCall(epoch, salt, slots, slot_us)
        ask = Ask(message, BROADCAST_ADDRESS, Expect.SLOTS, window_ns=FIRST_SLOT_NS + slots * slot_us * 1000)
        heard = Link(bus.host).run(exchange(ask))
        slot = {uid: slot_of(uid_hash(uid, epoch, salt), slots) for uid in uids_on(bus)}
        alone = {uid for uid, at in slot.items() if list(slot.values()).count(at) == 1}
        assert {uid_of(frame) for frame in heard.replies} == alone
        assert bool(heard.unread_bytes) == (len(alone) < len(slot))


@pytest.mark.parametrize("n", [40, 128, 239])
def test_framed_slots_find_a_full_line_too(n: int) -> None:
    """Where at first no answer at all can be understood, too."""
    bus = fleet(n, 1)
    roster = search(bus, "slots")
    assert found_by(roster) == uids_on(bus)
    assert roster.calls < MAX_ROUNDS


# --- asking every address ---


def test_polling_an_empty_line_takes_at_least_request_and_window_each() -> None:
    bus = fleet(0, 1)
    roster = search(bus, "poll")
    assert roster.calls == MAX_ADDRESS
    assert roster.searching_ns / 1e9 >= poll_cycle_ns(MAX_ADDRESS, HEADER_BYTES + FRAMING_BYTES, 0, MS, BAUD) / 1e9


def test_polling_finds_none_of_several_at_one_address() -> None:
    for seed in seeds(4):
        bus = fleet(3, seed, addresses=[9, 9, 9])
        roster = search(bus, "poll", seed)
        assert roster.found == ()
        assert roster.clashes == {}
        assert not roster.proven
        assert roster.reason == POLL_CANNOT


def test_polling_finds_actuators_that_are_alone_and_no_other() -> None:
    for seed in seeds(3):
        bus = fleet(5, seed, addresses=[1, 20, 20, 239, 240])
        roster = search(bus, "poll", seed)
        assert {one.uid: one.address for one in roster.found} == {
            one.uid: one.address for one in bus.actuators if one.address in {1, 239}
        }
        assert not roster.proven


# --- all of them ---


@pytest.mark.parametrize("near_identical", [False, True])
@pytest.mark.parametrize("n", [1, 2, 8, 16])
@pytest.mark.parametrize("name", FINDING)
def test_each_finds_all_on_a_clean_line_and_is_never_sure(name: str, n: int, near_identical: bool) -> None:
    for seed in seeds(1 if name == "bits" and n > 2 else 4):
        bus = fleet(n, seed, near_identical=near_identical, addresses=[1 + number // 2 for number in range(n)])
        before = [lasting(actuator) for actuator in bus.actuators]
        bus.kernel.run_until(123 * MS)
        roster = search(bus, name, seed)
        assert roster.searching_ns + roster.proving_ns == bus.kernel.now_ns - 123 * MS
        assert found_by(roster) == uids_on(bus)
        assert {one.uid: one.address for one in roster.found} == {one.uid: one.address for one in bus.actuators}
        assert (roster.proven, roster.remaining_error, roster.reason) == (False, 1.0, METHODS[name].cannot)
        assert set(roster.clashes) == set(range(1, n // 2 + 1))
        assert [lasting(actuator) for actuator in bus.actuators] == before


@pytest.mark.parametrize("name", CLASSIC)
def test_each_says_of_an_empty_line_that_no_actuator_was_found_and_is_not_sure(name: str) -> None:
    roster = search(fleet(0, 1), name)
    assert roster.found == ()
    assert not roster.proven
    assert roster.reason


def test_noise_makes_trees_lose_some_without_a_word() -> None:
    """What they cannot do is real: in these searches at least one is missing, and nothing but `reason` says so."""
    missing = 0
    for seed in seeds(10):
        bus = fleet(16, seed, noise=1e-3)
        roster = search(bus, "tree-2", seed)
        assert not roster.proven
        missing += len(uids_on(bus) - found_by(roster))
    assert missing > 0


def garbled(ask: Ask) -> Heard:
    return Heard(
        ask=ask,
        sequence=0,
        replies=(),
        strays=b"\x55",
        raw=b"\x55",
        echoed=True,
        overran=False,
        stale=0,
        verdict=Verdict.GARBLED,
        began_ns=0,
        ended_ns=0,
    )


def queries_where_all_is_garbled(steps: Steps[Roster]) -> tuple[int, Roster]:
    """Drive a method by hand; every answer is one byte that means nothing."""
    asked = 0
    try:
        step = next(steps)
        while True:
            if isinstance(step, Ask):
                asked += 1
                step = steps.send(garbled(step))
            else:
                step = steps.send(0 if isinstance(step, Now) else None)
    except StopIteration as stop:
        return asked, stop.value


@pytest.mark.parametrize("name", CLASSIC)
def test_each_ends_where_nothing_can_ever_be_read(name: str) -> None:
    asked, roster = queries_where_all_is_garbled(METHODS[name].run(random.Random(1), BAUD))
    limits = {"poll": MAX_ADDRESS, "slots": MAX_ROUNDS}
    assert 0 < asked <= limits.get(name, MAX_QUERIES + 1)
    assert roster.found == ()
    assert not roster.proven


@pytest.mark.parametrize("name", METHODS)
def test_each_ends_within_its_bound_under_babble_and_on_a_line_that_is_stuck(name: str) -> None:
    """Two minutes of random bytes without end, or of a low line: it ends long before, and says why."""
    for trouble in ("babble", "stuck"):
        bus = fleet(4, 1)
        if trouble == "stuck":
            bus.line.pull_low(object(), 120_000 * MS)
        else:
            schedule(bus, [BabbleEvent(at=0.0, actuator="no. 1", until=120.0)])
        bus.kernel.run_until(1)
        roster = search(bus, name)
        assert not roster.proven
        assert roster.reason
        most_ns = MOST_NS if name == "slots" else 6_000 * MS  # its windows have a length of their own
        assert roster.searching_ns + roster.proving_ns <= most_ns
