"""What the host wants of one exchange on the bus, and what came of it."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.message import Message
from busproto.wire.timing import MAX_TURNAROUND_NS, START_JITTER_NS, STORE_NS


class Expect(enum.Enum):
    """What may come back."""

    NOTHING = "nothing"
    ONE = "one reply"
    WINDOW = "any number of replies within a window"
    BYTES = "any number of single bytes within a window"
    SLOTS = "any number of replies within a window of fixed length"


@dataclass(frozen=True, slots=True)
class Ask:
    """One request, and how long to listen for what.

    Attributes:
        message: the request.
        destination: whom it is for.
        expect: what may come back.
        source: the only address a reply may come from; None for any.
        window_ns: the latest moment a reply may begin (ONE), or how long the line may stay idle in all (WINDOW, BYTES),
            counted from the last stop bit of the request.
        idle_ns_per_byte: WINDOW and BYTES only: idle time that each byte heard adds, beside its own time on the line.
        quiet_ns: WINDOW only: while bytes come that cannot be read, nothing must have come for so long before it ends.
            Answers that collide are heard as fewer bytes than they last.
        ahead: broadcasts that go out in the same burst before the request; nobody answers those.
        listen_out: ONE only: hear the window to its end, so that a second actuator at the address shows.
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
        """A request to one address; `slow` where the actuator writes stored memory before it answers."""
        window_ns = MAX_TURNAROUND_NS + START_JITTER_NS + (STORE_NS if slow else 0)
        return cls(message, address, Expect.ONE, address, window_ns, listen_out=listen_out)

    @classmethod
    def all(cls, message: Message) -> Ask:
        """A broadcast that nobody answers."""
        return cls(message, BROADCAST_ADDRESS, Expect.NOTHING)


class Verdict(enum.Enum):
    """What came of an exchange."""

    SENT = "nothing was expected"
    SILENT = "no byte came back"
    ANSWERED = "what was expected, and nothing else"
    GARBLED = "bytes came back, but no good reply"
    CROWDED = "a good reply and more: another actuator answered too, or noise fell in"
    ECHO_BROKEN = "the echo of the request is not what was sent: nobody may have understood it"


@dataclass(frozen=True, slots=True)
class Heard:
    """What came of one exchange.

    Attributes:
        ask: what was asked.
        sequence: of the request.
        replies: good frames that fit the request, in order.
        strays: bytes that belong to no good frame, delimiters left out.
        raw: everything that came back behind the echo.
        echoed: the request came back as it was sent: the line carries our bytes.
        overran: bytes kept coming for longer than all actuators together can answer.
        stale: good frames that do not fit this request (an earlier one's, or from elsewhere).
        verdict: all of this in a word.
        began_ns, ended_ns: the exchange, by the transport's clock.
        before: bytes that came between the exchange before and this one; no request accounts for them.
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
        """How many bytes came that belong to no reply, delimiters among them."""
        return len(self.raw) - sum(len(encode_frame(frame)) for frame in self.replies)

    @property
    def tags(self) -> set[int]:
        """The different tags among the replies; more than one means more than one actuator."""
        return {frame.tag for frame in self.replies if frame.tag is not None}
