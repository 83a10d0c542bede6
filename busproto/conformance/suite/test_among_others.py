"""With other actuators on the line: it is found, proven, distinguished, and given an address."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from busproto.conformance.calls import EPOCH, window_ns
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, replies_in
from busproto.ops import assign_all, find, ordered_moves, prove_addresses
from busproto.ops.transact import uids_at
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED


def others(count: int, seed: int, address: Callable[[int], int]) -> dict[bytes, int]:
    stream = random.Random(f"others {seed}")
    return {stream.randbytes(8): address(number) for number in range(count)}


@clause("find.proof", "find.sense", "line.rate", "op.01", "op.02")
@pytest.mark.parametrize("count", [0, 1, 7, 20])
@pytest.mark.parametrize("baud", [115_200, 1_000_000])
def test_a_search_among_others_is_proven(dut_build: Callable[..., Dut], count: int, baud: int) -> None:
    dut = dut_build(address=UNADDRESSED, baud=baud, neighbours=others(count, count, lambda _: UNADDRESSED))
    roster = dut.run(find(rng=random.Random(count)))
    assert roster.proven, roster.reason
    assert {one.uid for one in roster.found} == {dut.uid, *(one.uid for one in dut.neighbours)}


@clause("find.proof", "find.backoff", "line.clock")
@pytest.mark.parametrize("clock_ppm", [-10_000, 10_000])
def test_a_clock_off_by_one_percent_is_no_harm(dut_build: Callable[..., Dut], clock_ppm: int) -> None:
    dut = dut_build(clock_ppm=clock_ppm, neighbours=others(9, 4, lambda number: 10 + number))
    roster = dut.run(find(rng=random.Random(8)))
    assert roster.proven, roster.reason
    assert len(roster.found) == 10


@clause("find.proof", "op.01", "frame.tag")
def test_a_clash_with_another_is_found_and_mended(dut_build: Callable[..., Dut]) -> None:
    dut = dut_build(neighbours=others(1, 2, lambda _: 5))
    uids = dut.run(uids_at(5, rng=random.Random(2)))
    assert set(uids) == {dut.uid, dut.neighbours[0].uid}
    roster = dut.run(find(rng=random.Random(2)))
    assert roster.clashes, "two at one address were expected in the list"
    wanted = {dut.uid: 6, dut.neighbours[0].uid: 7}
    dut.run(assign_all(ordered_moves(roster, wanted)))
    assert dut.run(prove_addresses(wanted, rng=random.Random(1))) == ""


@clause("find.addresses", "op.03")
def test_addresses_are_proven_among_others(dut_build: Callable[..., Dut]) -> None:
    dut = dut_build(neighbours=others(6, 3, lambda number: 20 + number))
    addresses = {dut.uid: 5, **{one.uid: one.address for one in dut.neighbours}}
    assert dut.run(prove_addresses(addresses, rng=random.Random(5))) == ""
    wrong = {**addresses, dut.uid: 9}
    assert dut.run(prove_addresses(wrong, rng=random.Random(5))) != "", "a wrong address was proven"


@clause("find.proof", "op.04")
def test_suppressed_ones_do_not_disturb_a_call_for_the_rest(dut_build: Callable[..., Dut]) -> None:
    dut = dut_build(neighbours=others(3, 6, lambda number: 20 + number))
    for one in (dut.uid, dut.neighbours[0].uid):
        dut.tell(m.Suppress(EPOCH, one))
    since_ns = dut.line_ns()
    said = dut.say(dut.wire(m.RollCall(EPOCH, 3, 64, ()), BROADCAST_ADDRESS))
    heard = replies_in(dut.hear(said.end_ns + window_ns(64) + 10 * MS))
    assert {frame.source for frame in heard} <= {21, 22}
    assert dut.spoken(since_ns) == [], "silence was expected, it is suppressed"


@clause("find.proof", "line.rate")
def test_alone_on_the_line_it_is_found_and_proven(dut: Dut) -> None:
    dut.require_alone()
    roster = dut.run(find(rng=random.Random(1)))
    assert [one.uid for one in roster.found] == [dut.uid]
    assert roster.proven or not dut.echoes, roster.reason
