"""The proof by address: what shows that each of a map is alone at its address, and what shows that one is not."""

from __future__ import annotations

import itertools
import random

import pytest

from busproto.ops import prove_addresses
from busproto.ops.discovery.address_proof import ILL_MAP, UNLISTED
from busproto.ops.discovery.search import SILENT_PASSES
from busproto.wire.messages import AddressList
from tests.ops.helpers import MS, US, Box, box, lasting, once, seeds, uid_of


def planned(one: Box, count: int, seed: int) -> dict[bytes, int]:
    one.add_many(count, seed, address=lambda number: 3 * number + 1)
    return one.truth


@pytest.mark.parametrize("echo", [True, False])
@pytest.mark.parametrize(("count", "passes"), [(1, 8), (2, 7), (16, 4), (80, 3)])
def test_proven_where_every_actuator_is_alone_at_the_right_address(count: int, passes: int, echo: bool) -> None:
    """Few have shown little of how well requests are heard: more passes."""
    for seed in seeds(2, 50):
        one = box(seed, echo=echo)
        plan = planned(one, count, seed)
        port = one.hooked(lambda _: None)
        before = [lasting(actuator) for actuator in one.bus.actuators]
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) == ""
        assert {type(message) for message in port.sent} == {AddressList}
        assert len(port.sent) == passes
        assert [lasting(actuator) for actuator in one.bus.actuators] == before


def test_one_is_missing() -> None:
    for seed in seeds(5):
        one = box(seed)
        plan = planned(one, 6, seed)
        one.bus.actuators[2].power_off()
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) == "no certain answer from address 7"


def test_one_more_is_there() -> None:
    for seed in seeds(5):
        one = box(seed)
        plan = planned(one, 6, seed)
        one.add(1, 100)
        says = UNLISTED
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) == says


def test_where_one_is_missed_the_passes_keep_no_rhythm() -> None:
    """By chance up to 160 ms apart, so 80 ms on average: none is always met at the same moment of what disturbs it."""
    one = box(2)
    plan = planned(one, 6, 2)
    one.bus.actuators[2].power_off()
    times_ns: list[int] = []
    one.hooked(lambda _: times_ns.append(one.now_ns))
    assert one.run(prove_addresses(plan, rng=random.Random(2), max_passes=40))
    gaps_ms = [(then - at) / MS for at, then in itertools.pairwise(times_ns)]
    assert len(gaps_ms) > 20
    assert 60 < sum(gaps_ms) / len(gaps_ms) < 120
    assert max(gaps_ms) - min(gaps_ms) > 100


def test_a_line_that_ought_to_be_empty_and_is_not() -> None:
    """Also where noise takes the first requests: without an echo nothing tells that they were lost."""
    for lost in range(8):
        one = box(lost, echo=False)
        one.add(1, 100)
        end = one.noise(0.9)
        one.hooked(once(AddressList, end, number=lost + 1))
        assert one.run(prove_addresses({}, rng=random.Random(lost))) != ""


def test_an_empty_map_is_asked_about_as_often_as_silence_needs() -> None:
    one = box()
    port = one.hooked(lambda _: None)
    one.run(prove_addresses({}, rng=random.Random(1)))
    assert sum(isinstance(sent, AddressList) for sent in port.sent) == SILENT_PASSES


def test_an_empty_map_is_not_proven_where_a_single_byte_was_heard() -> None:
    one = box()
    bus = one.bus

    def speak() -> None:  # the request of 47 bytes lasts 4.08 ms
        def say() -> None:
            bus.line.transmit(one, b"\x55")

        bus.kernel.at(bus.kernel.now_ns + 4_800 * US, say)

    one.hooked(once(AddressList, speak))
    assert one.run(prove_addresses({}, rng=random.Random(1))) != ""


def test_a_single_byte_that_no_actuator_of_the_map_said_is_no_proof_whatever_comes_behind() -> None:
    one = box()
    plan = planned(one, 6, 1)

    def speak() -> None:
        bus = one.bus
        bus.kernel.at(bus.kernel.now_ns + 5_600 * US, lambda: bus.line.transmit(one, b"\x55"))

    one.hooked(once(AddressList, speak))
    assert one.run(prove_addresses(plan, rng=random.Random(1))) == UNLISTED
    assert one.run(prove_addresses(plan, rng=random.Random(1))) == ""


def test_one_has_no_address_yet() -> None:
    for seed in seeds(5):
        one = box(seed)
        plan = planned(one, 6, seed)
        one.add(1)
        says = UNLISTED
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) == says


@pytest.mark.parametrize("baud", [115_200, 1_000_000])
@pytest.mark.parametrize("count", [1, 8])
def test_two_share_an_address(count: int, baud: int) -> None:
    """Now and then the two look like one in a pass (about one in twenty): that must never add up to a proof."""
    for seed in seeds(25, 2000):
        one = box(seed, baud=baud)
        plan = planned(one, count, seed)
        one.add(seed, next(iter(plan.values())))
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) != ""


def test_one_of_the_map_stands_at_anothers_address() -> None:
    """Given by hand behind the host's back: its own place is silent, another's is shared."""
    for seed in seeds(20, 500):
        one = box(seed)
        plan = planned(one, 6, seed)
        one.bus.actuators[0].settings.address = one.bus.actuators[4].address
        one.bus.index()
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) != ""


def test_two_that_were_swapped_are_seen() -> None:
    for seed in seeds(10, 200):
        one = box(seed)
        plan = planned(one, 6, seed)
        first, second = one.bus.actuators[0], one.bus.actuators[3]
        first.settings.address, second.settings.address = second.address, first.address
        one.bus.index()
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) != ""


@pytest.mark.parametrize("plan", [{1: 5, 2: 5}, {1: 0}, {1: 240}])
def test_a_map_that_proves_nothing(plan: dict[int, int]) -> None:
    one = box()
    reason = one.run(prove_addresses({uid_of(uid): address for uid, address in plan.items()}))
    assert reason == ILL_MAP
    assert one.link.exchanges == 0


def test_the_proof_by_address_under_noise() -> None:
    proven = []
    for seed in seeds(10, 300):
        one = box(seed)
        plan = planned(one, 16, seed)
        one.noise(1e-3)
        proven.append(one.run(prove_addresses(plan, rng=random.Random(seed))) == "")
        one.add(1, 200)
        assert one.run(prove_addresses(plan, rng=random.Random(seed))) != ""
    assert all(proven)


def test_member_lists_that_are_all_lost_prove_nothing() -> None:
    one = box(echo=False)
    plan = planned(one, 4, 1)
    for actuator in one.bus.actuators:
        actuator.is_mute = True
    assert one.run(prove_addresses(plan, rng=random.Random(1))) == "no certain answer from address 1, 4, 7, 10"
