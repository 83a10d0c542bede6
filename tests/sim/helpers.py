"""What the simulator's tests share: a bus put together in a few words, and a host made of bytes only.

Nothing here comes from the host side of the product: requests are built, and answers found, with the wire format.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Ear, LineKind, Reception
from busproto.sim.line.line import Line
from busproto.sim.line.receiver import Receiver
from busproto.wire import Decoder, Frame, Message, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.hash import digest_of, uid_hash
from busproto.wire.parameters import RawValue

US = 1_000
MS = 1_000_000
S = 1_000_000_000

LIMP, HOLD, PRESET = 0, 1, 2
"""Loss actions."""
FRAME_14_NS = 14 * 10 * S // 115_200
"""Time on the line of a request without payload."""

MODEL = ActuatorModel("bench 25", firmware=(2, 4), time_constant_ms=0.0)
"""400 deg/s at most, stops at -100 and +100 deg; 12 mA limp, 60 mA holding, 350 mA moving. Nothing about it is heavy,
so its speed jumps and each place on a way can be worked out by hand."""

M = TypeVar("M", bound=Message)


def uid_of(number: int) -> bytes:
    """A uid for each whole number."""
    return bytes.fromhex(f"{0xC0FFEE0000000000 + number:016x}")


SAMPLES: dict[str, Message] = {
    "describe": m.Describe(),
    "describe parameter": m.DescribeParameter(0),
    "read": m.Read(m.Memory.WORKING, bytes([1])),
    "write": m.Write(10, b"\x14\x00"),
    "commit": m.Commit(),
    "undo": m.Undo(m.Memory.FACTORY),
    "demand": m.Demand(1000),
    "release": m.Release(),
    "engage": m.Engage(),
    "report": m.Report(),
    "show yourself": m.ShowYourself(5),
    "link test": m.LinkTest(b"abc"),
    "restart": m.Restart(),
    "demand all": m.DemandAll((1000,) * 32),
    "suppress": m.Suppress(1, m.ZERO_UID),
    "assign": m.Assign(uid_of(99), 7),
    "member list": m.MemberList(1, 2, 0, 0, ()),
    "address list": m.AddressList(1, 2, bytes(30)),
    "roll call": m.RollCall(1, 2, 4, ()),
    "prefix query": m.PrefixQuery(1, 8, 0, uid_of(99)),
    "slotted call": m.SlottedCall(1, 2, 4, 3000),
    "report round": m.ReportRound(1, 4, ()),
}
"""A request of each operation by its name."""


@dataclass(frozen=True)
class Answer:
    """A reply as the host found it in its bytes."""

    frame: Frame
    message: Message


class Tap:
    """A listener that hears everything on a line, by an ideal receiver, and keeps it.

    Attributes:
        receptions: what was heard, in order.
    """

    is_eager = True

    def __init__(
        self,
        line: Line,
        receptions: list[Reception] | None = None,
        *,
        name: str = "tap",
        receiver: Receiver | None = None,
    ) -> None:
        self.receptions: list[Reception] = [] if receptions is None else receptions
        self.ears = [line.new_ear(self, name, receiver or Receiver(line.baud))]

    def attends(self, senders: Sequence[object]) -> bool:
        return True

    def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
        if not but:
            self.receptions.append(reception)

    def heard_apart(self, ear: Ear, reception: Reception) -> None:
        self.receptions.append(reception)

    @property
    def heard(self) -> bytes:
        """Every byte so far."""
        return b"".join(one.data for one in self.receptions)


@dataclass
class Bench:
    """A bus, the actuators put on it, and all that was heard on its line.

    Attributes:
        bus: the bus.
        receptions: everything that was delivered, in order.
        stray: bytes that the host received and that belong to no good frame.
    """

    bus: VirtualBus
    receptions: list[Reception] = field(default_factory=list)
    stray: bytearray = field(default_factory=bytearray)

    @property
    def now_ns(self) -> int:
        return self.bus.kernel.now_ns

    @property
    def trace(self) -> list[tuple[int, bytes]]:
        """(end, bytes) of everything that was heard."""
        return [(one.end_ns, one.data) for one in self.receptions]

    def add(
        self,
        number: int,
        address: int,
        *,
        uid: bytes | None = None,
        model: ActuatorModel = MODEL,
        at_deg: float = 0.0,
        **stored: RawValue,
    ) -> Actuator:
        """Plug in an actuator; `stored` are raw settings with _ for -."""
        settings = {name.replace("_", "-"): value for name, value in stored.items()}
        return self.plug_in(number, address, settings, uid=uid, model=model, at_deg=at_deg)

    def plug_in(
        self,
        number: int,
        address: int,
        stored: Mapping[str, RawValue],
        *,
        uid: bytes | None = None,
        model: ActuatorModel = MODEL,
        at_deg: float = 0.0,
    ) -> Actuator:
        """Plug in an actuator with these raw settings, by name."""
        bus = self.bus
        actuator = Actuator(
            bus.kernel,
            bus.line,
            label=f"number {number}",
            uid=uid_of(number) if uid is None else uid,
            model=model,
            address=address,
            stored=dict(stored),
            position_deg=at_deg,
            supply_mv=lambda: bus.supply_mv,
            address_changed=lambda _: bus.index(),
        )
        bus.add(actuator)
        return actuator

    def run(self, duration_ns: int) -> None:
        """Let so much time pass."""
        self.bus.kernel.run_until(self.now_ns + duration_ns)

    def run_until(self, time_ns: int) -> None:
        """Let time pass until that moment, which must not have passed."""
        assert time_ns >= self.now_ns
        self.bus.kernel.run_until(time_ns)

    def send_bytes(self, data: bytes) -> int:
        """Send raw bytes and let them arrive. Returns when their last stop bit ended, ns."""
        self.bus.host.write(data)
        self.run_until(self.bus.host.sent_at_ns)
        return self.now_ns

    def send(self, message: Message, to: int = BROADCAST_ADDRESS, *, sequence: int = 1) -> int:
        """Send a request and let it arrive. Returns when its last stop bit ended, ns."""
        return self.send_bytes(encode_frame(request_frame(message, to, sequence)))

    def answers(self, wait_ns: int = 30 * MS) -> list[Answer]:
        """The replies that came, and come within `wait_ns`; what is no frame goes to `stray`."""
        self.run(wait_ns)
        found: list[Answer] = []
        decoder = Decoder()
        for one in decoder.feed(self.bus.host.take()):
            if not isinstance(one, Frame):
                self.stray += one.raw
            elif one.is_reply:
                found.append(Answer(one, message_of(one)))
        return found

    def ask_all(
        self, message: Message, to: int = BROADCAST_ADDRESS, *, sequence: int = 1, wait_ns: int = 30 * MS
    ) -> list[Answer]:
        """Send a request and collect every reply."""
        self.bus.host.take()
        self.send(message, to, sequence=sequence)
        return self.answers(wait_ns)

    def ask(self, kind: type[M], message: Message, to: int, *, wait_ns: int = 30 * MS) -> M:
        """Send a request that exactly one answers, with a reply of that kind."""
        (answer,) = self.ask_all(message, to, wait_ns=wait_ns)
        assert isinstance(answer.message, kind)
        return answer.message

    def demand(self, *demands: int) -> int:
        """Broadcast demands for channels 1, 2, ...; returns when they arrived, ns."""
        return self.send(m.DemandAll(demands))

    def status(self, address: int) -> m.Status:
        """Ask for a report."""
        return self.ask(m.Status, m.Report(), address)

    def starts_after(self, time_ns: int) -> list[tuple[int, object]]:
        """(first start bit, sender) of everything that was sent by others than the host from that moment on."""
        sent = {id(one): one for heard in self.receptions for one in heard.transmissions}
        starts = [(one.start_ns, one.sender) for one in sent.values() if one.sender is not self.bus.host]
        return sorted((one for one in starts if one[0] >= time_ns), key=lambda one: one[0])


def bench(
    *,
    seed: int = 0,
    baud: int = 115_200,
    echo: bool = False,
    max_frames: int | None = None,
    kind: LineKind = LineKind.OPEN_DRAIN,
) -> Bench:
    """An empty bus whose line is recorded."""
    made = Bench(VirtualBus(Kernel(seed), baud=baud, echo=echo, max_frames=max_frames, kind=kind))
    made.bus.line.listen(Tap(made.bus.line, made.receptions))
    return made


def send_at(line: Line, time_ns: int, sender: object, data: bytes) -> None:
    """Let `sender` begin to drive `data` at that moment."""

    def send() -> None:
        line.transmit(sender, data)

    line.kernel.at(time_ns, send)


def where(made: Bench, actuator: Actuator) -> float:
    """Position now, deg."""
    actuator.arm.move_to(made.now_ns)
    return round(actuator.arm.position_deg, 6)


def digest(uid: bytes, epoch: int, salt: int) -> int:
    """The digest of an actuator under this epoch and salt."""
    return digest_of(uid_hash(uid, epoch, salt))


def roll_calls(made: Bench, *, epoch: int, slots: int, windows: int) -> list[list[bytes]]:
    """The uids that a plain host collects, window by window: each call acknowledges those the last one brought.

    Where one call does not hold all digests, calls without a window go before it.
    """
    brought: list[list[bytes]] = []
    digests: tuple[int, ...] = ()
    for salt in range(windows):
        while len(digests) > m.MAX_DIGESTS_PER_CALL:
            made.send(m.RollCall(epoch, salt, 0, digests[: m.MAX_DIGESTS_PER_CALL]))
            digests = digests[m.MAX_DIGESTS_PER_CALL :]
        answers = made.ask_all(m.RollCall(epoch, salt, slots, digests), wait_ns=2 * S)
        uids = [one.message.uid for one in answers if isinstance(one.message, m.Present)]
        brought.append(uids)
        digests = tuple(digest(uid, epoch, salt) for uid in uids)
    return brought


def fields_of(value: Any) -> dict[str, Any]:
    """Every field of a message by name, to compare whole with a literal."""
    return {name: getattr(value, name) for name in type(value).__dataclass_fields__}


def said(problems: Sequence[str]) -> list[str]:
    """The problems of a scenario without their lines; each has to have one."""
    found = [re.fullmatch(r"line [1-9]\d*: (.*)", one) for one in problems]
    assert all(found), problems
    return [one.group(1) for one in found if one]


def positions(made: Bench, actuator: Actuator, from_ns: int, *after_ms: int) -> list[float]:
    """Positions so many ms after that moment."""
    found = []
    for ms in after_ms:
        made.run_until(from_ns + ms * MS)
        found.append(where(made, actuator))
    return found


def wire_to_all(message: Message) -> bytes:
    return encode_frame(request_frame(message, BROADCAST_ADDRESS, 1))
