"""Roll calls: which actuator answers, in which slot, and what acknowledges it."""

from __future__ import annotations

import pytest

from busproto.conformance.calls import (
    EPOCH,
    acknowledge,
    assert_begins,
    call_of,
    called,
    digest,
    first_call,
    unheard,
    window_ns,
)
from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.hash import slot_of, uid_hash
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, START_LEAD_NS


@clause("op.01", "does.asked")
def test_it_answers_a_roll_call_with_its_uid(dut: Dut) -> None:
    present = called(dut, m.RollCall(EPOCH, 3, 16, ()))
    assert isinstance(present, m.Present)
    assert present.uid == dut.uid, f"its uid {dut.uid.hex()} was expected, it says {present.uid.hex()}"


@clause("op.01", "does.limp")
def test_a_call_changes_nothing(dut: Dut) -> None:
    before = dut.get_all()
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    assert dut.get_all() == before
    assert dut.report().state is m.State.LIMP


@clause("op.01", "find.acknowledge")
def test_not_acknowledged_it_answers_again_and_again(dut: Dut) -> None:
    for salt in range(5):
        called(dut, m.RollCall(EPOCH, salt, 16, ()))


@clause("op.01", "find.hash", "find.acknowledge")
def test_its_digest_in_the_next_call_acknowledges_it(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 16, (0x1111, digest(dut, 3), 0x2222)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("op.01", "find.acknowledge")
def test_another_digest_does_not_acknowledge_it(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    called(dut, m.RollCall(EPOCH, 4, 16, (digest(dut, 3) ^ 1, digest(dut, 4))))


@clause("op.01", "find.acknowledge")
def test_a_digest_of_a_call_that_it_did_not_answer_does_not_acknowledge_it(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 4, 16, (digest(dut, 3),)))


@clause("op.01", "find.acknowledge")
def test_a_digest_of_the_call_before_the_last_one_does_not_acknowledge_it(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    called(dut, m.RollCall(EPOCH, 4, 16, ()))
    called(dut, m.RollCall(EPOCH, 5, 16, (digest(dut, 3),)))


@clause("op.01", "find.acknowledge", "does.latest")
def test_a_digest_of_a_call_that_was_cut_before_its_slot_does_not_acknowledge_it(dut: Dut) -> None:
    salt = next(salt for salt in range(256) if slot_of(uid_hash(dut.uid, EPOCH, salt), 1024) >= 900)
    cut = dut.wire(m.RollCall(EPOCH, salt, 1024, ()), BROADCAST_ADDRESS)
    said = dut.say(cut + dut.wire(m.DemandAll((m.NO_DEMAND,)), BROADCAST_ADDRESS))
    dut.hear(said.end_ns)
    called(dut, m.RollCall(EPOCH, (salt + 1) & 0xFF, 16, (digest(dut, salt),)))


@clause("op.01", "find.acknowledge")
def test_a_call_without_slots_only_acknowledges(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))
    unheard(dut, m.RollCall(EPOCH + 1, 5, 0, ()))


@clause("op.01", "find.acknowledge")
def test_digests_may_come_in_several_calls_of_one_burst(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    ahead = dut.wire(m.RollCall(EPOCH, 4, 0, tuple(range(53))), BROADCAST_ADDRESS)
    ahead += dut.wire(m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)), BROADCAST_ADDRESS)
    said = dut.say(ahead)
    dut.hear(said.end_ns)
    unheard(dut, m.RollCall(EPOCH, 4, 16, ()))


@clause("op.01", "find.epoch")
def test_a_new_epoch_begins_anew(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 4, 16, (digest(dut, 3),)))
    called(dut, first_call(dut, EPOCH ^ 0x100))
    called(dut, first_call(dut, EPOCH))


@clause("op.01", "find.epoch")
def test_a_restart_forgets_the_acknowledgement(dut: Dut) -> None:
    acknowledge(dut)
    unheard(dut, m.RollCall(EPOCH, 4, 16, ()))
    dut.restart()
    called(dut, m.RollCall(EPOCH, 4, 16, ()))


@clause("op.01")
def test_a_call_to_one_address_is_for_that_address(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()), to=dut.address)
    unheard(dut, m.RollCall(EPOCH, 4, 16, ()), to=dut.address ^ 1)


@clause("op.01", "does.bare")
def test_a_malformed_call_to_it_alone_is_dropped_in_silence(dut: Dut) -> None:
    good = m.RollCall(EPOCH, 3, 16, ()).payload()
    for payload in (b"", good[:-1], good + b"\x01", good[:3] + (1025).to_bytes(2, "little")):
        dut.silent(encode_frame(Frame(dut.address, HOST_ADDRESS, 9, m.RollCall.OPERATION, payload)))
    dut.alive()


@clause("op.01", "frame.layout", "frame.unaddressed")
def test_without_an_address_it_answers_from_f0(dut: Dut) -> None:
    dut.require_alone()
    dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    _, frames, _ = dut.frames_after(
        dut.wire(m.RollCall(EPOCH, 3, 16, ()), BROADCAST_ADDRESS), window_ns=window_ns(16), count=1
    )
    assert [frame.source for frame in frames] == [UNADDRESSED], "one answer from 0xF0 was expected"


@clause("op.01", "find.first", "find.backoff", "find.hash")
@pytest.mark.parametrize("slot", [0, 1, 2, 7, 15, 60])
def test_it_begins_within_its_slot(dut: Dut, slot: int) -> None:
    dut.beside("heard")
    slots = 16 if slot < 16 else 64
    since_ns = dut.line_ns()
    called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, FIRST_SLOT_NS + slot * MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense", "find.backoff", "line.idle")
@pytest.mark.parametrize("busy_in", [1, 4, 8])
def test_a_busy_line_stops_the_backoff(dut: Dut, busy_in: int) -> None:
    slot, slots = 9, 16
    dut.beside("heard", "jam").jam(FIRST_SLOT_NS + busy_in * MINI_SLOT_NS - MINI_SLOT_NS // 2, b"\x55" * 20)
    since_ns = dut.line_ns()
    called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, (slot - busy_in + 1) * MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense", "line.idle")
def test_a_line_that_is_busy_before_the_first_slot_costs_a_whole_slot(dut: Dut) -> None:
    dut.beside("heard", "jam").jam(FIRST_SLOT_NS // 2, b"\x55" * 20)
    since_ns = dut.line_ns()
    called(dut, call_of(dut, 0, 16))
    assert_begins(dut, since_ns, MINI_SLOT_NS + START_LEAD_NS)


@clause("find.sense")
def test_it_waits_out_several_that_speak_before_it(dut: Dut) -> None:
    slot, slots = 6, 16
    for first_ns in (FIRST_SLOT_NS, 0, 0):
        dut.beside("heard", "jam").jam(first_ns + MINI_SLOT_NS + MINI_SLOT_NS // 2, b"\x33" * 8)
    since_ns = dut.line_ns()
    called(dut, call_of(dut, slot, slots), slots)
    assert_begins(dut, since_ns, (slot - 3) * MINI_SLOT_NS + START_LEAD_NS)
