"""The actuator under test in a conversation: a step is done on it, and what was on the line is told with its moments.

With a side channel the moments are those of the line. Without one a request is known to have been received between
its earliest end and the moment at which its reply was read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from busproto.conformance.conversation.steps import MS, Step, frames_in, understood
from busproto.conformance.dut import LATE_PORT_NS, QUIET_PORT_NS, Dut
from busproto.conformance.side import SideRefusedError
from busproto.conformance.storage import NEVER_BYTE
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.message import BARE_REPLIES, Message
from busproto.wire.timing import BOOT_NS, STORE_NS

OFF_NS: Final = 5 * MS
HAND_NS: Final = 600 * MS
"""Within it a hand has moved the arm."""


@dataclass(slots=True)
class Range:
    """Least and greatest of what was seen."""

    low: float
    high: float

    def take(self, value: float) -> None:
        """One more value."""
        self.low, self.high = min(self.low, value), max(self.high, value)


@dataclass(slots=True)
class Truth:
    """What the arm of a virtual actuator really did during a step: position, deg, and supply current, mA."""

    position: Range
    current: Range


@dataclass(slots=True)
class Came:
    """What was on the line in one step.

    Attributes:
        others: (first start bit, bytes, whether the host sent them) of everything but its own.
        own: (first start bit, bytes) of its own transmissions; None where the moment is not known.
        end_ns: last stop bit of what was sent, or the moment where nothing was.
        loose_ns: how much later all that may have been.
        now_ns: when the step was over.
        cut_ns, back_ns: when its power was lost, and when it was back; None for not.
        truth: see `Truth`; None on a port.
    """

    others: list[tuple[int, bytes, bool]] = field(default_factory=list)
    own: list[tuple[int | None, bytes]] = field(default_factory=list)
    end_ns: int = 0
    loose_ns: int = 0
    now_ns: int = 0
    cut_ns: int | None = None
    back_ns: int | None = None
    truth: Truth | None = None


class DeviceSide:
    """The actuator under test, at its `Dut`."""

    def __init__(self, dut: Dut) -> None:
        self.dut = dut
        self.has_moments = dut.can("heard")
        # In process both sides count from power-up, so that a moment of the model is one of this side's arm too.
        self._zero_ns = 0 if dut.is_virtual else self._clock_ns()

    def _clock_ns(self) -> int:
        return self.dut.line_ns() if self.has_moments else self.dut.now_ns

    @property
    def now_ns(self) -> int:
        """Time since the conversation began (in process: since power-up), by the clock of the line if it is known."""
        return self._clock_ns() - self._zero_ns

    def can(self, *words: str) -> bool:
        """Whether a side channel follows these words."""
        return self.dut.can(*words)

    @property
    def arm(self) -> Any:
        """The arm of a virtual actuator, None on a port."""
        return self.dut.actuator.arm if self.dut.is_virtual else None

    def before(self, step: Step) -> None:
        """What is done beside the bus before anything is sent."""
        if step.supply_mv is not None:
            self.dut.beside("supply").order_all("supply", f"{step.supply_mv / 1000}")
        if step.warm_degc is not None:
            self.dut.beside("warm").order("warm", f"{step.warm_degc}")
        if step.hand_deg is not None:
            self.dut.beside("hand").order("hand", f"{step.hand_deg}")
        for after_ns, data in step.jams:
            self.dut.beside("jam").jam(after_ns, data)

    def say(self, step: Step, wait_ns: int) -> Came:
        """Send the bytes of a step and wait for what they bring."""
        dut, came = self.dut, Came()
        dut.drain()
        since_ns = self._clock_ns()
        if step.cut_byte is not None:
            dut.beside("cut", "plug", "unplug").order("cut", str(step.cut_byte))
        start_ns = dut.now_ns
        said_ns = start_ns
        for piece in step.pieces if step.wire else ():
            said_ns = dut.say(piece).end_ns
        if dut.is_virtual:
            if came.truth is None and self._tells_of_the_arm(step):
                came.truth = self._watch(said_ns + wait_ns)
            self.dut.bus.kernel.run_until(said_ns + wait_ns)
            while dut.bus.line.is_busy:
                dut.bus.kernel.step()
            heard = b""
            dut.drain()
        else:
            heard = self._hear(step, said_ns, wait_ns)
        self._collect(came, step, heard, since_ns, start_ns, said_ns)
        came.now_ns = self.now_ns
        return came

    def _hear(self, step: Step, said_ns: int, wait_ns: int) -> bytes:
        """What comes on a port: up to the one reply that is expected, or to the end of the time for answers."""
        dut = self.dut
        if not self._expects_one(step):
            return dut.hear(said_ns + wait_ns + dut.slack_ns + QUIET_PORT_NS)
        late_ns = said_ns + wait_ns + dut.slack_ns + LATE_PORT_NS
        return dut.hear(late_ns, lambda heard: bool(frames_in(bytes(heard))))

    def more(self, came: Came, count: int) -> None:
        """On a port: wait for answers that are expected and have not come, as a loaded machine delivers bytes late."""
        if self.dut.is_virtual or len(came.own) >= count:
            return
        heard = self.dut.hear(self.dut.now_ns + LATE_PORT_NS, bool)
        if heard:
            heard += self.dut.hear(self.dut.now_ns + 5 * MS)
            came.own += [(None, one) for one in in_pieces(heard)]

    def _expects_one(self, step: Step) -> bool:
        frames = frames_in(step.wire)
        if not frames or frames[-1].destination != self.dut.address or frames[-1].is_reply:
            return False
        return frames[-1].operation not in BARE_REPLIES

    @staticmethod
    def _tells_of_the_arm(step: Step) -> bool:
        kinds = (m.Report.OPERATION, m.ReportRound.OPERATION, m.Demand.OPERATION, m.Engage.OPERATION)
        return any(frame.operation in kinds for frame in frames_in(step.wire))

    def _watch(self, until_ns: int) -> Truth:
        """Let time pass, and look at the arm whenever anything happens."""
        kernel, arm = self.dut.bus.kernel, self.arm
        arm.move_to(kernel.now_ns)
        truth = Truth(Range(arm.reading_deg, arm.reading_deg), Range(arm.current_ma, arm.current_ma))
        while (due_ns := kernel.next_ns()) is not None and due_ns <= until_ns:
            for look in (lambda: None, kernel.step):  # before what happens, and behind it
                look()
                arm.move_to(due_ns)
                truth.position.take(arm.reading_deg)
                truth.current.take(arm.current_ma)
        return truth

    def _collect(self, came: Came, step: Step, heard: bytes, since_ns: int, start_ns: int, said_ns: int) -> None:
        dut = self.dut
        if self.has_moments:
            side = dut.beside("heard")
            for one in side.heard(since_ns):
                if side.is_own(one):
                    came.own.append((one.start_ns - self._zero_ns, one.data))
                else:
                    self._heard_other(came, one.start_ns - self._zero_ns, one.data, by_host=one.by == "host")
            ends = [one.end_ns for one in side.heard(since_ns) if one.by == "host"]
            came.end_ns = max(ends, default=since_ns) - self._zero_ns
            return
        for piece in step.pieces if step.wire else ():
            came.others.append((start_ns - self._zero_ns, piece, True))
            start_ns += dut.airtime_ns(len(piece))
        came.own = [(None, one) for one in in_pieces(heard)]
        came.end_ns = said_ns - self._zero_ns
        came.loose_ns = max(0, self.now_ns - came.end_ns)

    def _heard_other(self, came: Came, start_ns: int, data: bytes, *, by_host: bool) -> None:
        """Bytes of another device; frames without a gap between them are taken one by one."""
        for piece in Step(data).pieces:
            came.others.append((start_ns, piece, by_host))
            start_ns += self.dut.airtime_ns(len(piece))

    # --- power ----------------------------------------------------------------------------------------------

    def power(self, came: Came, step: Step, *, spoils: bool) -> None:
        """Power is lost and comes back; stored memory is spoiled meanwhile where `spoils` says so."""
        side = self.dut.beside("plug", "unplug")
        if step.cut_byte is not None:
            self._pass(STORE_NS)
            side.order("cut", str(NEVER_BYTE))
        came.cut_ns = self.now_ns
        side.order("unplug")
        if spoils:
            for copy in (0, 1):
                try:
                    side.order("spoil", f"{copy} {step.spoiled_byte}")
                except SideRefusedError:  # a copy that was never written has no such byte
                    continue
        self._pass(OFF_NS)
        side.order("plug")
        came.back_ns = self.now_ns
        self._pass(BOOT_NS)
        self.dut.drain()
        came.now_ns = self.now_ns

    def run_until(self, time_ns: int) -> None:
        """Let time pass, by the clock of the conversation."""
        self._pass(time_ns - self.now_ns)

    def _pass(self, duration_ns: int) -> None:
        if self.dut.is_virtual:
            kernel = self.dut.bus.kernel
            kernel.run_until(kernel.now_ns + max(0, duration_ns))
        else:
            self.dut.pass_time(max(0, duration_ns))

    def ask(self, message: Message, to: int) -> Message | None:
        """Ask once, beside the steps; None where it does not answer."""
        _, frames, _ = self.dut.frames_after(self.dut.wire(message, to), count=1)
        own = [frame for frame in frames if frame.tag == self.dut.tag]
        return understood(encode_frame(own[0]))[1] if own else None


def in_pieces(heard: bytes) -> list[bytes]:
    """The frames in received bytes, where they are nothing else; else the bytes, one by one where they are no frame."""
    frames = [encode_frame(one) for one in frames_in(heard)]
    if b"".join(frames) == heard:
        return frames
    return [bytes([one]) for one in heard] if len(heard) < 4 else [heard]
