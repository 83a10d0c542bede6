"""Letting go: what is called limp was seen limp, and who was not is named; and how long that takes."""

from __future__ import annotations

import dataclasses

import pytest

from busproto.ops import Link, find
from busproto.ops.moving.letting_go import (
    LONGEST_NS,
    Holding,
    LetGo,
    OnLine,
    _Party,
    _release_each,
    let_go,
    release_all,
)
from busproto.ops.steps import Clash, Steps
from busproto.session import Ask, Heard, Verdict
from busproto.sim.actuators.actuator import Actuator
from busproto.transport.base import PortAround
from busproto.wire import reply_frame, request_frame
from busproto.wire.frame import UNADDRESSED
from busproto.wire.hash import device_tag
from busproto.wire.messages import Message, Release, Released, ReportRound, State
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS, S, box, uid_of
from tests.ops.moving.helpers import actuators, clashing, deaf, engage_all, holding, holding_actuators


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


def test_an_unlisted_actuator_in_the_row_that_holds_is_found_too() -> None:
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


@pytest.mark.parametrize("seed", range(6))
def test_those_that_share_an_address_are_told_apart_and_each_is_seen(seed: int) -> None:
    one = clashing(seed)
    one.run(find())
    assert one.link.clashing
    seen = one.run(let_go(actuators(one)))
    assert holding_actuators(one) == set()
    assert seen == LetGo(limp=(5, 5, 6))


def test_one_of_those_that_share_an_address_that_stays_engaged_is_named() -> None:
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


def test_where_it_is_not_known_how_many_share_an_address_it_is_not_called_limp() -> None:
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
    one.run(engage_all())
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
