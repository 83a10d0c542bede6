"""What seldom comes: a good check on an answer that means nothing, a line on which time runs out, a wrong argument."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable, Generator
from typing import Any, Final

import pytest

from busproto.errors import AddressConflictError, InputError, ReadBackError
from busproto.ops import Link, find, prove_addresses, read, report
from busproto.ops.discovery.address_proof import TOO_LONG
from busproto.ops.discovery.methods import METHODS
from busproto.ops.discovery.roster import Roster
from busproto.ops.discovery.search import NO_END, Found
from busproto.ops.discovery.search import TOO_LONG as SEARCHED_TOO_LONG
from busproto.ops.giving import give_address
from busproto.ops.moving.hand_control import steer_channel
from busproto.ops.moving.letting_go import LetGo, OnLine, could_not_be_told, let_go, not_looked_at, seen_by
from busproto.ops.moving.motion import raw_demand, report_round, show
from busproto.ops.moving.watching import SHARED, Track, watch
from busproto.ops.operation import begun
from busproto.ops.steps import Clash
from busproto.session import Ask, Heard, Verdict
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.scene.events import BabbleEvent, schedule
from busproto.wire import Decoder, Frame, Message, encode_frame, reply_frame, request_frame
from busproto.wire.frame import UNADDRESSED
from busproto.wire.hash import device_tag
from busproto.wire.messages import AddressList, Assign, Commit, MemberList, State, Status, Values, Write
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS, Box, S, box, once, uid_of


def spoil(actuator: Actuator, times: int = 1) -> None:
    """Its next answers have a good check, and nothing in them."""
    send, left = actuator._send, times

    def spoilt(data: bytes) -> None:
        nonlocal left
        left -= 1
        if left >= 0:
            (frame,) = (one for one in Decoder().feed(data) if isinstance(one, Frame))
            data = encode_frame(dataclasses.replace(frame, payload=b""))
        send(data)

    actuator._send = spoilt  # type: ignore[method-assign]


@pytest.fixture
def bench() -> Box:
    """Two, at addresses 1 and 2."""
    made = box(3)
    for number in (1, 2):
        made.add(number, number, loss_action=LOSS_HOLD, channel=number)
    return made


# --- an answer that means nothing ---


def test_it_is_asked_for_again(bench: Box) -> None:
    spoil(bench.bus.actuators[0])
    port = bench.hooked(lambda _: None)
    assert bench.run(report(1)).supply_mv > 0
    assert len(port.sent) == 2


def test_in_a_round_the_others_are_heard_all_the_same(bench: Box) -> None:
    spoil(bench.bus.actuators[0])
    assert list(bench.run(report_round(1, 2))) == [2]
    assert list(bench.run(report_round(1, 2))) == [1, 2]


def test_in_a_watch_it_counts_as_missed(bench: Box) -> None:
    spoil(bench.bus.actuators[0])
    tracks = {at: Track(at) for at in (1, 2)}
    bench.run(watch(tracks, 200 * MS))
    assert (tracks[1].missed, tracks[2].missed) == (1, 0)
    assert tracks[1].asked > 3


def test_it_does_not_tell_that_one_is_limp(bench: Box) -> None:
    spoil(bench.bus.actuators[0], times=10**6)
    assert bench.run(let_go([OnLine(1, uid_of(1)), OnLine(2, uid_of(2))])) == LetGo(limp=(2,), not_seen=(1,))


def test_a_scan_of_all_addresses_goes_on_behind_it(bench: Box) -> None:
    spoil(bench.bus.actuators[0])
    roster = bench.run(METHODS["poll"].run(random.Random(1), 115_200))
    assert [one.uid for one in roster] == [uid_of(2)]


def test_a_value_that_no_parameter_can_have_is_told_with_its_bytes() -> None:
    steps = read(7, "direction")
    ask = next(steps)
    assert isinstance(ask, Ask)
    answer = reply_frame(Values(b"\x63"), request_frame(ask.message, 7, 1), 7, device_tag(uid_of(1)))
    with pytest.raises(ReadBackError) as caught:
        steps.send(Heard(ask, 1, (answer,), b"", b"", False, False, 0, Verdict.ANSWERED, 0, 1))
    assert caught.value.address == 7
    assert "direction" in str(caught.value)
    assert "63" in str(caught.value)


# --- time runs out ---


def slow(bench: Box, kind: type[Message]) -> None:
    """From the first request of this kind on each takes a minute and more."""
    has_begun = False

    def hook(message: Message) -> None:
        nonlocal has_begun
        has_begun |= type(message) is kind
        if has_begun:
            bench.pass_time(70 * S)

    bench.hooked(hook)


def test_a_proof_that_takes_too_long_is_none(bench: Box) -> None:
    slow(bench, AddressList)
    assert bench.run(prove_addresses({uid_of(1): 1, uid_of(2): 2}, rng=random.Random(1))) == TOO_LONG


def test_a_search_that_takes_too_long_proves_nothing(bench: Box) -> None:
    slow(bench, MemberList)
    roster = bench.run(find(rng=random.Random(1)))
    assert (roster.proven, roster.reason, len(roster), roster.passes) == (False, SEARCHED_TOO_LONG, 2, 1)


def test_one_that_babbles_from_the_first_member_list_on_ends_the_search(bench: Box) -> None:
    label = bench.bus.actuators[0].label
    babble = BabbleEvent(at=0.0, actuator=label, until=120.0)
    bench.hooked(once(MemberList, lambda: schedule(bench.bus, [babble])))
    roster = bench.run(find(rng=random.Random(1)))
    assert (roster.proven, roster.reason) == (False, NO_END)


@pytest.mark.parametrize("name", [name for name, method in METHODS.items() if method.cannot])
def test_a_classic_way_that_takes_too_long_says_so(bench: Box, name: str) -> None:
    slow_port = bench.hooked(lambda _: bench.pass_time(70 * S))
    roster = bench.run(METHODS[name].run(random.Random(1), 115_200))
    assert roster.reason.startswith("broken off after 60 s; ")
    assert len(slow_port.sent) <= 2


# --- one that is given an address ---


def test_where_its_channel_cannot_be_set_it_is_looked_at_all_the_same(bench: Box) -> None:
    fresh = bench.add(9)
    bench.hooked(once(Commit, lambda: setattr(fresh, "is_mute", True)))
    with pytest.raises(Exception, match="no reply from") as caught:
        bench.run(give_address(uid_of(9), 30, 4))
    assert seen_by(caught.value) == LetGo(not_seen=(30,))


def test_where_it_is_broken_off_before_it_answered_all_addresses_are_asked(bench: Box) -> None:
    bench.add(9)

    def interrupt() -> None:
        raise KeyboardInterrupt

    bench.hooked(once(Assign, interrupt))
    with pytest.raises(KeyboardInterrupt) as caught:
        bench.run(give_address(uid_of(9), 30))
    seen = seen_by(caught.value)
    assert seen is not None
    assert (seen.limp, seen.not_seen) == ((1, 2), (30,))


def test_a_channel_that_is_none_leaves_it_looked_at(bench: Box) -> None:
    port = bench.hooked(lambda _: None)
    with pytest.raises(InputError, match=r"channel: 77 is outside 0\.\.32") as caught:
        bench.run(give_address(uid_of(1), 1, 77))
    assert seen_by(caught.value) == LetGo(limp=(1,))
    assert not any(isinstance(message, Write) for message in port.sent)


# --- what is known already, and what is no argument ---


def test_one_that_is_known_to_share_its_address_is_watched_as_such(bench: Box) -> None:
    bench.link._note(Clash(1, (uid_of(1), uid_of(7))))
    tracks = {at: Track(at) for at in (1, 2)}
    bench.run(watch(tracks, 100 * MS))
    assert (tracks[1].state, tracks[1].asked) == (SHARED, 0)
    assert tracks[2].asked > 3
    with pytest.raises(AddressConflictError):
        bench.run(report(1))


def test_two_that_answer_one_question_share_the_address() -> None:
    """One answer behind the other: neither of them is taken for what one reports."""
    track = Track(1)
    steps = watch({1: track}, 100 * MS)
    next(steps)
    ask = steps.send(0)
    assert isinstance(ask, Ask)
    status = Status(State.LIMP, 0, 0, 0, 60, 7400, 2500, 0, 1, 0, 0)
    asked = request_frame(ask.message, 1, 1)
    both = tuple(reply_frame(status, asked, 1, device_tag(uid_of(number))) for number in (1, 2))
    steps.send(Heard(ask, 1, both, b"", b"", False, False, 0, Verdict.CROWDED, 0, 5 * MS))
    assert (track.state, track.position.count) == (SHARED, 0)


def test_where_an_address_is_known_to_be_shared_one_answer_makes_it_not_limp(bench: Box) -> None:
    bench.link._note(Clash(1, (uid_of(1), uid_of(7))))
    spoil(bench.bus.actuators[0], times=10**6)
    seen = bench.run(let_go([OnLine(1, uid_of(1)), OnLine(2, uid_of(2))]))
    assert (seen.limp, seen.not_seen, seen.shared) == ((2,), (1,), (1,))


def test_one_without_an_address_is_not_asked_whether_it_follows(bench: Box) -> None:
    assert bench.run(steer_channel(2, [UNADDRESSED, 1, 2])).addresses == (2,)


def test_of_actuators_that_were_not_looked_at_nothing_is_said() -> None:
    known = [OnLine(3, uid_of(1)), OnLine(UNADDRESSED, uid_of(2))]
    assert not_looked_at(known) == LetGo(not_seen=(3,), without_address=1)
    assert could_not_be_told([OnLine(UNADDRESSED)]) == not_looked_at([OnLine(UNADDRESSED)]).note


WRONG: Final[dict[str, tuple[Callable[[], Any], str]]] = {
    "a demand in words": (lambda: raw_demand("0.5"), "demand '0.5': a fraction of the travel is wanted, -1..1"),  # type: ignore[arg-type]
    "a demand that is a truth": (lambda: raw_demand(True), "demand True: a fraction of the travel is wanted, -1..1"),
    "a time in words": (lambda: next(show(1, "2")), "show for '2': a number of seconds is wanted, 0..10 s"),  # type: ignore[arg-type]
    "an address in words": (lambda: next(report("1")), "address '1': a whole number 1..239 is wanted"),  # type: ignore[arg-type]
    "no address": (lambda: next(report(0)), "address 0: a whole number 1..239 is wanted"),
    "one beyond": (lambda: next(report(241)), "address 241: a whole number 1..239 is wanted"),
}


@pytest.mark.parametrize("what", WRONG)
def test_what_is_no_argument_is_refused_before_anything_is_sent(what: str) -> None:
    call, says = WRONG[what]
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == says


def test_a_roster_is_as_long_as_what_it_holds_and_shows_it() -> None:
    found = (Found(uid_of(1), 3), Found(uid_of(2), UNADDRESSED))
    roster = Roster(found, False, "noise", 1.0)
    assert (len(roster), tuple(roster)) == (2, found)
    assert [repr(one) for one in roster] == [f"<{uid_of(1).hex()} at 3>", f"<{uid_of(2).hex()} without an address>"]
    assert bool(Roster((), True, "", 0.0)) is True


def test_a_generator_of_another_kind_is_run_as_it_is(bench: Box) -> None:
    class Own(Generator[Any, Any, int]):
        def send(self, value: Any) -> Any:
            raise StopIteration(7)

        def throw(self, *given: Any) -> Any:
            raise StopIteration(8)

    steps = Own()
    assert begun(steps) is steps
    assert Link(bench.bus.host).run(steps) == 7
