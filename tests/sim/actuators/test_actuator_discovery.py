"""The actuator's side of discovery: roll call, acknowledgement, member list, address list, suppress.

The first slot begins 500 us after the query, a mini-slot lasts 38 us, an actuator starts up to 30 us later than it
means to. An answer to a member list is one byte: 80h..FFh of those that are in it, 01h..7Fh of all others.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from busproto.sim.actuators.actuator import Actuator
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.hash import device_tag, list_answer, slot_of, uid_hash, unlisted_answer
from tests.sim.helpers import MS, Bench, bench, digest, uid_of

EPOCH = 4711
FIRST_SLOT_NS, SLOT_NS, BYTE_NS = 500_000, 38_000, 86_805
LEAD_NS = 1_500
ORDERED_SLOT_NS, ORDERED_SLOT_LEAD_NS = 45_000, 5_000
"""Where answers come in order."""
"""No actuator begins earlier than this within its slot."""


def fresh(count: int, *, seed: int = 0) -> Bench:
    """So many actuators without an address, numbers 1, 2, ..."""
    made = bench(seed=seed)
    for number in range(1, count + 1):
        made.add(number, UNADDRESSED)
    return made


def present(made: Bench, call: m.RollCall, to: int = BROADCAST_ADDRESS) -> set[bytes]:
    """The uids that answer a roll call."""
    answers = made.ask_all(call, to, wait_ns=200 * MS)
    assert all(isinstance(one.message, m.Present) for one in answers)
    return {one.message.uid for one in answers if isinstance(one.message, m.Present)}


def call(salt: int, *digests: int, epoch: int = EPOCH, slots: int = 1024) -> m.RollCall:
    return m.RollCall(epoch, salt, slots, digests)


def digests_of(salt: int, *numbers: int, epoch: int = EPOCH) -> tuple[int, ...]:
    return tuple(digest(uid_of(number), epoch, salt) for number in numbers)


def member_list(salt: int, *numbers: int, first: int = 0, total: int | None = None, epoch: int = EPOCH) -> m.MemberList:
    """A member list, or part of one, that lists these actuators."""
    return m.MemberList(
        epoch, salt, first, len(numbers) if total is None else total, digests_of(salt, *numbers, epoch=epoch)
    )


def spoken(made: Bench, *requests: m.MemberList | m.AddressList) -> list[tuple[int, int, int]]:
    """(number of the actuator, byte, first start bit after the end of the last request) of all that is said."""
    for request in requests:
        ended_ns = made.send(request)
    made.run(100 * MS)
    numbers = {id(one): int(one.label.split()[1]) for one in made.bus.actuators}
    heard = [one for reception in made.receptions for one in reception.transmissions if one.start_ns >= ended_ns]
    return [(numbers[id(one.sender)], one.data[0], one.start_ns - ended_ns) for one in heard if len(one.data) == 1]


def in_list(number: int, salt: int) -> tuple[int, int]:
    return number, list_answer(uid_hash(uid_of(number), EPOCH, salt))


def unlisted(number: int, salt: int) -> tuple[int, int]:
    return number, unlisted_answer(uid_hash(uid_of(number), EPOCH, salt))


def said(heard: list[tuple[int, int, int]]) -> list[tuple[int, int]]:
    return [(number, byte) for number, byte, _ in heard]


# --- roll call -------------------------------------------------------------------------------------------------


def test_the_answer_to_a_roll_call_is_the_uid_with_the_address_as_source() -> None:
    made = bench()
    made.add(1, 17)
    (answer,) = made.ask_all(call(3), sequence=200)
    assert (answer.frame.destination, answer.frame.source, answer.frame.sequence) == (0, 17, 200)
    assert (answer.frame.payload, answer.frame.tag) == (uid_of(1), device_tag(uid_of(1)))
    assert len(made.receptions[-1].data) == 24


@pytest.mark.parametrize("salt", range(12))
def test_it_answers_in_the_slot_that_the_hash_gives(salt: int) -> None:
    made = bench(seed=salt)
    made.add(1, 17)
    ended_ns = made.send(call(salt, slots=200))
    made.run(50 * MS)
    ((start_ns, _),) = made.starts_after(ended_ns)
    slot = slot_of(uid_hash(uid_of(1), EPOCH, salt), 200)
    assert 0 <= start_ns - ended_ns - FIRST_SLOT_NS - slot * SLOT_NS - LEAD_NS <= 30_000


def test_an_actuator_answers_every_call_until_it_is_acknowledged() -> None:
    made = fresh(1)
    assert [present(made, call(salt)) for salt in (1, 2, 3)] == [{uid_of(1)}] * 3


def test_the_digest_of_the_call_before_acknowledges() -> None:
    made = fresh(3)
    assert present(made, call(1)) == {uid_of(1), uid_of(2), uid_of(3)}
    assert present(made, call(2, *digests_of(1, 1, 3))) == {uid_of(2)}
    assert present(made, call(3, *digests_of(2, 2))) == set()
    assert present(made, call(4)) == set()


def test_a_digest_under_another_salt_does_not_acknowledge() -> None:
    made = fresh(1)
    present(made, call(1))
    assert present(made, call(2, *digests_of(2, 1))) == {uid_of(1)}


def test_a_digest_under_another_epoch_does_not_acknowledge() -> None:
    made = fresh(1)
    present(made, call(1))
    assert present(made, call(2, *digests_of(1, 1, epoch=EPOCH + 1))) == {uid_of(1)}


def test_a_digest_of_the_call_before_the_last_comes_too_late() -> None:
    made = fresh(1)
    present(made, call(1))
    present(made, call(2))
    assert present(made, call(3, *digests_of(1, 1))) == {uid_of(1)}


def test_a_digest_in_the_first_call_of_an_epoch_does_not_acknowledge() -> None:
    made = fresh(1)
    present(made, call(1))
    assert present(made, call(2, *digests_of(1, 1), epoch=EPOCH + 1)) == {uid_of(1)}
    made = fresh(1)
    assert present(made, call(1, *digests_of(1, 1))) == {uid_of(1)}


def test_a_new_epoch_acknowledges_no_actuator() -> None:
    made = fresh(2)
    present(made, call(1))
    assert present(made, call(2, *digests_of(1, 1, 2))) == set()
    assert present(made, call(3, epoch=EPOCH + 1)) == {uid_of(1), uid_of(2)}
    assert present(made, call(4)) == {uid_of(1), uid_of(2)}


def test_a_call_without_slots_only_acknowledges_and_may_be_followed_by_more() -> None:
    made = fresh(3)
    present(made, call(1))
    assert present(made, call(2, *digests_of(1, 1), slots=0)) == set()
    assert present(made, call(3, *digests_of(1, 2), slots=0)) == set()
    assert present(made, call(4)) == {uid_of(3)}


def test_a_restart_ends_the_acknowledgement() -> None:
    made = fresh(2)
    present(made, call(1))
    assert present(made, call(2, *digests_of(1, 1, 2))) == set()
    made.bus.actuators[0].power_off()
    made.bus.actuators[0].power_on()
    assert present(made, call(3)) == {uid_of(1)}


def test_a_roll_call_to_one_address_is_answered_by_those_at_it() -> None:
    made = bench()
    for number, address in enumerate((5, 5, 6, UNADDRESSED), start=1):
        made.add(number, address)
    assert present(made, call(1), 5) == {uid_of(1), uid_of(2)}
    assert present(made, call(2), 6) == {uid_of(3)}
    assert present(made, call(3), UNADDRESSED) == {uid_of(4)}
    assert present(made, call(4), 7) == set()
    assert present(made, call(5)) == {uid_of(number) for number in (1, 2, 3, 4)}


def test_any_later_request_ends_the_window() -> None:
    """The slot of this one is 900 us or more behind the request that is sent at once after the call."""
    made = fresh(1)
    ended_ns = made.send(call(1))
    made.send(m.Suppress(EPOCH, uid_of(99)))
    made.run(100 * MS)
    assert slot_of(uid_hash(uid_of(1), EPOCH, 1), 1024) > 80
    assert made.starts_after(ended_ns) == []


def test_a_call_with_a_bad_check_is_not_answered() -> None:
    made = fresh(1)
    made.bus.line.add_noise(1.0)
    assert made.ask_all(call(1), wait_ns=100 * MS) == []
    assert made.bus.line.frames == 1


def test_twins_answer_in_the_same_slot_and_cannot_be_told_apart() -> None:
    made = bench()
    for number in (1, 2):
        made.add(number, UNADDRESSED, uid=uid_of(1))
    first, second = made.bus.actuators
    assert first.tag == second.tag
    ended_ns = made.send(call(1))
    made.run(100 * MS)
    slot = slot_of(uid_hash(uid_of(1), EPOCH, 1), 1024)
    starts = [
        start_ns - ended_ns - FIRST_SLOT_NS - slot * SLOT_NS - LEAD_NS for start_ns, _ in made.starts_after(ended_ns)
    ]
    assert 0 <= starts[0] <= 30_000
    assert len(starts) == 2


# --- suppress ------------------------------------------------------------------------------------------------------


def test_suppress_acknowledges_one() -> None:
    made = fresh(3)
    assert made.ask_all(m.Suppress(EPOCH, uid_of(2))) == []
    assert present(made, call(1)) == {uid_of(1), uid_of(3)}


def test_suppress_acknowledges_every_actuator() -> None:
    made = fresh(3)
    made.send(m.Suppress(EPOCH, m.ZERO_UID))
    assert present(made, call(1)) == set()


def test_suppress_holds_in_its_epoch_only() -> None:
    made = fresh(2)
    made.send(m.Suppress(EPOCH, m.ZERO_UID))
    assert present(made, call(1, epoch=EPOCH + 1)) == {uid_of(1), uid_of(2)}


# --- member list ------------------------------------------------------------------------------------------------------


def test_those_in_the_list_answer_in_their_places() -> None:
    made = fresh(3)
    heard = spoken(made, member_list(9, 2, 3, 1))
    assert said(heard) == [in_list(2, 9), in_list(3, 9), in_list(1, 9)]
    starts = [start_ns for _, _, start_ns in heard]
    assert 0 <= starts[0] - FIRST_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000
    assert all(
        0 <= later - sooner - BYTE_NS - ORDERED_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000
        for sooner, later in pairwise(starts)
    )


@pytest.mark.parametrize("seed", range(12))
def test_one_that_is_not_in_the_member_list_speaks_up_in_the_four_slots_behind(seed: int) -> None:
    made = fresh(1, seed=seed)
    ((number, byte, start_ns),) = spoken(made, member_list(9, 41, 42, 43))
    assert (number, byte) == unlisted(1, 9)
    slot, late_ns = divmod(start_ns - FIRST_SLOT_NS - ORDERED_SLOT_LEAD_NS, ORDERED_SLOT_NS)
    assert 3 <= slot <= 6
    assert late_ns <= 30_000


def test_all_four_slots_behind_the_member_list_are_used() -> None:
    slots = set()
    for seed in range(40):
        ((_, _, start_ns),) = spoken(fresh(1, seed=seed), member_list(9))
        slots.add((start_ns - FIRST_SLOT_NS) // ORDERED_SLOT_NS)
    assert slots == {0, 1, 2, 3}


def test_unlisted_speak_behind_those_in_the_member_list() -> None:
    made = fresh(3)
    heard = spoken(made, member_list(9, 3, 1))
    assert said(heard) == [in_list(3, 9), in_list(1, 9), unlisted(2, 9)]
    assert made.bus.line.overlaps == 0


def test_the_bytes_of_the_member_list_and_of_unlisted_can_be_told_apart() -> None:
    for salt in range(64):
        made = fresh(1)
        ((_, byte, _),) = spoken(made, member_list(salt, 1))
        assert byte == 0x80 | uid_hash(uid_of(1), EPOCH, salt) & 0x7F
        ((_, byte, _),) = spoken(made, member_list(salt, 42))
        assert byte == (uid_hash(uid_of(1), EPOCH, salt) & 0x7F or 1)


def test_an_empty_member_list_makes_every_actuator_speak_up() -> None:
    made = fresh(1)
    assert said(spoken(made, member_list(9))) == [unlisted(1, 9)]


def test_the_member_list_acknowledges_those_in_it_and_no_others_whatever_they_believe() -> None:
    made = fresh(3)
    made.send(m.Suppress(EPOCH, m.ZERO_UID))
    assert sorted(said(spoken(made, member_list(9, 2)))) == sorted([unlisted(1, 9), in_list(2, 9), unlisted(3, 9)])
    assert present(made, call(1)) == {uid_of(1), uid_of(3)}


def test_a_member_list_of_a_new_epoch_acknowledges_too() -> None:
    made = fresh(2)
    made.send(m.Suppress(EPOCH - 1, m.ZERO_UID))
    spoken(made, member_list(9, 2))
    assert present(made, call(1)) == {uid_of(1)}


def test_a_digest_under_another_salt_is_not_in_the_member_list() -> None:
    made = fresh(1)
    assert said(spoken(made, m.MemberList(EPOCH, 9, 0, 1, digests_of(8, 1)))) == [unlisted(1, 9)]


def test_a_member_list_in_parts_is_answered_after_the_last() -> None:
    made = fresh(4)
    parts = [member_list(9, 3, 1, total=4), member_list(9, 4, first=2, total=4), member_list(9, 2, first=3, total=4)]
    for part in parts[:2]:
        made.send(part)
        made.run(20 * MS)
    assert made.bus.line.frames == 2
    heard = spoken(made, parts[2])
    assert said(heard) == [in_list(3, 9), in_list(1, 9), in_list(4, 9), in_list(2, 9)]
    assert 0 <= heard[0][2] - FIRST_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000


@pytest.mark.parametrize("missed", [0, 1, 2])
def test_whoever_missed_a_part_answers_where_it_heard_its_digest(missed: int) -> None:
    """Number 2 does not hear one of the parts; the digest of number 2 stands in the last, which says its place."""
    made = fresh(2)
    one, two = made.bus.actuators
    parts = [
        member_list(9, 41, total=4),
        member_list(9, 42, first=1, total=4),
        member_list(9, 1, first=2, total=4),
        member_list(9, 2, first=3, total=4),
    ]
    for at, part in enumerate(parts[:3]):
        listening(two, at != missed)
        made.send(part)
    listening(two, True)
    assert said(spoken(made, parts[3])) == [in_list(1, 9), in_list(2, 9)]
    assert present(made, call(1)) == set()
    assert one.is_powered


@pytest.mark.parametrize("missed", [0, 1])
def test_whoever_missed_a_part_and_is_in_none_of_the_others_says_nothing(missed: int) -> None:
    """It cannot know: its digest may stand in the part that it missed. Whoever heard all parts speaks up."""
    made = fresh(3)
    parts = [member_list(9, 41, total=4), member_list(9, 42, first=1, total=4), member_list(9, 1, 43, first=2, total=4)]
    for at, part in enumerate(parts[:2]):
        listening(made.bus.actuators[1], at != missed)
        made.send(part)
    listening(made.bus.actuators[1], True)
    assert said(spoken(made, parts[2])) == [in_list(1, 9), unlisted(3, 9)]
    assert present(made, call(1)) == {uid_of(2), uid_of(3)}


def listening(actuator: Actuator, yes: bool) -> None:
    """Whether it hears, without losing what it knows."""
    actuator.is_powered = yes


def test_whoever_missed_the_last_part_says_nothing_and_is_right_in_the_next_member_list() -> None:
    made = fresh(1)
    made.send(member_list(9, 1, total=2))
    made.run(100 * MS)
    assert made.starts_after(0) == []
    assert said(spoken(made, member_list(10, 41, total=2), member_list(10, 1, first=1, total=2))) == [in_list(1, 10)]


def test_parts_of_different_member_lists_do_not_make_one() -> None:
    """It hears the first part of one member list and the second of the next; the places fit, the salt does not.

    A place in the first one does not count; and whoever heard half a member list only does not call itself an unlisted
    actuator.
    """
    made = fresh(1)
    assert said(spoken(made, member_list(8, 1, total=2), member_list(9, 42, first=1, total=2))) == []
    assert said(spoken(made, member_list(8, 41, total=2), member_list(9, 1, first=1, total=2))) == [in_list(1, 9)]


def test_a_second_part_that_follows_an_earlier_whole_member_list_is_half_a_member_list() -> None:
    made = fresh(1)
    assert said(spoken(made, member_list(8, 1))) == [in_list(1, 8)]
    assert said(spoken(made, member_list(9, 42, first=1, total=2))) == []
    assert said(spoken(made, member_list(10, 1, first=1, total=2))) == [in_list(1, 10)]


def test_a_member_list_can_be_begun_again() -> None:
    made = fresh(2)
    made.send(member_list(9, 41, total=3))
    assert said(spoken(made, member_list(9, 1, total=2), member_list(9, 2, first=1, total=2))) == [
        in_list(1, 9),
        in_list(2, 9),
    ]


def test_an_unplugged_one_is_not_heard_by_any_member_list() -> None:
    made = fresh(2)
    made.bus.actuators[0].power_off()
    assert said(spoken(made, member_list(9, 1, 2))) == [in_list(2, 9)]


def test_a_missing_one_leaves_its_slot_idle() -> None:
    """Place 1 is empty: 38 us pass instead of a byte."""
    made = fresh(3)
    made.bus.actuators[1].power_off()
    first, second = spoken(made, member_list(9, 1, 2, 3))
    assert (first[:2], second[:2]) == (in_list(1, 9), in_list(3, 9))
    assert 0 <= second[2] - first[2] - BYTE_NS - 2 * ORDERED_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000


# --- address list ----------------------------------------------------------------------------------------------


def address_list(salt: int, *addresses: int) -> m.AddressList:
    marked = sum(1 << (address - 1) for address in addresses)
    return m.AddressList(EPOCH, salt, marked.to_bytes(30, "little"))


def test_addresses_of_the_map_answer_at_their_rank() -> None:
    made = bench()
    for number, address in enumerate((239, 1, 17, 8), start=1):
        made.add(number, address)
    heard = spoken(made, address_list(9, 1, 8, 9, 17, 239))
    assert said(heard) == [in_list(2, 9), in_list(4, 9), in_list(3, 9), in_list(1, 9)]
    starts = [start_ns for _, _, start_ns in heard]
    assert 0 <= starts[0] - FIRST_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000
    assert 0 <= starts[1] - starts[0] - BYTE_NS - ORDERED_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000
    assert 0 <= starts[2] - starts[1] - BYTE_NS - 2 * ORDERED_SLOT_NS - ORDERED_SLOT_LEAD_NS <= 30_000, (
        "no actuator has address 9"
    )


def test_whoever_has_no_address_or_none_of_the_map_speaks_up_behind() -> None:
    made = bench(seed=2)
    for number, address in enumerate((3, 4, UNADDRESSED), start=1):
        made.add(number, address)
    heard = spoken(made, address_list(9, 3))
    assert said(heard)[0] == in_list(1, 9)
    assert sorted(said(heard)[1:]) == sorted([unlisted(2, 9), unlisted(3, 9)])
    assert present(made, call(1)) == {uid_of(2), uid_of(3)}


def test_two_at_one_address_both_answer() -> None:
    made = bench()
    made.add(1, 5)
    made.add(2, 5)
    heard = spoken(made, address_list(9, 5))
    assert sorted(said(heard)) == sorted([in_list(1, 9), in_list(2, 9)])


def test_the_address_list_keeps_to_the_address_and_not_to_the_digest() -> None:
    made = bench()
    made.add(1, 5)
    assert said(spoken(made, address_list(9, 6))) == [unlisted(1, 9)]
    made.ask(m.Assigned, m.Assign(uid_of(1), 6), BROADCAST_ADDRESS)
    assert said(spoken(made, address_list(9, 6))) == [in_list(1, 9)]
