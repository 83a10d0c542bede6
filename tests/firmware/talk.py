"""Random conversations: mostly what a host would say, sometimes what it must not."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Final

from busproto.wire import Frame, Message, encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.hash import digest_of, uid_hash
from busproto.wire.message import OPERATIONS
from busproto.wire.parameters import BY_NAME, PARAMETERS
from tests.firmware.pair import ADDRESS, UID, Pair, Step, ask, understood
from tests.ops.helpers import MS

HEAT_SHARE: Final = 0.01
HOT_DEGC: Final = 190.0
COOL_DEGC: Final = 22.0
"""Above and below every limit that can be set."""
LOOKED_NS: Final = 300 * MS
"""Within 250 ms everyone has looked at its temperature."""


class Talk:
    """Draws steps: mostly what a host would say, sometimes what it must not."""

    def __init__(self, rng: random.Random, pair: Pair) -> None:
        self._rng = rng
        self._pair = pair
        self._epoch = 1
        self._salt = 0
        self._makers: list[Callable[[], Step]] = []
        for weight, maker in (
            (8, self._demand_all),
            (5, self._demand),
            (2, self._release),
            (3, self._engage),
            (8, self._report),
            (3, self._show),
            (12, self._write),
            (6, self._read),
            (2, self._undo),
            (3, self._commit),
            (3, self._assign),
            (2, self._describe),
            (2, self._link_test),
            (1, self._restart),
            (6, self._roll_call),
            (6, self._member_list),
            (3, self._address_list),
            (2, self._suppress),
            (3, self._match),
            (3, self._slotted_call),
            (4, self._round),
            (4, self._burst),
            (4, self._anything),
            (3, self._nonsense),
        ):
            self._makers += [maker] * weight

    def steps(self, count: int) -> Iterator[Step]:
        """So many steps, with all of memory read every hundred."""
        for number in range(count):
            if number % 100 == 99:
                yield from audit(self._pair)
            if self._rng.random() < HEAT_SHARE:
                yield from self._heat()
            yield self._rng.choice(self._makers)()

    def _heat(self) -> Iterator[Step]:
        """Too hot for a few steps. No demand is lost meanwhile: each looks at its heat in its own time."""
        row = BY_NAME["loss-time-out"]
        yield self._said(m.Write(row.number, row.encode(row.high)), self._pair.address)
        yield self._rng.choice((self._engage, self._demand, self._report))()
        yield Step(b"", LOOKED_NS, HOT_DEGC)
        for _ in range(self._rng.randrange(8)):
            yield self._rng.choice(self._makers)()
        yield Step(b"", 0, COOL_DEGC)

    def _to(self) -> int:
        """Whom it is said to: nearly always the one."""
        draw = self._rng.random()
        if draw < 0.9:
            return self._pair.address
        return self._rng.choice([BROADCAST_ADDRESS, UNADDRESSED, ADDRESS, self._rng.randrange(1, 240)])

    def _said(self, message: Message, to: int | None = None) -> Step:
        pause_ms = self._rng.choice((0, 0, 0, 0, 1, 3, 10, 40, 150, 700))
        pause_ns = pause_ms * MS and round(pause_ms * MS * self._rng.uniform(0.7, 1.3))
        return ask(message, self._to() if to is None else to, pause_ns=pause_ns, sequence=self._rng.randrange(256))

    def _all(self, message: Message) -> Step:
        """To all, or now and then to one, who must refuse it."""
        return self._said(message, BROADCAST_ADDRESS if self._rng.random() < 0.95 else self._pair.address)

    def _share(self) -> int:
        return self._rng.choice((self._rng.randint(-m.MAX_DEMAND, m.MAX_DEMAND), 0, m.MAX_DEMAND, -m.MAX_DEMAND))

    def _demands(self, least: int) -> tuple[int, ...]:
        count = self._rng.randint(least, 32)
        return tuple(m.NO_DEMAND if self._rng.random() < 0.1 else self._share() for _ in range(count))

    def _demand_all(self) -> Step:
        return self._all(m.DemandAll(self._demands(1)))

    def _demand(self) -> Step:
        return self._said(m.Demand(self._share()))

    def _release(self) -> Step:
        return self._said(m.Release())

    def _engage(self) -> Step:
        return self._said(m.Engage())

    def _report(self) -> Step:
        return self._said(m.Report())

    def _show(self) -> Step:
        return self._said(m.ShowYourself(self._rng.choice((0, 0, 1, 3, 7, self._rng.randrange(101)))))

    def _number(self) -> int:
        return self._rng.choice([*PARAMETERS, *PARAMETERS, *PARAMETERS, 0, 23, 255])

    def _write(self) -> Step:
        rng, number = self._rng, self._number()
        row = PARAMETERS.get(number)
        if row is None or rng.random() < 0.05:
            return self._said(m.Write(number, rng.randbytes(rng.randrange(6))))
        values = [rng.choice((rng.randint(row.low, row.high), row.low, row.high)) for _ in range(max(1, row.points))]
        if row.points:
            values = values[: rng.choice((0, 2, 3, 5, 9, 33, 1))]
            if rng.random() < 0.8:  # mostly one that a travel allows; between few points nearly any
                values = [value // (4 * max(1, len(values))) for value in values]
        data = b"".join(value.to_bytes(row.size, "little", signed=row.low < 0) for value in values)
        if rng.random() < 0.15 and data:
            data = rng.randbytes(len(data))
        return self._said(m.Write(number, data))

    def _read(self) -> Step:
        numbers = bytes(self._number() for _ in range(self._rng.choice((1, 1, 2, 5, 20, 40))))
        return self._said(m.Read(self._rng.choice(list(m.Memory)), numbers))

    def _undo(self) -> Step:
        return self._said(m.Undo(self._rng.choice(list(m.Memory))))

    def _commit(self) -> Step:
        return self._said(m.Commit())

    def _assign(self) -> Step:
        uid = UID if self._rng.random() < 0.6 else self._rng.randbytes(8)
        return self._all(m.Assign(uid, self._rng.choice((ADDRESS, 1, 239, UNADDRESSED, ADDRESS))))

    def _describe(self) -> Step:
        return self._said(self._rng.choice((m.Describe(), m.DescribeParameter(self._rng.randrange(26)))))

    def _link_test(self) -> Step:
        return self._said(m.LinkTest(self._rng.randbytes(self._rng.randrange(65))))

    def _restart(self) -> Step:
        return self._said(m.Restart())

    def _fresh(self) -> tuple[int, int]:
        """Epoch and salt: a new epoch now and then, nearly always a new salt."""
        if self._rng.random() < 0.15:
            self._epoch = self._rng.randrange(4)
        if self._rng.random() < 0.9:
            self._salt = (self._salt + 1) % 256
        return self._epoch, self._salt

    def _digests(self, salt: int, most: int) -> tuple[int, ...]:
        digests = [self._rng.randrange(0x10000) for _ in range(self._rng.randrange(most + 1))]
        if digests and self._rng.random() < 0.6:
            digests[self._rng.randrange(len(digests))] = digest_of(uid_hash(UID, self._epoch, salt))
        return tuple(digests)

    def _roll_call(self) -> Step:
        before = self._salt
        epoch, salt = self._fresh()
        slots = self._rng.choice((0, 1, 4, 64, 128, 1024))
        to = BROADCAST_ADDRESS if self._rng.random() < 0.7 else self._to()
        return self._said(m.RollCall(epoch, salt, slots, self._digests(before, 8)), to)

    def _member_list(self) -> Step:
        first = self._rng.choice((0, 0, 0, 3, 8))
        epoch, salt = (self._epoch, self._salt) if first else self._fresh()
        digests = self._digests(salt, 8)
        total = self._rng.choice((first + len(digests), first + len(digests), 3, 8, 11, 239))
        return self._all(m.MemberList(epoch, salt, first, total, digests))

    def _address_list(self) -> Step:
        return self._all(m.AddressMemberList(*self._fresh(), self._rng.randbytes(30)))

    def _suppress(self) -> Step:
        uid = self._rng.choice((UID, m.NULL_UID, self._rng.randbytes(8)))
        return self._all(m.Suppress(self._epoch, uid))

    def _match(self) -> Step:
        bits = self._rng.choice((0, 1, 5, 8, 63, 64))
        prefix = UID if self._rng.random() < 0.7 else self._rng.randbytes(8)
        # two brief answers need not be the same byte, so those are left to a test of their own
        return self._all(m.Match(self._fresh()[0], bits, 0, prefix))

    def _burst(self) -> Step:
        """What a host says in one burst: a call twice, a member list in parts (one may be lost), more behind."""
        before = self._salt
        epoch, salt = self._fresh()
        kind = self._rng.randrange(3)
        if kind == 0:
            call = m.RollCall(epoch, salt, self._rng.choice((1, 16, 128)), self._digests(before, 4))
            said: list[Message] = [call, call]
        elif kind == 1:
            parts = [self._digests(salt, 6) for _ in range(3)]
            total = sum(map(len, parts))
            said = []
            for at, digests in enumerate(parts):
                if self._rng.random() < 0.85:
                    said.append(m.MemberList(epoch, salt, sum(map(len, parts[:at])), total, digests))
        else:
            said = [m.Suppress(epoch, m.NULL_UID), m.Match(epoch, 0, 0, UID)]
            self._rng.shuffle(said)
        frames = [encode_frame(request_frame(one, BROADCAST_ADDRESS, 7)) for one in said]
        return Step(b"".join(frames)) if frames else self._report()

    def _slotted_call(self) -> Step:
        return self._all(m.SlottedCall(*self._fresh(), self._rng.choice((1, 2, 16, 64)), self._rng.randrange(4000)))

    def _round(self) -> Step:
        first, count = self._rng.choice(((1, 239), (1, 8), (ADDRESS, 1), (6, 9), (200, 60)))
        return self._all(m.ReportRound(first, count, self._demands(0) if self._rng.random() < 0.5 else ()))

    def _anything(self) -> Step:
        """A good frame with an operation or a payload that may be anything."""
        operation = self._rng.choice([*OPERATIONS, *OPERATIONS, self._rng.randrange(256)])
        payload = self._rng.randbytes(self._rng.choice((0, 1, 2, 9, 40, 112)))
        frame = Frame(self._to(), 0, self._rng.randrange(256), operation, payload)
        return Step(encode_frame(frame)) if understood(encode_frame(frame))[1] is None else self._report()

    def _nonsense(self) -> Step:
        """Bytes that are no frame, closed by a delimiter."""
        wire = bytearray(self._report().wire)
        if self._rng.random() < 0.5:
            wire = bytearray(self._rng.randbytes(self._rng.randrange(1, 140)))
        else:
            wire[self._rng.randrange(1, len(wire) - 1)] ^= 1 << self._rng.randrange(8)
        return Step(bytes(wire).rstrip(b"\x00") + b"\x00")


def audit(pair: Pair) -> Iterator[Step]:
    """Read everything that it remembers."""
    for memory in m.Memory:
        yield ask(m.Read(memory, bytes(number for number, row in PARAMETERS.items() if not row.points)), pair.address)
        yield ask(m.Read(memory, bytes(number for number, row in PARAMETERS.items() if row.points)), pair.address)
    yield ask(m.Describe(), pair.address)
    yield ask(m.Report(), pair.address)
