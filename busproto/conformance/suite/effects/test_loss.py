"""Loss of the demand: when it is noticed, the loss action, and what ends it."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import DRIVEN, ROUNDED_CDEG, assert_drive
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP, LOSS_PRESET

LOST = {m.State.LOST_LIMP, m.State.LOST_HOLD, m.State.LOST_PRESET}
STATE_OF = {LOSS_LIMP: m.State.LOST_LIMP, LOSS_HOLD: m.State.LOST_HOLD, LOSS_PRESET: m.State.LOST_PRESET}
ACTIONS = pytest.mark.parametrize("action", [LOSS_LIMP, LOSS_HOLD, LOSS_PRESET], ids=["limp", "hold", "preset"])


def check_time_out(dut: Dut, since: tuple[int, int], time_out_ms: int) -> None:
    """Check reports around the time-out: the demand is lost neither too early nor too late."""
    seen = dut.watch(since, round(time_out_ms * 1.25 + 40) * MS, max(3, time_out_ms // 12) * MS)
    for one in seen:
        if one.status.state in LOST:
            assert one.most_ns >= time_out_ms * MS * 0.97 - 2 * MS, f"lost after {one.most_ns / MS:.0f} ms"
        else:
            assert one.status.state in DRIVEN
            assert one.least_ns <= time_out_ms * MS * 1.03 + 3 * MS, f"not lost after {one.least_ns / MS:.0f} ms"
    assert seen[-1].status.state in LOST


def assert_never_lost(dut: Dut) -> None:
    """Check that the demand was not lost at any time."""
    status = dut.report()
    assert status.state in DRIVEN
    assert not status.faults & m.Fault.DEMAND_LOST, "the demand was lost though it came in time"


@effect("loss-time-out")
@clause("does.loss", "faults", "states")
@pytest.mark.parametrize("time_out_ms", [20, 100, 255, 256, 500, 1500])
def test_the_loss_time_out_is_kept(dut: Dut, time_out_ms: int) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 3000})
    dut.demand(0.0)
    dut.put({"loss-time-out": time_out_ms})
    since = dut.during(lambda: dut.demand(0.0))
    check_time_out(dut, since, time_out_ms)
    assert dut.report().faults & m.Fault.DEMAND_LOST


@clause("does.loss", "op.40", "does.channel")
def test_the_time_out_runs_from_the_last_demand_of_its_channel(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 400, "channel": 1})
    dut.tell(m.DemandAll((0,)))
    for _ in range(3):
        dut.pass_time(150 * MS)
        since = dut.during(lambda: dut.tell(m.DemandAll((0,))))
    assert_never_lost(dut)
    for _ in range(3):
        dut.pass_time(60 * MS)
        dut.tell(m.DemandAll((m.NO_DEMAND, 0)))
    check_time_out(dut, since, 400)


@clause("does.loss", "op.41")
def test_a_demand_to_one_counts_as_well(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 400})
    dut.demand(0.0)
    for _ in range(4):
        dut.pass_time(250 * MS)
        since = dut.during(lambda: dut.demand(0.0))
    assert_never_lost(dut)
    check_time_out(dut, since, 400)


@clause("does.loss", "op.43")
def test_engaged_without_any_demand_it_runs_from_there(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 300})
    since = dut.during(lambda: dut.ask(m.Engage(), m.Engaged))
    check_time_out(dut, since, 300)


@clause("does.loss")
def test_reports_and_settings_are_no_demands(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 300})
    since = dut.during(lambda: dut.demand(0.0))
    for _ in range(4):
        dut.pass_time(20 * MS)
        dut.put({"gang": 2})
        dut.alive()
    check_time_out(dut, since, 300)


@clause("does.loss", "states", "parameters")
@ACTIONS
def test_the_loss_action_is_done(dut: Dut, action: int) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 3000, "loss-action": action, "preset": -1000})
    at = dut.settle(0.25).position_cdeg
    dut.put({"loss-time-out": 100})
    dut.demand(0.25)
    dut.pass_time(900 * MS)
    status = dut.report()
    assert status.state is STATE_OF[action]
    assert status.faults & m.Fault.DEMAND_LOST
    if action == LOSS_LIMP:
        assert status.demand_cdeg == status.position_cdeg
    elif action == LOSS_HOLD:
        assert status.demand_cdeg == pytest.approx(1500, abs=2)
        assert status.position_cdeg == pytest.approx(at, abs=40)
    else:
        assert status.demand_cdeg == pytest.approx(-1000, abs=2)
        assert status.position_cdeg == pytest.approx(-1000, abs=150)
    assert_drive(dut, status.state)


@effect("preset", "loss-action", "end-low", "end-high")
@shows(m.Status, "demand_cdeg")
@clause("does.loss", "does.ends", "does.settings")
def test_the_preset_is_where_it_says_within_the_ends(dut: Dut) -> None:
    dut.put({"soft-start": 5000, "loss-time-out": 20, "loss-action": LOSS_PRESET, "direction": 1, "neutral": 500})
    dut.put({"correction": (-100, 200), "travel": 6000})
    dut.demand(0.3)
    dut.pass_time(40 * MS)
    for low, high in ((-9000, 9000), (-4000, 1000), (0, 300)):
        dut.put({"end-low": low, "end-high": high})
        for preset in (-9000, -4567, -256, -1, 0, 1, 255, 4567, 9000):
            dut.put({"preset": preset})
            status = dut.report()
            assert status.state is m.State.LOST_PRESET
            wanted = min(high, max(low, preset))
            assert status.demand_cdeg == pytest.approx(wanted, abs=ROUNDED_CDEG), f"preset {preset / 100} deg"


@effect("loss-action", "preset")
@clause("does.loss")
@ACTIONS
@pytest.mark.parametrize("by", ["demand", "demand all", "engage"])
def test_the_loss_action_is_that_of_the_moment_of_the_loss(dut: Dut, action: int, by: str) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 5000, "channel": 1, "loss-action": (action + 1) % 3, "preset": -1500})
    dut.settle(0.2)
    if by == "demand all":
        dut.tell(m.DemandAll((1500,)))
    elif by == "engage":
        dut.ask(m.Engage(), m.Engaged)
    before = dut.report()
    dut.put({"loss-action": action, "loss-time-out": 30})
    dut.pass_time(60 * MS)
    status = dut.report()
    assert status.state is STATE_OF[action]
    assert_drive(dut, status.state)
    wanted = {LOSS_LIMP: status.position_cdeg, LOSS_HOLD: before.demand_cdeg, LOSS_PRESET: -1500}[action]
    assert status.demand_cdeg == pytest.approx(wanted, abs=ROUNDED_CDEG)
    later = dut.report()
    assert later.state is STATE_OF[action]
    dut.put({"loss-action": (action + 1) % 3})
    dut.pass_time(60 * MS)
    assert dut.report().state is STATE_OF[action], "a loss action that is written later does not change what it did"


@effect("loss-time-out")
@clause("does.loss", "does.write")
def test_a_time_out_that_is_written_acts_at_once(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 10_000})
    since = dut.during(lambda: dut.demand(0.0))
    dut.put({"loss-time-out": 500})
    check_time_out(dut, since, 500)
    dut.put({"loss-time-out": 300})
    dut.demand(0.0)
    dut.pass_time(100 * MS)
    dut.put({"loss-time-out": 5000})
    dut.pass_time(400 * MS)
    assert dut.report().state in DRIVEN
    dut.put({"loss-time-out": 50})
    assert dut.report().state in LOST


@effect("loss-time-out")
@clause("does.loss")
def test_the_longest_time_out_is_kept(dut: Dut) -> None:
    dut.require_virtual("ten seconds are long")
    dut.put({"soft-start": 0, "loss-time-out": 10_000})
    dut.demand(0.0)
    dut.pass_time(9_985 * MS)
    assert dut.report().state in DRIVEN
    dut.pass_time(15 * MS)
    assert dut.report().state in LOST


@clause("does.loss", "does.ends")
def test_a_preset_beyond_an_end_stops_there(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 60, "loss-action": LOSS_PRESET, "preset": 2000, "end-high": 800})
    dut.demand(0.0)
    dut.pass_time(700 * MS)
    status = dut.report()
    assert status.demand_cdeg == pytest.approx(800, abs=2)
    assert status.position_cdeg <= 900


@clause("does.again", "does.engages")
@ACTIONS
def test_the_next_demand_engages_it_again(dut: Dut, action: int) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 60, "loss-action": action, "channel": 1})
    for again in (lambda: dut.demand(0.1), lambda: dut.tell(m.DemandAll((1000,)))):
        dut.demand(0.1)
        dut.pass_time(150 * MS)
        assert dut.report().state is STATE_OF[action]
        dut.put({"loss-time-out": 3000})
        again()
        status = dut.report()
        assert status.state in DRIVEN
        assert status.demand_cdeg == pytest.approx(600, abs=2)
        assert status.faults & m.Fault.DEMAND_LOST, "the fault stands until power-up"
        dut.put({"loss-time-out": 60})


@clause("faults", "op.51")
def test_a_restart_clears_the_loss(dut: Dut) -> None:
    dut.put({"loss-time-out": 40})
    dut.demand(0.0)
    dut.pass_time(120 * MS)
    assert dut.report().faults & m.Fault.DEMAND_LOST
    dut.restart()
    assert not dut.report().faults & m.Fault.DEMAND_LOST


@clause("does.loss", "states")
def test_what_never_was_demanded_is_not_lost(dut: Dut) -> None:
    dut.put({"loss-time-out": 20})
    dut.pass_time(200 * MS)
    status = dut.report()
    assert status.state is m.State.LIMP
    assert not status.faults & m.Fault.DEMAND_LOST


@clause("does.loss", "does.release")
def test_released_it_loses_nothing(dut: Dut) -> None:
    dut.put({"loss-time-out": 60, "loss-action": LOSS_HOLD})
    dut.demand(0.0)
    dut.ask(m.Release(), m.Released)
    dut.pass_time(150 * MS)
    status = dut.report()
    assert status.state is m.State.RELEASED
    assert not status.faults & m.Fault.DEMAND_LOST
