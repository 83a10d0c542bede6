"""Behind an hour in which nothing happened: what is over does not come to life again, and all goes as at first.

The clock has then gone through half its range, or all of it: a time that is long past looks like one to come, or like
one just past.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.calls import EPOCH, acknowledge, answers_listed, call_of, called, parts, unheard
from busproto.conformance.clauses import clause
from busproto.conformance.clock import HALF_NS, MINUTE_NS, RANGE_NS, idle
from busproto.conformance.dut import MS, Dut, S
from busproto.conformance.suite.effects.test_loss import check_time_out
from busproto.conformance.suite.long_time.timed import difference, held, hot
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.parameters import LOSS_LIMP
from busproto.wire.timing import HEAT_LOOK_NS

NEVER_MS = 0xFFFF
LATER = {"half the range": HALF_NS + 200 * MS, "more than half": 54 * MINUTE_NS, "the range": RANGE_NS + 200 * MS}
AT_ALL = pytest.mark.parametrize("later_ns", LATER.values(), ids=LATER)


@clause("does.age", "op.44")
def test_an_age_stays_at_its_most_for_ever(dut: Dut) -> None:
    dut.require_virtual("its age saturates after a minute")
    dut.put({"soft-start": 0, "loss-time-out": 100})
    dut.demand(0.0)
    begin_ns = dut.now_ns
    for age_ms in (60_000, 65_500):
        dut.pass_time(begin_ns + age_ms * MS - dut.now_ns)
        assert abs(dut.report().demand_age_ms - age_ms) <= 6
    dut.pass_time(100 * MS)
    assert dut.report().demand_age_ms == NEVER_MS
    for later_ns in (2 * MINUTE_NS, HALF_NS, HALF_NS + 60 * S, RANGE_NS, RANGE_NS + 1 * S, RANGE_NS + 60 * S):
        idle(dut, begin_ns + later_ns - dut.now_ns)
        age_ms = dut.report().demand_age_ms
        assert age_ms == NEVER_MS, f"{later_ns // S} s behind the demand its age is told as {age_ms} ms"


@clause("does.age")
@AT_ALL
def test_an_age_that_no_report_saw_grow_is_at_its_most(dut: Dut, later_ns: int) -> None:
    dut.put({"loss-time-out": 100})
    dut.demand(0.0)
    idle(dut, later_ns)
    assert dut.report().demand_age_ms == NEVER_MS


@clause("does.age", "op.44")
@AT_ALL
def test_without_any_demand_there_is_never_an_age(dut: Dut, later_ns: int) -> None:
    idle(dut, later_ns)
    assert dut.report().demand_age_ms == NEVER_MS
    dut.put({"loss-time-out": 100})
    dut.ask(m.Engage(), m.Engaged)
    dut.pass_time(150 * MS)
    assert dut.report().demand_age_ms == NEVER_MS


@clause("does.loss", "states", "does.again", "does.soft-start")
@AT_ALL
def test_lost_long_ago_it_stays_lost_until_a_demand(dut: Dut, later_ns: int) -> None:
    dut.put({"soft-start": 300, "loss-time-out": 200, "loss-action": LOSS_LIMP})
    dut.demand(0.1)
    dut.pass_time(300 * MS)
    assert dut.report().state is m.State.LOST_LIMP
    idle(dut, later_ns)
    status = dut.report()
    assert status.state is m.State.LOST_LIMP
    assert status.faults & m.Fault.DEMAND_LOST, "the demand was lost since power-up"
    since = dut.during(lambda: dut.demand(0.1))
    assert dut.report().state is m.State.SOFT_STARTING
    check_time_out(dut, since, 200)


@clause("does.release", "states")
@AT_ALL
def test_released_long_ago_it_stays_released(dut: Dut, later_ns: int) -> None:
    dut.put({"loss-time-out": 100, "channel": 1})
    dut.demand(0.1)
    dut.ask(m.Release(), m.Released)
    idle(dut, later_ns)
    dut.tell(m.DemandAll((1000,)))
    status = dut.report()
    assert status.state is m.State.RELEASED
    assert not status.faults & m.Fault.DEMAND_LOST, "released it loses nothing"


@clause("does.shows", "op.45")
@AT_ALL
def test_what_was_shown_long_ago_is_not_shown_again(dut: Dut, later_ns: int) -> None:
    dut.ask(m.ShowYourself(2), m.Showing)
    dut.pass_time(300 * MS)
    assert not dut.report().is_showing
    idle(dut, later_ns - 400 * MS)
    for _ in range(4):
        assert not dut.report().is_showing, "it shows itself an hour after that was over"
        dut.pass_time(200 * MS)
    dut.demand(0.0)
    assert not dut.report().is_showing
    since = dut.during(lambda: dut.ask(m.ShowYourself(3), m.Showing))
    for one in dut.watch(since, 400 * MS, 30 * MS):
        assert one.status.is_showing == (one.least_ns < 300 * MS)


@clause("does.heat")
@AT_ALL
def test_it_looks_at_its_temperature_as_ever(dut: Dut, later_ns: int) -> None:
    dut.beside("warm")
    idle(dut, later_ns)
    dut.put({"loss-time-out": 10_000})
    dut.ask(m.Engage(), m.Engaged)
    with hot(dut):
        dut.pass_time(HEAT_LOOK_NS + 2 * MS)
        assert dut.report().state is m.State.FAULTED


@clause("does.heat", "states")
@AT_ALL
def test_faulted_long_ago_it_is_limp_to_the_first_report(dut: Dut, later_ns: int) -> None:
    dut.require_virtual("an hour is idle")
    dut.put({"loss-time-out": 10_000})
    dut.ask(m.Engage(), m.Engaged)
    with hot(dut):
        dut.pass_time(HEAT_LOOK_NS + 2 * MS)
        idle(dut, later_ns)
    assert dut.report().state is m.State.LIMP


@clause("page.gaps", "frame.resync")
@AT_ALL
def test_a_frame_may_take_an_hour(dut: Dut, later_ns: int) -> None:
    wire = dut.wire(m.LinkTest(b"in two"))
    dut.say(wire[:9])
    idle(dut, later_ns)
    _, frames, _ = dut.frames_after(wire[9:], count=1)
    assert len(frames) == 1, "a reply to a frame with a long gap was expected, none came"


@clause("find.epoch", "find.acknowledge")
@AT_ALL
def test_an_acknowledgement_does_not_grow_old(dut: Dut, later_ns: int) -> None:
    acknowledge(dut)
    idle(dut, later_ns)
    unheard(dut, m.RollCall(EPOCH, 9, 16, ()))
    called(dut, m.RollCall(EPOCH + 1, 9, 16, ()))


@clause("find.parts", "page.gaps")
@AT_ALL
def test_the_parts_of_a_list_may_be_far_apart(dut: Dut, later_ns: int) -> None:
    first, last = parts(dut, 1)
    dut.tell(first)
    idle(dut, later_ns)
    answers_listed(dut, last)


@clause("does.latest", "does.asked")
@AT_ALL
def test_an_answer_that_gave_way_is_never_sent(dut: Dut, later_ns: int) -> None:
    call = dut.wire(call_of(dut, 60, 64), BROADCAST_ADDRESS)
    dut.say(call + dut.wire(m.DemandAll((m.NO_DEMAND,)), BROADCAST_ADDRESS))
    dut.pass_time(50 * MS)
    idle(dut, later_ns)
    dut.alive()


@clause(
    "line.clock", "does.reply", "does.store", "does.soft-start", "does.loss", "does.shows", "does.heat",
    "find.first", "find.backoff",
)  # fmt: skip
@AT_ALL
def test_all_goes_as_at_first(dut_build: Callable[..., Dut], later_ns: int) -> None:
    first = held(dut_build())
    dut = dut_build()
    idle(dut, later_ns)
    wrong = difference(held(dut), first)
    assert not wrong, f"behind {later_ns // MINUTE_NS} minutes without a request: {wrong}"
    dut.beside("hand").order("hand", "0")
    idle(dut, later_ns)
    wrong = difference(held(dut), first, is_later=True)
    assert not wrong, f"for the second time, {later_ns // MINUTE_NS} minutes later: {wrong}"
