"""Demands, limp, engage and reports; and that every end of a move is limp."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable
from functools import partial

import pytest

from busproto.errors import InputError, NodeRefusedError, PortClosedError, ReplyTimeoutError
from busproto.ops import AsyncLink, Link, demand, engage, move, release, report, stream, write
from busproto.ops.moving.letting_go import release_all, seen_by
from busproto.ops.moving.motion import (
    DEMAND_PERIOD_NS,
    demand_channels,
    fault_texts,
    is_limp,
    raw_demand,
    report_round,
    show,
)
from busproto.ops.steps import Progress, Steps
from busproto.session import Expect
from busproto.sim.actuators.actuator import Actuator
from busproto.wire import Message
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.messages import (
    LIMP_STATES,
    NO_DEMAND,
    Demand,
    DemandAll,
    Fault,
    Outcome,
    Release,
    Report,
    ReportRound,
    State,
)
from tests.ops.helpers import MS, Box, DyingPort, HookedPort, S, box, once, seeds

HALF_TRAVEL_CDEG = 6000
"""Of the factory travel of 120 deg."""


def is_released(actuator: Actuator) -> bool:
    return actuator.state is State.RELEASED and actuator.arm.target_deg is None


# --- a move ---


@pytest.mark.parametrize("fraction", [0.5, -1.0, 1.0, 0.0])
def test_a_move_arrives_and_ends_limp(fraction: float) -> None:
    one = box()
    actuator = one.add(1, 7, at_deg=3.0)
    result = one.run(move(7, fraction))
    assert result.before.state is State.LIMP
    assert result.arrived
    assert result.after.state is State.FOLLOWING
    assert abs(result.after.position_cdeg - fraction * HALF_TRAVEL_CDEG) <= 30
    assert result.after.demand_cdeg == fraction * HALF_TRAVEL_CDEG
    # 60 mA hold; friction takes 118 more, drag up to 172 with the speed; speeding up under a soft start little
    assert 178 <= result.peak_current_ma <= 350
    assert is_released(actuator)
    assert abs(actuator.arm.position_deg * 100 - fraction * HALF_TRAVEL_CDEG) <= 30


def test_a_move_lasts_as_long_as_it_is_to_be_held_or_twice_as_long() -> None:
    one = box()
    one.add(1, 7)
    one.add(2, 8, slew_limit=50)  # 5 deg/s: it does not arrive in 4 s
    for address, arrived, times in ((7, True, 1), (8, False, 2)):
        began_ns = one.now_ns
        assert one.run(move(address, 1.0, 2 * S)).arrived is arrived
        took_ns = one.now_ns - began_ns
        assert times * 2 * S <= took_ns <= times * 2 * S + 2 * DEMAND_PERIOD_NS


def test_a_move_that_is_not_to_end_limp_goes_on_holding() -> None:
    one = box()
    actuator = one.add(1, 7, loss_action=1)
    one.run(move(7, 0.5, leave_limp=False))
    assert actuator.state is State.FOLLOWING
    one.run(release(7))
    assert is_released(actuator)


def test_a_released_one_is_engaged_first() -> None:
    one = box()
    actuator = one.add(1, 7)
    one.run(release(7))
    result = one.run(move(7, 0.25))
    assert result.before.state is State.RELEASED
    assert result.arrived
    assert is_released(actuator)


def test_progress_of_a_move_reaches_its_end() -> None:
    one = box()
    one.add(1, 7)
    told: list[Progress] = []
    one.link._on_progress = told.append
    one.run(move(7, 0.5, 500 * MS))
    assert [step.at for step in told] == sorted(step.at for step in told)
    assert told[0].at < told[-1].at == told[-1].of == 500


def test_a_fraction_outside_is_refused_before_anything_is_sent() -> None:
    one = box()
    one.add(1, 7)
    for fraction in (1.0001, -2.0, float("nan")):
        with pytest.raises(InputError, match=r"-100\.\.100 % of the travel are allowed"):
            one.run(move(7, fraction))
        with pytest.raises(InputError):
            one.run(demand(7, fraction))
    assert one.link.exchanges == 0


def test_one_without_an_address_of_its_own_does_not_move() -> None:
    one = box()
    actuator = one.add(1, UNADDRESSED, at_deg=2.0)
    for steps in (move(UNADDRESSED, 0.5), demand(UNADDRESSED, 0.5), engage(UNADDRESSED)):
        with pytest.raises(NodeRefusedError) as caught:
            one.run(steps)
        assert caught.value.code == Outcome.NOT_ADDRESSED
    one.run(stream(dict.fromkeys(range(1, 33), 1.0), 300 * MS))
    assert actuator.arm.position_deg == 2.0
    assert actuator.arm.target_deg is None


def test_a_released_one_refuses_a_demand() -> None:
    one = box()
    one.add(1, 7)
    assert one.run(release(7)) is State.RELEASED
    with pytest.raises(NodeRefusedError) as caught:
        one.run(demand(7, 0.5))
    assert caught.value.code == Outcome.NOT_ENGAGED


# --- every end of a move is limp ---


class Interrupting(HookedPort):
    """A port in which the user's interrupt falls at the n-th read (from 1); `times` in a row."""

    def __init__(self, one: Box, at_read: int, error: BaseException, times: int = 1) -> None:
        super().__init__(one.bus.host, lambda _: None)
        self._left = at_read
        self._times = times
        self._error = error
        self.raised = 0

    def read_until(self, deadline_ns: int) -> bytes:
        self._left -= 1
        if self._left <= 0 and self.raised < self._times:
            self.raised += 1
            raise self._error
        return super().read_until(deadline_ns)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("a bug"), SystemExit(3)], ids=repr)
def test_a_move_that_is_interrupted_at_any_read_ends_limp(error: BaseException) -> None:
    was_engaged = 0
    for at_read in range(1, 40):
        one = box()
        actuator = one.add(1, 7)
        port = Interrupting(one, at_read, error)
        one.link = Link(port)
        with pytest.raises(type(error)) as caught:
            one.run(move(7, 0.5))
        assert caught.value is error
        assert port.raised == 1
        moved = any(isinstance(message, Demand) for message in port.sent)
        assert actuator.state in LIMP_STATES
        assert actuator.arm.target_deg is None
        assert not moved or is_released(actuator)
        was_engaged += moved
        assert one.run(report(7)).state is actuator.state  # the link can be used on
    assert was_engaged > 30


@pytest.mark.parametrize("times", [2, 3, 10])
def test_interrupts_while_it_is_let_go_do_not_break_that_off(times: int) -> None:
    for at_read in (5, 20):
        one = box()
        actuator = one.add(1, 7)
        one.link = Link(Interrupting(one, at_read, KeyboardInterrupt(), times=times))
        with pytest.raises(KeyboardInterrupt) as caught:
            one.run(move(7, 0.5))
        assert actuator.state is State.RELEASED
        seen = seen_by(caught.value)
        assert seen is not None
        assert seen.limp == (7,)
        assert caught.value.__notes__ == ["the actuator at address 7 was seen limp"]


def test_an_interrupt_before_a_write_ends_limp() -> None:
    def interrupt() -> None:
        raise KeyboardInterrupt

    for number in (1, 3, 9):
        one = box()
        actuator = one.add(1, 7)
        one.hooked(once(Demand, interrupt, number=number))
        with pytest.raises(KeyboardInterrupt):
            one.run(move(7, 0.5))
        assert is_released(actuator)


def test_one_that_does_not_answer_any_more_is_made_limp_by_a_broadcast() -> None:
    one = box()
    actuator = one.add(1, 7)
    port = one.hooked(once(Demand, lambda: setattr(actuator, "is_mute", True), number=4))
    with pytest.raises(ReplyTimeoutError) as caught:
        one.run(move(7, 0.5))
    assert is_released(actuator)
    assert any(isinstance(message, Release) for message in port.sent)
    seen = seen_by(caught.value)
    assert seen is not None
    assert (seen.limp, seen.not_seen) == ((), (7,))  # limp, but that was not seen


def test_one_that_is_not_at_its_address_any_more_is_made_limp_by_a_broadcast() -> None:
    """Another host gave it another address in mid-move: it does not hear the release, but it hears all."""
    one = box()
    actuator = one.add(1, 7)

    def move_away() -> None:
        actuator.settings.address = 9
        one.bus.index()

    one.hooked(once(Demand, move_away, number=4))
    with pytest.raises(ReplyTimeoutError):
        one.run(move(7, 0.5))
    assert is_released(actuator)


@pytest.mark.parametrize("at_write", [1, 2, 3, 10])
def test_a_port_that_dies_in_mid_move_tells_what_had_been_done(at_write: int) -> None:
    one = box()
    actuator = one.add(1, 7)
    one.run(write(7, {"stiffness": 50}))
    done = one.link.done
    one.link = Link(DyingPort(one.bus.host, at_write))
    one.link.done = list(done)
    with pytest.raises(PortClosedError) as caught:
        one.run(move(7, 0.5))
    assert caught.value.done == ("address 7: stiffness 50 % in working memory",)
    assert caught.value.__cause__ is not caught.value
    one.pass_time(S)
    assert actuator.state in LIMP_STATES  # no demand comes any more: its own loss action


def test_a_port_that_dies_with_nothing_done_says_so() -> None:
    one = box()
    one.add(1, 7)
    one.link = Link(DyingPort(one.bus.host, 3))
    with pytest.raises(PortClosedError) as caught:
        one.run(move(7, 0.5))
    assert caught.value.done == ()


# --- demands for all channels ---


def test_demands_of_channels_as_one_broadcast() -> None:
    ask = demand_channels({1: 0.5, 4: -1.0})
    assert ask.message == DemandAll((5000, NO_DEMAND, NO_DEMAND, -10_000))
    assert (ask.destination, ask.expect) == (BROADCAST_ADDRESS, Expect.NOTHING)
    assert demand_channels({}).message == DemandAll((NO_DEMAND,))
    assert demand_channels({32: 1.0}).message == DemandAll((NO_DEMAND,) * 31 + (10_000,))


@pytest.mark.parametrize("fractions", [{0: 0.0}, {33: 0.0}, {-1: 0.0}, {1: 1.01}, {1: -1.01}])
def test_demands_that_cannot_be(fractions: dict[int, float]) -> None:
    with pytest.raises(InputError):
        demand_channels(fractions)


def test_a_stream_is_followed_by_its_channels_only() -> None:
    one = box()
    for number, channel in enumerate((1, 2, 2, 0, 9)):
        one.add(number, 10 + number, channel=channel)
    one.run(stream({1: 0.5, 2: -0.25}, 1500 * MS))
    positions = [round(actuator.arm.position_deg, 1) for actuator in one.bus.actuators]
    assert positions == [30.0, -15.0, -15.0, 0.0, 0.0]
    assert [actuator.state for actuator in one.bus.actuators[3:]] == [State.LIMP, State.LIMP]
    one.run(release_all())
    assert all(is_released(actuator) for actuator in one.bus.actuators)


@pytest.mark.parametrize("echo", [True, False])
def test_a_stream_comes_every_fifty_milliseconds(echo: bool) -> None:
    one = box(echo=echo)
    times: list[int] = []
    one.hooked(lambda _: times.append(one.now_ns))
    one.run(stream({1: 0.0}, 500 * MS))
    gaps = [after - before for before, after in itertools.pairwise(times)]
    airtime_ns = (14 + 2) * 10 * S // 115_200
    assert len(times) in {10, 11}
    assert all(0 < gap <= DEMAND_PERIOD_NS + 2 * airtime_ns for gap in gaps)
    assert times[-1] - times[0] <= 500 * MS
    assert one.now_ns >= 500 * MS


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("a bug")], ids=repr)
def test_a_stream_that_is_interrupted_lets_all_go_limp(error: BaseException) -> None:
    for at_read in range(4, 30, 3):
        one = box()
        actuators = [one.add(number, 10 + number, channel=1 + number, loss_action=1) for number in range(3)]
        one.link = Link(Interrupting(one, at_read, error))
        with pytest.raises(type(error)):
            one.run(stream({1: 0.5, 2: 0.5, 3: 0.5}, 2 * S))
        assert all(is_released(actuator) for actuator in actuators)


class InterruptingAt(HookedPort):
    """A port in which an interrupt falls at a moment of virtual time, ns; what was being read then is lost."""

    def __init__(self, one: Box) -> None:
        super().__init__(one.bus.host, lambda _: None)
        self.at_ns: int | None = None

    def read_until(self, deadline_ns: int) -> bytes:
        if self.at_ns is None or deadline_ns < self.at_ns:
            return super().read_until(deadline_ns)
        data = super().read_until(self.at_ns)
        if self.now_ns() < self.at_ns:
            return data
        self.at_ns = None
        raise Interrupted


class Interrupted(Exception):
    pass


@pytest.mark.parametrize("echo", [True, False])
@pytest.mark.parametrize("is_async", [False, True])
@pytest.mark.parametrize("asked", [lambda: report_round(7, 4), lambda: report(7)], ids=["round", "report"])
def test_what_lets_all_go_limp_is_not_said_over_answers(
    asked: Callable[[], Steps[object]], is_async: bool, echo: bool
) -> None:
    """Who answers hears nothing. All three broadcasts of a release fit into the answers of one round."""
    cut_short = 0
    for late_us in range(0, 10_000, 100):
        one = box(echo=echo)
        actuators = [one.add(number, 7 + number, loss_action=1) for number in range(4)]
        port = InterruptingAt(one)
        link = AsyncLink(port) if is_async else Link(port)
        run = partial(_run_async, link) if isinstance(link, AsyncLink) else link.run
        run(stream({}, MS))  # the link learns of the echo
        for actuator in actuators:
            run(engage(actuator.address))
        port.at_ns = one.now_ns + late_us * 1000
        try:
            run(asked())
        except Interrupted:
            cut_short += 1
        port.at_ns = None
        run(release_all())
        assert all(is_released(actuator) for actuator in actuators), late_us
        assert one.bus.line.overlaps == 0
    assert cut_short > 20


def _run_async(link: AsyncLink, steps: Steps[object]) -> object:
    async def run() -> object:
        return await link.run(steps)

    return asyncio.run(run())


# --- engage, release, show ---


def test_engage_holds_where_the_arm_is() -> None:
    one = box()
    actuator = one.add(1, 7, at_deg=20.0, loss_action=1)
    assert one.run(engage(7)) is State.SOFT_STARTING
    assert actuator.arm.target_deg == 20.0
    assert actuator.arm.position_deg == 20.0
    assert one.run(release(7)) is State.RELEASED


def test_show_moves_an_engaged_one_and_flags_a_limp_one() -> None:
    one = box()
    one.add(1, 7)
    assert one.run(show(7, 1.0)) is False
    assert one.run(report(7)).is_showing == 1
    one.pass_time(S)
    assert one.run(report(7)).is_showing == 0
    one.run(engage(7))
    assert one.run(show(7, 0.5)) is True
    for duration_s in (-0.1, 10.1):
        with pytest.raises(InputError, match=r"0\.\.10 s are allowed"):
            one.run(show(7, duration_s))


# --- reports in words ---


def test_faults_in_words() -> None:
    assert fault_texts(0) == []
    assert fault_texts(Fault.UNDER_VOLTAGE | Fault.SETTINGS_LOST) == [
        "supply below its limit",
        "no whole copy of the stored settings was found; factory settings are in use",
    ]
    assert len(fault_texts(0xFF)) == len(Fault)


def test_limp_is_what_a_hand_can_move() -> None:
    one = box()
    actuator = one.add(1, 7)
    steps: list[tuple[Callable[[], object], bool]] = [
        (lambda: None, True),
        (lambda: one.run(engage(7)), False),
        (lambda: one.run(demand(7, 0.1)), False),
        (lambda: one.run(release(7)), True),
    ]
    for step, limp in steps:
        step()
        assert is_limp(one.run(report(7))) is limp
        assert actuator.arm.hand(actuator.arm.position_deg, 1, one.now_ns) is limp


@pytest.mark.parametrize(
    ("fraction", "raw"), [(0.0, 0), (1.0, 10_000), (-1.0, -10_000), (0.12345, 1234), (-0.5, -5000)]
)
def test_a_fraction_as_the_wire_carries_it(fraction: float, raw: int) -> None:
    assert raw_demand(fraction) == raw


def test_moves_under_noise_end_limp_or_say_why_not() -> None:
    arrived = 0
    for seed in seeds(6, 100):
        one = box(seed)
        actuator = one.add(1, 7)
        one.noise(3e-3)
        arrived += one.run(move(7, 0.5)).arrived
        assert is_released(actuator)
    assert arrived >= 5


def test_requests_of_a_move() -> None:
    one = box()
    one.add(1, 7)
    seen: list[type[Message]] = []
    one.hooked(lambda message: seen.append(type(message)))
    one.run(move(7, 0.5, 100 * MS))
    assert seen[0] is Report
    assert seen[1:3] == [Demand, Report]
    assert seen[-2:] == [Release, ReportRound]
    assert set(seen) == {Report, Demand, Release, ReportRound}
