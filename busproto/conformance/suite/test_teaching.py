"""The teaching extension: suppress, match, slotted call. Not checked on an actuator that does not offer it."""

from __future__ import annotations

import pytest

from busproto.conformance.calls import EPOCH, answers_to, assert_begins, byte_after, called, first_call, unheard
from busproto.conformance.clauses import clause
from busproto.conformance.dut import LATE_PORT_NS, MS, US, Dut, replies_in
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, message_of
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, Frame
from busproto.wire.hash import list_answer, slot_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.timing import FIRST_SLOT_NS


@clause("op.04")
def test_suppressed_it_keeps_silent_in_that_epoch(dut: Dut) -> None:
    dut.tell(m.Suppress(EPOCH, dut.uid))
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.PrefixQuery(EPOCH, 0, 0, bytes(8)))
    unheard(dut, m.SlottedCall(EPOCH, 3, 1, 3000))
    called(dut, first_call(dut, EPOCH + 1))


@clause("op.04")
def test_a_suppress_for_all_is_for_it_too(dut: Dut) -> None:
    dut.tell(m.Suppress(EPOCH, bytes(8)))
    unheard(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.04")
def test_a_suppress_for_another_is_not_for_it(dut: Dut) -> None:
    for at in (0, 7):
        other = bytearray(dut.uid)
        other[at] ^= 0x80
        dut.tell(m.Suppress(EPOCH, bytes(other)))
    called(dut, m.RollCall(EPOCH, 3, 16, ()))


@clause("op.04", "does.asked")
def test_a_suppress_is_not_answered(dut: Dut) -> None:
    dut.silent(dut.wire(m.Suppress(EPOCH, dut.uid), BROADCAST_ADDRESS), window_ns=10 * MS)


@clause("op.05")
@pytest.mark.parametrize("bits", [0, 1, 7, 8, 9, 31, 63, 64])
def test_it_answers_a_match_of_its_first_bits(dut: Dut, bits: int) -> None:
    value = int.from_bytes(dut.uid, "big")
    rest = (1 << 64 - bits) - 1
    own = (value ^ (0x5A5A5A5A5A5A5A5A & rest)).to_bytes(8, "big")
    assert called(dut, m.PrefixQuery(EPOCH, bits, 0, own)) == m.Matched(dut.uid)
    if bits:
        unheard(dut, m.PrefixQuery(EPOCH, bits, 0, (value ^ 1 << 64 - bits).to_bytes(8, "big")))
        unheard(dut, m.PrefixQuery(EPOCH, bits, 0, (value ^ 1 << 63).to_bytes(8, "big")))


@clause("op.05", "teaching.brief", "find.hash")
def test_a_brief_match_is_answered_by_a_byte(dut: Dut) -> None:
    came = byte_after(dut, m.PrefixQuery(EPOCH, 12, 1, dut.uid))
    wanted = bytes([list_answer(uid_hash(dut.uid, EPOCH, 12))])
    assert came == wanted, f"the byte {wanted.hex()} was expected, {came.hex(' ') or 'nothing'} came"


@clause("op.05", "teaching.answer", "find.first")
def test_a_match_is_answered_at_the_first_slot(dut: Dut) -> None:
    dut.beside("heard")
    since_ns = dut.line_ns()
    assert answers_to(dut, m.PrefixQuery(EPOCH, 0, 0, bytes(8))), "one answer to the match was expected, none came"
    assert_begins(dut, since_ns, FIRST_SLOT_NS)


@clause("op.06", "teaching.slot", "teaching.answer", "find.hash")
@pytest.mark.parametrize("slots", [1, 4, 16])
def test_it_answers_a_slotted_call(dut: Dut, slots: int) -> None:
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
        assert own == [m.Called(dut.uid)], f"its uid was expected in answer to the slotted call, {own} came"
        slot = slot_of(uid_hash(dut.uid, EPOCH, salt), slots)
        assert_begins(dut, since_ns, FIRST_SLOT_NS + slot * slot_us * US)


TO_ALL: list[Message] = [m.Suppress(1, bytes(8)), m.PrefixQuery(1, 0, 0, bytes(8)), m.SlottedCall(1, 2, 1, 300)]


@clause("op.04", "op.05", "op.06", "does.refuse", "does.bare")
@pytest.mark.parametrize("message", TO_ALL, ids=["suppress", "prefix query", "slotted call"])
def test_what_is_for_all_is_refused_or_dropped_by_one(dut: Dut, message: Message) -> None:
    if isinstance(message, m.Suppress):
        dut.refused_wire(message.OPERATION, message.payload(), m.Outcome.BAD_REQUEST)
    else:
        wire = encode_frame(Frame(dut.address, HOST_ADDRESS, 3, message.OPERATION, message.payload()))
        dut.silent(wire, window_ns=20 * MS)
