"""Matching a gang: what is left is measured by the simulator's own truth, not by the same estimate."""

from __future__ import annotations

import itertools
from typing import Final

import pytest

from busproto.errors import ReplyTimeoutError
from busproto.ops.moving.motion import demand, engage, report
from busproto.plan.calibration.match import Matched, _carried, _look, _mean, _together, match, matched_json
from busproto.plan.calibration.match_checks import Station, raw_table
from busproto.plan.trials.trial import Subject
from busproto.sim.bus import VirtualBus
from busproto.wire import messages as m
from busproto.wire.messages import LIMP_STATES, MAX_DEMAND
from tests.ops.helpers import Box, box
from tests.plan.calibration.helpers import MS, members, rudder, truth
from tests.plan.trials.test_trial import subject_of

SENSOR_STEP_DEG: Final = 0.05


@pytest.fixture(scope="module")
def matched() -> tuple[VirtualBus, list[Subject], Matched, tuple[float, ...], tuple[float, ...]]:
    """Before, the matching, and after: it takes a while, so all look at the same one."""
    bus, link = rudder()
    subjects = members(link)
    before = truth(bus, link)
    result = link.run(match(subjects))
    return bus, subjects, result, before, truth(bus, link)


def test_the_greatest_mismatch_falls_twenty_fold_or_to_the_sensors_noise(
    matched: tuple[VirtualBus, list[Subject], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    _, _, result, before, after = matched
    assert (result.stored, result.tables, result.refused) == (True, "stored", ())
    assert before[0] > 0.5
    # at the surface a step of the sensor is less, by the ratio of the linkage
    assert after[0] <= max(before[0] / 20, 0.6 * 2 * SENSOR_STEP_DEG)
    assert after[1] <= max(before[1] / 20, 0.05 * 4.0 / 2), "torque alike: what friction holds is left"


def test_what_is_measured_agrees_with_the_truth(
    matched: tuple[VirtualBus, list[Subject], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    _, subjects, result, before, _ = matched
    assert result.before is not None
    assert result.after is not None
    assert result.before.worst_deg > 1
    # with play, friction and noise of the sensors that measure it, and less than both dead bands
    assert result.after.worst_deg <= 4 * SENSOR_STEP_DEG < result.before.worst_deg / 5
    assert result.after.idle_ma < 0.3 * result.before.idle_ma
    assert result.after.torque_nm < 0.1 * result.before.torque_nm
    # 4 N m at 4.8 A, and 60 mA to stand there and no more: a motor's torque is that of its current
    assert result.before.torque_nm == pytest.approx((result.before.peak_idle_ma - 60) / 4800 * 4.0, rel=0.01)
    # what the surface pulls with, through the linkage; friction in the gear holds a little of it
    assert result.before.torque_nm == pytest.approx(0.6 * before[1], rel=0.1)
    body = matched_json(subjects, result)
    assert [one["function"] for one in body["members"]] == ["rudder, middle", "rudder, lower"]
    assert all(5 <= len(one["table_deg"]) <= 33 for one in body["members"])
    assert all("points" in one["reason"] for one in body["members"])
    assert body["figures_before"]["greatest_deg"] == round(result.before.worst_deg, 3)


def test_the_tables_are_stored_in_the_others_and_the_lead_has_none(
    matched: tuple[VirtualBus, list[Subject], Matched, tuple[float, ...], tuple[float, ...]],
) -> None:
    bus, subjects, result, _, _ = matched
    lead, *others = bus.actuators
    assert lead.settings.stored()["correction"] == ()
    for actuator, subject in zip(others, subjects[1:], strict=True):
        assert actuator.settings.stored()["correction"] == raw_table(result.fits[subject.address])
        assert actuator.settings.stored() == actuator.settings.working
    assert all(one.state in LIMP_STATES for one in bus.actuators)


@pytest.mark.parametrize("at", [3, 40, 400, 900])
def test_an_interruption_leaves_the_tables_as_they_were_and_all_limp(at: int) -> None:
    bus, link = rudder()
    subjects = members(link)
    kept = [actuator.settings.stored() for actuator in bus.actuators]
    writes = 0
    send = bus.host.write

    def write(data: bytes) -> None:
        nonlocal writes
        writes += 1
        if writes == at:
            raise KeyboardInterrupt
        send(data)

    bus.host.write = write  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        link.run(match(subjects, stations=12, looks=1))
    assert [actuator.settings.stored() for actuator in bus.actuators] == kept
    assert [actuator.settings.working for actuator in bus.actuators] == kept
    assert all(one.state in LIMP_STATES for one in bus.actuators)


def test_one_that_falls_silent_ends_it_with_the_others_limp() -> None:
    bus, link = rudder()
    subjects = members(link)
    bus.kernel.at(bus.kernel.now_ns + 4_000 * MS, lambda: setattr(bus.actuators[1], "is_mute", True))
    with pytest.raises(ReplyTimeoutError):
        link.run(match(subjects, stations=12, looks=1))
    assert all(one.state in LIMP_STATES for one in bus.actuators)


def alone(subject: Box, count: int = 1) -> list[Subject]:
    """Slow ones on channel 4 that nothing joins: from end to end they take 4 s."""
    return [subject_of(subject, number, channel=4, slew_limit=300) for number in range(1, count + 1)]


def test_a_slow_lead_is_waited_for_at_each_place() -> None:
    subject = box(2)
    lead = alone(subject)[0]
    began_ns = subject.now_ns
    stations = subject.run(_carried([lead], lead, (-0.9, 0.0, 0.9), 1))
    assert subject.now_ns - began_ns < 16_000 * MS, "its ways take 9 s; it goes on as soon as it stands still"
    assert [one.fraction for one in stations] == [-0.9, 0.0, 0.9]
    assert [one.reported_deg[1] for one in stations] == pytest.approx([-54.0, 0.0, 54.0], abs=0.2)


def test_all_together_are_waited_for_at_each_place() -> None:
    subject = box(2)
    stations = subject.run(_together(alone(subject, 2), (-0.9, 0.9), 1))
    for one, wanted_deg in zip(stations, (-54.0, 54.0), strict=True):
        assert list(one.reported_deg.values()) == pytest.approx([wanted_deg] * 2, abs=0.2)


def test_the_last_degree_to_a_place_is_gone_in_small_steps() -> None:
    subject = box(2)
    lead = alone(subject)[0]
    port = subject.hooked(lambda _: None)
    subject.run(_carried([lead], lead, (-0.5, 0.5), 1))
    told_deg = [60 * one.demand / MAX_DEMAND for one in port.sent if isinstance(one, m.Demand)]
    arrivals = [at for at in range(2, len(told_deg)) if told_deg[at] == told_deg[at - 1] != told_deg[at - 2]]
    assert {round(told_deg[at], 1) for at in arrivals} == {-33.0, -30.0, 30.0, 33.0}, "and a little beyond both ends"
    for at in arrivals:
        steps_deg = [abs(now - then) for then, now in itertools.pairwise(told_deg[at - 11 : at])]
        assert max(steps_deg) <= 0.11


def test_at_a_place_the_mean_of_the_readings_counts() -> None:
    """Current and angle, of each; the readings themselves are kept, for what they tell of the sensor's step."""
    subject = box(2)
    both = alone(subject, 2)
    subject.run(engage(1))
    subject.run(demand(1, 0.0))
    subject.pass_time(400 * MS)
    found = subject.run(_look(both, 0.0, 4, both[0]))
    for address in (1, 2):
        status = subject.run(report(address))
        assert len(found.looks_cdeg[address]) == 4
        assert found.reported_deg[address] == pytest.approx(sum(found.looks_cdeg[address]) / 400)
        assert found.current_ma[address] == pytest.approx(status.current_ma, abs=15)
    assert found.current_ma[1] > 0
    there = Station(0.5, {1: 10.0}, {1: 100.0}, {1: (990, 1010)})
    back = Station(0.5, {1: 10.4}, {1: 300.0}, {1: (1040,)})
    assert _mean(there, back) == Station(0.5, {1: 10.2}, {1: 200.0}, {1: (990, 1010, 1040)})
