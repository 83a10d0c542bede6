"""Helpers of the discovery cases: calls and lists, and checks of the answers and their times."""

from __future__ import annotations

from busproto.conformance.dut import LATE_PORT_NS, MS, QUIET_PORT_NS, US, Dut, not_checked, replies_in
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_WIRE_BYTES
from busproto.wire.hash import digest_of, list_answer, slot_of, uid_hash, unlisted_answer
from busproto.wire.message import Message
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, ORDERED_SLOT_NS, START_JITTER_NS, UNLISTED_SLOTS

EPOCH = 0x1701
LIST_SALT = 9
CLOCK_NS = 2 * US
"""Resolution of a clock that counts microseconds, rounded twice."""


def digest(dut: Dut, salt: int, epoch: int = EPOCH) -> int:
    """The actuator's digest under that salt."""
    return digest_of(uid_hash(dut.uid, epoch, salt))


def window_ns(slots: int) -> int:
    """Length of a window of `slots` slots, with one answer in it."""
    return FIRST_SLOT_NS + (slots + 8) * MINI_SLOT_NS + 4 * MS


def answers_to(dut: Dut, call: Message, slots: int = 16, to: int = BROADCAST_ADDRESS) -> list[Message]:
    """Its answers to a call; answers of other actuators on a port are left out."""
    require_undisturbed(dut, call)
    window = window_ns(slots) + len(dut.others) * dut.airtime_ns(MAX_WIRE_BYTES)
    _, frames, _ = dut.frames_after(dut.wire(call, to), window_ns=window, count=1 if dut.is_alone else None)
    own = [frame for frame in frames if frame.tag == dut.tag]
    assert not dut.is_alone or len(own) == len(frames), f"a reply to {call} carries a tag that is not its own"
    return [message_of(frame) for frame in own]


def first_call(dut: Dut, epoch: int, slots: int = 16) -> m.RollCall:
    """A call in which it draws an earlier slot than every other actuator on the line, so that its answer comes whole.

    A later slot of its own would not do: of two that draw one slot the second may wait, and then begin in the next.
    """
    salt = next((salt for salt in range(256) if _is_first(dut, m.RollCall(epoch, salt, slots, ()))), None)
    if salt is None:
        not_checked("too many other actuators are on the line: in each call one of them draws an earlier slot")
    return m.RollCall(epoch, salt, slots, ())


def _is_first(dut: Dut, call: m.RollCall) -> bool:
    own, *others = (slot_of(uid_hash(uid, call.epoch, call.salt), max(1, call.slots)) for uid in (dut.uid, *dut.others))
    return own < min(others, default=call.slots)


def require_undisturbed(dut: Dut, call: Message) -> None:
    """Skip the case where other actuators on the line would answer as well: they are acknowledged in EPOCH, until they
    hear of another one."""
    epochs = dut.epochs | ({call.epoch} if hasattr(call, "epoch") else set())
    if not dut.is_alone and epochs - {EPOCH} and not (isinstance(call, m.RollCall) and _is_first(dut, call)):
        not_checked("other actuators are on the line, and would answer in another epoch")


def called(dut: Dut, call: Message, slots: int = 16, to: int = BROADCAST_ADDRESS) -> Message:
    """Check that it answers the call exactly once; returns the answer."""
    own = answers_to(dut, call, slots, to)
    assert len(own) == 1, f"one answer to {call} was expected, {len(own)} came"
    return own[0]


def unheard(dut: Dut, call: Message, slots: int = 16, to: int = BROADCAST_ADDRESS) -> None:
    """Check that it does not answer the call."""
    require_undisturbed(dut, call)
    dut.drain()
    said = dut.say(dut.wire(call, to))
    heard = dut.hear(said.end_ns + window_ns(slots) + (0 if dut.is_virtual else dut.slack_ns + QUIET_PORT_NS))
    assert all(frame.tag != dut.tag for frame in replies_in(heard)), f"silence was expected to {call}, it answered"
    assert heard == b"" or not dut.is_alone, f"silence was expected to {call}, {heard.hex(' ')} came"


def acknowledge(dut: Dut) -> None:
    """Have it answer a call in EPOCH, and acknowledge it by a call without slots."""
    called(dut, m.RollCall(EPOCH, 3, 16, ()))
    dut.tell(m.RollCall(EPOCH, 4, 0, (digest(dut, 3),)))


def assert_begins(dut: Dut, since_ns: int, behind_ns: int, spread_ns: int = 0) -> None:
    """With a side channel, check that it began `behind_ns` after the bytes before, plus at most `spread_ns`."""
    if dut.can("heard"):
        seen_ns = dut.behind(since_ns)
        least_ns = dut.least_ns(behind_ns) - US // 2
        most_ns = dut.most_ns(behind_ns + spread_ns + START_JITTER_NS) + CLOCK_NS
        assert least_ns <= seen_ns <= most_ns, (
            f"its start was expected {least_ns / US:.1f} to {most_ns / US:.1f} us behind, it came {seen_ns / US:.1f} "
            "us behind"
        )


def byte_after(dut: Dut, *queries: Message, places: int = 8, is_quiet: bool = False) -> bytes:
    """The bytes that answer a list, sent in one or more parts; `is_quiet` if none are expected."""
    dut.require_alone()
    dut.drain()
    said = dut.say(b"".join(dut.wire(query, BROADCAST_ADDRESS) for query in queries))
    until_ns = said.end_ns + FIRST_SLOT_NS + (places + UNLISTED_SLOTS + 2) * ORDERED_SLOT_NS + dut.airtime_ns(3)
    if dut.is_virtual:
        return dut.hear(until_ns)
    if is_quiet:
        return dut.hear(until_ns + dut.slack_ns + QUIET_PORT_NS)
    first = dut.hear(until_ns + dut.slack_ns + LATE_PORT_NS, bool)
    return first + dut.hear(max(dut.now_ns, until_ns) + 5 * MS)


def answers_listed(dut: Dut, *queries: Message, places: int = 8, salt: int = LIST_SALT) -> None:
    """Check that it answers a list as a listed actuator."""
    _one_byte(byte_after(dut, *queries, places=places), list_answer(uid_hash(dut.uid, EPOCH, salt)), "is in the list")


def answers_as_unlisted(dut: Dut, *queries: Message, places: int = 8, salt: int = LIST_SALT) -> None:
    """Check that it answers a list as an unlisted actuator."""
    byte = unlisted_answer(uid_hash(dut.uid, EPOCH, salt))
    _one_byte(byte_after(dut, *queries, places=places), byte, "is not in the list")


def says_nothing(dut: Dut, *queries: Message) -> None:
    """Check that it does not answer these parts of a list."""
    came = byte_after(dut, *queries, is_quiet=True)
    assert came == b"", f"silence was expected to the list, {came.hex(' ')} came"


def _one_byte(came: bytes, wanted: int, what: str) -> None:
    said = came.hex(" ") or "nothing"
    assert came == bytes([wanted]), f"the actuator {what}: the byte {wanted:02x} was expected, {said} came"


def call_of(dut: Dut, slot: int, slots: int) -> m.RollCall:
    """A call in which it draws that slot."""
    drawn = next(s for s in range(4096) if slot_of(uid_hash(dut.uid, EPOCH + s // 256, s % 256), slots) == slot)
    return m.RollCall(EPOCH + drawn // 256, drawn % 256, slots, ())


def member_list(dut: Dut, place: int | None, total: int, salt: int = LIST_SALT) -> m.MemberList:
    """A list in one part; its digest is at position `place`, or nowhere (None)."""
    own = digest(dut, salt)
    digests = [(own + 1 + number * 257) & 0xFFFF for number in range(total)]
    assert own not in digests
    if place is not None:
        digests[place] = own
    return m.MemberList(EPOCH, salt, 0, total, tuple(digests))


def parts(dut: Dut, place: int | None) -> tuple[m.MemberList, m.MemberList]:
    """A list of six digests in two parts, of 4 and of 2."""
    whole = member_list(dut, place, 6)
    return m.MemberList(EPOCH, LIST_SALT, 0, 6, whole.digests[:4]), m.MemberList(
        EPOCH, LIST_SALT, 4, 6, whole.digests[4:]
    )


def address_list(addresses: set[int], salt: int = LIST_SALT) -> m.AddressList:
    """The list by address; bit 240 belongs to no address."""
    return m.AddressList(EPOCH, salt, sum(1 << at - 1 for at in addresses).to_bytes(m.ADDRESS_MAP_BYTES, "little"))
