"""The part of an actuator that answers discovery: roll calls, member lists, and the classic methods.

It knows its uid, its epoch and whether it is acknowledged in it; nothing of this outlasts a restart. Rules, as on the
format page: it answers a roll call only while not acknowledged; it is acknowledged by its digest in the call after the
one it answered; it answers a member list in its position, or after the last position where it is not in the list.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from busproto.sim.kernel import Event
from busproto.sim.line.backoff import Backoff
from busproto.sim.line.line import Line
from busproto.sim.line.waveform import PPM, mixed
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import HOST_ADDRESS, MAX_ADDRESS, UID_BYTES, Frame
from busproto.wire.hash import device_tag, digest_of, list_answer, slot_of, uid_hash, unlisted_answer
from busproto.wire.message import Message
from busproto.wire.timing import (
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_JITTER_NS,
    START_LEAD_NS,
    UNLISTED_SLOTS,
)

UID_BITS = 8 * UID_BYTES


class DiscoveryResponder:
    """The discovery state of one actuator, and its answers.

    Attributes:
        is_acknowledged: the host has acknowledged it; it answers no roll call of this epoch.
    """

    def __init__(
        self,
        uid: bytes,
        line: Line,
        stream: random.Random,
        *,
        address: Callable[[], int],
        speak: Callable[[bytes], None],
        clock_ppm: int = 0,
        jitter_ns: int = START_JITTER_NS,
    ) -> None:
        self._uid = uid
        self._tag = device_tag(uid)
        self._line = line
        self._stream = stream
        self._address = address
        self._speak = speak
        self._clock_ppm = clock_ppm
        self._jitter_ns = jitter_ns
        self._waiting: Backoff | Event | None = None
        self.forget()

    def forget(self) -> None:
        """Forget the epoch and all that belongs to it, as at power-up."""
        self.stop()
        self._epoch: int | None = None
        self.is_acknowledged = False
        self._answered: tuple[int, int] | None = None
        self._member_list: tuple[int, int, int] | None = None
        self._member_list_next = 0
        self._member_list_position: int | None = None
        self._member_list_is_whole = False

    def stop(self) -> None:
        """Cancel the answer that waits for its slot: the host has sent another request."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def heard(self, message: Message, sequence: int) -> bool:
        """Act on a request of discovery. Returns False where the message is none."""
        if isinstance(message, m.RollCall):
            self._roll_call(message, sequence)
        elif isinstance(message, m.MemberList):
            self._look_up(message)
        elif isinstance(message, m.AddressList):
            self._address_list(message)
        elif isinstance(message, m.Suppress):
            self._suppress(message)
        elif isinstance(message, m.PrefixQuery):
            self._match(message, sequence)
        elif isinstance(message, m.SlottedCall):
            self._slotted_call(message, sequence)
        else:
            return False
        return True

    def _enter(self, epoch: int) -> None:
        if epoch != self._epoch:
            self._epoch = epoch
            self.is_acknowledged = False
            self._answered = None

    def count_down(self, slots: int, make: Callable[[], bytes], *, in_order: bool = True) -> None:
        """When the back-off reaches zero, send what `make` then returns; `in_order` takes the wider ordered slots."""

        def send() -> None:
            self._waiting = None
            self._speak(make())

        # one draw for each back-off, however often it is woken: so later draws do not depend on other actuators
        seed, jitters = self._stream.getrandbits(64), self._jitter_ns + 1
        self._waiting = Backoff(
            self._line,
            slots,
            lambda from_ns: mixed(seed ^ from_ns) % jitters,
            send,
            query_end_ns=self._line.kernel.now_ns,
            clock_ppm=self._clock_ppm,
            slot_ns=ORDERED_SLOT_NS if in_order else MINI_SLOT_NS,
            lead_ns=ORDERED_SLOT_LEAD_NS if in_order else START_LEAD_NS,
        )

    def _speak_at(self, after_ns: int, data: bytes) -> None:
        """Send at a fixed time after the query, by the own clock, also if the line is busy."""
        delay_ns = after_ns * PPM // (PPM + self._clock_ppm) + self._stream.randrange(self._jitter_ns + 1)

        def send() -> None:
            self._waiting = None
            self._speak(data)

        kernel = self._line.kernel
        self._waiting = kernel.at(kernel.now_ns + delay_ns, send)

    def _answer(self, message: Message, sequence: int) -> bytes:
        return encode_frame(
            Frame(HOST_ADDRESS, self._address(), sequence, message.OPERATION, message.payload(), self._tag)
        )

    # --- back-off and member list -------------------------------------------------------------------------------------

    def _roll_call(self, call: m.RollCall, sequence: int) -> None:
        self._enter(call.epoch)
        if self._answered is not None and digest_of(uid_hash(self._uid, *self._answered)) in call.digests:
            self.is_acknowledged = True
        if not call.slots:
            return
        self._answered = None
        if self.is_acknowledged:
            return

        def answer() -> bytes:
            self._answered = (call.epoch, call.salt)
            return self._answer(m.Present(self._uid), sequence)

        self.count_down(slot_of(uid_hash(self._uid, call.epoch, call.salt), call.slots), answer, in_order=False)

    def _look_up(self, member_list: m.MemberList) -> None:
        value = uid_hash(self._uid, member_list.epoch, member_list.salt)
        this_member_list = (member_list.epoch, member_list.salt, member_list.total)
        if member_list.first == 0:
            self._member_list, self._member_list_next, self._member_list_position, self._member_list_is_whole = (
                this_member_list,
                0,
                None,
                True,
            )
        if self._member_list != this_member_list:
            self._member_list, self._member_list_position, self._member_list_is_whole = this_member_list, None, False
        elif self._member_list_next != member_list.first:
            self._member_list_is_whole = False
        self._member_list_next = member_list.first + len(member_list.digests)
        if digest_of(value) in member_list.digests:
            self._member_list_position = member_list.first + member_list.digests.index(digest_of(value))
        if self._member_list_next < member_list.total:
            return
        self._enter(member_list.epoch)
        # an actuator that missed a part, and is in none of the others, cannot know whether it is listed: it stays
        # silent
        if self._member_list_position is not None or self._member_list_is_whole:
            self._answer_member_list(self._member_list_position, member_list.total, value)

    def _address_list(self, member_list: m.AddressList) -> None:
        self._enter(member_list.epoch)
        value = uid_hash(self._uid, member_list.epoch, member_list.salt)
        marked = int.from_bytes(member_list.addresses, "little")
        address, position = self._address(), None
        if address <= MAX_ADDRESS and marked >> (address - 1) & 1:
            position = (marked & ((1 << (address - 1)) - 1)).bit_count()
        self._answer_member_list(position, marked.bit_count(), value)

    def _answer_member_list(self, position: int | None, total: int, value: int) -> None:
        self.is_acknowledged = position is not None
        if position is not None:
            self.count_down(position, lambda: bytes([list_answer(value)]))
        else:
            behind = total + self._stream.randrange(UNLISTED_SLOTS)
            self.count_down(behind, lambda: bytes([unlisted_answer(value)]))

    def _suppress(self, suppress: m.Suppress) -> None:
        if suppress.uid in {self._uid, m.ZERO_UID}:
            self._enter(suppress.epoch)
            self.is_acknowledged = True

    # --- the classic methods ------------------------------------------------------------------------------------

    def _match(self, match: m.PrefixQuery, sequence: int) -> None:
        self._enter(match.epoch)
        spare = UID_BITS - match.bits
        own, wanted = int.from_bytes(self._uid, "big"), int.from_bytes(match.prefix, "big")
        if self.is_acknowledged or own >> spare != wanted >> spare:
            return
        value = uid_hash(self._uid, match.epoch, match.bits)
        answer = bytes([list_answer(value)]) if match.brief else self._answer(m.Matched(self._uid), sequence)
        self._speak_at(FIRST_SLOT_NS, answer)

    def _slotted_call(self, call: m.SlottedCall, sequence: int) -> None:
        self._enter(call.epoch)
        if self.is_acknowledged:
            return
        slot = slot_of(uid_hash(self._uid, call.epoch, call.salt), call.slots)
        self._speak_at(FIRST_SLOT_NS + slot * call.slot_us * 1000, self._answer(m.Called(self._uid), sequence))
