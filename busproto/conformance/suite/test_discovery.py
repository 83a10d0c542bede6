"""Discovery: roll call, enrolment, book, address book, hush, the classic queries; beside others of its kind."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from busproto.conformance.bench import LATE_PORT_NS, MS, QUIET_PORT_NS, US, Bench, replies_in
from busproto.conformance.clauses import clause
from busproto.ops import assign_all, find, ordered_moves, prove_addresses
from busproto.ops.transact import who_is_at
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.hash import book_answer, mark_of, slot_of, stranger_answer, uid_hash
from busproto.wire.message import Message
from busproto.wire.timing import (
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    PLACE_LEAD_NS,
    PLACE_NS,
    START_JITTER_NS,
    START_LEAD_NS,
    STRANGER_SLOTS,
)

EPOCH = 0x1701
CLOCK_NS = 2 * US
"""A clock that counts microseconds knows a moment to one, and may round twice."""


def salt_for(dut: Bench, slot: int, slots: int, epoch: int = EPOCH) -> int:
    """A salt under which it draws that slot."""
    for salt in range(256):
        if slot_of(uid_hash(dut.uid, epoch, salt), slots) == slot:
            return salt
    return salt_for(dut, slot, slots * 2, epoch)


def mark(dut: Bench, salt: int, epoch: int = EPOCH) -> int:
    return mark_of(uid_hash(dut.uid, epoch, salt))


def window_ns(slots: int) -> int:
    return FIRST_SLOT_NS + (slots + 8) * MINI_SLOT_NS + 4 * MS


def called(dut: Bench, call: Message, slots: int = 16, to: int = BROADCAST_ADDRESS) -> list[Message]:
    """What answers a call, all of it; every answer is from the one under test."""
    _, frames, _ = dut.frames_after(dut.wire(call, to), window_ns=window_ns(slots), count=1)
    own = [frame for frame in frames if frame.tag == dut.tag]
    assert dut.is_alone is False or len(own) == len(frames)
    return [message_of(frame) for frame in own]


def unheard(dut: Bench, call: Message, slots: int = 16, to: int = BROADCAST_ADDRESS) -> None:
    """It does not answer that call."""
    dut.drain()
    said = dut.say(dut.wire(call, to))
    heard = dut.hear(said.end_ns + window_ns(slots) + (0 if dut.is_virtual else dut.slack_ns + QUIET_PORT_NS))
    assert all(frame.tag != dut.tag for frame in replies_in(heard)), f"it answered {call}"
    assert heard == b"" or not dut.is_alone, f"something came back to {call}: {heard.hex(' ')}"


def assert_begins(dut: Bench, since_ns: int, behind_ns: int, spread_ns: int = 0) -> None:
    """Where the line is listened to: it began so long behind what was said before, by its own jitter later."""
    if dut.can("heard"):
        seen_ns = dut.behind(since_ns)
        least_ns = dut.least_ns(behind_ns) - US // 2
        most_ns = dut.most_ns(behind_ns + spread_ns + START_JITTER_NS) + CLOCK_NS
        assert least_ns <= seen_ns <= most_ns, f"it began {seen_ns} ns behind, {behind_ns} is right"


def byte_after(dut: Bench, *queries: Message, places: int = 8, is_quiet: bool = False) -> bytes:
    """The bytes that answer a book or address book, said in as many parts; `is_quiet` where none are to come."""
    dut.require_alone()
    dut.drain()
    said = dut.say(b"".join(dut.wire(query, BROADCAST_ADDRESS) for query in queries))
    until_ns = said.end_ns + FIRST_SLOT_NS + (places + STRANGER_SLOTS + 2) * PLACE_NS + dut.airtime_ns(3)
    if dut.is_virtual:
        return dut.hear(until_ns)
    if is_quiet:
        return dut.hear(until_ns + dut.slack_ns + QUIET_PORT_NS)
    first = dut.hear(until_ns + dut.slack_ns + LATE_PORT_NS, bool)
    return first + dut.hear(max(dut.now_ns, until_ns) + 5 * MS)


# --- roll call -------------------------------------------------------------------------------------------------


@clause("op.01", "does.asked")
def test_it_answers_a_roll_call_with_its_uid(dut: Bench) -> None:
    (present,) = called(dut, m.RollCall(EPOCH, 3, 16, ()))
    assert isinstance(present, m.Present)
    assert present.uid == dut.uid


@clause("op.01", "does.limp")
def test_a_call_changes_nothing(dut: Bench) -> None:
    before = dut.get_all()
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    assert dut.get_all() == before
    assert dut.report().state is m.State.LIMP


@clause("op.01", "find.hash")
def test_not_enrolled_it_answers_again_and_again(dut: Bench) -> None:
    for salt in range(5):
        assert called(dut, m.RollCall(EPOCH, salt, 16, ()))


@clause("op.01", "find.hash")
def test_its_mark_in_the_next_call_enrols_it(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 16, (0x1111, mark(dut, 3), 0x2222)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("op.01")
def test_another_mark_does_not_enrol_it(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))
    assert called(dut, m.RollCall(EPOCH, 4, 16, (mark(dut, 3) ^ 1, mark(dut, 4))))


@clause("op.01")
def test_a_mark_of_a_call_that_it_did_not_answer_does_not_enrol_it(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 4, 16, (mark(dut, 3),)))


@clause("op.01")
def test_a_mark_of_a_call_that_was_cut_before_its_turn_does_not_enrol_it(dut: Bench) -> None:
    salt = next(salt for salt in range(256) if slot_of(uid_hash(dut.uid, EPOCH, salt), 1024) >= 900)
    cut = dut.wire(m.RollCall(EPOCH, salt, 1024, ()), BROADCAST_ADDRESS)
    said = dut.say(cut + dut.wire(m.Hush(EPOCH, bytes(7) + b"\x01"), BROADCAST_ADDRESS))
    dut.hear(said.end_ns)
    assert called(dut, m.RollCall(EPOCH, (salt + 1) & 0xFF, 16, (mark(dut, salt),)))


@clause("op.01")
def test_a_call_without_slots_only_enrols(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 0, (mark(dut, 3),)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))
    unheard(dut, m.RollCall(EPOCH + 1, 5, 0, ()))


@clause("op.01")
def test_marks_may_come_in_several_calls_of_one_breath(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))
    ahead = dut.wire(m.RollCall(EPOCH, 4, 0, tuple(range(53))), BROADCAST_ADDRESS)
    ahead += dut.wire(m.RollCall(EPOCH, 4, 0, (mark(dut, 3),)), BROADCAST_ADDRESS)
    said = dut.say(ahead)
    dut.hear(said.end_ns)
    unheard(dut, m.RollCall(EPOCH, 4, 16, ()))


@clause("op.01")
def test_a_new_epoch_begins_anew(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 16, (mark(dut, 3),)))
    assert called(dut, m.RollCall(EPOCH ^ 0x100, 4, 16, ()))
    assert called(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("op.01")
def test_a_restart_forgets_the_enrolment(dut: Bench) -> None:
    dut.tell(m.Hush(EPOCH, dut.uid))
    dut.restart()
    assert called(dut, m.RollCall(EPOCH, 4, 16, ()))


@clause("op.01")
def test_a_call_to_one_address_is_for_that_address(dut: Bench) -> None:
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()), to=dut.address)
    unheard(dut, m.RollCall(EPOCH, 4, 16, ()), to=dut.address ^ 1)


@clause("op.01", "frame.layout")
def test_without_an_address_it_answers_from_f0(dut: Bench) -> None:
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    _, frames, _ = dut.frames_after(
        dut.wire(m.RollCall(EPOCH, 3, 16, ()), BROADCAST_ADDRESS), window_ns=window_ns(16), count=1
    )
    assert [frame.source for frame in frames] == [UNADDRESSED]


def call_of(dut: Bench, slot: int, slots: int) -> m.RollCall:
    """A call in which it draws that slot."""
    drawn = next(s for s in range(4096) if slot_of(uid_hash(dut.uid, EPOCH + s // 256, s % 256), slots) == slot)
    return m.RollCall(EPOCH + drawn // 256, drawn % 256, slots, ())


@clause("op.01", "find.first", "find.countdown", "find.hash")
@pytest.mark.parametrize("slot", [0, 1, 2, 7, 15, 60])
def test_it_begins_within_its_slot(dut: Bench, slot: int) -> None:
    dut.beside("heard")
    slots = 16 if slot < 16 else 64
    since_ns = dut.line_ns()
    assert called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + slot * MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense", "find.countdown")
@pytest.mark.parametrize("busy_in", [1, 4, 8])
def test_a_busy_line_stops_the_countdown(dut: Bench, busy_in: int) -> None:
    slot, slots = 9, 16
    dut.beside("heard", "jam").jam(FIRST_SLOT_NS + busy_in * MINI_SLOT_NS - MINI_SLOT_NS // 2, b"\x55" * 20)
    since_ns = dut.line_ns()
    assert called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, (slot - busy_in + 1) * MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense")
def test_it_waits_out_several_that_speak_before_it(dut: Bench) -> None:
    slot, slots = 6, 16
    for first_ns in (FIRST_SLOT_NS, 0, 0):
        dut.beside("heard", "jam").jam(first_ns + MINI_SLOT_NS + MINI_SLOT_NS // 2, b"\x33" * 8)
    since_ns = dut.line_ns()
    assert called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, (slot - 3) * MINI_SLOT_NS + START_LEAD_NS)


# --- hush, match, slotted call -----------------------------------------------------------------------------------


@clause("op.04")
def test_hushed_it_keeps_silent_in_that_epoch(dut: Bench) -> None:
    dut.tell(m.Hush(EPOCH, dut.uid))
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.Match(EPOCH, 0, 0, bytes(8)))
    unheard(dut, m.SlottedCall(EPOCH, 3, 1, 3000))
    assert called(dut, m.RollCall(EPOCH + 1, 3, 16, ()))


@clause("op.04")
def test_a_hush_for_everyone_is_for_it_too(dut: Bench) -> None:
    dut.tell(m.Hush(EPOCH, bytes(8)))
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.04")
def test_a_hush_for_another_is_not_for_it(dut: Bench) -> None:
    for at in (0, 7):
        other = bytearray(dut.uid)
        other[at] ^= 0x80
        dut.tell(m.Hush(EPOCH, bytes(other)))
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.04", "does.asked")
def test_a_hush_is_not_answered(dut: Bench) -> None:
    dut.silent(dut.wire(m.Hush(EPOCH, dut.uid), BROADCAST_ADDRESS), window_ns=10 * MS)


@clause("op.05")
@pytest.mark.parametrize("bits", [0, 1, 7, 8, 9, 31, 63, 64])
def test_it_answers_a_match_of_its_first_bits(dut: Bench, bits: int) -> None:
    value = int.from_bytes(dut.uid, "big")
    rest = (1 << 64 - bits) - 1
    own = (value ^ (0x5A5A5A5A5A5A5A5A & rest)).to_bytes(8, "big")
    (matched,) = called(dut, m.Match(EPOCH, bits, 0, own))
    assert isinstance(matched, m.Matched)
    assert matched.uid == dut.uid
    if bits:
        unheard(dut, m.Match(EPOCH, bits, 0, (value ^ 1 << 64 - bits).to_bytes(8, "big")))
        unheard(dut, m.Match(EPOCH, bits, 0, (value ^ 1 << 63).to_bytes(8, "big")))


@clause("op.05", "find.hash")
def test_a_brief_match_is_answered_by_a_byte(dut: Bench) -> None:
    answer = byte_after(dut, m.Match(EPOCH, 12, 1, dut.uid))
    assert answer == bytes([book_answer(uid_hash(dut.uid, EPOCH, 12))])


@clause("op.05", "find.first")
def test_a_match_is_answered_at_the_first_slot(dut: Bench) -> None:
    dut.beside("heard")
    since_ns = dut.line_ns()
    assert called(dut, m.Match(EPOCH, 0, 0, bytes(8)))
    assert_begins(dut, since_ns, FIRST_SLOT_NS)


@clause("op.06", "find.hash")
@pytest.mark.parametrize("slots", [1, 4, 16])
def test_it_answers_a_slotted_call(dut: Bench, slots: int) -> None:
    slot_us = 3000
    for salt in (1, 2):
        dut.drain()
        since_ns = dut.line_ns()
        said = dut.say(dut.wire(m.SlottedCall(EPOCH, salt, slots, slot_us), BROADCAST_ADDRESS))
        end_ns = said.end_ns + FIRST_SLOT_NS + (slots + 2) * slot_us * US
        heard = dut.hear(
            end_ns + (0 if dut.is_virtual else dut.slack_ns + LATE_PORT_NS), lambda came: bool(replies_in(came))
        )
        own = [message_of(frame) for frame in replies_in(heard) if frame.tag == dut.tag]
        assert own == [m.Called(dut.uid)]
        slot = slot_of(uid_hash(dut.uid, EPOCH, salt), slots)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + slot * slot_us * US)


# --- book -------------------------------------------------------------------------------------------------------


def book(dut: Bench, place: int | None, total: int, salt: int = 9) -> m.Book:
    """A book in one part; it stands at `place`."""
    own = mark(dut, salt)
    marks = [(own + 1 + number * 257) & 0xFFFF for number in range(total)]
    assert own not in marks
    if place is not None:
        marks[place] = own
    return m.Book(EPOCH, salt, 0, total, tuple(marks))


def answer_in(dut: Bench, salt: int = 9) -> bytes:
    return bytes([book_answer(uid_hash(dut.uid, EPOCH, salt))])


def answer_out(dut: Bench, salt: int = 9) -> bytes:
    return bytes([stranger_answer(uid_hash(dut.uid, EPOCH, salt))])


@clause("op.02", "find.hash", "find.place")
@pytest.mark.parametrize(("place", "total"), [(0, 1), (0, 5), (4, 5), (30, 53)])
def test_in_the_book_it_answers_at_its_place(dut: Bench, place: int, total: int) -> None:
    since_ns = dut.line_ns()
    assert byte_after(dut, book(dut, place, total), places=total) == answer_in(dut)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + place * PLACE_NS + PLACE_LEAD_NS)


@clause("op.02", "find.hash")
@pytest.mark.parametrize("total", [0, 1, 6])
def test_not_in_the_book_it_speaks_up_behind_the_last_place(dut: Bench, total: int) -> None:
    since_ns = dut.line_ns()
    assert byte_after(dut, book(dut, None, total), places=total) == answer_out(dut)
    first_ns = FIRST_SLOT_NS + total * PLACE_NS + PLACE_LEAD_NS
    assert_begins(dut, since_ns, first_ns, spread_ns=(STRANGER_SLOTS - 1) * PLACE_NS)


@clause("op.02")
def test_strangers_spread_over_the_slots_behind(dut: Bench) -> None:
    dut.beside("heard")
    seen = []
    for salt in range(24):
        since_ns = dut.line_ns()
        byte_after(dut, book(dut, None, 2, salt), places=2)
        first_ns = FIRST_SLOT_NS + 2 * PLACE_NS + PLACE_LEAD_NS
        assert_begins(dut, since_ns, first_ns, spread_ns=(STRANGER_SLOTS - 1) * PLACE_NS)
        seen.append(dut.behind(since_ns))
    assert max(seen) - min(seen) > PLACE_NS, "it always takes the same slot"


@clause("op.02", "op.01")
def test_a_book_that_lacks_it_ends_its_enrolment(dut: Bench) -> None:
    dut.tell(m.Hush(EPOCH, dut.uid))
    assert byte_after(dut, book(dut, None, 2), places=2) == answer_out(dut)
    assert called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.02", "op.01")
def test_a_book_with_it_enrols_it(dut: Bench) -> None:
    assert byte_after(dut, book(dut, 1, 2), places=2) == answer_in(dut)
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))


def parts(dut: Bench, place: int | None) -> tuple[m.Book, m.Book]:
    """A book of six in two parts."""
    whole = book(dut, place, 6)
    return (
        m.Book(EPOCH, 9, 0, 6, whole.marks[:4]),
        m.Book(EPOCH, 9, 4, 6, whole.marks[4:]),
    )


@clause("op.02", "find.parts")
@pytest.mark.parametrize("place", [0, 3, 4, 5])
def test_a_book_in_parts_is_one_book(dut: Bench, place: int) -> None:
    assert byte_after(dut, *parts(dut, place)) == answer_in(dut)


@clause("op.02", "find.parts")
def test_a_part_that_is_not_the_last_is_not_answered(dut: Bench) -> None:
    assert byte_after(dut, parts(dut, 0)[0], is_quiet=True) == b""
    assert byte_after(dut, parts(dut, 5)[1]) == answer_in(dut)


@clause("find.parts")
def test_who_missed_a_part_says_nothing(dut: Bench) -> None:
    assert byte_after(dut, parts(dut, None)[1], is_quiet=True) == b""
    assert byte_after(dut, parts(dut, 1)[1], is_quiet=True) == b""
    assert byte_after(dut, *parts(dut, None)) == answer_out(dut)


@clause("find.parts")
def test_who_missed_a_part_and_stands_in_another_answers(dut: Bench) -> None:
    assert byte_after(dut, parts(dut, 5)[1]) == answer_in(dut)


# --- address book -------------------------------------------------------------------------------------------------


def address_book(addresses: set[int], salt: int = 9) -> m.AddressBook:
    return m.AddressBook(EPOCH, salt, sum(1 << at - 1 for at in addresses).to_bytes(30, "little"))


@clause("op.03", "find.addresses")
@pytest.mark.parametrize("others", [set(), {1, 2}, {1, 239}, {200, 201}])
def test_its_address_marked_it_answers_at_its_rank(dut: Bench, others: set[int]) -> None:
    marked = (others | {dut.address}) & set(range(1, 240))
    since_ns = dut.line_ns()
    assert byte_after(dut, address_book(marked), places=len(marked)) == answer_in(dut)
    rank = sorted(marked).index(dut.address)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + rank * PLACE_NS + PLACE_LEAD_NS)


@clause("op.03", "find.addresses")
def test_its_address_not_marked_it_speaks_up(dut: Bench) -> None:
    others = {dut.address ^ 1, dut.address ^ 2}
    assert byte_after(dut, address_book(others)) == answer_out(dut)


@clause("op.03", "find.addresses")
def test_without_an_address_it_speaks_up(dut: Bench) -> None:
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    assert byte_after(dut, address_book(set(range(1, 6)))) == answer_out(dut)


# --- with others --------------------------------------------------------------------------------------------------


def others(count: int, seed: int, address: Callable[[int], int]) -> dict[bytes, int]:
    stream = random.Random(f"others {seed}")
    return {stream.randbytes(8): address(number) for number in range(count)}


@clause("find.proof", "find.sense", "op.01", "op.02")
@pytest.mark.parametrize("count", [0, 1, 7, 20])
@pytest.mark.parametrize("baud", [115_200, 1_000_000])
def test_a_search_among_others_is_proven(dut_build: Callable[..., Bench], count: int, baud: int) -> None:
    bench = dut_build(address=UNADDRESSED, baud=baud, neighbours=others(count, count, lambda _: UNADDRESSED))
    roster = bench.run(find(rng=random.Random(count)))
    assert roster.proven, roster.reason
    assert {one.uid for one in roster.found} == {bench.uid, *(one.uid for one in bench.neighbours)}


@clause("find.proof", "find.countdown")
@pytest.mark.parametrize("clock_ppm", [-10_000, 10_000])
def test_a_clock_off_by_one_percent_is_no_harm(dut_build: Callable[..., Bench], clock_ppm: int) -> None:
    bench = dut_build(clock_ppm=clock_ppm, neighbours=others(9, 4, lambda number: 10 + number))
    roster = bench.run(find(rng=random.Random(8)))
    assert roster.proven, roster.reason
    assert len(roster.found) == 10


@clause("find.proof", "op.01", "frame.tag")
def test_a_clash_with_another_is_found_and_mended(dut_build: Callable[..., Bench]) -> None:
    bench = dut_build(neighbours=others(1, 2, lambda _: 5))
    uids = bench.run(who_is_at(5, rng=random.Random(2)))
    assert set(uids) == {bench.uid, bench.neighbours[0].uid}
    roster = bench.run(find(rng=random.Random(2)))
    assert roster.clashes
    wanted = {bench.uid: 6, bench.neighbours[0].uid: 7}
    bench.run(assign_all(ordered_moves(roster, wanted)))
    assert bench.run(prove_addresses(wanted, rng=random.Random(1))) == ""


@clause("find.addresses", "op.03")
def test_addresses_are_proven_among_others(dut_build: Callable[..., Bench]) -> None:
    bench = dut_build(neighbours=others(6, 3, lambda number: 20 + number))
    addresses = {bench.uid: 5, **{one.uid: one.address for one in bench.neighbours}}
    assert bench.run(prove_addresses(addresses, rng=random.Random(5))) == ""
    wrong = {**addresses, bench.uid: 9}
    assert bench.run(prove_addresses(wrong, rng=random.Random(5))) != ""


@clause("find.proof", "op.04")
def test_hushed_ones_do_not_disturb_a_call_for_the_rest(dut_build: Callable[..., Bench]) -> None:
    bench = dut_build(neighbours=others(3, 6, lambda number: 20 + number))
    for one in (bench.uid, bench.neighbours[0].uid):
        bench.tell(m.Hush(EPOCH, one))
    since_ns = bench.line_ns()
    said = bench.say(bench.wire(m.RollCall(EPOCH, 3, 64, ()), BROADCAST_ADDRESS))
    heard = replies_in(bench.hear(said.end_ns + window_ns(64) + 10 * MS))
    assert {frame.source for frame in heard} <= {21, 22}
    assert bench.spoken(since_ns) == []


@clause("find.proof")
def test_alone_on_the_line_it_is_found_and_proven(dut: Bench) -> None:
    dut.require_alone()
    roster = dut.run(find(rng=random.Random(1)))
    assert [one.uid for one in roster.found] == [dut.uid]
    assert roster.proven or not dut.echoes, roster.reason


@clause("op.46", "find.place", "does.asked")
def test_a_report_round_is_answered_in_turn(dut: Bench) -> None:
    dut.require_alone()
    for first, count in ((dut.address, 1), (max(1, dut.address - 3), 7)):
        since_ns = dut.line_ns()
        _, frames, _ = dut.frames_after(
            dut.wire(m.ReportRound(first, count, ()), BROADCAST_ADDRESS), window_ns=10 * MS, count=1
        )
        assert_begins(dut, since_ns, FIRST_SLOT_NS + (dut.address - first) * PLACE_NS + PLACE_LEAD_NS)
        (frame,) = frames
        status = message_of(frame)
        assert isinstance(status, m.BriefStatus)
        assert status.state is m.State.LIMP
        assert frame.source == dut.address
        assert abs(status.position_cdeg - dut.report().position_cdeg) <= 50
    dut.silent(dut.wire(m.ReportRound(dut.address + 1, 3, ()), BROADCAST_ADDRESS), window_ns=10 * MS)
    if dut.address > 1:
        dut.silent(dut.wire(m.ReportRound(1, dut.address - 1, ()), BROADCAST_ADDRESS), window_ns=10 * MS)
