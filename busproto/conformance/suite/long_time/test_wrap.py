"""What is timed while the clock wraps around, or passes the half of its range: it is timed as at any other moment."""

from __future__ import annotations

import pytest

from busproto.conformance.calls import EPOCH, LIST_SALT, answers_listed, call_of, called, member_list
from busproto.conformance.clauses import clause
from busproto.conformance.clock import COUNTS, passes, until
from busproto.conformance.dut import MS, US, Dut
from busproto.conformance.suite.effects.arms import DRIVEN
from busproto.conformance.suite.effects.test_loss import LOST, assert_never_lost, check_time_out
from busproto.conformance.suite.long_time.timed import hot
from busproto.wire import messages as m
from busproto.wire.timing import BOOT_NS, HEAT_LOOK_NS, START_JITTER_NS

CLOCK_NS = 2 * US
PORT_MS = 60
"""On a port a moment may be noticed so much later."""
AT_EITHER = pytest.mark.parametrize("count", COUNTS.values(), ids=COUNTS)


def late_ms(dut: Dut) -> int:
    return 3 if dut.is_virtual else PORT_MS


@clause("line.clock", "does.reply", "parameters.reply-delay")
@AT_EITHER
@pytest.mark.parametrize("delay_us", [100, 2000])
def test_replies_come_in_time_over_the_wrap(dut: Dut, count: int, delay_us: int) -> None:
    dut.beside("heard")
    at_ns = passes(dut, count, 100 * MS)
    dut.put({"reply-delay": delay_us})
    until(dut, at_ns - 8 * MS - dut.airtime_ns(14))
    for _ in range(8):
        since_ns = dut.line_ns()
        _, frames, _ = dut.frames_after(dut.wire(m.LinkTest(b"")), count=1)
        assert frames, "a reply to the link test was expected, none came"
        seen_ns = dut.behind(since_ns)
        assert dut.least_ns(delay_us * US) <= seen_ns <= dut.most_ns(delay_us * US + START_JITTER_NS) + CLOCK_NS


@clause("line.clock", "does.loss")
@AT_EITHER
def test_the_loss_time_out_is_kept_over_the_wrap(dut: Dut, count: int) -> None:
    at_ns = passes(dut, count, 900 * MS)
    dut.put({"soft-start": 0, "loss-time-out": 400})
    while dut.now_ns < at_ns - 200 * MS:
        since = dut.during(lambda: dut.demand(0.0))
        dut.pass_time(100 * MS)
    assert_never_lost(dut)
    check_time_out(dut, since, 400)


@clause("line.clock", "does.loss")
@AT_EITHER
def test_demands_in_time_are_never_lost_over_the_wrap(dut: Dut, count: int) -> None:
    at_ns = passes(dut, count, 500 * MS)
    dut.put({"soft-start": 0, "loss-time-out": 400})
    dut.demand(0.0)
    while dut.now_ns < at_ns + 500 * MS:
        dut.pass_time(100 * MS)
        dut.demand(0.0)
    assert_never_lost(dut)


@clause("line.clock", "does.age")
@AT_EITHER
def test_the_age_grows_over_the_wrap(dut: Dut, count: int) -> None:
    at_ns = passes(dut, count, 300 * MS)
    dut.put({"loss-time-out": 5000})
    until(dut, at_ns - 100 * MS)
    since = dut.during(lambda: dut.demand(0.0))
    for one in dut.watch(since, 250 * MS, 25 * MS):
        age_ms = one.status.demand_age_ms
        assert dut.least_ns(one.least_ns) / MS - 2 <= age_ms <= dut.most_ns(one.most_ns) / MS + 2, (
            f"{one.least_ns / MS:.0f} to {one.most_ns / MS:.0f} ms behind the demand its age is told as {age_ms} ms"
        )


@clause("line.clock", "does.soft-start", "states")
@AT_EITHER
def test_a_soft_start_lasts_as_long_over_the_wrap(dut: Dut, count: int) -> None:
    at_ns = passes(dut, count, 400 * MS)
    dut.put({"soft-start": 300, "loss-time-out": 5000})
    until(dut, at_ns - 150 * MS)
    since = dut.during(lambda: dut.demand(0.25))
    for one in dut.watch(since, 500 * MS, 20 * MS):
        state, least_ms, most_ms = one.status.state, one.least_ns / MS, one.most_ns / MS
        assert state in DRIVEN
        if state is m.State.FOLLOWING:
            assert most_ms >= 297, f"its soft start of 300 ms was over after {most_ms:.0f} ms"
        else:
            assert least_ms <= 303 + late_ms(dut), f"its soft start of 300 ms was not over after {least_ms:.0f} ms"
    assert abs(dut.settle(0.25).position_cdeg - 1500) <= 150


@clause("line.clock", "does.shows", "op.45")
@AT_EITHER
@pytest.mark.parametrize("held", [False, True], ids=["limp", "held"])
def test_it_shows_itself_as_long_over_the_wrap(dut: Dut, count: int, held: bool) -> None:
    at_ns = passes(dut, count, 400 * MS)
    dut.put({"soft-start": 0, "loss-time-out": 5000})
    if held:
        dut.demand(0.0)
    until(dut, at_ns - 250 * MS)
    since = dut.during(lambda: dut.ask(m.ShowYourself(4), m.Showing))
    for one in dut.watch(since, 600 * MS, 30 * MS):
        if one.status.is_showing:
            assert one.least_ns <= 405 * MS + late_ms(dut) * MS, f"it shows itself {one.least_ns / MS:.0f} ms later"
        else:
            assert one.most_ns >= 395 * MS, f"it shows itself no longer after {one.most_ns / MS:.0f} ms"
    assert not dut.report().is_showing


@clause("line.clock", "does.store", "op.32", "does.commit")
@AT_EITHER
@pytest.mark.parametrize("into_ms", [0, 1, 15])
def test_it_stores_over_the_wrap(dut: Dut, count: int, into_ms: int) -> None:
    at_ns = passes(dut, count, 100 * MS)
    dut.put({"neutral": -321})
    data = dut.wire(m.Commit())
    until(dut, at_ns - into_ms * MS - dut.airtime_ns(len(data)))
    dut.ask(m.Commit(), m.Committed, slow=True)
    dut.alive()
    dut.restart()
    assert dut.get("neutral") == -321


@clause("line.clock", "find.first", "find.backoff", "find.position")
@AT_EITHER
def test_discovery_is_answered_over_the_wrap(dut: Dut, count: int) -> None:
    dut.require_alone()
    at_ns = passes(dut, count, 100 * MS)
    until(dut, at_ns - 15 * MS)
    while dut.now_ns < at_ns + 10 * MS:
        called(dut, call_of(dut, 12, 16))
        answers_listed(dut, member_list(dut, 20, 40), places=40)
        dut.tell(m.MemberList(EPOCH, LIST_SALT, 0, 0, ()))
        dut.pass_time(2 * MS)


@clause("line.clock", "does.heat")
@AT_EITHER
def test_it_looks_at_its_temperature_over_the_wrap(dut: Dut, count: int) -> None:
    dut.beside("warm", "clock")
    at_ns = passes(dut, count, 600 * MS)
    dut.put({"loss-time-out": 10_000})
    for before_ms in (300, 20):
        dut.report()
        dut.demand(0.0)
        until(dut, at_ns - before_ms * MS)
        with hot(dut):
            dut.pass_time(dut.most_ns(HEAT_LOOK_NS) + 2 * MS)
            status = dut.report()
        assert status.state is m.State.FAULTED, f"hot for 250 ms it is {status.state.name}"
        assert status.state not in LOST


@clause("line.clock", "line.boot")
@pytest.mark.parametrize("clock_us", [0, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF], ids=hex)
def test_it_starts_at_any_count_of_its_clock(dut: Dut, clock_us: int) -> None:
    dut.beside("clock").order("clock", str(clock_us))
    dut.pass_time(BOOT_NS)
    status = dut.report()
    assert (status.state, status.demand_age_ms, status.is_showing) == (m.State.LIMP, 0xFFFF, 0)
    dut.put({"soft-start": 0, "loss-time-out": 100})
    dut.demand(0.0)
    assert dut.report().demand_age_ms <= late_ms(dut) + 10
    dut.pass_time((120 + late_ms(dut)) * MS)
    assert dut.report().state is m.State.LOST_LIMP
