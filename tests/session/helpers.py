"""What the tests of the session share: an exchange begun at 1 ms, answers to it, its outcome."""

from __future__ import annotations

from busproto.session import Ask, Heard, Session
from busproto.wire import decode_frame, encode_frame, reply_frame
from busproto.wire.frame import Frame
from busproto.wire.messages import LinkTest, LinkTested

MS = 1_000_000

SENT_NS = 1 * MS

REQUEST_END_NS = 1_140_000

TAG, OTHER_TAG = 0x1234, 0xBEEF


def session(*, echoes: bool | None = False, latency_ns: int = 0, first_sequence: int = 0) -> Session:
    made = Session(baud=1_000_000, latency_ns=latency_ns, first_sequence=first_sequence)
    made.echoes = echoes
    return made


def start(one: Session, ask: Ask) -> bytes:
    """Begin and send an exchange at 1 ms; returns the request's bytes."""
    wire = one.begin(ask, 900_000)
    one.sent(SENT_NS)
    return wire


def answer(wire: bytes, *, source: int = 5, tag: int = TAG, data: bytes = b"", sequence: int | None = None) -> bytes:
    """What an actuator answers to a link test."""
    to = decode_frame(wire)
    made = reply_frame(LinkTested(data), to, source, tag)
    if sequence is not None:
        made = Frame(made.destination, source, sequence, made.operation, made.payload, tag)
    return encode_frame(made)


def outcome(one: Session) -> Heard:
    """Let the deadline pass and take the outcome."""
    one.expire(one.deadline_ns)
    return one.take()


ASK = Ask.one(LinkTest(b""), 5)
