"""Asking where the arms are: in rounds and alone, those that fall silent, and those that take hold meanwhile."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.ops import release_all
from busproto.ops.moving.hand_movement import (
    REST_NS,
    SILENT_AFTER,
    SILENT_TURN,
    Episode,
    Held,
    Lookout,
    Member,
    Silent,
    judge,
)
from busproto.ops.moving.motion import engage
from busproto.ops.reports import MAX_ROW, rows_of
from busproto.wire.messages import LIMP_STATES, Report, ReportRound
from tests.ops.helpers import MS, box, uid_of


@given(st.sets(st.integers(1, 239), min_size=1))
def test_rows_hold_every_address_once_and_are_not_long(addresses: set[int]) -> None:
    rows = rows_of(addresses)
    held = [address for first, count in rows for address in range(first, first + count)]
    assert len(held) == len(set(held))
    assert addresses <= set(held)
    assert all(count <= MAX_ROW and first in addresses and first + count - 1 in addresses for first, count in rows)


def test_neighbours_fraction_a_row_and_unlisted_do_not() -> None:
    assert rows_of([239, 238, 237, 20, 25, 31]) == [(20, 6), (31, 1), (237, 3)]


def actuators_of(addresses: Mapping[int, int]) -> list[Member]:
    return [Member(uid_of(number), address, "") for number, address in addresses.items()]


def test_every_actuator_is_heard_in_rounds_and_alone() -> None:
    bench = box()
    at = {1: 5, 2: 6, 3: 9, 4: 100, 5: 239, 6: 238}
    for number, address in at.items():
        bench.add(number, address, at_deg=number)
    port = bench.hooked(lambda _: None)
    lookout = Lookout(actuators_of(at), lambda told: pytest.fail(str(told)))
    bench.run(lookout.settle())
    assert lookout.watch.is_settled([uid_of(number) for number in at])
    assert lookout.silent == ()
    port.sent.clear()
    bench.run(lookout.turn())
    assert port.sent == [ReportRound(5, 5, ()), ReportRound(238, 2, ()), Report()]  # and 100 alone


def test_thirty_two_take_a_turn_in_a_fraction_of_a_rest() -> None:
    bench = box()
    at = {number: 208 + number for number in range(32)}
    for number, address in at.items():
        bench.add(number, address)
    lookout = Lookout(actuators_of(at), lambda told: pytest.fail(str(told)))
    bench.run(lookout.settle())
    began_ns = bench.now_ns
    bench.run(lookout.turn())
    assert bench.now_ns - began_ns < REST_NS // 5


def test_one_that_is_mute_is_told_of_once_and_heard_again_when_it_speaks() -> None:
    bench = box()
    bench.add(1, 5)
    mute = bench.add(2, 6)
    told: list[object] = []
    lookout = Lookout(actuators_of({1: 5, 2: 6}), told.append)
    bench.run(lookout.settle())
    assert lookout.silent == ()
    mute.power_off()
    for _ in range(3 * SILENT_AFTER):
        bench.run(lookout.turn())
    assert told == [Silent(uid_of(2))]
    assert lookout.silent == (uid_of(2),)
    mute.power_on()
    bench.run(lookout.turn())  # in a round it is heard at once
    assert lookout.silent == ()


def test_one_of_a_row_that_was_missed_twice_is_asked_alone() -> None:
    """So that it is not lost where the others' answers drown its own in each round."""
    bench = box()
    for number in (1, 2, 3):
        bench.add(number, 4 + number)
    lookout = Lookout(actuators_of({1: 5, 2: 6, 3: 7}), [].append)
    bench.run(lookout.turn())
    bench.bus.actuators[1].is_mute = True
    port = bench.hooked(lambda _: None)
    alone = []
    for _ in range(4):
        port.sent.clear()
        bench.run(lookout.turn())
        alone.append(sum(not isinstance(message, ReportRound) for message in port.sent))
    assert alone == [0, 0, 1, 1]


def test_one_alone_in_its_row_is_asked_seldom_once_it_is_silent() -> None:
    bench = box()
    bench.add(1, 5)
    mute = bench.add(2, 100)
    port = bench.hooked(lambda _: None)
    told: list[object] = []
    lookout = Lookout(actuators_of({1: 5, 2: 100}), told.append)
    mute.is_mute = True
    for _ in range(SILENT_AFTER):
        bench.run(lookout.turn())
    assert told == [Silent(uid_of(2))]
    port.sent.clear()
    for _ in range(2 * SILENT_TURN):
        bench.run(lookout.turn())
    assert len(port.sent) == 2 * SILENT_TURN + 2  # the other in each turn
    mute.is_mute = False
    for _ in range(SILENT_TURN):
        bench.run(lookout.turn())
    assert lookout.silent == ()


def test_whoever_takes_hold_meanwhile_is_told_to_go_limp() -> None:
    bench = box()
    actuators = [bench.add(number, 4 + number) for number in (1, 2)]
    told: list[object] = []
    lookout = Lookout(actuators_of({1: 5, 2: 6}), told.append)
    bench.run(engage(5))
    assert bench.run(lookout.settle()) == (uid_of(1),)
    bench.run(release_all())
    bench.run(lookout.turn())
    assert told == []
    bench.run(engage(6))
    bench.run(lookout.turn())
    assert told == [Held(uid_of(2))]
    assert all(one.state in LIMP_STATES for one in actuators)


def test_lost_rounds_under_noise_lose_no_actuator() -> None:
    bench = box(seed=3)
    at = {number: 229 + number for number in range(1, 11)}
    actuators = [bench.add(number, address) for number, address in at.items()]
    told: list[object] = []
    lookout = Lookout(actuators_of(at), told.append)
    bench.run(lookout.settle())
    bench.noise(5e-3)
    actuators[3].arm.hand(20.0, 800 * MS, bench.now_ns)
    episodes = []
    for _ in range(60):
        episodes += bench.run(lookout.turn())
    assert told == []
    assert [judge(one.movers, 1).uids for one in episodes if isinstance(one, Episode)] == [(uid_of(4),)]
