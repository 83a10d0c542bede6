"""Release, engage, and showing itself."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import DRIVEN, NEAR_CDEG, assert_drive, ready, to_all
from busproto.conformance.suite.effects.cover import shows
from busproto.wire import messages as m


def assert_released(dut: Dut) -> None:
    status = dut.report()
    assert status.state is m.State.RELEASED
    assert status.demand_cdeg == status.position_cdeg
    assert_drive(dut, status.state)


@clause("does.release", "op.42", "states")
@pytest.mark.parametrize("is_broadcast", [False, True], ids=["to one", "to all"])
def test_release_latches(dut: Dut, is_broadcast: bool) -> None:
    ready(dut, channel=1)
    dut.demand(0.1)
    if is_broadcast:
        dut.tell(m.Release())
    else:
        assert dut.ask(m.Release(), m.Released).state is m.State.RELEASED
    assert_released(dut)
    for _ in range(3):
        to_all(dut, 3000)
        dut.refused(m.Demand(3000), m.Outcome.NOT_ENGAGED)
        dut.pass_time(50 * MS)
    assert_released(dut)


@clause("does.release", "op.43")
def test_engage_ends_a_release(dut: Dut) -> None:
    ready(dut)
    dut.ask(m.Release(), m.Released)
    assert dut.ask(m.Engage(), m.Engaged).state in DRIVEN
    assert dut.demand(0.0).state in DRIVEN


@clause("does.release", "op.51")
def test_a_restart_ends_a_release(dut: Dut) -> None:
    dut.ask(m.Release(), m.Released)
    dut.restart()
    assert dut.report().state is m.State.LIMP
    assert dut.demand(0.0).state in DRIVEN


@clause("does.release", "op.42")
def test_a_release_is_not_undone_by_time_or_settings(dut: Dut) -> None:
    ready(dut, loss_time_out=40)
    dut.put({"loss-action": 1})
    dut.demand(0.0)
    dut.tell(m.Release())
    dut.pass_time(120 * MS)
    dut.ask(m.Undo(m.Memory.FACTORY), m.Undone)
    assert_released(dut)


@clause("op.43", "does.motion")
@pytest.mark.parametrize("is_broadcast", [False, True], ids=["to one", "to all"])
@pytest.mark.parametrize("fraction", [0.25, -0.4])
def test_engage_holds_the_arm_where_it_is(dut: Dut, is_broadcast: bool, fraction: float) -> None:
    ready(dut)
    dut.settle(fraction)
    dut.ask(m.Release(), m.Released)
    at = dut.report().position_cdeg
    if is_broadcast:
        dut.tell(m.Engage())
    else:
        dut.ask(m.Engage(), m.Engaged)
    dut.pass_time(300 * MS)
    status = dut.report()
    assert status.state in DRIVEN
    assert status.position_cdeg == pytest.approx(at, abs=40)
    assert status.demand_cdeg == pytest.approx(at, abs=40)


@clause("op.43", "does.motion")
@pytest.mark.parametrize("is_broadcast", [False, True], ids=["to one", "to all"])
def test_engage_stops_an_arm_under_way_where_it_is(dut: Dut, is_broadcast: bool) -> None:
    ready(dut, slew_limit=500)
    dut.settle(-0.3)
    dut.demand(0.3)
    dut.pass_time(200 * MS)
    dut.tell(m.Engage()) if is_broadcast else dut.ask(m.Engage(), m.Engaged)
    at = dut.report()
    assert abs(at.demand_cdeg - at.position_cdeg) < 300, "it does not hold the arm where it was"
    dut.pass_time(300 * MS)
    assert dut.report().position_cdeg == pytest.approx(at.demand_cdeg, abs=NEAR_CDEG)


# --- showing itself ---------------------------------------------------------------------------------------------------


@shows(m.Showing, "moves")
@clause("op.45", "does.shows", "does.motion")
@pytest.mark.parametrize("fraction", [0.1, -0.3])
def test_engaged_it_shows_itself_by_a_motion(dut: Dut, fraction: float) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 10_000})
    at = dut.settle(fraction).position_cdeg
    assert dut.ask(m.ShowYourself(20), m.Showing).moves == 1
    seen = [one.status for one in dut.watch(dut.during(lambda: None), 1800 * MS, 30 * MS)]
    assert all(one.is_showing for one in seen)
    least, most = min(one.position_cdeg for one in seen), max(one.position_cdeg for one in seen)
    assert 50 <= most - least <= 2000, f"it swings by {(most - least) / 100} deg"
    assert least < at < most, f"it swings from {least / 100} to {most / 100} deg, and was at {at / 100} deg"
    dut.pass_time(600 * MS)
    status = dut.report()
    assert not status.is_showing
    assert status.position_cdeg == pytest.approx(at, abs=60)


@clause("does.shows", "does.ends")
@pytest.mark.parametrize("side", [1, -1], ids=["high", "low"])
def test_it_swings_within_the_ends(dut: Dut, side: int) -> None:
    ready(dut, **{"end_high" if side > 0 else "end_low": 900 * side})
    dut.settle(0.5 * side)
    dut.ask(m.ShowYourself(15), m.Showing)
    seen = [one.status for one in dut.watch(dut.during(lambda: None), 1400 * MS, 30 * MS)]
    assert max(side * one.position_cdeg for one in seen) <= 900 + NEAR_CDEG
    assert max(side * one.demand_cdeg for one in seen) <= 902
    assert min(side * one.position_cdeg for one in seen) <= 860, "it does not swing to the side that is free"


@shows(m.Status, "is_showing")
@clause("op.45", "does.shows", "op.44")
@pytest.mark.parametrize(
    ("is_engaged", "duration_ds"), [(False, 1), (False, 26), (False, 100), (True, 1), (True, 26)], ids=str
)
def test_it_shows_itself_for_as_long_as_it_was_told(dut: Dut, is_engaged: bool, duration_ds: int) -> None:
    if duration_ds > 50:
        dut.require_virtual("ten seconds are long")
    dut.put({"soft-start": 0, "loss-time-out": 10_000, "loss-action": 1})
    if is_engaged:
        dut.demand(0.1)
    since = dut.during(lambda: dut.ask(m.ShowYourself(duration_ds), m.Showing))
    due_ns = duration_ds * 100 * MS
    dut.pass_time(max(0, since[0] + due_ns * 97 // 100 - 12 * MS - dut.now_ns))
    for _ in range(120):
        seen = dut.moment(since)
        if not seen.status.is_showing:
            assert seen.most_ns >= dut.least_ns(due_ns), f"it ends after {seen.most_ns / MS:.1f} ms at most"
            return
        assert seen.least_ns <= dut.most_ns(due_ns) + 3 * MS, f"it lasts {seen.least_ns / MS:.1f} ms at least"
    raise AssertionError("it does not end")


@shows(m.Showing, "moves")
@clause("op.45", "does.shows")
def test_a_later_request_takes_the_place_of_an_earlier_one(dut: Dut) -> None:
    ready(dut, loss_time_out=10_000)
    for is_engaged in (False, True):
        if is_engaged:
            dut.demand(0.1)
        assert dut.ask(m.ShowYourself(100), m.Showing).moves == is_engaged
        assert dut.ask(m.ShowYourself(2), m.Showing).moves == is_engaged
        dut.pass_time(100 * MS)
        assert dut.report().is_showing == 1
        dut.pass_time(150 * MS)
        assert dut.report().is_showing == 0
        assert dut.ask(m.ShowYourself(2), m.Showing).moves == is_engaged
        dut.pass_time(100 * MS)
        dut.ask(m.ShowYourself(4), m.Showing)
        dut.pass_time(250 * MS)
        assert dut.report().is_showing == 1
        assert dut.ask(m.ShowYourself(0), m.Showing).moves == 0
        assert dut.report().is_showing == 0


@clause("does.shows", "does.limp", "does.release")
def test_let_go_while_it_swings_it_is_limp(dut: Dut) -> None:
    ready(dut)
    dut.settle(0.1)
    dut.ask(m.ShowYourself(20), m.Showing)
    dut.pass_time(100 * MS)
    dut.ask(m.Release(), m.Released)
    for _ in range(6):
        dut.pass_time(150 * MS)
        status = dut.report()
        assert status.is_showing == 1, "limp, it shows itself by the flag, for as long as it was told"
        assert status.state is m.State.RELEASED
        assert status.demand_cdeg == status.position_cdeg
        assert_drive(dut, status.state)
