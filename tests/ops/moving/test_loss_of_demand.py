"""What is seen when the demand is taken away: each does its loss action at its time."""

from __future__ import annotations

import random

import pytest

from busproto.ops import demand, find, report, stream, take_demand_away
from busproto.ops.moving.motion import DEMAND_PERIOD_NS
from busproto.wire.messages import Fault, State
from tests.ops.helpers import MS, Box, S, box

REPORT_NS = (14 + 36) * 10 * S // 115_200 + 130_000
"""One report: request of 14 bytes, answer of 36, 100 us reply delay, 30 us start jitter at most."""


def following(one: Box, *time_outs_ms: int) -> None:
    """Actuators at 10, 11, ... on channels 1, 2, ..., each with a loss time-out, and all of them following."""
    for number, time_out_ms in enumerate(time_outs_ms):
        one.add(
            number,
            10 + number,
            channel=1 + number,
            loss_time_out=time_out_ms,
            loss_action=number % 3,
            preset=-1000,
            soft_start=100,
        )
    one.run(stream({1 + number: 0.25 for number in range(len(time_outs_ms))}, 700 * MS))
    assert {actuator.current_state() for actuator in one.bus.actuators} == {State.FOLLOWING}


@pytest.mark.parametrize("echo", [True, False])
@pytest.mark.parametrize("time_out_ms", [60, 100, 137, 500, 2000])
def test_each_does_its_loss_action_at_its_time(time_out_ms: int, echo: bool) -> None:
    """Between the time-out T and T + P after the last demand, P the period in which we look.

    Common practice, no source; P is the pause between two rounds of reports and the reports themselves.
    """
    one = box(echo=echo)
    following(one, time_out_ms, time_out_ms, time_out_ms)
    results = one.run(take_demand_away([10, 11, 12], (time_out_ms + 500) * MS))
    assert {address: result.action for address, result in results.items()} == {10: "limp", 11: "hold", 12: "preset"}
    for address, result in results.items():
        assert result.address == address
        assert time_out_ms * MS <= result.after_ns <= time_out_ms * MS + DEMAND_PERIOD_NS + 6 * REPORT_NS
        assert time_out_ms <= result.status.demand_age_ms
        assert result.status.faults & Fault.DEMAND_LOST
    by_address = {actuator.address: actuator for actuator in one.bus.actuators}
    one.pass_time(S)
    assert [one.run(report(address)).state for address in (10, 11, 12)] == [
        State.LOST_LIMP,
        State.LOST_HOLD,
        State.LOST_PRESET,
    ]
    one.pass_time(S)
    assert by_address[10].arm.target_deg is None
    assert one.run(report(11)).position_cdeg == pytest.approx(1500, abs=15)
    assert one.run(report(12)).position_cdeg == pytest.approx(-1000, abs=15)


def test_each_has_its_own_time_out() -> None:
    one = box()
    following(one, 200, 900, 400)
    results = one.run(take_demand_away([10, 11, 12], 1500 * MS))
    for address, time_out_ms in ((10, 200), (11, 900), (12, 400)):
        after_ms = results[address].after_ns / MS
        assert time_out_ms <= after_ms <= time_out_ms + 50 + 6 * REPORT_NS / MS


def test_one_that_does_nothing_within_the_time_watched_is_told() -> None:
    one = box()
    following(one, 200, 5000)
    results = one.run(take_demand_away([10, 11], 600 * MS))
    assert (results[10].action, results[11].action) == ("limp", "")
    assert results[11].after_ns >= 600 * MS - DEMAND_PERIOD_NS - 2 * REPORT_NS
    assert results[11].status.state is State.FOLLOWING


def test_it_stops_watching_when_all_have_acted() -> None:
    one = box()
    following(one, 100)
    began_ns = one.now_ns
    one.run(take_demand_away([10], 60 * S))
    assert one.now_ns - began_ns < 300 * MS


def test_a_demand_to_one_counts_for_the_time_out() -> None:
    one = box()
    actuator = one.add(1, 7, loss_time_out=100)
    for _ in range(10):
        one.run(demand(7, 0.1))
        one.pass_time(90 * MS)
        assert actuator.state in {State.SOFT_STARTING, State.FOLLOWING}
    one.pass_time(20 * MS)
    assert actuator.state is State.LOST_LIMP


def test_looking_at_one_is_no_demand() -> None:
    for look in (lambda: report(7), lambda: find(rng=random.Random(1))):
        one = box()
        actuator = one.add(1, 7, loss_time_out=100)
        one.run(demand(7, 0.1))
        while one.now_ns < 200 * MS:
            one.run(look())
        assert actuator.state is State.LOST_LIMP
