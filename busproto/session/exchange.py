"""One exchange on the bus: what the host sends and expects, and what it received."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.message import Message
from busproto.wire.timing import MAX_TURNAROUND_NS, START_JITTER_NS, STORE_NS


class Expect(enum.Enum):
    """Which kind of answer may come."""

    NOTHING = "nothing"
    ONE = "one reply"
    WINDOW = "any number of replies within a window"
    BYTES = "any number of single bytes within a window"
    SLOTS = "any number of replies within a window of fixed length"


@dataclass(frozen=True, slots=True)
class Ask:
    """One request, the answers expected, and how long to listen for them.

    Attributes:
        message: the request.
        destination: address it is sent to, 1..240, or 255 for all.
        expect: which kind of answer may come.
        source: the only address a reply may come from; None for any.
        window_ns: the latest time at which a reply may begin (ONE), or the total idle time of the window (WINDOW,
            BYTES), from the last stop bit of the request.
        idle_ns_per_byte: WINDOW and BYTES only: idle time that each received byte adds, beside its own time on the
            line.
        quiet_ns: WINDOW only: after unreadable bytes, the line must be idle this long before the window ends. Colliding
            answers are received as fewer bytes than the time they take.
        ahead: broadcasts that are sent in the same burst before the request; no actuator answers these.
        listen_out: ONE only: listen to the end of the window, so that a second actuator at the address shows.
    """

    message: Message
    destination: int
    expect: Expect = Expect.ONE
    source: int | None = None
    window_ns: int = MAX_TURNAROUND_NS + START_JITTER_NS
    idle_ns_per_byte: int = 0
    quiet_ns: int = 0
    listen_out: bool = False
    ahead: tuple[Message, ...] = ()

    @classmethod
    def one(cls, message: Message, address: int, *, listen_out: bool = False, slow: bool = False) -> Ask:
        """A request to one address; `slow` if the actuator writes stored memory before it answers."""
        window_ns = MAX_TURNAROUND_NS + START_JITTER_NS + (STORE_NS if slow else 0)
        return cls(message, address, Expect.ONE, address, window_ns, listen_out=listen_out)

    @classmethod
    def all(cls, message: Message) -> Ask:
        """A broadcast that no actuator answers."""
        return cls(message, BROADCAST_ADDRESS, Expect.NOTHING)


class Verdict(enum.Enum):
    """The outcome of an exchange, in a word."""

    SENT = "nothing was expected"
    SILENT = "no byte came back"
    ANSWERED = "what was expected, and nothing else"
    GARBLED = "bytes came, but no good reply"
    CROWDED = "a good reply and more bytes: another actuator answered too, or noise"
    ECHO_BROKEN = "the echo of the request is not what was sent: it may have reached no actuator whole"


@dataclass(frozen=True, slots=True)
class Heard:
    """What was received in one exchange.

    Attributes:
        ask: the request.
        sequence: sequence number of the request.
        replies: good frames that match the request, in order.
        strays: bytes that belong to no good frame, delimiters left out.
        raw: all bytes received after the echo.
        echoed: whether the request was received exactly as sent, so that the line carried it.
        overran: whether bytes kept coming for longer than all actuators together can answer.
        stale: good frames that do not match this request (answers to an earlier one, or to another host).
        verdict: the outcome, in a word.
        began_ns, ended_ns: begin and end, by the transport's clock.
        before: bytes that came between the previous exchange and this one; no request accounts for them.
    """

    ask: Ask
    sequence: int
    replies: tuple[Frame, ...]
    strays: bytes
    raw: bytes
    echoed: bool
    overran: bool
    stale: int
    verdict: Verdict
    began_ns: int
    ended_ns: int
    before: bytes = b""

    @property
    def unread_bytes(self) -> int:
        """Number of bytes that belong to no reply, with delimiters."""
        return len(self.raw) - sum(len(encode_frame(frame)) for frame in self.replies)

    @property
    def tags(self) -> set[int]:
        """The different tags among the replies; more than one means more than one actuator."""
        return {frame.tag for frame in self.replies if frame.tag is not None}
