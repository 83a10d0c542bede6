"""Letting go at the end of an operation: a lost port, errors, interrupts and cancellations do not break it off."""

from __future__ import annotations

import asyncio
import signal

import pytest

from busproto.errors import PortClosedError
from busproto.interrupts import INTERRUPTS
from busproto.ops import AsyncLink, Link
from busproto.ops.moving.letting_go import (
    LONGEST_NS,
    LetGo,
    OnLine,
    could_not_be_told,
    ending_limp,
    let_go,
    let_go_after,
    seen_by,
)
from busproto.ops.moving.motion import demand_channels, release, report, stream
from busproto.ops.steps import Pause, Steps, exchange
from busproto.ops.survey import actuators_of, survey
from busproto.transport.base import PortAround
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Message, Release, Report, State
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS, Box, DyingPort, S, box, once, uid_of
from tests.ops.moving.helpers import actuators, clashing, holding, holding_actuators

# --- the port goes away ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("at_write", [1, 2, 4])
def test_a_port_that_goes_away_tells_who_could_not_be_told(at_write: int) -> None:
    one = holding(2)
    one.link = Link(DyingPort(one.bus.host, at_write))
    with pytest.raises(PortClosedError) as caught:
        one.run(let_go([OnLine(1, uid_of(1), "hold"), OnLine(2, uid_of(2))]))
    assert seen_by(caught.value) == LetGo(not_seen=(1, 2))
    assert caught.value.__notes__ == [
        "could not be released: address 1 (its loss action is hold), address 2. "
        "Take the pack off before you touch anything they move"
    ]


def test_what_to_say_where_nothing_is_known() -> None:
    assert could_not_be_told(None).startswith("could not be released: whatever is on the line. Take the pack off")


# --- how an operation ends -------------------------------------------------------------------------------------


def moving(one: Box, error: BaseException | None = None) -> Steps[str]:
    for number in range(20):
        yield from exchange(demand_channels({1: 0.3}))
        yield Pause(20 * MS)
        if number == 10 and error is not None:
            raise error
    return "moved"


@pytest.mark.parametrize(
    "error", [RuntimeError("a fault"), KeyboardInterrupt(), PortClosedError("x", "gone")], ids=repr
)
def test_an_error_says_what_was_seen(error: BaseException) -> None:
    one = box()
    one.add(1, 1, channel=1, loss_action=LOSS_HOLD)
    with pytest.raises(type(error)) as caught:
        one.run(ending_limp(moving(one, error), actuators(one)))
    assert caught.value is error
    assert seen_by(error) == LetGo(limp=(1,))
    assert error.__notes__ == ["the actuator at address 1 was seen limp"]
    assert holding_actuators(one) == set()


def test_what_was_seen_comes_with_the_result_and_the_actuators_may_grow_meanwhile() -> None:
    one = box()
    known: list[OnLine] = []

    def steps() -> Steps[str]:
        one.add(1, 1, channel=1)
        known.append(OnLine(1, uid_of(1)))
        return (yield from moving(one))

    assert one.run(ending_limp(steps(), known)) == ("moved", LetGo(limp=(1,)))


def test_an_error_is_told_of_once() -> None:
    one = holding(1)
    error = KeyboardInterrupt()
    one.run(let_go_after(error, actuators(one)))
    one.bus.actuators[0].is_mute = True
    one.run(let_go_after(error, actuators(one)))
    assert seen_by(error) == LetGo(limp=(1,))
    assert len(error.__notes__) == 1


def test_a_stream_that_is_interrupted_lets_go_of_those_it_knows() -> None:
    one = box()
    one.add(1, 1, channel=1, loss_action=LOSS_HOLD)
    one.bus.kernel.at(200 * MS, lambda: None)

    def interrupt(message: Message) -> None:
        if one.now_ns > 100 * MS and port.sent.count(message) > 3 and not isinstance(message, Release):
            port._hook = lambda _: None
            raise KeyboardInterrupt

    port = one.hooked(interrupt)
    with pytest.raises(KeyboardInterrupt) as caught:
        one.run(stream({1: 0.5}, S, actuators=actuators(one)))
    assert seen_by(caught.value) == LetGo(limp=(1,))


def test_a_actuators_is_made_of_what_a_survey_found() -> None:
    one = clashing(1, holds=False)
    one.add(50, UNADDRESSED)
    known = actuators_of(one.run(survey()))
    assert {(member.address, member.uid) for member in known} == {
        (actuator.address, actuator.uid) for actuator in one.bus.actuators
    }
    assert {member.address: member.loss_action for member in known} == {5: "", 6: "hold", UNADDRESSED: ""}


# --- interrupts ------------------------------------------------------------------------------------------------


class Signalling(PortAround):
    """A port in which real signals fall at the n-th call (from 1) and at those behind it, `times` in a row."""

    def __init__(self, one: Box, at_call: int, times: int, number: int = signal.SIGINT) -> None:
        super().__init__(one.bus.host)
        self._left, self._times, self._number = at_call, times, number
        self.sent = 0

    def _call(self) -> None:
        self._left -= 1
        if self._left <= 0 and self.sent < self._times:
            self.sent += 1
            signal.raise_signal(self._number)

    def write(self, data: bytes) -> None:
        self._call()
        super().write(data)

    def read_until(self, deadline_ns: int) -> bytes:
        self._call()
        return super().read_until(deadline_ns)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("times", [1, 2, 3, 40])
def test_signals_at_any_call_end_limp_and_seen(number: int, times: int) -> None:
    for at_call in (1, 2, 3, 10, 31, 32, 33, 60, 61, 62, 63, 64, 65, 70):
        one = box()
        actuator = one.add(1, 1, channel=1, loss_action=LOSS_HOLD)
        said: list[str] = []
        one.link = Link(Signalling(one, at_call, times, number))
        with INTERRUPTS.using(said.append), pytest.raises(KeyboardInterrupt) as caught:
            one.run(ending_limp(moving(one), actuators(one)))
        assert actuator.state is State.RELEASED
        assert seen_by(caught.value) == LetGo(limp=(1,))
        assert len(said) == 1
        assert said[0].startswith("letting go: looking until every actuator was seen limp, for 5 s at most.")


def test_signals_do_as_ever_where_they_are_not_in_use_and_afterwards() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with INTERRUPTS:
        with INTERRUPTS:
            assert signal.getsignal(signal.SIGTERM) != before
        assert signal.getsignal(signal.SIGTERM) != before
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) == before
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


def test_one_that_is_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with INTERRUPTS:
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_question_within_an_operation_is_interrupted_at_once() -> None:
    one = holding(1)

    def asking() -> Steps[None]:
        yield Pause(MS)
        with INTERRUPTS.at_once():
            signal.raise_signal(signal.SIGINT)
            pytest.fail("it was not interrupted")

    with INTERRUPTS, pytest.raises(KeyboardInterrupt) as caught:
        one.run(ending_limp(asking(), actuators(one)))
    assert seen_by(caught.value) == LetGo(limp=(1,))


def test_an_interrupt_between_two_exchanges_is_raised_before_the_next_one_is_sent() -> None:
    one = box()
    one.add(1, 1, channel=1)

    def asking() -> Steps[None]:
        yield from report(1)
        signal.raise_signal(signal.SIGINT)
        yield from release(1)

    port = one.hooked(lambda _: None)
    with INTERRUPTS, pytest.raises(KeyboardInterrupt):
        one.run(asking())
    assert [type(one) for one in port.sent] == [Report]


def test_whoever_waits_elsewhere_is_told_and_the_interrupt_comes_at_the_end() -> None:
    told: list[str] = []

    def wait() -> None:
        with INTERRUPTS.deferred(lambda: told.append("came")):
            signal.raise_signal(signal.SIGTERM)
            assert told == ["came"]
            told.append("goes on")

    with INTERRUPTS, pytest.raises(KeyboardInterrupt):
        wait()
    assert told == ["came", "goes on"]


def test_once_all_are_let_go_an_interrupt_is_kept_back_no_more() -> None:
    one = holding(2)

    def interrupt() -> None:
        raise KeyboardInterrupt

    port = one.hooked(once(Report, interrupt))
    assert one.run(let_go(actuators(one))).is_limp
    with pytest.raises(KeyboardInterrupt):
        one.run(report(1))
    assert not any(isinstance(message, Report) for message in port.sent)


def test_an_interrupt_that_never_ceases_ends_it_when_the_stated_time_has_passed() -> None:
    """Without anything that holds signals back: each call of the port raises."""

    class Never(PortAround):
        def read_until(self, deadline_ns: int) -> bytes:
            super().read_until(deadline_ns)
            raise KeyboardInterrupt

    one = holding(1)
    one.link = Link(Never(one.bus.host))
    began_ns = one.now_ns
    with pytest.raises(KeyboardInterrupt):
        one.run(let_go(actuators(one)))
    assert one.now_ns - began_ns <= LONGEST_NS + 3 * S


def test_a_cancellation_does_not_break_it_off() -> None:
    one = holding(3)

    async def run() -> None:
        loop = asyncio.get_running_loop()
        cancelled: list[bool] = []

        class Cancelling(PortAround):
            def read_until(self, deadline_ns: int) -> bytes:
                if len(cancelled) < 3:
                    cancelled.append(True)
                    loop.call_soon_threadsafe(task.cancel)
                return super().read_until(deadline_ns)

        task = asyncio.create_task(AsyncLink(Cancelling(one.bus.host)).run(let_go(actuators(one))))
        with pytest.raises(asyncio.CancelledError) as caught:
            await task
        assert seen_by(caught.value) in {LetGo(limp=(1, 2, 3)), None}  # asyncio may make the error anew

    asyncio.run(run())
    assert holding_actuators(one) == set()
