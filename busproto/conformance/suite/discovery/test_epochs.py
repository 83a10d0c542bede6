"""Epochs: what sets one, what it clears, what stays within it; and which call counts for digests."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.calls import (
    EPOCH,
    acknowledge,
    address_list,
    answers_listed,
    called,
    digest,
    member_list,
    says_nothing,
    unheard,
)
from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.hash import digest_of, slot_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_NS

OTHER = 0xA5C3
"""Another epoch, whose bytes both differ from those of EPOCH."""
AFTER_NS = FIRST_SLOT_NS + 64 * ORDERED_SLOT_NS + 3 * MS
"""Longer than any answer of these cases waits, and takes."""


def over(dut: Dut) -> None:
    """Wait until an answer that may come is over."""
    dut.pass_time(AFTER_NS + (0 if dut.is_virtual else dut.slack_ns + 40 * MS))
    dut.drain()


def tell(dut: Dut, message: Message, to: int = BROADCAST_ADDRESS) -> None:
    """Send a message, and wait until its answer, if there is one, is over."""
    dut.say(dut.wire(message, to))
    over(dut)


def list_of(dut: Dut, epoch: int, *, own: bool, salt: int = 5) -> m.MemberList:
    """A list of two in that epoch, with or without its digest."""
    value = digest(dut, salt, epoch)
    return m.MemberList(epoch, salt, 0, 2, (value ^ 0x0101, value if own else value ^ 0x1010))


SETS: dict[str, Callable[[Dut, int], Message]] = {
    "a roll call": lambda dut, epoch: m.RollCall(epoch, 6, 16, ()),
    "a roll call without slots": lambda dut, epoch: m.RollCall(epoch, 6, 0, ()),
    "a list with it": lambda dut, epoch: list_of(dut, epoch, own=True),
    "a list without it": lambda dut, epoch: list_of(dut, epoch, own=False),
    "the last part of a list that it did not hear whole": lambda dut, epoch: m.MemberList(epoch, 5, 3, 4, (1,)),
    "an address list with it": lambda dut, epoch: m.AddressList(epoch, 5, address_list({dut.address}).addresses),
    "an address list without it": lambda dut, epoch: m.AddressList(epoch, 5, address_list(set()).addresses),
}
TEACHING_SETS: dict[str, Callable[[Dut, int], Message]] = {
    "a suppress that names it": lambda dut, epoch: m.Suppress(epoch, dut.uid),
    "a suppress for all": lambda dut, epoch: m.Suppress(epoch, bytes(8)),
    "a match": lambda dut, epoch: m.PrefixQuery(epoch, 0, 0, bytes(8)),
    "a match of others": lambda dut, epoch: m.PrefixQuery(epoch, 8, 0, bytes([dut.uid[0] ^ 0xFF]) + bytes(7)),
    "a slotted call": lambda dut, epoch: m.SlottedCall(epoch, 6, 1, 1000),
}
LEAVES: dict[str, Callable[[Dut, int], Message]] = {
    "a part that is not the last": lambda dut, epoch: m.MemberList(epoch, 5, 0, 4, (1, 2)),
    "a report round": lambda dut, epoch: m.ReportRound(1, 239, ()),
    "a demand of all": lambda dut, epoch: m.DemandAll((m.NO_DEMAND,)),
}


def is_acknowledged_no_more(dut: Dut, setter: Callable[[Dut, int], Message]) -> None:
    acknowledge(dut)
    tell(dut, setter(dut, OTHER))
    called(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "find.acknowledge", "op.01", "op.02", "op.03")
@pytest.mark.parametrize("what", SETS)
def test_another_epoch_ends_the_acknowledgement_and_it_does_not_come_back(dut: Dut, what: str) -> None:
    is_acknowledged_no_more(dut, SETS[what])


@clause("find.epoch", "op.04", "op.05", "op.06")
@pytest.mark.parametrize("what", TEACHING_SETS)
def test_another_epoch_of_the_extension_ends_the_acknowledgement_too(dut: Dut, what: str) -> None:
    is_acknowledged_no_more(dut, TEACHING_SETS[what])


@clause("find.epoch", "find.acknowledge")
@pytest.mark.parametrize("what", LEAVES)
def test_what_sets_no_epoch_leaves_the_acknowledgement(dut: Dut, what: str) -> None:
    acknowledge(dut)
    tell(dut, LEAVES[what](dut, OTHER))
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "op.04")
def test_a_suppress_for_another_sets_no_epoch(dut: Dut) -> None:
    acknowledge(dut)
    tell(dut, m.Suppress(OTHER, bytes([*dut.uid[:7], dut.uid[7] ^ 1])))
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "op.01", "does.drop")
def test_a_call_that_it_does_not_take_in_sets_no_epoch(dut: Dut) -> None:
    acknowledge(dut)
    tell(dut, m.RollCall(OTHER, 6, 16, ()), dut.address % 200 + 1)
    tell(dut, m.RollCall(OTHER, 6, 16, ()), UNADDRESSED)
    good = m.RollCall(OTHER, 6, 16, ()).payload()
    dut.say(encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 1, m.RollCall.OPERATION, good + b"\x01")))
    broken = bytearray(dut.wire(m.RollCall(OTHER, 6, 16, ()), BROADCAST_ADDRESS))
    broken[-3] ^= 1
    dut.say(bytes(broken))
    over(dut)
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "find.acknowledge")
@pytest.mark.parametrize("what", ["a roll call", "a roll call without slots", "a list with it"])
def test_the_same_epoch_again_leaves_the_acknowledgement(dut: Dut, what: str) -> None:
    acknowledge(dut)
    for _ in range(3):
        tell(dut, SETS[what](dut, EPOCH))
        unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "op.05", "op.06")
@pytest.mark.parametrize("what", TEACHING_SETS)
def test_the_same_epoch_of_the_extension_leaves_the_acknowledgement_too(dut: Dut, what: str) -> None:
    acknowledge(dut)
    tell(dut, TEACHING_SETS[what](dut, EPOCH))
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "find.acknowledge", "op.01")
@pytest.mark.parametrize("bit", range(0, 16, 5))
def test_each_bit_of_the_epoch_counts(dut: Dut, bit: int) -> None:
    acknowledge(dut)
    called(dut, m.RollCall(EPOCH ^ 1 << bit, 7, 16, ()))


@clause("find.epoch", "find.acknowledge", "find.hash", "op.01")
@pytest.mark.parametrize("epoch", [0, 1, 0x00FF, 0x0100, 0xFF00, 0xFFFF], ids=hex)
def test_any_number_may_be_an_epoch(dut: Dut, epoch: int) -> None:
    called(dut, m.RollCall(epoch, 0, 16, ()))
    unheard(dut, m.RollCall(epoch, 1, 16, (digest(dut, 0, epoch),)))
    unheard(dut, m.RollCall(epoch, 2, 16, ()))
    called(dut, m.RollCall(epoch ^ 0x8000, 2, 16, ()))
    called(dut, m.RollCall(epoch, 3, 16, ()))
    unheard(dut, m.RollCall(epoch, 4, 0, (digest(dut, 3, epoch),)))
    unheard(dut, m.RollCall(epoch, 5, 16, ()))


@clause("find.epoch", "find.acknowledge")
@pytest.mark.parametrize("what", ["a roll call without slots", "a list without it", "an address list without it"])
def test_another_epoch_forgets_the_call_that_it_answered(dut: Dut, what: str) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    tell(dut, SETS[what](dut, OTHER))
    tell(dut, m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    called(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.epoch", "find.acknowledge")
@pytest.mark.parametrize("what", ["a list without it", "an address list without it"])
def test_a_list_of_the_same_epoch_leaves_the_call_that_it_answered(dut: Dut, what: str) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    tell(dut, SETS[what](dut, EPOCH))
    tell(dut, m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.epoch", "op.51")
def test_a_restart_forgets_the_call_that_it_answered(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    dut.restart()
    tell(dut, m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))
    called(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.epoch", "find.parts", "op.51")
def test_a_restart_forgets_the_parts_that_it_heard(dut: Dut) -> None:
    whole = member_list(dut, 1, 6)
    first = m.MemberList(whole.epoch, whole.salt, 0, 6, whole.digests[:4])
    last = m.MemberList(whole.epoch, whole.salt, 4, 6, whole.digests[4:])
    dut.tell(first)
    dut.restart()
    says_nothing(dut, last)
    dut.tell(first)
    answers_listed(dut, last)


@clause("find.epoch", "does.limp", "op.01")
def test_a_power_cut_forgets_the_acknowledgement(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    acknowledge(dut)
    dut.power_cut()
    called(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.epoch", "op.10", "op.32", "does.assign")
def test_storing_and_another_address_leave_the_acknowledgement(dut: Dut) -> None:
    acknowledge(dut)
    dut.ask(m.Commit(), m.Committed, slow=True)
    dut.address = dut.address % 200 + 1
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()), to=dut.address)
    called(dut, m.RollCall(OTHER, 7, 16, ()), to=dut.address)


# --- the call that counts -----------------------------------------------------------------------------------------


@clause("find.acknowledge", "op.01")
@pytest.mark.parametrize("slots", [0, 16])
@pytest.mark.parametrize("place", [0, 1, 26, 52])
def test_its_digest_counts_wherever_it_stands(dut: Dut, place: int, slots: int) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    own = digest(dut, 3)
    digests = [(own + 1 + number) & 0xFFFF for number in range(53)]
    digests[place] = own
    unheard(dut, m.RollCall(EPOCH, 4, slots, tuple(digests)))
    unheard(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.acknowledge", "op.01")
def test_no_digest_beside_its_own_acknowledges_it(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    own = digest(dut, 3)
    near = [own ^ 1 << bit for bit in range(16)] + [own >> 8 | (own & 0xFF) << 8]
    tell(dut, m.RollCall(EPOCH, 4, 0, tuple(one for one in near if one != own)))
    called(dut, m.RollCall(EPOCH, 5, 16, ()))


@clause("find.acknowledge")
def test_a_call_without_slots_leaves_the_call_that_counts(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    for salt in (4, 5):
        tell(dut, m.RollCall(EPOCH, salt, 0, (1, 2, 3)))
    tell(dut, m.RollCall(EPOCH, 6, 0, (digest(dut, 3),)))
    unheard(dut, m.RollCall(EPOCH, 7, 16, ()))


@clause("find.acknowledge", "does.latest")
def test_a_call_that_it_did_not_come_to_answer_takes_the_place_of_the_one_before(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    salt = next(salt for salt in range(256) if slot_of(uid_hash(dut.uid, EPOCH, salt), 1024) >= 700)
    cut = dut.wire(m.RollCall(EPOCH, salt, 1024, ()), BROADCAST_ADDRESS)
    dut.say(cut + dut.wire(m.DemandAll((m.NO_DEMAND,)), BROADCAST_ADDRESS))
    over(dut)
    for answered in (3, salt):
        tell(dut, m.RollCall(EPOCH, 1, 0, (digest(dut, answered),)))
    called(dut, m.RollCall(EPOCH, 2, 16, ()))


@clause("find.acknowledge", "op.01")
def test_a_call_to_another_address_does_not_take_the_place_of_the_one_that_counts(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    tell(dut, m.RollCall(EPOCH, 4, 16, ()), dut.address % 200 + 1)
    tell(dut, m.RollCall(EPOCH, 5, 0, (digest(dut, 3),)))
    unheard(dut, m.RollCall(EPOCH, 6, 16, ()))


@clause("find.acknowledge", "op.01")
def test_a_call_to_it_alone_counts_and_acknowledges_as_one_to_all(dut: Dut) -> None:
    called(dut, m.RollCall(EPOCH, 3, 16, ()), to=dut.address)
    called(dut, m.RollCall(EPOCH, 4, 16, ()), to=dut.address)
    tell(dut, m.RollCall(EPOCH, 5, 0, (digest(dut, 3),)), dut.address)
    called(dut, m.RollCall(EPOCH, 6, 16, ()), to=dut.address)
    tell(dut, m.RollCall(EPOCH, 7, 0, (digest(dut, 6),)), dut.address)
    unheard(dut, m.RollCall(EPOCH, 8, 16, ()), to=dut.address)
    unheard(dut, m.RollCall(EPOCH, 8, 16, ()))


@clause("find.acknowledge", "find.hash", "op.01")
@pytest.mark.parametrize("salt", [0, 1, 0x7F, 0x80, 0xFF])
def test_any_salt_makes_the_digest(dut: Dut, salt: int) -> None:
    value = uid_hash(dut.uid, EPOCH, salt)
    called(dut, m.RollCall(EPOCH, salt, 16, ()))
    called(dut, m.RollCall(EPOCH, salt, 16, (digest_of(value ^ 1 << 16),)))
    unheard(dut, m.RollCall(EPOCH, salt ^ 0x55, 16, (digest_of(value),)))


@clause("find.acknowledge", "find.list")
def test_an_acknowledgement_by_list_lasts_until_a_list_without_it(dut: Dut) -> None:
    dut.require_alone()
    for with_it, without_it in (
        (list_of(dut, EPOCH, own=True), list_of(dut, EPOCH, own=False)),
        (address_list({dut.address}), address_list(set())),
        (list_of(dut, EPOCH, own=True), address_list(set())),
        (address_list({dut.address, 1}), list_of(dut, EPOCH, own=False)),
    ):
        tell(dut, with_it)
        unheard(dut, m.RollCall(EPOCH, 8, 16, ()))
        unheard(dut, m.RollCall(EPOCH, 9, 16, ()), to=dut.address)
        tell(dut, without_it)
        called(dut, m.RollCall(EPOCH, 8, 16, ()))
