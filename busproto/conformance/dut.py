"""One actuator under test as the cases use it, on a line of which every byte is recorded with its time.

Every request of a case is sent once; there are no retries. With a side channel the times of the actuator's bytes are
known to the nanosecond (`spoken`, `behind`), by the clock of the line; without one only the times of their arrival. All
other times are those of the port's clock, ns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NoReturn, TypeVar

import pytest

from busproto.conformance.side import Beside, OnLine
from busproto.ops.link import Link
from busproto.ops.steps import Steps
from busproto.transport import Transport
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame, message_of, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, MAX_WIRE_BYTES, Frame
from busproto.wire.hash import device_tag
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.parameters import BY_NAME, RawValue
from busproto.wire.timing import BOOT_NS, CLOCK_TOLERANCE_PPM, MAX_TURNAROUND_NS, START_JITTER_NS, STORE_NS

US: Final = 1_000
MS: Final = 1_000_000
S: Final = 1_000_000_000
LATE_PORT_NS: Final = 1000 * MS
"""Allowance for a loaded machine that delivers bytes late. The wait ends as soon as the answer has come."""
QUIET_PORT_NS: Final = 40 * MS
"""On a port: the time without a byte, in addition to its latency, that counts as silence."""
CLOCK_PERCENT: Final = CLOCK_TOLERANCE_PPM // 10_000
"""Allowed clock error of an actuator on a port; in process the clock is exact, or as the case sets it."""
M = TypeVar("M", bound=Message)
T = TypeVar("T")


def not_checked(reason: str) -> NoReturn:
    """Skip the case, as this target cannot show it; it counts neither as passed nor as failed."""
    pytest.skip(f"not checked: {reason}")


@dataclass(frozen=True, slots=True)
class Said:
    """Sent bytes: earliest begin of the first start bit, and earliest end of the last stop bit, ns."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Moment:
    """A report, and the time from a reference to it: between `least_ns` and `most_ns`."""

    least_ns: int
    most_ns: int
    status: m.Status


class Dut:
    """One actuator under test.

    Attributes:
        transport: the port.
        uid: 8 bytes.
        address: its present address.
        bus: the virtual bus, None on a port.
        actuator: the simulator's view of it, None on a port.
        bench: the desk bench that a firmware reads and drives in place of an arm, None where it has an arm.
        side: the side channel; None on a port that has none.
        others: uids of the other actuators on a port; in process they are `neighbours`.
        epochs: of the requests made so far; neighbours on a port are acknowledged in one of them only.
        taken: addresses at which others answered when the port was opened.
        log: (ns, whether sent, bytes) of each write and of each read that brought bytes, echo included.
        begun_ns: the clock of the line when it was made.
        rows: its own parameter list, by name; read once, into `known_rows`, which may be set where it is known.
    """

    def __init__(
        self,
        transport: Transport,
        *,
        uid: bytes,
        address: int,
        bus: Any = None,
        actuator: Any = None,
        side: Beside | None = None,
        echoes: bool = True,
        others: tuple[bytes, ...] = (),
        taken: frozenset[int] = frozenset(),
    ) -> None:
        self.transport = transport
        self.uid = uid
        self.tag = device_tag(uid)
        self.address = address
        self.bus = bus
        self.actuator = actuator
        self.bench: Any = None
        self.side = side
        self.echoes = echoes
        self.others = others
        self.taken = taken
        self.neighbours: list[Any] = []
        self.log: list[tuple[int, bool, bytes]] = []
        self.begun_ns = self.line_ns()
        self.epochs: set[int] = set()
        self._sequence = 0
        self._echo = bytearray()
        self.known_rows: dict[str, m.ParameterDescription] | None = None
        self._offers_teaching: bool | None = None

    @property
    def is_alone(self) -> bool:
        """Whether no other actuator is on the line of the port."""
        return not self.others

    # --- time -----------------------------------------------------------------------------------------------

    @property
    def now_ns(self) -> int:
        """The port's clock, ns."""
        return self.transport.now_ns()

    @property
    def slack_ns(self) -> int:
        """Longest time for which the port may keep received bytes back, ns."""
        return self.transport.latency_ns

    @property
    def is_virtual(self) -> bool:
        """Whether it is in process: the port's clock is exact, and other actuators can be added."""
        return self.bus is not None

    def least_ns(self, duration_ns: int) -> int:
        """The least true duration for one by its clock, which on a port may have the error that the page allows."""
        return duration_ns if self.is_virtual else duration_ns - duration_ns * CLOCK_PERCENT // 100

    def most_ns(self, duration_ns: int) -> int:
        """The greatest true duration for one by its clock."""
        return duration_ns if self.is_virtual else duration_ns + duration_ns * CLOCK_PERCENT // 100

    def airtime_ns(self, count: int) -> int:
        """Time of `count` bytes on the line, ns."""
        return count * 10 * S // self.transport.baud

    def pass_time(self, duration_ns: int) -> bytes:
        """Let time pass; returns the bytes received meanwhile, without echo."""
        return self.hear(self.now_ns + duration_ns)

    # --- bytes ----------------------------------------------------------------------------------------------

    def say(self, data: bytes) -> Said:
        """Put bytes on the line, after those still being sent."""
        start_ns = max(self.now_ns, self._free_ns)
        if self.echoes:
            self._echo += data
        self.log.append((start_ns, True, data))
        self.transport.write(data)
        self._free_ns = start_ns + self.airtime_ns(len(data))
        return Said(start_ns, self._free_ns)

    _free_ns = 0

    def hear(self, until_ns: int, enough: Callable[[bytes], bool] = lambda _: False) -> bytes:
        """Bytes received until `until_ns`, or until `enough` is true of them; without echo."""
        heard = b""
        while not enough(heard):
            came = self.transport.read_until(until_ns)
            if came:
                self.log.append((self.now_ns, False, came))
            heard += self._without_echo(came)
            if not came and self.now_ns >= until_ns:
                break
        return heard

    def _without_echo(self, data: bytes) -> bytes:
        count = 0
        while count < len(data) and count < len(self._echo) and data[count] == self._echo[count]:
            count += 1
        if count < len(data):  # the bytes from here on are no echo
            self._echo.clear()
        else:
            del self._echo[:count]
        return data[count:]

    def drain(self) -> bytes:
        """Take bytes that have arrived unasked."""
        return self.hear(self.now_ns)

    # --- frames ---------------------------------------------------------------------------------------------

    def wire(self, message: Message, to: int | None = None, sequence: int | None = None) -> bytes:
        """The bytes of a request; to this actuator where `to` is None."""
        if sequence is None:
            self._sequence = (self._sequence + 1) & 0xFF
            sequence = self._sequence
        self.epochs.update({message.epoch} if hasattr(message, "epoch") else ())
        return encode_frame(request_frame(message, self.address if to is None else to, sequence))

    def tell(self, message: Message) -> Said:
        """Broadcast a message, and wait until it has left."""
        said = self.say(self.wire(message, BROADCAST_ADDRESS))
        self.hear(said.end_ns)
        return said

    def frames_after(
        self,
        data: bytes,
        *,
        window_ns: int | None = None,
        count: int | None = None,
        slow: bool = False,
        patience_ns: int = LATE_PORT_NS,
    ) -> tuple[Said, list[Frame], bytes]:
        """Send bytes; returns the valid reply frames and all bytes received. Ends early at `count` frames.

        On a port the wait is longer by `patience_ns`, as a busy machine delivers bytes late.
        """
        self.drain()
        said = self.say(data)
        if window_ns is None:
            window_ns = (
                MAX_TURNAROUND_NS + START_JITTER_NS + self.airtime_ns(MAX_WIRE_BYTES) + (STORE_NS if slow else 0)
            )
        until_ns = said.end_ns + window_ns + (0 if self.is_virtual else self.slack_ns + patience_ns)

        def enough(heard: bytes) -> bool:
            return count is not None and len(replies_in(heard)) >= count

        heard = self.hear(until_ns, enough)
        return said, replies_in(heard), heard

    def ask_wire(self, data: bytes, *, slow: bool = False) -> Frame:
        """The one frame that answers these bytes; the case fails where there is none, or any other byte."""
        _, frames, heard = self.frames_after(data, count=1, slow=slow)
        assert frames, f"one reply was expected to {in_words(data)}; {heard_words(heard)} (sent: {data.hex(' ')})"
        frame = frames[0]
        assert heard == encode_frame(frame), f"one reply was expected to {in_words(data)}, more came: {heard.hex(' ')}"
        return frame

    def ask_frame(
        self, message: Message, *, to: int | None = None, sequence: int | None = None, slow: bool = False
    ) -> Frame:
        """As `ask_wire`, for a request; the header of the answer is compared with it."""
        data = self.wire(message, to, sequence)
        frame = self.ask_wire(data, slow=slow)
        request = _decoded(data)
        assert frame.destination == HOST_ADDRESS, f"the reply to {message} goes to {frame.destination:#04x}"
        assert frame.sequence == request.sequence, f"the reply to {message} has sequence {frame.sequence}"
        assert frame.operation == request.operation, f"the reply to {message} is for operation {frame.operation:#04x}"
        assert frame.tag == self.tag, f"the reply to {message} has tag {frame.tag:#06x}, {self.tag:#06x} is its digest"
        return frame

    def ask(self, message: Message, kind: type[M], *, to: int | None = None, slow: bool = False) -> M:
        """Ask once; returns the answer, which has to be of the class `kind`."""
        frame = self.ask_frame(message, to=to, slow=slow)
        answer = message_of(frame)
        assert isinstance(answer, kind), f"{message}: a {kind.__name__} was expected, {answer} came"
        if to is None and not isinstance(message, m.Assign):
            assert frame.source == self.address, f"the reply comes from {frame.source:#04x}, not {self.address:#04x}"
        return answer

    def refused(self, message: Message, code: m.Outcome, *, to: int | None = None) -> m.Refused:
        """Ask once; the answer has to be a refusal with this code."""
        answer = self.ask(message, m.Refused, to=to)
        assert answer.code is code, f"{message}: a refusal with {code.name} was expected, {answer.code.name} came"
        return answer

    def refused_wire(self, operation: int, payload: bytes, code: m.Outcome) -> m.Refused:
        """Check that a request with any payload is refused with this code."""
        self._sequence = (self._sequence + 1) & 0xFF
        data = encode_frame(Frame(self.address, HOST_ADDRESS, self._sequence, operation, payload))
        answer = message_of(self.ask_wire(data))
        what = f"operation {operation:02x} with the payload {payload.hex(' ') or 'of no bytes'}"
        assert isinstance(answer, m.Refused), f"{what}: a refusal was expected, {answer} came"
        assert answer.code is code, (
            f"{what}: a refusal with code {int(code)} ({code.name}) was expected, code {int(answer.code)} "
            f"({answer.code.name}) came"
        )
        return answer

    def offers_teaching(self) -> bool:
        """Whether it offers the teaching extension: it then refuses a unicast suppress as malformed, not as unknown."""
        if self._offers_teaching is None:
            self._sequence = (self._sequence + 1) & 0xFF
            suppress = Frame(
                self.address, HOST_ADDRESS, self._sequence, m.Suppress.OPERATION, m.Suppress(0, bytes(8)).payload()
            )
            _, frames, _ = self.frames_after(encode_frame(suppress), count=1)
            codes = [frame.payload[0] for frame in frames if frame.tag == self.tag and frame.payload]
            self._offers_teaching = codes == [m.Outcome.BAD_REQUEST]
        return self._offers_teaching

    def silent(self, data: bytes, window_ns: int | None = None) -> None:
        """Check that nothing comes back to these bytes."""
        self.drain()
        said = self.say(data)
        if window_ns is None:
            window_ns = MAX_TURNAROUND_NS + START_JITTER_NS + 2 * self.airtime_ns(1)
        heard = self.hear(said.end_ns + window_ns + (0 if self.is_virtual else self.slack_ns + QUIET_PORT_NS))
        assert heard == b"", f"silence was expected to {in_words(data)}; {heard_words(heard)} (sent: {data.hex(' ')})"

    def alive(self) -> None:
        """Check that it still answers a link test."""
        data = bytes([self._sequence ^ 0x5A, 0, 0xFF])
        came = self.ask(m.LinkTest(data), m.LinkTested).data
        assert came == data, f"the bytes of the link test were expected back, {came.hex(' ')} came"

    def run(self, steps: Steps[T]) -> T:
        """Run one of the host's own operations."""
        self.drain()
        self._echo.clear()
        link = Link(self.transport)
        link.session.echoes = self.echoes
        return link.run(steps)

    def absent_uid(self, at: int) -> bytes:
        """A uid that differs from its own in one bit of byte `at`, and that no other actuator on the line has."""
        uids = (self.uid[:at] + bytes((self.uid[at] ^ 1 << bit,)) + self.uid[at + 1 :] for bit in range(8))
        return next(uid for uid in uids if uid not in self.others)

    # --- words ----------------------------------------------------------------------------------------------

    @property
    def rows(self) -> Mapping[str, m.ParameterDescription]:
        """See the class; read once."""
        if self.known_rows is None:
            count = self.ask(m.Describe(), m.Description).parameter_count
            rows = [self.ask(m.DescribeParameter(index), m.ParameterDescription) for index in range(count)]
            self.known_rows = {row.name: row for row in rows}
        return self.known_rows

    def require_room(self, values: Mapping[str, RawValue]) -> None:
        """Skip the case where it lacks one of these parameters, or the range of its own ends before the value."""
        missing = [name for name in values if name not in self.rows]
        if missing:
            not_checked(f"it has no parameter {', '.join(missing)}")
        for name, raw in values.items():
            own = self.rows[name]
            if not all(own.low <= one <= own.high for one in (raw if isinstance(raw, tuple) else (raw,))):
                not_checked(f"its {name} is within {own.low}..{own.high}, the case needs {raw}")

    def put(self, values: Mapping[str, RawValue]) -> None:
        """Write working parameters, raw; where it lacks one, or its own range ends before, the case is not checked."""
        self.require_room(values)
        for name, raw in values.items():
            row = BY_NAME[name]
            self.ask(m.Write(row.number, row.encode(raw)), m.Written)

    def get(self, name: str, memory: m.Memory = m.Memory.WORKING) -> RawValue:
        """Read one parameter by its name; returns its raw value, in counts."""
        row = BY_NAME[name]
        return row.decode(self.ask(m.Read(memory, bytes([row.number])), m.Values).values)

    def get_all(self, memory: m.Memory = m.Memory.WORKING) -> dict[str, RawValue]:
        """Read every parameter that the page knows."""
        return {name: self.get(name, memory) for name in self.rows if name in BY_NAME}

    def report(self) -> m.Status:
        """Ask for a report; returns the status."""
        return self.ask(m.Report(), m.Status)

    def demand(self, fraction: float) -> m.Moving:
        """Demand a fraction of the travel, -1..1."""
        return self.ask(m.Demand(round(fraction * m.MAX_DEMAND)), m.Moving)

    def moment(self, since: tuple[int, int]) -> Moment:
        """A report, and the time since then; `since` is a moment known to lie between two times, ns."""
        asked_ns = self.now_ns
        status = self.report()
        return Moment(asked_ns - since[1], self.now_ns - since[0], status)

    def during(self, action: Callable[[], object]) -> tuple[int, int]:
        """Run `action`; returns the two times between which it happened, ns."""
        before_ns = self.now_ns
        action()
        return before_ns, self.now_ns

    def watch(self, since: tuple[int, int], until_ns: int, every_ns: int) -> list[Moment]:
        """Reports every `every_ns` from now on, until `until_ns` after `since`."""
        seen = [self.moment(since)]
        while seen[-1].least_ns < until_ns:
            self.pass_time(every_ns)
            seen.append(self.moment(since))
        return seen

    def settle(self, fraction: float, within_ns: int = 1500 * MS) -> m.Status:
        """Repeat a demand until the arm rests, or the time is over."""
        end_ns = self.now_ns + within_ns
        before: int | None = None
        while True:
            self.demand(fraction)
            self.pass_time(20 * MS)
            status = self.report()
            is_there = abs(status.position_cdeg - status.demand_cdeg) <= 60 and before == status.position_cdeg
            if is_there or self.now_ns >= end_ns:
                return status
            before = status.position_cdeg

    def restart(self) -> None:
        """Restart it, as after power-up."""
        self.ask(m.Restart(), m.Restarting)
        self.pass_time(BOOT_NS)

    # --- beside the bus -------------------------------------------------------------------------------------

    def require_virtual(self, why: str) -> None:
        """Skip the case unless the bus is in this process."""
        if not self.is_virtual:
            not_checked(f"{why}; on a port it cannot be seen or done")

    def require_alone(self) -> None:
        """Skip the case unless it is the only actuator on the line."""
        if not self.is_alone:
            not_checked("other actuators are on the line, and single bytes do not show which actuator sent them")

    def can(self, *words: str) -> bool:
        """Whether a side channel is there that follows these words."""
        return self.side is not None and self.side.words.issuperset(words)

    def beside(self, *words: str) -> Beside:
        """The side channel; the case is not checked where none follows these words."""
        if self.side is None:
            not_checked(f"it needs a side channel (--dut-side) that follows: {', '.join(words)}")
        missing = sorted(set(words) - self.side.words)
        if missing:
            not_checked(f"the side channel does not follow: {', '.join(missing)}")
        return self.side

    def line_ns(self) -> int:
        """The clock of the line, ns, for `behind` and `spoken`; 0 without a side channel."""
        return self.side.now_ns() if self.side is not None and self.can("heard") else 0

    def spoken(self, since_ns: int) -> list[OnLine]:
        """Its own transmissions that began at `since_ns`, by the clock of the line, or later."""
        side = self.beside("heard")
        return [one for one in side.heard(since_ns) if side.is_own(one)]

    def behind(self, since_ns: int) -> int:
        """Time, ns, from the end of the transmission before to the begin of its only one since `since_ns`."""
        side = self.beside("heard")
        heard = side.heard(since_ns)
        own = [one for one in heard if side.is_own(one)]
        assert len(own) == 1, f"it spoke {len(own)} times"
        return own[0].start_ns - max(
            one.end_ns for one in heard if not side.is_own(one) and one.end_ns <= own[0].start_ns
        )

    def power_cut(self, off_ns: int = 5 * MS) -> None:
        """Cut its power now for `off_ns`, then restore it."""
        self.beside("plug", "unplug").order("unplug")
        self.pass_time(off_ns)
        self.power_back()

    def power_back(self) -> None:
        """Restore power, and wait until it has started."""
        self.beside("plug").order("plug")
        self.pass_time(BOOT_NS)

    def where(self, addresses: tuple[int, ...]) -> int:
        """The one of these addresses at which it answers; the case fails where there is none, or more than one."""
        found = []
        for at in addresses:
            wire = self.wire(m.LinkTest(b"?"), at)
            _, frames, _ = self.frames_after(wire, count=1, patience_ns=QUIET_PORT_NS)
            found += [at for frame in frames if frame.tag == self.tag]
        assert len(found) == 1, f"it answers at {found}, at one of {addresses} it should"
        return found[0]


def in_words(data: bytes) -> str:
    """Sent bytes in the words of a failure: the last valid frame in them, or that there is none."""
    frames = [one for one in Decoder().feed(b"\x00" + data + b"\x00") if isinstance(one, Frame)]
    if not frames:
        return f"{len(data)} bytes that are no frame"
    last = frames[-1]
    known = OPERATIONS.get(last.operation)
    name = f"{known.name} ({last.operation:02x})" if known else f"the unknown operation {last.operation:02x}"
    return f"{'a reply of' if last.is_reply else 'the request'} {name} to address 0x{last.destination:02X}"


def heard_words(heard: bytes) -> str:
    """Received bytes in the words of a failure."""
    return f"{heard.hex(' ')} came" if heard else "nothing came"


def replies_in(heard: bytes) -> list[Frame]:
    """The valid reply frames in these bytes."""
    return [one for one in Decoder().feed(heard) if isinstance(one, Frame) and one.is_reply]


def _decoded(wire: bytes) -> Frame:
    (found,) = Decoder().feed(wire)
    assert isinstance(found, Frame)
    return found
