"""Finding while things go wrong: noise, power that comes and goes, actuators that are mistaken about themselves.

The promise that always holds: never proven and wrong.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.ops import Link, Roster, find
from busproto.ops.discovery.search import (
    DOUBT_PASSES,
    ODD_PASSES,
    PATIENCE_NS,
    SILENT_PASSES,
    SOMETHING_WAS_HEARD,
    SPREAD_NS,
)
from busproto.ops.steps import exchange
from busproto.session import Ask
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.line.waveform import bits_ns, rate_of
from busproto.wire import Message
from busproto.wire.frame import FRAMING_BYTES, HEADER_BYTES, UNADDRESSED
from busproto.wire.messages import MemberList, RollCall, Suppress
from tests.fleet import fleet
from tests.ops.helpers import MS, US, Box, box, lasting, listed, once, right_or_not_proven, seeds, uid_of


def search(one: Box, seed: int) -> Roster:
    return one.run(find(rng=random.Random(seed)))


# --- noise ---


@pytest.mark.parametrize("echo", [True, False])
@pytest.mark.parametrize(
    ("rate", "least_share"),
    [(1e-4, 0.9), (1e-3, 0.6), (5e-3, 0.1), (2e-2, 0.0)],
)
def test_never_proven_and_wrong_under_noise(rate: float, least_share: float, echo: bool) -> None:
    proven = []
    for seed in seeds(8 if rate < 5e-3 else 5, 300):
        for count in (3, 16) if rate > 1e-2 else (3, 16, 32):
            one = box(seed, echo=echo)
            one.add_many(count, seed, address=lambda number: (UNADDRESSED, 1, number + 1)[number % 3])
            one.noise(rate)
            roster = search(one, seed)
            proven.append(right_or_not_proven(roster, one.truth))
            assert not (roster.proven and roster.doubts)
    assert sum(proven) >= least_share * len(proven)


def test_noise_changes_nothing_on_any_actuator() -> None:
    for seed in seeds(5):
        one = box(seed)
        one.add_many(12, seed, address=lambda number: number + 1)
        before = [lasting(actuator) for actuator in one.bus.actuators]
        one.noise(2e-2)
        search(one, seed)
        assert [lasting(actuator) for actuator in one.bus.actuators] == before


def test_a_line_that_is_nothing_but_noise_is_not_proven_and_ends() -> None:
    for seed in seeds(1):
        one = box(seed)
        one.add_many(4, seed)
        one.noise(1.0)
        roster = search(one, seed)
        assert not roster.proven
        assert "noise" in roster.reason


def test_those_that_fall_silent_are_given_up_by_name_and_silence_alone_proves_nothing() -> None:
    """While no actuator in the list confirms, silence behind the list does not count: eight passes until they are given
    up, and eight more for a list that is empty. As something was heard, emptiness is not proven.
    """
    for seed in seeds(5):
        one = box(seed)
        actuators = [one.add(number) for number in range(6)]

        def all_mute(those: list[Actuator] = actuators) -> None:
            for actuator in those:
                actuator.is_mute = True

        one.hooked(once(MemberList, all_mute))
        roster = search(one, seed)
        assert (roster.found, roster.proven, roster.passes) == ((), False, 2 * SILENT_PASSES)
        assert roster.reason == SOMETHING_WAS_HEARD
        assert sorted(roster.gone) == [actuator.uid for actuator in actuators]


@pytest.mark.parametrize("echo", [True, False])
def test_an_empty_list_is_not_proven_where_bytes_were_received(echo: bool) -> None:
    for at_request in (1, 5):
        one = box(1, echo=echo)
        talker = Talker(one, b"\x55")
        left = at_request

        def hook(message: Message, talker: Talker = talker) -> None:
            nonlocal left
            left -= 1
            if not left:
                talker.hook(message)

        one.hooked(hook)
        roster = search(one, 1)
        assert (roster.found, roster.proven) == ((), False)
        assert "bytes were received" in roster.reason


def test_a_line_without_echo_on_which_the_first_requests_are_lost_is_not_proven_empty() -> None:
    """No actuator answers, and nothing tells that the requests were lost: only more passes do."""
    for lost in range(1, SILENT_PASSES + 1):
        one = box(lost, echo=False)
        one.add_many(5, lost)
        end = one.noise(0.9)
        requests = 0

        def hook(_: Message, lost: int = lost, end: Callable[[], None] = end) -> None:
            nonlocal requests
            requests += 1
            if requests == lost + 1:
                end()

        one.hooked(hook)
        roster = search(one, lost)
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert len(roster.found) == 5


# --- power ---


def test_one_that_is_unplugged_between_search_and_member_list_is_reported_gone() -> None:
    for seed in seeds(10):
        one = box(seed)
        one.add_many(9, seed)
        victim = one.bus.actuators[seed % 9]
        one.hooked(once(MemberList, victim.power_off))
        roster = search(one, seed)
        assert roster.gone == (victim.uid,)
        assert roster.passes >= SILENT_PASSES
        assert listed(roster) == one.truth
        assert not roster.proven, "one that spoke and is not there any more is no complete list"
        assert victim.uid.hex() in roster.reason


def test_one_that_is_unplugged_and_comes_back_is_not_called_gone() -> None:
    """Given up after eight silent passes, back before the end: it is in the list, not among those that went.

    Another one answers in the fifth pass and from the tenth on only, so that the proof does not end before.
    """
    for seed in seeds(10):
        one = box(seed)
        one.add_many(5, seed)
        victim, slow = one.bus.actuators[0], one.bus.actuators[1]
        member_lists = 0

        def hook(message: Message, victim: Actuator = victim, slow: Actuator = slow) -> None:
            nonlocal member_lists
            member_lists += type(message) is MemberList
            slow.is_mute = 0 < member_lists < 10 and member_lists != 5
            if member_lists == 1:
                victim.power_off()
            if member_lists == SILENT_PASSES + 1:
                victim.power_on()

        one.hooked(hook)
        roster = search(one, seed)
        assert member_lists >= 10
        assert roster.gone == ()
        assert right_or_not_proven(roster, one.truth), roster.reason


def test_one_that_powers_up_after_the_last_roll_call_speaks_up_and_is_found() -> None:
    for seed in seeds(20, 400):
        one = box(seed)
        one.add_many(9, seed)
        late = one.add(1, 17, powered=False)
        one.hooked(once(MemberList, late.power_on))
        roster = search(one, seed)
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert roster.address_of(late.uid) == 17


def test_one_that_powers_up_before_the_last_pass_is_found() -> None:
    for seed in seeds(20, 400):
        one = box(seed)
        one.add_many(9, seed)
        late = one.add(1, 17, powered=False)
        one.hooked(once(MemberList, late.power_on, number=2))
        roster = search(one, seed)
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert late.uid in listed(roster)
        # quiet passes from before it was found prove nothing about it; that it missed the first call is odd
        assert roster.passes >= 2 + ODD_PASSES
        assert roster.proving_ns >= SPREAD_NS


def test_many_that_power_up_after_the_last_roll_call_are_all_found() -> None:
    for seed in seeds(10, 200):
        one = box(seed)
        one.add_many(4, seed)
        late = [one.add(number, powered=False) for number in range(1, 13)]

        def power(those: list[Actuator] = late) -> None:
            for actuator in those:
                actuator.power_on()

        one.hooked(once(MemberList, power))
        assert right_or_not_proven(search(one, seed), one.truth)


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("kind", [RollCall, MemberList])
def test_devices_that_reset_in_mid_search_stay_in_the_list(kind: type[Message], number: int) -> None:
    for seed in seeds(6, 200):
        one = box(seed)
        one.add_many(14, seed)

        def reset(those: list[Actuator] = one.bus.actuators[:3]) -> None:
            for actuator in those:
                actuator.power_off()
                actuator.power_on()

        one.hooked(once(kind, reset, number=number))
        roster = search(one, seed)
        # where two that were acknowledged already answered again in one slot, what came of it is nothing that was owed
        assert right_or_not_proven(roster, one.truth) or roster.doubts, roster.reason
        assert listed(roster) == one.truth
        assert roster.gone == ()


moments = st.integers(0, 120 * MS)
cuts = st.lists(st.tuples(st.integers(0, 5), moments, st.none() | moments), max_size=4)


@given(st.integers(0, 10_000), cuts)
def test_power_that_goes_and_comes_at_any_moment(seed: int, events: list[tuple[int, int, int | None]]) -> None:
    """Those that always had power are in every proven list, and none that was never there."""
    one = box(seed)
    for number in range(6):
        one.add(number)
    ever_off = set()
    for number, off_ns, on_ns in events:
        actuator = one.bus.actuators[number]
        ever_off.add(actuator.uid)
        one.bus.kernel.at(off_ns, actuator.power_off)
        if on_ns is not None:
            one.bus.kernel.at(off_ns + on_ns, actuator.power_on)
    roster = search(one, seed)
    on_the_bus = {actuator.uid for actuator in one.bus.actuators}
    found = set(listed(roster))
    assert found <= on_the_bus
    assert not found & set(roster.gone)
    if roster.proven:
        assert on_the_bus - ever_off <= found


# --- mistaken about themselves ---


def epoch_of(seed: int) -> int:
    """The epoch that a search of this seed takes, seen on a line of its own."""
    one = box()
    port = one.hooked(lambda _: None)
    search(one, seed)
    (epoch,) = {message.epoch for message in port.sent if isinstance(message, RollCall)}
    return epoch


@pytest.mark.parametrize("who", ["one", "all"])
def test_one_that_wrongly_believes_to_be_acknowledged_is_found(who: str) -> None:
    for seed in seeds(20, 400):
        one = box(seed)
        one.add_many(6, seed)
        mistaken = one.add(1, 44)
        uid = mistaken.uid if who == "one" else bytes(8)
        one.run(exchange(Ask.all(Suppress(epoch_of(seed), uid))))
        roster = search(one, seed)
        assert roster.passes > 2  # it was the member list that found it
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert roster.address_of(mistaken.uid) == 44


def test_silence_kept_in_an_older_epoch_does_not_matter() -> None:
    for seed in seeds(10):
        one = box(seed)
        one.add_many(6, seed)
        one.run(exchange(Ask.all(Suppress(epoch_of(seed) ^ 1, bytes(8)))))
        roster = search(one, seed)
        assert right_or_not_proven(roster, one.truth)
        assert roster.passes <= 3


def test_a_mute_one_is_invisible_to_every_scheme() -> None:
    """As the format page says: compare with the plan."""
    one = box()
    one.add_many(5, 1)
    mute = one.add(1, 9)
    mute.is_mute = True
    roster = search(one, 1)
    assert roster.proven
    assert mute.uid not in listed(roster)
    assert len(roster.found) == 5


def test_one_that_can_speak_again_in_mid_proof_is_found() -> None:
    for seed in seeds(10):
        one = box(seed)
        one.add_many(5, seed)
        mute = one.add(1, 9)
        mute.is_mute = True
        one.hooked(once(MemberList, partial(setattr, mute, "is_mute", False), number=2))
        roster = search(one, seed)
        assert right_or_not_proven(roster, one.truth), roster.reason
        assert roster.address_of(mute.uid) == 9


def test_one_that_moves_its_address_in_mid_search_is_listed_where_it_was_last_heard() -> None:
    """A listed actuator confirms with one byte, without its address: the list keeps that of its last uid answer."""
    one = box()
    one.add_many(5, 1)
    mover = one.add(1, 9)
    one.hooked(once(MemberList, lambda: setattr(mover.settings, "address", 10)))
    assert search(one, 1).address_of(mover.uid) == 9


# --- a line that is not as it should be ---


class Talker:
    """A device of another kind that says something 0.7 ms after each request."""

    def __init__(self, one: Box, says: bytes) -> None:
        self._bus, self._says = one.bus, says

    def hook(self, message: Message) -> None:
        wire_bytes = HEADER_BYTES + len(message.payload()) + FRAMING_BYTES
        self._bus.kernel.at(
            self._bus.kernel.now_ns + bits_ns(10 * wire_bytes, rate_of(115_200)) + 700 * US, self._speak
        )

    def _speak(self) -> None:
        self._bus.line.transmit(self, self._says)


@pytest.mark.parametrize("says", [b"\x00", b"\x55", b"\xff\xff", b"\x00\x01\x02\x00"], ids=lambda says: says.hex())
def test_a_device_of_another_kind_that_keeps_talking_is_not_proven(says: bytes) -> None:
    for seed in seeds(1):
        one = box(seed)
        one.add_many(3, seed)
        one.hooked(Talker(one, says).hook)
        roster = search(one, seed)
        assert not roster.proven
        assert roster.reason


def test_a_device_that_stops_talking_does_not_spoil_the_list_but_its_proof() -> None:
    """What it said was not accounted for: no quiet pass that comes behind makes that undone."""
    one = box(3)
    one.add_many(3, 3)
    talker = Talker(one, b"\x55\x66")
    left = 4

    def hook(message: Message) -> None:
        nonlocal left
        left -= 1
        if left > 0:
            talker.hook(message)

    one.hooked(hook)
    roster = search(one, 3)
    assert (listed(roster), roster.proven, roster.doubts > 0) == (one.truth, False, True)
    assert f"{roster.doubts} times" in roster.reason
    assert roster.passes <= 3 + DOUBT_PASSES
    assert search(one, 3).proven, "the next search finds a quiet line"


def test_behind_the_last_sign_of_another_six_quiet_passes_listen_for_it() -> None:
    """Quiet passes before a sign, or between two, do not count: whoever it was speaks rarely."""
    one = box(3)
    one.add_many(3, 3)
    talker, member_lists = Talker(one, b"\x55\x66"), 0

    def hook(message: Message) -> None:
        nonlocal member_lists
        member_lists += type(message) is MemberList
        if type(message) is MemberList and member_lists in {2, 5, 8}:
            talker.hook(message)

    one.hooked(hook)
    roster = search(one, 3)
    assert roster.doubts == 3
    assert member_lists - 8 == DOUBT_PASSES


def test_it_is_given_up_as_soon_as_the_passes_left_are_too_few() -> None:
    one = box(3)
    one.add_many(3, 3)
    talker = Talker(one, b"\x55\x66")
    one.hooked(lambda message: talker.hook(message) if type(message) is MemberList else None)
    roster = one.run(find(rng=random.Random(3), max_passes=20))
    assert not roster.proven
    assert roster.passes == 20 - DOUBT_PASSES + 1


def test_a_uid_that_no_actuator_has_is_never_listed() -> None:
    one = box()
    one.add(1)
    assert set(listed(search(one, 5))) == {uid_of(1)}


# --- patience ---


@pytest.mark.parametrize("trouble", ["hears one in three", "20 ms late", "hears with errors"])
def test_who_has_the_time_misses_none_that_says_little(trouble: str) -> None:
    """Strictly: also one that said nothing in all the search counts as missing. Without patience some are missed."""
    for seed in range(12):
        bus = fleet(12, seed)
        one, draw = bus.actuators[0], random.Random(seed)
        if trouble == "hears one in three":
            one.misses = lambda draw=draw: draw.random() > 1 / 3  # type: ignore[misc]
        elif trouble == "20 ms late":
            one.late_ns = 20 * MS
        else:
            bus.line.add_noise(0.05, lambda ear, one=one: ear.owner is one)  # type: ignore[misc]
        roster = Link(bus.host).run(find(rng=random.Random(seed), patience_ns=PATIENCE_NS))
        assert not roster.proven or {found.uid for found in roster.found} == {each.uid for each in bus.actuators}
