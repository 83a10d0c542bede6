"""An actuator in Python and a firmware in C in one conversation: every reply of both is compared.

Each is alone on a virtual line of its own. Of every reply the bytes must be the same, but for what is measured and not
decided (position, current, temperature, and an overload while it moves), which must be near; and it must begin within
the window that the page allows. Stored memory is compared by reading all of it, every so often, like a host.

Where both may be right the page decides; `KNOWN` lists the places where it does not, or where one of both is known not
to follow it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from busproto.errors import DecodeError
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.native.device import Device
from busproto.sim.native.device_library import REFERENCE
from busproto.wire import Decoder, Frame, Message, decode_frame, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, ORDERED_SLOT_NS, START_JITTER_NS, STORE_NS, UNLISTED_SLOTS
from tests.ops.helpers import MODEL, MS, US

KNOWN: Final = {
    "burst": "of several frames in one burst the line gives all to the Python actuator at the end of the last",
    "showing": "how it swings while it makes itself known is left open",
    "way": "how an arm comes from one place to another; where each stands on the way is its own",
}
"""What is not compared, or only in part, and why."""

UID: Final = bytes.fromhex("b0a7000000000102")
ADDRESS: Final = 5
REST_CDEG: Final = 40
"""Both stand at a demand: dead band and friction may keep each so far away."""
MOVING_CDEG: Final = 2000
CURRENT_MA: Final = 4000
TEMPERATURE_CDEG: Final = 1000
EARLY_NS: Final = 2 * US
BURST_NS: Final = 4 * MS


class Difference(AssertionError):
    """Both did not do the same."""


@dataclass(frozen=True)
class Step:
    """One thing that happens: bytes that are sent, then a time of nothing.

    Attributes:
        wire: the bytes, whole frames or anything.
        pause_ns: behind everything that it brings.
        warm_degc: before that both are made so warm, from outside; None for not.
    """

    wire: bytes
    pause_ns: int = 0
    warm_degc: float | None = None

    def __repr__(self) -> str:
        """As a person reads it."""
        if self.warm_degc is not None:
            return f"<at {self.warm_degc:g} degC, then {self.pause_ns / MS:g} ms>"
        frames = frames_in(self.wire)
        told = "; ".join(f"to {one.destination:02X}: {understood(encode_frame(one))[1] or one}" for one in frames)
        told = told or self.wire.hex(" ")
        return f"<{told}, then {self.pause_ns / MS:g} ms>"


def ask(message: Message, to: int = ADDRESS, *, pause_ns: int = 0, sequence: int = 1) -> Step:
    """A request."""
    return Step(encode_frame(request_frame(message, to, sequence)), pause_ns)


def longest_answer_ns(message: Message | None) -> int:
    """How long after a request its answer may begin."""
    if isinstance(message, m.RollCall):
        return FIRST_SLOT_NS + (message.slots + 1) * MINI_SLOT_NS
    if isinstance(message, m.SlottedCall):
        return FIRST_SLOT_NS + message.slots * message.slot_us * 1000
    if isinstance(message, m.MemberList | m.AddressList | m.ReportRound):
        return FIRST_SLOT_NS + 250 * ORDERED_SLOT_NS
    if isinstance(message, m.Assign | m.Commit):
        return STORE_NS
    return 0


class Side:
    """One of both, alone on its line."""

    def __init__(self, in_c: bool, seed: int, settings: dict[str, Any], address: int, library: str = REFERENCE) -> None:
        self.bus = VirtualBus(Kernel(seed), echo=False)
        self.bus.line.record = []
        named: dict[str, Any] = {
            "label": "one",
            "uid": UID,
            "model": MODEL,
            "address": address,
            "stored": settings,
            "position_deg": 0.0,
            "supply_mv": lambda: self.bus.supply_mv,
        }
        kernel, line = self.bus.kernel, self.bus.line
        self.one: Any = (
            Device(kernel, line, **named, library=library)
            if in_c
            else Actuator(kernel, line, **named, address_changed=lambda _: self.bus.index())
        )
        if in_c:
            self.one.erase_us = 0  # the Python actuator's memory needs no erasing: both are through at about one time
        self.bus.add(self.one)

    def send(self, wire: bytes, wait_ns: int) -> tuple[int, list[tuple[int, bytes]]]:
        """Send bytes and let time pass; when they had arrived, and what came: (begin behind that, bytes)."""
        bus, record = self.bus, self.bus.line.record
        assert record is not None
        record.clear()
        bus.host.write(wire)
        bus.kernel.run_until(bus.host.sent_at_ns)
        end_ns = bus.kernel.now_ns
        bus.kernel.run_until(end_ns + wait_ns)
        while bus.line.is_busy:
            bus.kernel.step()
        return end_ns, [(one.start_ns - end_ns, one.data) for one in record if one.sender is self.one]


class Pair:
    """Both sides in one conversation.

    Attributes:
        steps: how many were compared.
        replies: how many frames of both were compared.
        last: the last steps, newest behind.
    """

    def __init__(
        self,
        seed: int = 0,
        settings: dict[str, Any] | None = None,
        address: int = ADDRESS,
        library: str = REFERENCE,
    ) -> None:
        self.python = Side(False, seed, settings or {}, address)
        self.c = Side(True, seed, settings or {}, address, library)
        self.steps = self.replies = 0
        self.last: list[Step] = []
        self._is_angle_open = self._is_way_open = False
        self._shows_until_ns = 0

    @property
    def address(self) -> int:
        """Where it is now."""
        return int(self.python.one.address)

    def take(self, step: Step) -> None:
        """One step on both sides.

        Raises:
            Difference: they did not do the same.
        """
        self.steps += 1
        self.last = [*self.last[-19:], step]
        if step.warm_degc is not None:
            for side in (self.python, self.c):
                side.one.warm(step.warm_degc)
        message: Message | None = None
        for frame in frames_in(step.wire):
            message = understood(encode_frame(frame))[1]
            self._note(frame, message)
        wait_ns = longest_answer_ns(message) + BURST_NS
        _, python = self.python.send(step.wire, wait_ns)
        _, c = self.c.send(step.wire, wait_ns)
        if len(python) != len(c):
            self._differ(f"Python answers {told(python)}, C {told(c)}")
        for (python_ns, python_data), (c_ns, c_data) in zip(python, c, strict=True):
            self._compare_times(message, python_ns, c_ns, is_unlisted=len(python_data) == 1 and python_data[0] < 0x80)
            self._compare_data(python_data, c_data)
        if self.python.one.address != self.c.one.address:
            self._differ(f"address: Python {self.python.one.address}, C {self.c.one.address}")
        until_ns = max(self.python.bus.kernel.now_ns, self.c.bus.kernel.now_ns) + step.pause_ns
        for side in (self.python, self.c):
            side.bus.kernel.run_until(until_ns)
        self._lay_alike()

    def _lay_alike(self) -> None:
        """Limp arms are laid to the same place by hand: where each was let go in the middle of a way is its own.

        From then on, and where both have come to rest at the same demand, angles are compared again.
        """
        python, c = self.python.one.arm, self.c.one.arm
        if self._rests() and abs(python.position_deg - c.position_deg) * 100 <= self._rest_cdeg:
            self._is_angle_open = self._is_way_open = False
        if python.target_deg is None and not c.is_on:
            python.move_to(self.python.bus.kernel.now_ns)
            c.move_to(self.c.bus.kernel.now_ns)
            c.position_deg, c.speed_deg_s = python.position_deg, 0.0
            self._is_angle_open = self._is_way_open = False

    def _note(self, frame: Frame, message: Message | None) -> None:
        """What the known differences depend on."""
        if frame.destination not in {BROADCAST_ADDRESS, self.address} or message is None:
            return
        if isinstance(message, m.Engage):
            self._is_angle_open = self._is_way_open = True  # each holds where it has come to
        elif isinstance(message, m.Write | m.Undo):
            self._is_way_open = True  # it may change how they go on from where they are
        elif isinstance(message, m.Restart):
            self._is_angle_open = self._is_way_open = False
            self._shows_until_ns = 0
        elif isinstance(message, m.ShowYourself):
            self._shows_until_ns = self.python.bus.kernel.now_ns + (message.duration_ds + 30) * 100 * MS

    def _compare_times(self, message: Message | None, python_ns: int, c_ns: int, *, is_unlisted: bool) -> None:
        if isinstance(message, m.Assign | m.Commit):
            most_ns = STORE_NS + self.python.one.settings.raw("reply-delay") * 1000 + START_JITTER_NS
            if not max(python_ns, c_ns) <= most_ns:
                self._differ(f"begins {python_ns} ns (Python), {c_ns} ns (C) behind the request, {most_ns} at most")
            return
        apart_ns = START_JITTER_NS + EARLY_NS
        if is_unlisted:  # it draws one of the slots behind the last place
            apart_ns += (UNLISTED_SLOTS - 1) * ORDERED_SLOT_NS
        if abs(python_ns - c_ns) > apart_ns:
            self._differ(f"begins {python_ns} ns (Python), {c_ns} ns (C) behind the request")

    def _compare_data(self, python_data: bytes, c_data: bytes) -> None:
        if python_data == c_data:
            self.replies += 1
            return
        python, python_message = understood(python_data)
        c, c_message = understood(c_data)
        if python is None or c is None or python_message is None or c_message is None:
            self._differ(f"says {python_data.hex(' ')} (Python), {c_data.hex(' ')} (C)")
        assert python is not None
        assert c is not None
        if head(python) != head(c) or type(python_message) is not type(c_message):
            self._differ(f"says {python} (Python), {c} (C)")
        for field in dataclasses.fields(python_message):  # type: ignore[arg-type]
            values = getattr(python_message, field.name), getattr(c_message, field.name)
            if not self._is_near(field.name, *values):
                self._differ(f"{field.name}: {python_message} (Python), {c_message} (C)")
        self.replies += 1

    def _is_near(self, name: str, python: Any, c: Any) -> bool:
        """Whether a field is the same, as far as it is decided and not measured."""
        now = self.python.bus.kernel.now_ns
        is_showing = now < self._shows_until_ns
        if name == "demand_age_ms":
            return abs(python - c) <= 1
        if name == "position_cdeg":
            is_open = self._is_way_open or is_showing
            return is_open or abs(python - c) <= (self._rest_cdeg if self._rests() else MOVING_CDEG)
        if name == "demand_cdeg":
            is_led = self.python.one.arm.target_deg is not None
            is_open = self._is_angle_open or is_showing
            return is_open or abs(python - c) <= (1 if is_led else MOVING_CDEG)
        if name == "faults":
            return python & ~m.Fault.OVERLOAD == c & ~m.Fault.OVERLOAD and (python == c or not self._rests())
        if name in {"current_ma", "current_cma"}:
            return abs(python - c) <= CURRENT_MA or not self._rests()  # what a way costs is its own
        if name == "temperature_cdeg":
            return abs(python - c) <= TEMPERATURE_CDEG
        return bool(python == c)

    @property
    def _rest_cdeg(self) -> int:
        """How far apart both may stand at the same demand: each a dead band away, and on its own side of it.

        Friction stops a loop of little stiffness far from it.
        """
        one = self.python.one
        return REST_CDEG + 2 * int(one.settings.raw("dead-band")) + round(200 * one.arm.short_deg())

    def _rests(self) -> bool:
        """Whether both stand where a demand put them."""
        python, c = self.python.one, self.c.one
        return (
            python.current_state() is m.State.FOLLOWING
            and python.followed is not None
            and not python.arm.is_moving
            and not c.arm.is_moving
        )

    def _differ(self, what: str) -> None:
        steps = "\n  ".join(map(repr, self.last))
        raise Difference(f"step {self.steps}: {what}\nthe last steps:\n  {steps}")


def head(frame: Frame) -> tuple[int, int, int, int, int, int | None]:
    """All of a frame but its payload, and the length of that."""
    return (
        frame.destination,
        frame.source,
        frame.sequence,
        frame.operation,
        len(frame.payload),
        frame.tag,
    )


def told(sent: Sequence[tuple[int, bytes]]) -> str:
    """What one side said, for a person."""
    return ", ".join(f"{data.hex(' ')} after {begin_ns / US:g} us" for begin_ns, data in sent) or "nothing"


def frames_in(wire: bytes) -> list[Frame]:
    """The good frames in bytes."""
    return [one for one in Decoder().feed(wire) if isinstance(one, Frame)]


def understood(wire: bytes) -> tuple[Frame | None, Message | None]:
    """The frame and the message in bytes; None for what is none."""
    try:
        frame = decode_frame(wire)
    except DecodeError:
        return None, None
    try:
        return frame, message_of(frame)
    except DecodeError:
        return frame, None
