"""Slots, digests and bytes that come from the hash, at every limit of their ranges; and what is drawn at random."""

from __future__ import annotations

import random
from itertools import islice

import pytest

from busproto.conformance.calls import (
    EPOCH,
    address_list,
    answers_as_unlisted,
    answers_listed,
    assert_begins,
    byte_after,
    called,
    digest,
    member_list,
    unheard,
)
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, US, Dut, replies_in
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, message_of
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, MAX_ADDRESS, UNADDRESSED, Frame
from busproto.wire.hash import list_answer, slot_of, uid_hash, unlisted_answer
from busproto.wire.message import Message
from busproto.wire.timing import (
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_LEAD_NS,
    UNLISTED_SLOTS,
)

SPREAD_NS = (UNLISTED_SLOTS - 1) * ORDERED_SLOT_NS
TRIES = 48
"""Draws of one of four slots: that one of them never comes has a chance of 4 x 0.75^48, one in 250 000."""


def some(name: str, count: int) -> list[tuple[int, int]]:
    """Some epochs and salts, the same each time; the ends of both ranges come first."""
    rng = random.Random(name)
    ends = [(0, 0), (0xFFFF, 0xFF), (0x00FF, 1), (0xFF00, 0x80)]
    return ends + [(rng.randrange(1 << 16), rng.randrange(1 << 8)) for _ in range(count - len(ends))]


@clause("find.hash", "find.backoff", "find.first", "op.01")
@pytest.mark.parametrize("slots", [1, 2, 3, 8, 100, 1000, 1023, 1024])
def test_its_slot_of_any_number_of_slots_is_that_of_the_hash(dut: Dut, slots: int) -> None:
    dut.beside("heard")
    for epoch, salt in some(f"slots {slots}", 6):
        since_ns = dut.line_ns()
        called(dut, m.RollCall(epoch, salt, slots, ()), slots)
        slot = slot_of(uid_hash(dut.uid, epoch, salt), slots)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + slot * MINI_SLOT_NS + START_LEAD_NS)


@clause("op.01", "does.refuse", "does.bare")
@pytest.mark.parametrize("slots", [1025, 0x7FFF, 0xFFFF])
def test_a_call_with_too_many_slots_is_dropped(dut: Dut, slots: int) -> None:
    good = m.RollCall(EPOCH, 3, 16, ()).payload()
    payload = good[:3] + slots.to_bytes(2, "little")
    for to in (BROADCAST_ADDRESS, dut.address):
        dut.silent(encode_frame(Frame(to, HOST_ADDRESS, 9, m.RollCall.OPERATION, payload)), window_ns=60 * MS)
    called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("find.hash", "find.acknowledge", "op.01")
def test_its_digests_are_those_of_the_hash(dut: Dut) -> None:
    for epoch, salt in some("digests", 16):
        called(dut, m.RollCall(epoch, salt, 4, ()), 4)
        unheard(dut, m.RollCall(epoch, salt ^ 1, 4, (digest(dut, salt, epoch),)), 4)


@clause("find.hash", "find.list", "op.02", "op.03")
def test_its_bytes_are_those_of_the_hash(dut: Dut) -> None:
    for epoch, salt in some("bytes", 16):
        value = uid_hash(dut.uid, epoch, salt)
        own = digest(dut, salt, epoch)
        marked = address_list({dut.address}).addresses
        for what, query, wanted in (
            ("listed", m.MemberList(epoch, salt, 0, 1, (own,)), list_answer(value)),
            ("unlisted", m.MemberList(epoch, salt, 0, 1, (own ^ 0x8001,)), unlisted_answer(value)),
            ("marked", m.AddressList(epoch, salt, marked), list_answer(value)),
            ("not marked", m.AddressList(epoch, salt, bytes(len(marked))), unlisted_answer(value)),
        ):
            came = byte_after(dut, query, places=1)
            assert came == bytes([wanted]), f"{what}: {wanted:02x} was expected, {came.hex(' ') or 'nothing'} came"


@clause("find.hash", "find.list")
def test_an_unlisted_byte_is_never_zero(dut: Dut) -> None:
    draws = ((epoch, salt) for epoch in range(EPOCH, EPOCH + 64) for salt in range(256))
    zeros = list(islice((one for one in draws if uid_hash(dut.uid, *one) & 0x7F == 0), 3))
    assert zeros
    for epoch, salt in zeros:
        assert byte_after(dut, m.MemberList(epoch, salt, 0, 0, ()), places=0) == b"\x01"
        own = digest(dut, salt, epoch)
        assert byte_after(dut, m.MemberList(epoch, salt, 0, 1, (own,)), places=1) == b"\x80"


@clause("find.list", "op.02", "op.03")
@pytest.mark.parametrize("what", ["list", "address list"])
def test_an_unlisted_actuator_draws_each_of_the_four_slots_anew_each_time(dut: Dut, what: str) -> None:
    dut.require_alone()
    dut.beside("heard")
    query: Message = member_list(dut, None, 3) if what == "list" else address_list({dut.address ^ 1, 200, 240})
    seen = set()
    for _ in range(TRIES):
        since_ns = dut.line_ns()
        answers_as_unlisted(dut, query, places=3)
        first_ns = FIRST_SLOT_NS + 3 * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS
        assert_begins(dut, since_ns, first_ns, SPREAD_NS)
        seen.add((dut.behind(since_ns) - dut.least_ns(first_ns) + US) // ORDERED_SLOT_NS)
        if len(seen) == UNLISTED_SLOTS:
            break
    assert len(seen) == UNLISTED_SLOTS, f"of four slots it only ever takes {sorted(seen)}"


@clause("op.03", "find.addresses", "find.position", "op.10")
@pytest.mark.parametrize("address", [1, 2, 8, 9, 16, 120, 233, 239])
def test_the_bit_of_each_address_is_where_the_page_says(dut: Dut, address: int) -> None:
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.address = address
    everything = set(range(1, MAX_ADDRESS + 1))
    for marked in ({address}, everything, {one for one in everything if one <= address}, {1, address, 239, 240}):
        since_ns = dut.line_ns()
        answers_listed(dut, address_list(marked), places=len(marked))
        rank = sum(one < address for one in marked)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + rank * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)
    for marked in (everything - {address}, {240}, {address % 239 + 1}):
        since_ns = dut.line_ns()
        answers_as_unlisted(dut, address_list(marked), places=len(marked))
        assert_begins(dut, since_ns, FIRST_SLOT_NS + len(marked) * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS, SPREAD_NS)


@clause("op.46", "find.position", "does.asked", "does.limp")
def test_a_report_round_is_for_the_addresses_of_its_row(dut: Dut) -> None:
    dut.require_alone()
    home = dut.address
    rows = [(home, 1), (home, 239), (1, 239), (max(1, home - 3), 4), (max(1, home - 1), 2)]
    rows = [(first, count) for first, count in rows if first <= home < first + count]
    for first, count in rows:
        since_ns = dut.line_ns()
        wire = dut.wire(m.ReportRound(first, count, ()), BROADCAST_ADDRESS)
        _, frames, _ = dut.frames_after(wire, window_ns=20 * MS, count=1)
        assert [frame.source for frame in frames] == [home], f"the row of {count} from {first} on"
        assert frames[0].destination == HOST_ADDRESS
        assert_begins(dut, since_ns, FIRST_SLOT_NS + (home - first) * ORDERED_SLOT_NS + ORDERED_SLOT_LEAD_NS)
    for first, count in ((home + 1, 239), (max(1, home - 3), min(3, home - 1)), (239, 1)):
        if count and home not in range(first, first + count):
            dut.silent(dut.wire(m.ReportRound(first, count, ()), BROADCAST_ADDRESS), window_ns=20 * MS)


@clause("op.46", "does.refuse", "does.bare")
def test_a_malformed_report_round_is_dropped(dut: Dut) -> None:
    good = m.ReportRound(1, 239, ()).payload()
    for payload in (b"\x00" + good[1:], b"\xf0" + good[1:], good[:1] + b"\x00", good[:1] + b"\xf0", good + b"\x01"):
        for to in (BROADCAST_ADDRESS, dut.address):
            wire = encode_frame(Frame(to, HOST_ADDRESS, 9, m.ReportRound.OPERATION, payload))
            dut.silent(wire, window_ns=20 * MS)
    dut.silent(encode_frame(Frame(dut.address, HOST_ADDRESS, 9, m.ReportRound.OPERATION, good)), window_ns=20 * MS)
    dut.alive()


@clause("op.46", "does.channel", "does.engages", "frame.unaddressed")
def test_the_demands_of_a_round_act_also_where_it_is_not_in_the_row(dut: Dut) -> None:
    dut.require_alone()
    dut.put({"channel": 2, "soft-start": 0, "loss-time-out": 5000})
    other = m.ReportRound(dut.address + 1, 1, (m.NO_DEMAND, 2500))
    dut.silent(dut.wire(other, BROADCAST_ADDRESS), window_ns=20 * MS)
    status = dut.report()
    assert status.state in {m.State.SOFT_STARTING, m.State.FOLLOWING}
    assert abs(status.demand_cdeg - 1500) <= 2
    wire = dut.wire(m.ReportRound(dut.address, 1, (m.NO_DEMAND, -2500)), BROADCAST_ADDRESS)
    _, frames, _ = dut.frames_after(wire, window_ns=20 * MS, count=1)
    assert len(frames) == 1
    assert abs(dut.report().demand_cdeg + 1500) <= 2
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    for first, count in ((1, 239), (2, 239), (239, 2)):  # a row that goes beyond 0xEF holds no actuator at 0xF0
        dut.silent(dut.wire(m.ReportRound(first, count, ()), BROADCAST_ADDRESS), window_ns=30 * MS)


# --- the extension ------------------------------------------------------------------------------------------------


@clause("op.06", "teaching.slot", "teaching.answer", "find.hash")
@pytest.mark.parametrize(("slots", "slot_us"), [(1, 0), (1, 65535), (2, 1), (7, 2000), (1024, 37), (1024, 300), (9, 0)])
def test_a_slotted_call_has_slots_of_any_number_and_length(dut: Dut, slots: int, slot_us: int) -> None:
    dut.require_alone()
    for epoch, salt in some(f"slotted {slots}", 6):
        since_ns = dut.line_ns()
        slot = slot_of(uid_hash(dut.uid, epoch, salt), slots)
        behind_ns = FIRST_SLOT_NS + slot * slot_us * US
        wire = dut.wire(m.SlottedCall(epoch, salt, slots, slot_us), BROADCAST_ADDRESS)
        _, frames, _ = dut.frames_after(wire, window_ns=behind_ns + 10 * MS, count=1)
        assert [message_of(frame) for frame in frames] == [m.Called(dut.uid)]
        assert_begins(dut, since_ns, behind_ns)


@clause("op.06", "teaching.slot")
def test_the_last_slot_of_the_longest_slotted_call_is_a_minute_away(dut: Dut) -> None:
    dut.require_virtual("it takes a minute")
    salt = next(salt for salt in range(256) if slot_of(uid_hash(dut.uid, EPOCH, salt), 1024) >= 1000)
    behind_ns = FIRST_SLOT_NS + slot_of(uid_hash(dut.uid, EPOCH, salt), 1024) * 65535 * US
    since_ns = dut.line_ns()
    wire = dut.wire(m.SlottedCall(EPOCH, salt, 1024, 65535), BROADCAST_ADDRESS)
    _, frames, _ = dut.frames_after(wire, window_ns=behind_ns + 10 * MS)
    assert [message_of(frame) for frame in frames] == [m.Called(dut.uid)]
    assert_begins(dut, since_ns, behind_ns)


@clause("op.05", "teaching.brief", "teaching.answer", "find.hash")
@pytest.mark.parametrize("bits", [0, 1, 8, 63, 64])
def test_a_brief_match_of_any_length_is_answered_by_its_byte(dut: Dut, bits: int) -> None:
    for epoch, _ in some("brief", 6):
        since_ns = dut.line_ns()
        came = byte_after(dut, m.PrefixQuery(epoch, bits, 1, dut.uid))
        wanted = list_answer(uid_hash(dut.uid, epoch, bits))
        assert came == bytes([wanted]), f"{wanted:02x} was expected, {came.hex(' ') or 'nothing'} came"
        assert_begins(dut, since_ns, FIRST_SLOT_NS)
    if bits:
        other = (int.from_bytes(dut.uid, "big") ^ 1 << 64 - bits).to_bytes(8, "big")
        dut.silent(dut.wire(m.PrefixQuery(EPOCH, bits, 1, other), BROADCAST_ADDRESS), window_ns=10 * MS)


@clause("op.04", "op.05", "op.06", "does.refuse")
def test_a_malformed_request_of_the_extension_to_all_is_dropped(dut: Dut) -> None:
    query, call = m.PrefixQuery(EPOCH, 0, 0, bytes(8)).payload(), m.SlottedCall(EPOCH, 3, 1, 300).payload()
    suppress = m.Suppress(EPOCH, dut.uid).payload()
    for operation, payload in (
        (m.PrefixQuery.OPERATION, query[:2] + bytes([65]) + query[3:]),
        (m.PrefixQuery.OPERATION, query[:3] + b"\x02" + query[4:]),
        (m.PrefixQuery.OPERATION, query[:-1]),
        (m.SlottedCall.OPERATION, call[:3] + bytes(2) + call[5:]),
        (m.SlottedCall.OPERATION, call[:3] + (1025).to_bytes(2, "little") + call[5:]),
        (m.SlottedCall.OPERATION, call + b"\x00"),
        (m.Suppress.OPERATION, suppress[:-1]),
        (m.Suppress.OPERATION, suppress + b"\x00"),
    ):
        dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 9, operation, payload)), window_ns=10 * MS)
    called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.04", "op.05", "op.06", "find.acknowledge")
def test_acknowledged_by_a_call_it_answers_no_request_of_the_extension(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    dut.tell(m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    for query in (m.PrefixQuery(EPOCH, 0, 0, bytes(8)), m.PrefixQuery(EPOCH, 0, 1, bytes(8))):
        dut.silent(dut.wire(query, BROADCAST_ADDRESS), window_ns=10 * MS)
    dut.silent(dut.wire(m.SlottedCall(EPOCH, 3, 1, 300), BROADCAST_ADDRESS), window_ns=10 * MS)
    answers_listed(dut, member_list(dut, 0, 1), places=1)
    dut.silent(dut.wire(m.PrefixQuery(EPOCH, 0, 0, bytes(8)), BROADCAST_ADDRESS), window_ns=10 * MS)
    answers_as_unlisted(dut, member_list(dut, None, 1), places=1)
    assert called(dut, m.PrefixQuery(EPOCH, 0, 0, bytes(8))) == m.Matched(dut.uid)


@clause("op.05", "op.06", "frame.unaddressed", "teaching.answer")
def test_answers_of_the_extension_bear_its_address_and_the_sequence(dut: Dut) -> None:
    dut.require_alone()
    for _ in range(2):
        for number, query in enumerate((m.PrefixQuery(EPOCH, 0, 0, bytes(8)), m.SlottedCall(EPOCH, 3, 1, 300))):
            wire = dut.wire(query, BROADCAST_ADDRESS, 0xC0 + number)
            _, _, heard = dut.frames_after(wire, window_ns=10 * MS, count=1)
            (frame,) = replies_in(heard)
            assert (frame.source, frame.destination) == (dut.address, HOST_ADDRESS)
            assert (frame.sequence, frame.tag) == (0xC0 + number, dut.tag)
        dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
        dut.address = UNADDRESSED


@clause("frame.sequence", "frame.source", "op.01", "op.46")
@pytest.mark.parametrize("source", [0, 1, 0xEF, 0xF0])
def test_answers_of_discovery_and_rounds_go_to_the_host_whoever_asks(dut: Dut, source: int) -> None:
    for number, query in enumerate((m.RollCall(EPOCH, 3, 8, ()), m.ReportRound(dut.address, 1, ()))):
        wire = encode_frame(Frame(BROADCAST_ADDRESS, source, 0xA0 + number, query.OPERATION, query.payload()))
        _, frames, _ = dut.frames_after(wire, window_ns=20 * MS, count=1)
        own = [frame for frame in frames if frame.tag == dut.tag]
        assert [(frame.destination, frame.sequence) for frame in own] == [(HOST_ADDRESS, 0xA0 + number)]
        dut.pass_time(5 * MS)
