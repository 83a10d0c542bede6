"""Random steps of discovery and of report rounds: calls, lists in parts, bursts, and what other devices say between."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Final

from busproto.conformance.conversation.steps import US, Step
from busproto.conformance.conversation.talk import Conversation
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, MAX_ADDRESS, MIN_ADDRESS, Frame
from busproto.wire.hash import device_tag, digest_of, list_answer, slot_of, uid_hash
from busproto.wire.message import Message
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, ORDERED_SLOT_NS

NEIGHBOUR: Final = bytes.fromhex("70a90000c4d21ee5")
MINI_JAM_NS: Final = 33_900
"""A start bit so late in a slot comes behind every start in it, and early enough before the next."""
ORDERED_JAM_NS: Final = 41_000
EPOCHS: Final = 4


class Calls:
    """Draws steps of discovery for one conversation."""

    def __init__(self, rng: random.Random, conversation: Conversation) -> None:
        self.rng = rng
        self.conversation = conversation
        self.uid = conversation.device.dut.uid
        self._epochs = [rng.randrange(0x10000) for _ in range(EPOCHS)]
        self._epoch = self._epochs[0]
        self._salt = 0
        self._called: int | None = None

    # --- what is said -----------------------------------------------------------------------------------------

    def wire(self, message: Message, to: int = BROADCAST_ADDRESS) -> bytes:
        """A frame of the host, with any sequence."""
        return encode_frame(request_frame(message, to, self.rng.randrange(256)))

    def _fresh(self) -> tuple[int, int]:
        """Epoch and salt: another epoch now and then, also an earlier one; nearly always a new salt."""
        if self.rng.random() < 0.12:
            self._epoch = self.rng.choice(self._epochs)
        if self.rng.random() < 0.9:
            self._salt = self.rng.choice((self._salt + 1, self._salt + 1, self.rng.randrange(256))) % 256
        return self._epoch, self._salt

    def _digests(self, salt: int, most: int, chance: float = 0.6) -> tuple[int, ...]:
        rng = self.rng
        digests = [rng.randrange(0x10000) for _ in range(rng.choice((0, 1, rng.randrange(most + 1))))]
        if rng.random() < chance:
            own = digest_of(uid_hash(self.uid, self._epoch, salt))
            digests.insert(rng.randrange(len(digests) + 1), own)
            if rng.random() < 0.1:
                digests.insert(rng.randrange(len(digests) + 1), own)
        return tuple(digests[:most])

    def _call(self, slots: int) -> m.RollCall:
        """A roll call, mostly with digests made with the salt of the last one that had slots."""
        before = self._called if self._called is not None and self.rng.random() < 0.8 else self._salt
        epoch, salt = self._fresh()
        if slots:
            self._called = salt
        return m.RollCall(epoch, salt, slots, self._digests(before, 8, 0.4))

    def roll_call(self) -> Step:
        """A roll call, to all or to one."""
        slots = self.rng.choice((0, 1, 4, 16, 64, 64, 128, 1024))
        call = self._call(slots)
        to = BROADCAST_ADDRESS if self.rng.random() < 0.8 else self.to()
        slot = slot_of(uid_hash(self.uid, call.epoch, call.salt), call.slots) if slots else 0
        return self._jammed(Step(self.wire(call, to), self.pause_ns()), slot, MINI_SLOT_NS, MINI_JAM_NS)

    def to(self) -> int:
        """Whom it is said to: mostly the one."""
        draw = self.rng.random()
        if draw < 0.9:
            return self.conversation.address
        return self.rng.choice([BROADCAST_ADDRESS, 0xF0, 1, self.rng.randrange(MIN_ADDRESS, MAX_ADDRESS + 1)])

    def pause_ns(self) -> int:
        """A time in which nothing is said, ns."""
        ms = self.rng.choice((0, 0, 0, 0, 1, 3, 10, 40, 150))
        return round(ms * 1_000_000 * self.rng.uniform(0.7, 1.3))

    def parts(self) -> Step:
        """A member list in one burst: one part or more, now and then one missing, overlapping or of another list."""
        rng = self.rng
        epoch, salt = self._fresh()
        number = rng.choice((1, 1, 1, 2, 2, 3))
        listed = rng.randrange(number + 1)  # in which part it is; behind the last for in none
        own = digest_of(uid_hash(self.uid, epoch, salt))
        parts: list[list[int]] = []
        for at in range(number):
            digests = [(own + 1 + rng.randrange(0xFFFE)) & 0xFFFF for _ in range(rng.randrange(1, 7))]
            if at == listed or rng.random() < 0.05:
                for _ in range(rng.choice((1, 1, 1, 2))):
                    digests[rng.randrange(len(digests))] = own
            parts.append(digests)
        total = sum(map(len, parts))
        said: list[Message] = []
        for at, digests in enumerate(parts):
            first = sum(map(len, parts[:at]))
            if number > 1 and rng.random() < 0.12:
                continue
            other = rng.random()
            salt_here = (salt + 1) & 0xFF if other < 0.03 else salt
            total_here = total + 1 if 0.03 <= other < 0.05 else total
            first_here = min(total, first + 1) if 0.05 <= other < 0.07 else first
            if first_here + len(digests) > total_here:
                digests = digests[: total_here - first_here]
            said.append(m.MemberList(epoch, salt_here, first_here, total_here, tuple(digests)))
        if not said:
            said = [m.MemberList(epoch, salt, 0, 0, ())]
        if rng.random() < 0.06:
            said.insert(rng.randrange(len(said) + 1), self._between())
        step = Step(b"".join(map(self.wire, said)), self.pause_ns())
        return self._jammed(step, rng.randrange(total + 1), ORDERED_SLOT_NS, ORDERED_JAM_NS)

    def part(self) -> Step:
        """One part of a list by itself; the list it belongs to may be the one before."""
        rng = self.rng
        first = rng.choice((0, 0, 3, 8))
        epoch, salt = (self._epoch, self._salt) if first else self._fresh()
        digests = self._digests(salt, 8)
        ends = first + len(digests)
        total = rng.choice((ends, ends, ends + 1, ends + 3, max(ends, 239)))
        return Step(self.wire(m.MemberList(epoch, salt, first, total, digests)), self.pause_ns())

    def _between(self) -> Message:
        """A request that comes between others."""
        some: list[Message] = [m.DemandAll((0,)), self._call(0)]
        if self.conversation.identity.has_teaching:
            some.append(m.Suppress(self._epoch, self.rng.randbytes(8)))
        return self.rng.choice(some)

    def address_list(self) -> Step:
        """A list by address, with the own one in it or not; bit 240 stays clear, as a host must."""
        rng = self.rng
        marks = {rng.randrange(MIN_ADDRESS, MAX_ADDRESS + 1) for _ in range(rng.choice((0, 1, 3, 12, 100)))}
        own = self.conversation.address
        if own <= MAX_ADDRESS and rng.random() < 0.6:
            marks.add(own)
        bits = sum(1 << at - 1 for at in marks).to_bytes(m.ADDRESS_MAP_BYTES, "little")
        step = Step(self.wire(m.AddressList(*self._fresh(), bits)), self.pause_ns())
        return self._jammed(step, rng.randrange(len(marks) + 1), ORDERED_SLOT_NS, ORDERED_JAM_NS)

    def round(self) -> Step:
        """A report round, with the own address in it or not."""
        rng, own = self.rng, self.conversation.address
        first, count = rng.choice(((1, 239), (1, 8), (own, 1), (own + 1, 9), (max(1, own - 3), 8), (200, 60)))
        first = min(first, MAX_ADDRESS)
        demands = self.demands(0) if rng.random() < 0.5 else ()
        step = Step(self.wire(m.ReportRound(first, count, demands)), self.pause_ns())
        return self._jammed(step, max(0, min(own - first, 12)), ORDERED_SLOT_NS, ORDERED_JAM_NS)

    def demands(self, least: int) -> tuple[int, ...]:
        """Demands of all channels."""
        count = self.rng.randint(least, 32)
        return tuple(m.NO_DEMAND if self.rng.random() < 0.1 else self.share() for _ in range(count))

    def share(self) -> int:
        """A demand, 0.01 %."""
        return self.rng.choice((self.rng.randint(-m.MAX_DEMAND, m.MAX_DEMAND), 0, m.MAX_DEMAND, -m.MAX_DEMAND))

    def burst(self) -> Step:
        """Several requests without a gap: the last one ends the wait for the answers to those before."""
        rng, to = self.rng, self.conversation.address
        some: list[tuple[Message, int]] = [
            (self._call(rng.choice((1, 16, 128))), BROADCAST_ADDRESS),
            (m.LinkTest(rng.randbytes(3)), to),
            (m.Report(), to),
            (m.Read(m.Memory.WORKING, bytes([rng.randrange(1, 23)])), to),
            (m.DemandAll(self.demands(1)), BROADCAST_ADDRESS),
            (m.ReportRound(max(1, min(to, MAX_ADDRESS)), 1, ()), BROADCAST_ADDRESS),
            (m.LinkTest(b"other"), 1 + to % MAX_ADDRESS),
            (m.Demand(self.share()), to),
        ]
        chosen = [rng.choice(some) for _ in range(rng.choice((2, 2, 3)))]
        if not self.conversation.device.dut.is_virtual:  # how a port cuts a burst is not known
            chosen = [one for one in chosen[:-1] if one[1] == BROADCAST_ADDRESS] + chosen[-1:]
        return Step(b"".join(self.wire(message, at) for message, at in chosen), self.pause_ns())

    # --- other devices ----------------------------------------------------------------------------------------

    def _jammed(self, step: Step, near: int, slot_ns: int, at_ns: int) -> Step:
        """Now and then other devices are heard in the window, up to about the slot `near`."""
        conversation, rng = self.conversation, self.rng
        is_exact = conversation.device.dut.is_virtual and conversation.device.can("jam", "heard")
        if not is_exact or rng.random() < 0.6 or len(step.pieces) > 1:
            return step
        jams = []
        first_ns = FIRST_SLOT_NS
        for _ in range(rng.choice((1, 1, 2, 3))):
            slot = rng.randrange(max(1, min(near + 2, 60)))
            jams.append((first_ns + slot * slot_ns + at_ns, self._other()))
            first_ns = 0  # behind the one before whole slots begin anew
            near = max(0, near - slot)
        if rng.random() < 0.15:
            jams = [(rng.randrange(60, 300) * US, bytes([rng.randrange(1, 256)]))]
        return Step(step.wire, step.pause_ns, jams=tuple(jams))

    def _other(self) -> bytes:
        """What another device, or another host, says."""
        rng, epoch, salt = self.rng, self._epoch, self._salt
        kind = rng.randrange(8)
        if kind <= 2:
            return bytes([list_answer(uid_hash(NEIGHBOUR, epoch, salt))])
        if kind <= 4:
            frame = Frame(HOST_ADDRESS, 9, rng.randrange(256), m.RollCall.OPERATION, NEIGHBOUR, device_tag(NEIGHBOUR))
            return encode_frame(frame)
        if kind == 5:
            return rng.randbytes(rng.randrange(1, 12)).replace(b"\0", b"\1") + b"\0"
        if kind == 6:
            return self.wire(m.LinkTest(b"x"), 1 + self.conversation.address % MAX_ADDRESS)
        return self.wire(m.DemandAll((0, m.NO_DEMAND)))

    # --- teaching ---------------------------------------------------------------------------------------------

    def suppress(self) -> Iterator[Step]:
        """Suppress, for one or for all; mostly a call shows what came of it."""
        near = bytearray(self.uid)
        near[self.rng.choice((0, 7, self.rng.randrange(8)))] ^= 1 << self.rng.randrange(8)
        uid = self.rng.choice((self.uid, m.ZERO_UID, bytes(near), self.rng.randbytes(8)))
        epoch = self._epoch if self.rng.random() < 0.8 else self.rng.choice(self._epochs)
        yield Step(self.wire(m.Suppress(epoch, uid)), self.pause_ns())
        if self.rng.random() < 0.7:
            self._salt = (self._salt + 1) % 256
            self._called = self._salt
            yield Step(self.wire(m.RollCall(epoch, self._salt, 16, ())))

    def match(self) -> Step:
        """A prefix query that fits or not, also by one bit."""
        rng = self.rng
        bits = rng.choice((0, 1, 5, 8, 31, 63, 64, rng.randrange(65)))
        prefix = int.from_bytes(self.uid, "big")
        prefix ^= rng.getrandbits(64 - bits) if bits < 64 else 0  # bits behind the prefix may be anything
        if bits and rng.random() < 0.5:
            prefix ^= 1 << rng.choice((64 - bits, 64 - bits, 64 - rng.randrange(1, bits + 1)))
        query = m.PrefixQuery(self._fresh()[0], bits, rng.randrange(2), prefix.to_bytes(8, "big"))
        return Step(self.wire(query), self.pause_ns())

    def slotted_call(self) -> Step:
        """A call with slots of fixed length."""
        call = m.SlottedCall(*self._fresh(), self.rng.choice((1, 2, 16, 64)), self.rng.randrange(4000))
        return Step(self.wire(call), self.pause_ns())
