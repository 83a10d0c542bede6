"""Letting go: what is called limp was seen limp, who was not is named, and nothing breaks it off."""

from __future__ import annotations

import asyncio
import dataclasses
import signal

import pytest

from busproto.errors import PortClosedError
from busproto.interrupts import INTERRUPTS
from busproto.ops import AsyncLink, Link, find
from busproto.ops.moving.letting_go import (
    LONGEST_NS,
    Holding,
    LetGo,
    OnLine,
    _Party,
    _release_each,
    could_not_be_told,
    ending_limp,
    let_go,
    let_go_after,
    release_all,
    seen_by,
)
from busproto.ops.moving.motion import demand_channels, engage, report, stream
from busproto.ops.steps import Clash, Pause, Steps, exchange
from busproto.ops.survey import actuators_of, survey
from busproto.session import Ask, Heard, Verdict
from busproto.sim.actuators.actuator import Actuator
from busproto.transport.base import PortAround
from busproto.wire import reply_frame, request_frame
from busproto.wire.frame import UNADDRESSED
from busproto.wire.hash import device_tag
from busproto.wire.messages import LIMP_STATES, Message, Release, Released, Report, ReportRound, State
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS, Box, DyingPort, S, box, once, uid_of


def holding(count: int, *, seed: int = 0) -> Box:
    """So many in lost-hold, at addresses 1, 2, ..."""
    one = box(seed)
    for number in range(1, count + 1):
        one.add(number, number, loss_action=LOSS_HOLD, loss_time_out=100)
    for number in range(1, count + 1):
        one.run(engage(number))
    one.pass_time(500 * MS)
    assert all(actuator.state is State.LOST_HOLD for actuator in one.bus.actuators)
    return one


def actuators(one: Box) -> list[OnLine]:
    """As a roster has it."""
    return [OnLine(actuator.address, actuator.uid) for actuator in one.bus.actuators]


def holding_actuators(one: Box) -> set[int]:
    """By the bus itself."""
    return {
        actuator.address
        for actuator in one.bus.actuators
        if actuator.is_powered and actuator.state not in LIMP_STATES and actuator.address != UNADDRESSED
    }


def answer_twice(actuator: Actuator, gap_ns: int = 0) -> None:
    """Every reply frame is sent twice: behind itself, or a while later."""
    send = actuator._send

    def twice(data: bytes) -> None:
        if not gap_ns:
            send(data + data)
            return
        send(data)
        actuator._kernel.at(actuator._sending_until_ns + gap_ns, lambda: send(data))

    actuator._send = twice  # type: ignore[method-assign]


def deaf(one: Box, actuator: Actuator, *kinds: type[Message], times: int = 10**6) -> None:
    """It does not hear these: so many of them."""
    hear = actuator.heard
    left = [times]

    def heard(frame: object, message: Message | None) -> None:
        if isinstance(message, kinds) and left[0]:
            left[0] -= 1
        else:
            hear(frame, message)  # type: ignore[arg-type]

    actuator.heard = heard  # type: ignore[method-assign,assignment]


# --- what is seen ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 13])
@pytest.mark.parametrize("is_known", [True, False])
def test_all_that_held_are_seen_limp(count: int, is_known: bool) -> None:
    one = holding(count)
    seen = one.run(let_go(actuators(one) if is_known else None))
    assert holding_actuators(one) == set()
    assert seen == LetGo(limp=tuple(range(1, count + 1)))
    assert seen.is_limp
    assert "were seen limp" in seen.text or count == 1


def test_one_that_hears_no_release_at_all_is_named_with_its_state() -> None:
    one = holding(3)
    deaf(one, one.bus.actuators[1], Release)
    began_ns = one.now_ns
    seen = one.run(let_go(actuators(one)))
    assert holding_actuators(one) == {2}
    assert seen == LetGo(limp=(1, 3), holding=(Holding(2, State.LOST_HOLD),))
    assert not seen.is_limp
    assert seen.text == (
        "NOT SEEN LIMP: address 2 (lost-hold). Take the pack off before you touch anything they move. Seen limp: 2."
    )
    assert LONGEST_NS <= one.now_ns - began_ns <= LONGEST_NS + S


def test_one_that_is_deaf_for_a_while_is_told_again() -> None:
    one = holding(3)
    deaf(one, one.bus.actuators[1], Release, times=5)
    assert one.run(let_go(actuators(one))).is_limp
    assert holding_actuators(one) == set()


def test_one_that_does_not_answer_is_not_called_limp_though_it_is() -> None:
    one = holding(3)
    one.bus.actuators[2].is_mute = True
    seen = one.run(let_go(actuators(one)))
    assert holding_actuators(one) == set()
    assert seen == LetGo(limp=(1, 2), not_seen=(3,))
    assert "address 3 (no answer)" in seen.text


def test_one_that_is_known_and_has_gone_is_not_called_limp() -> None:
    one = holding(2)
    one.bus.actuators[0].power_off()
    assert one.run(let_go(actuators(one))).not_seen == (1,)


def test_one_without_an_address_is_counted_and_not_called_seen() -> None:
    one = holding(1)
    one.add(9, UNADDRESSED)
    seen = one.run(let_go(actuators(one)))
    assert seen == LetGo(limp=(1,), without_address=1)
    assert seen.text == (
        "The actuator at address 1 was seen limp; 1 has no address, so limp by the format, which cannot be looked at."
    )
    assert LetGo(without_address=2).text.startswith("2 have no address")


def test_where_no_actuator_is_known_and_none_answers_nothing_is_claimed() -> None:
    seen = box().run(let_go(None))
    assert not seen.is_limp
    assert seen.text.startswith("NOT SEEN LIMP: no actuator answered")
    assert box().run(let_go(())).is_limp


def test_a_unlisted_in_the_row_that_holds_is_found_too() -> None:
    one = holding(3)
    deaf(one, one.bus.actuators[1], Release)
    known = [member for member in actuators(one) if member.address != 2]
    assert one.run(let_go(known)).holding == (Holding(2, State.LOST_HOLD),)


def test_a_faulted_or_a_fresh_one_is_told_by_its_address_as_a_demand_could_wake_it() -> None:
    one = box()
    fresh = one.add(1, 1)
    deaf(one, fresh, Release, times=3)  # the broadcasts
    assert fresh.state is State.LIMP
    assert one.run(let_go(actuators(one))).limp == (1,)
    assert fresh.state is State.RELEASED


def test_only_those_meant_are_released_where_not_all_are_to_be() -> None:
    one = holding(3)
    seen = one.run(let_go((OnLine(2),), to_all=False))
    assert seen == LetGo(limp=(2,))
    assert holding_actuators(one) == {1, 3}


def test_all_are_released_where_the_one_meant_is_not_seen_limp() -> None:
    one = holding(2)
    one.bus.actuators[0].is_mute = True
    assert one.run(let_go((OnLine(1),), to_all=False)) == LetGo(not_seen=(1,))
    assert holding_actuators(one) == set()


# --- several at one address ------------------------------------------------------------------------------------


def clashing(seed: int, *, count: int = 2, holds: bool = True) -> Box:
    """Several in lost-hold at address 5, and one at 6; the link knows of the clash."""
    one = box(seed)
    for number in range(count):
        one.add(100 + number, 5, loss_action=LOSS_HOLD, loss_time_out=100)
    one.add(1, 6, loss_action=LOSS_HOLD, loss_time_out=100)
    if holds:
        one.run(_engage_all())
        one.pass_time(500 * MS)
        assert all(actuator.state is State.LOST_HOLD for actuator in one.bus.actuators)
    return one


def _engage_all() -> Steps[None]:
    from busproto.session.exchange import Ask
    from busproto.wire.messages import Engage

    yield from exchange(Ask.all(Engage()))


@pytest.mark.parametrize("seed", range(6))
def test_those_that_fraction_an_address_are_told_apart_and_each_is_seen(seed: int) -> None:
    one = clashing(seed)
    one.run(find())
    assert one.link.clashing
    seen = one.run(let_go(actuators(one)))
    assert holding_actuators(one) == set()
    assert seen == LetGo(limp=(5, 5, 6))


def test_one_of_those_that_fraction_an_address_that_stays_engaged_is_named() -> None:
    one = clashing(1)
    one.run(find())
    deaf(one, one.bus.actuators[0], Release)
    seen = one.run(let_go(actuators(one)))
    assert seen.limp == (5, 6)
    assert seen.holding == (Holding(5, State.LOST_HOLD),)


def test_a_release_goes_out_to_a_shared_address_too() -> None:
    """The broadcast is not heard by the one, its address is."""
    one = clashing(2)
    one.run(find())
    deaf(one, one.bus.actuators[0], Release, times=3)
    assert one.run(let_go(actuators(one))).is_limp


def test_where_it_is_not_known_how_many_fraction_an_address_it_is_not_called_limp() -> None:
    one = clashing(3)
    seen = one.run(let_go((OnLine(5), OnLine(6))))
    assert seen.shared == (5,)
    assert not seen.is_limp
    assert "address 5 (shared by several)" in seen.text
    assert one.run(let_go(None)).shared == (5,)


def test_an_address_that_the_link_knows_to_be_shared_is_not_called_limp_by_one_answer() -> None:
    one = holding(1)
    one.run(_say(Clash(1, (uid_of(1), uid_of(2)))))
    assert one.run(let_go((OnLine(1, uid_of(1)), OnLine(1, uid_of(2))))).not_seen == (1,)


def _say(step: Clash) -> Steps[None]:
    yield step


def test_two_with_one_uid_are_both_seen_or_neither_is_called_limp() -> None:
    one = box(4)
    for _ in range(2):
        one.add(7, 3, loss_action=LOSS_HOLD, loss_time_out=100)
    one.run(_engage_all())
    one.pass_time(S)
    assert one.run(let_go((OnLine(3, uid_of(7), count=2),))).limp == (3,)
    assert holding_actuators(one) == set()
    one.bus.actuators[0].power_off()
    assert not one.run(let_go((OnLine(3, uid_of(7), count=3),))).is_limp


# --- trouble on the line ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("lasting_ms", [20, 300, 1200])
def test_a_burst_of_noise_is_outlasted(lasting_ms: int) -> None:
    one = holding(4)
    one.bus.kernel.at(one.now_ns + lasting_ms * MS, one.noise(1.0))
    assert one.run(let_go(actuators(one))).limp == (1, 2, 3, 4)
    assert holding_actuators(one) == set()


def test_a_line_that_stays_dead_is_told_within_the_stated_time() -> None:
    class Dead(PortAround):
        def write(self, data: bytes) -> None:
            pass

    one = holding(4)
    one.link = Link(Dead(one.bus.host))
    began_ns = one.now_ns
    assert one.run(let_go(actuators(one))) == LetGo(not_seen=(1, 2, 3, 4))
    assert one.now_ns - began_ns <= LONGEST_NS + S
    assert holding_actuators(one) == {1, 2, 3, 4}


@pytest.mark.parametrize("gap_ns", [0, 300_000, 2 * MS])
@pytest.mark.parametrize("at", [0, 3, 7])
def test_one_that_answers_twice_is_judged_rightly(at: int, gap_ns: int) -> None:
    one = holding(8)
    answer_twice(one.bus.actuators[at], gap_ns)
    seen = one.run(let_go(actuators(one)))
    assert holding_actuators(one) == set()
    assert seen == LetGo(limp=tuple(range(1, 9)))


def test_one_that_answers_twice_and_hears_no_release_is_named() -> None:
    one = holding(8)
    answer_twice(one.bus.actuators[4])
    deaf(one, one.bus.actuators[4], Release)
    assert one.run(let_go(actuators(one))).holding == (Holding(5, State.LOST_HOLD),)


@pytest.mark.parametrize("rate", [1e-3, 2e-2])
def test_noise_does_not_make_a_false_word(rate: float) -> None:
    for seed in range(4):
        one = holding(6, seed=seed)
        one.noise(rate)
        assert one.run(let_go(actuators(one))).is_limp
        assert holding_actuators(one) == set()


def test_an_answer_that_cannot_be_read_does_not_drown_the_next() -> None:
    """Two at one address say that they are limp; the first of them in a way that means nothing."""
    party = _Party((OnLine(3, uid_of(1)), OnLine(3, uid_of(2))))
    steps = _release_each(party)
    ask = next(steps)
    assert isinstance(ask, Ask)
    asked = request_frame(ask.message, 3, 1)
    said = [reply_frame(Released(State.RELEASED), asked, 3, device_tag(uid_of(number))) for number in (1, 2)]
    replies = (dataclasses.replace(said[0], payload=b""), said[1])
    steps.send(Heard(ask, 1, replies, b"", b"", False, False, 0, Verdict.ANSWERED, 0, 1))
    assert [member.was_told for member in party.members] == [False, True]


def test_a_release_that_falls_into_an_answer_is_said_again() -> None:
    """Its echo comes back broken; no actuator understood it."""
    one = holding(2)
    sent: list[int] = []

    def hook(message: Message) -> None:
        if isinstance(message, Release) and len(sent) < 2:
            sent.append(one.now_ns)
            one.bus.line.disturb(object(), one.now_ns + MS, one.bus.kernel.stream("crash"))

    port = one.hooked(hook)
    one.link.session.echoes = True
    assert one.run(let_go(actuators(one))).is_limp
    assert sum(isinstance(message, Release) for message in port.sent) >= 5


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


def test_code_that_waits_elsewhere_is_told_and_the_interrupt_comes_at_the_end() -> None:
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


# --- how long it takes -----------------------------------------------------------------------------------------


def test_a_release_is_said_whole_behind_the_longest_answer() -> None:
    """An answer that is on the line for 11 ms drowns each broadcast that is said into it."""
    one = holding(2)
    one.link.session.echoes = True
    one.bus.line.disturb(object(), one.now_ns + 11 * MS, one.bus.kernel.stream("answer"))
    one.run(release_all())
    assert holding_actuators(one) == set()


@pytest.mark.parametrize("is_known", [True, False])
def test_where_each_answers_at_once_it_takes_no_pause(is_known: bool) -> None:
    """Also one that the caller did not know of needs no second look to be seen."""
    one = holding(3)
    known = actuators(one)
    port = one.hooked(lambda _: None)
    began_ns = one.now_ns
    seen = one.run(let_go(known if is_known else [known[0], known[2]]))
    assert seen.limp == (1, 2, 3)
    assert one.now_ns - began_ns < 20 * MS
    assert sum(isinstance(message, Release) for message in port.sent) == 3


def test_one_that_missed_the_broadcast_is_told_by_its_address_without_a_pause() -> None:
    one = holding(2)
    deaf(one, one.bus.actuators[0], Release, times=3)
    began_ns = one.now_ns
    assert one.run(let_go(actuators(one))).is_limp
    assert one.now_ns - began_ns < 50 * MS


def test_one_that_was_not_heard_in_its_row_is_asked_alone_in_the_same_turn() -> None:
    one = holding(2)
    deaf(one, one.bus.actuators[1], ReportRound)
    began_ns = one.now_ns
    seen = one.run(let_go(actuators(one)))
    assert seen.limp == (1, 2)
    assert one.now_ns - began_ns < 50 * MS
