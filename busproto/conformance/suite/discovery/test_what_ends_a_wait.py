"""Answers that wait for their turn: what ends the wait and what does not, and a line that is busy when they are due."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.calls import EPOCH, LIST_SALT, assert_begins, call_of, digest, member_list
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked, replies_in
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.hash import slot_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.timing import (
    BOOT_NS,
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_LEAD_NS,
    UNLISTED_SLOTS,
)

LATE_SLOT = 60
WINDOW_NS = 20 * MS
BY_ONE = m.Describe.OPERATION


def long_list(dut: Dut, place: int | None) -> m.MemberList:
    return member_list(dut, place, 53)


WAITS: dict[str, Callable[[Dut], Message]] = {
    "roll call": lambda dut: call_of(dut, LATE_SLOT, 64),
    "list": lambda dut: long_list(dut, 52),
    "list without it": lambda dut: long_list(dut, None),
    "address list": lambda dut: m.AddressList(EPOCH, LIST_SALT, b"\xff" * 29 + b"\x7f"),
    "report round": lambda dut: m.ReportRound(1, 239, ()),
}
"""Requests whose answer waits."""
TEACHING_WAITS: dict[str, Callable[[Dut], Message]] = {
    "match": lambda dut: m.PrefixQuery(EPOCH, 0, 0, bytes(8)),
    "slotted call": lambda dut: m.SlottedCall(EPOCH, late_salt(dut), 4, 3000),
}


def late_salt(dut: Dut) -> int:
    return next(salt for salt in range(256) if slot_of(uid_hash(dut.uid, EPOCH, salt), 4) == 3)


def to(address: int, operation: int, payload: bytes = b"", **more: int) -> bytes:
    return encode_frame(Frame(address, HOST_ADDRESS, 0x77, operation, payload, **more))


def other(dut: Dut) -> int:
    return dut.address % 200 + 1


ENDS: dict[str, Callable[[Dut], bytes]] = {
    "a demand of all": lambda dut: dut.wire(m.DemandAll((m.NO_DEMAND,)), BROADCAST_ADDRESS),
    "a release of all": lambda dut: dut.wire(m.Release(), BROADCAST_ADDRESS),
    "a call without slots": lambda dut: dut.wire(m.RollCall(EPOCH, 1, 0, ()), BROADCAST_ADDRESS),
    "a part of a list": lambda dut: dut.wire(m.MemberList(EPOCH, 1, 0, 9, (1,)), BROADCAST_ADDRESS),
    "a round of others": lambda dut: dut.wire(m.ReportRound(other(dut), 1, ()), BROADCAST_ADDRESS),
    "an assign of another": lambda dut: dut.wire(m.Assign(bytes(7) + b"\x01", 9), BROADCAST_ADDRESS),
    "a restart of all": lambda dut: dut.wire(m.Restart(), BROADCAST_ADDRESS),
    "an unknown operation to all": lambda dut: to(BROADCAST_ADDRESS, 0x7E),
    "a malformed request to all": lambda dut: to(BROADCAST_ADDRESS, m.RollCall.OPERATION, b"\x01"),
    "what is only for one, to all": lambda dut: to(BROADCAST_ADDRESS, BY_ONE),
}
"""Requests to all that are not answered."""
LEAVES: dict[str, Callable[[Dut], bytes]] = {
    "a request to another": lambda dut: to(other(dut), BY_ONE),
    "a request to those without an address": lambda dut: to(UNADDRESSED, BY_ONE),
    "a reply to it": lambda dut: to(dut.address, m.LinkTest.OPERATION, b"\x00", tag=0x1234),
    "a reply to all": lambda dut: to(BROADCAST_ADDRESS, m.LinkTest.OPERATION, b"\x00", tag=0x1234),
    "a piece that is no frame": lambda dut: b"\x00\x41\x42\x43\x00",
    "a frame with a bad check": lambda dut: _spoiled(dut.wire(m.Release(), BROADCAST_ADDRESS)),
    "a call to another": lambda dut: to(other(dut), m.RollCall.OPERATION, m.RollCall(EPOCH, 1, 16, ()).payload()),
}
"""What is on the line and is no request to it."""


def _spoiled(wire: bytes) -> bytes:
    return wire[:-3] + bytes([wire[-3] ^ 1]) + wire[-2:]


def spoke(dut: Dut, *pieces: bytes) -> list[bytes]:
    """Send pieces, one behind the other without a gap; returns what it said, transmission by transmission."""
    dut.beside("heard")
    dut.drain()
    since_ns = dut.line_ns()
    for piece in pieces if dut.is_virtual else (b"".join(pieces),):  # a port may leave a gap between two writes
        said = dut.say(piece)
    dut.hear(said.end_ns + WINDOW_NS + (0 if dut.is_virtual else dut.slack_ns + 40 * MS))
    return [one.data for one in dut.spoken(since_ns)]


@clause("does.latest", "line.next")
@pytest.mark.parametrize("waits", WAITS)
def test_a_later_request_to_all_ends_the_wait(dut: Dut, waits: str) -> None:
    for ends, later in ENDS.items():
        said = spoke(dut, dut.wire(WAITS[waits](dut), BROADCAST_ADDRESS), later(dut))
        assert said == [], f"the answer to the {waits} was to give way to {ends}; {said[0].hex(' ')} came"
        dut.pass_time(BOOT_NS)
        said = spoke(dut, dut.wire(WAITS[waits](dut), BROADCAST_ADDRESS))
        assert len(said) == 1, f"undisturbed, behind {ends}, one answer to the {waits} was expected"


@clause("does.latest", "teaching.answer", "op.05", "op.06")
@pytest.mark.parametrize("ends", ["a demand of all", "an unknown operation to all"])
def test_a_later_request_ends_the_wait_of_a_slotted_call_too(dut: Dut, ends: str) -> None:
    said = spoke(dut, dut.wire(TEACHING_WAITS["slotted call"](dut), BROADCAST_ADDRESS), ENDS[ends](dut))
    assert said == [], f"the answer to the slotted call was to give way to {ends}; {said[0].hex(' ')} came"


@clause("does.latest", "find.sense")
@pytest.mark.parametrize("waits", WAITS)
def test_what_is_no_request_to_it_ends_no_wait(dut: Dut, waits: str) -> None:
    for leaves, later in LEAVES.items():
        said = spoke(dut, dut.wire(WAITS[waits](dut), BROADCAST_ADDRESS), later(dut))
        assert len(said) == 1, f"one answer to the {waits} was expected behind {leaves}, {len(said)} came"


@clause("does.latest", "teaching.answer", "op.06")
def test_what_is_no_request_to_it_ends_no_wait_for_a_slot_of_fixed_time(dut: Dut) -> None:
    dut.require_virtual("two writes without a gap, and their moments")
    side = dut.beside("heard")
    for leaves, later in LEAVES.items():
        since_ns = dut.line_ns()
        call = dut.wire(TEACHING_WAITS["slotted call"](dut), BROADCAST_ADDRESS)
        said = spoke(dut, call, later(dut))
        assert len(said) == 1, f"one answer to the slotted call was expected behind {leaves}, {len(said)} came"
        heard = side.heard(since_ns)
        (own,) = [one for one in heard if side.is_own(one)]
        assert_near(dut, own.start_ns - heard[0].end_ns, FIRST_SLOT_NS + 3 * 3000 * 1000)


def assert_near(dut: Dut, seen_ns: int, wanted_ns: int) -> None:
    assert dut.least_ns(wanted_ns) - 1000 <= seen_ns <= dut.most_ns(wanted_ns + 30_000) + 3000, (
        f"its start was expected {wanted_ns / 1000:.1f} us behind the call, it came {seen_ns / 1000:.1f} us behind"
    )


@clause("does.latest", "does.reply")
@pytest.mark.parametrize("waits", WAITS)
def test_a_later_request_to_it_alone_ends_the_wait_and_is_answered(dut: Dut, waits: str) -> None:
    call = dut.wire(WAITS[waits](dut), BROADCAST_ADDRESS)
    for later in (dut.wire(m.LinkTest(b"?")), to(dut.address, 0x7E), to(dut.address, BY_ONE, b"too long")):
        said = spoke(dut, call, later)
        operations = [frame.operation for frame in replies_in(b"".join(said))]
        assert len(said) == 1, f"one reply, to the later request, was expected; {len(said)} answers came"
        assert operations in ([m.LinkTest.OPERATION], [0x7E], [BY_ONE])


@clause("does.latest", "op.01", "op.02")
def test_of_two_calls_the_later_one_is_answered(dut: Dut) -> None:
    first, second = call_of(dut, LATE_SLOT, 64), long_list(dut, 3)
    said = spoke(dut, dut.wire(first, BROADCAST_ADDRESS), dut.wire(second, BROADCAST_ADDRESS))
    assert [len(one) for one in said] == [1], "one byte, in answer to the list, was expected"
    said = spoke(dut, dut.wire(long_list(dut, None), BROADCAST_ADDRESS), dut.wire(first, BROADCAST_ADDRESS))
    assert [frame.operation for frame in replies_in(b"".join(said))] == [m.RollCall.OPERATION]


@clause("does.latest", "does.reply")
def test_a_reply_that_waits_does_not_give_way_to_what_has_no_reply(dut: Dut) -> None:
    dut.put({"reply-delay": 2000})
    later = dut.wire(m.DemandAll((m.NO_DEMAND,)), BROADCAST_ADDRESS)
    if dut.airtime_ns(len(later)) < 1900_000:
        frames = replies_in(b"".join(spoke(dut, dut.wire(m.LinkTest(b"w")), later)))
        assert [frame.operation for frame in frames] == [m.LinkTest.OPERATION]
    frames = replies_in(b"".join(spoke(dut, dut.wire(m.LinkTest(b"w")), b"\x00\x42\x00")))
    assert [frame.operation for frame in frames] == [m.LinkTest.OPERATION]


@clause("does.latest", "does.store", "op.01")
def test_a_reply_that_waits_for_the_store_and_an_answer_to_a_call_both_come(dut: Dut) -> None:
    dut.require_virtual("how long it stores is its own")
    dut.beside("heard")
    since_ns = dut.line_ns()
    said = dut.say(dut.wire(m.Commit()) + dut.wire(call_of(dut, 1, 16), BROADCAST_ADDRESS))
    dut.hear(said.end_ns + 60 * MS)
    came = [frame.operation for frame in replies_in(b"".join(one.data for one in dut.spoken(since_ns)))]
    assert sorted(came) == [m.RollCall.OPERATION, m.Commit.OPERATION], f"answers to {came} came"


# --- a busy line --------------------------------------------------------------------------------------------------

IN_ORDER: dict[str, Callable[[Dut], tuple[Message, int, int]]] = {
    "list": lambda dut: (long_list(dut, 9), 9, 0),
    "list without it": lambda dut: (member_list(dut, None, 9), 9, UNLISTED_SLOTS - 1),
    "address list": lambda dut: (m.AddressList(EPOCH, LIST_SALT, b"\xff" * 29 + b"\x7f"), dut.address - 1, 0),
    "report round": lambda dut: (m.ReportRound(max(1, dut.address - 4), 20, ()), min(dut.address - 1, 4), 0),
}
"""A request that is answered in order, the position, and by how many slots it may come later."""


@clause("find.sense", "find.position", "find.backoff", "line.idle")
@pytest.mark.parametrize("what", IN_ORDER)
@pytest.mark.parametrize("busy_in", [1, 3])
@pytest.mark.parametrize("size", [1, 20])
def test_a_busy_line_stops_a_count_in_order(dut: Dut, what: str, busy_in: int, size: int) -> None:
    dut.require_alone()
    message, place, more = IN_ORDER[what](dut)
    if place < busy_in:
        not_checked("its address is too low for this position")
    dut.beside("heard", "jam").jam(FIRST_SLOT_NS + busy_in * ORDERED_SLOT_NS - ORDERED_SLOT_NS // 2, b"\x55" * size)
    since_ns = dut.line_ns()
    dut.frames_after(dut.wire(message, BROADCAST_ADDRESS), window_ns=WINDOW_NS)
    left = place - busy_in + 1
    assert_begins(dut, since_ns, left * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, more * ORDERED_SLOT_NS)


@clause("find.sense", "find.backoff", "line.idle")
@pytest.mark.parametrize("jams", [1, 2, 5])
@pytest.mark.parametrize("slot", [0, 1, 5])
def test_a_line_that_gets_busy_again_and_again_is_waited_out(dut: Dut, slot: int, jams: int) -> None:
    """Each time in the middle of the first idle slot: no slot counts, and a counter at zero is set to one."""
    side = dut.beside("heard", "jam")
    side.jam(FIRST_SLOT_NS // 2, b"\x33" * 3)
    for _ in range(jams - 1):
        side.jam(MINI_SLOT_NS // 2, b"\x33" * 3)
    since_ns = dut.line_ns()
    dut.frames_after(dut.wire(call_of(dut, slot, 16), BROADCAST_ADDRESS), window_ns=WINDOW_NS, count=1)
    assert_begins(dut, since_ns, max(1, slot) * MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense", "line.idle")
@pytest.mark.parametrize("waits", WAITS)
def test_it_never_begins_on_a_busy_line(dut: Dut, waits: str) -> None:
    side = dut.beside("heard", "jam")
    side.jam(FIRST_SLOT_NS // 2, b"\x00" * 120)  # longer than the whole window
    since_ns = dut.line_ns()
    dut.frames_after(dut.wire(WAITS[waits](dut), BROADCAST_ADDRESS), window_ns=2 * WINDOW_NS)
    heard = side.heard(since_ns)
    (jam,) = [one for one in heard if not one.by]  # other actuators on the line may answer too
    (own,) = [one for one in heard if side.is_own(one)]
    assert own.start_ns > jam.end_ns, "it began while the line was busy"


@clause("teaching.answer", "op.05", "op.06")
@pytest.mark.parametrize("waits", TEACHING_WAITS)
def test_an_answer_at_a_fixed_time_begins_whatever_is_on_the_line(dut: Dut, waits: str) -> None:
    side = dut.beside("heard", "jam")
    side.jam(FIRST_SLOT_NS // 2, b"\x00" * 120)
    message, behind_ns = TEACHING_WAITS[waits](dut), FIRST_SLOT_NS + (9_000_000 if waits == "slotted call" else 0)
    since_ns = dut.line_ns()
    dut.frames_after(dut.wire(message, BROADCAST_ADDRESS), window_ns=2 * WINDOW_NS)
    heard = side.heard(since_ns)
    (own,) = [one for one in heard if side.is_own(one)]
    asked = next(one for one in heard if one.by == "host")
    assert_near(dut, own.start_ns - asked.end_ns, behind_ns)


@clause("find.first", "find.acknowledge", "does.latest")
def test_a_call_that_was_acknowledged_by_its_own_digests_is_not_waited_for(dut: Dut) -> None:
    said = spoke(dut, dut.wire(call_of(dut, 3, 16), BROADCAST_ADDRESS))
    assert len(said) == 1
    call = call_of(dut, 3, 16)
    own = digest(dut, call.salt, call.epoch)
    assert spoke(dut, dut.wire(m.RollCall(call.epoch, call.salt ^ 1, 16, (own,)), BROADCAST_ADDRESS)) == []
