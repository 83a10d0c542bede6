"""Statistics of a capture: load of the line, reply times, retries and errors, by actuator and by operation."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

from busproto.capture.pcapng import Capture, read
from busproto.capture.pieces import BAD, BYTE, GOOD, RUN, kind_of
from busproto.capture.recorder import airtime_ns
from busproto.wire.field_rows import OPERATION_WORDS
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import BARE_REPLIES, REPLIES

NS_PER_S: Final = 1_000_000_000
NO_TAG: Final = -1


class Fact(NamedTuple):
    """The part of a packet that is needed for counting. Outside a frame the header fields are 0 and the tag is
    NO_TAG."""

    time_ns: int
    size: int
    is_sent: bool
    is_echo: bool
    kind: str
    destination: int
    source: int
    sequence: int
    operation: int
    tag: int
    payload: bytes


@dataclass
class Tally:
    """The counts of one actuator, or of one operation.

    Attributes:
        requests: number sent to it alone; for an operation, also those to all.
        replies: number of good frames that answered.
        unanswered: requests to one address that need an answer and got no good frame.
        retries: requests that repeat an unanswered one.
        refused: replies that are refusals.
        clashes: further replies to one request, by another actuator.
        bad: frames with a bad check, and runs of bytes, received after a request.
        fastest_ns, slowest_ns, total_ns, timed: reply times, from the last stop bit of a request to one address to
            the first start bit of its first reply.
    """

    requests: int = 0
    replies: int = 0
    unanswered: int = 0
    retries: int = 0
    refused: int = 0
    clashes: int = 0
    bad: int = 0
    fastest_ns: int = 0
    slowest_ns: int = 0
    total_ns: int = 0
    timed: int = 0

    def time(self, reply_ns: int) -> None:
        """Count one reply time, ns, as `fastest_ns` to `timed` in the class tell."""
        self.fastest_ns = min(self.fastest_ns, reply_ns) if self.timed else reply_ns
        self.slowest_ns = max(self.slowest_ns, reply_ns) if self.timed else reply_ns
        self.total_ns += reply_ns
        self.timed += 1

    def as_json(self) -> dict[str, Any]:
        """For ``--json``: the counts, and times in us; None where nothing was timed."""
        return {
            "request_count": self.requests,
            "reply_count": self.replies,
            "unanswered_count": self.unanswered,
            "retry_count": self.retries,
            "refused_count": self.refused,
            "clash_count": self.clashes,
            "bad_count": self.bad,
            "reply_spread_us": {
                "min": round(self.fastest_ns / 1000, 1),
                "mean": round(self.total_ns / self.timed / 1000, 1),
                "max": round(self.slowest_ns / 1000, 1),
            }
            if self.timed
            else None,
        }


@dataclass
class Statistics:
    """The statistics of a whole capture.

    Attributes:
        baud: bits per second.
        packets: number of packets.
        kinds: number of packets of each kind, without echoes.
        echoes: number of echoes.
        begin_ns, end_ns: time of the first bit of the first packet, and of the last bit of the last.
        sent_ns, heard_ns: how long the line was busy with bytes from the host, and from others.
        total: the counts of all actuators and operations together.
        actuators: the counts by address.
        operations: the counts by operation number.
    """

    baud: int
    packets: int = 0
    kinds: dict[str, int] = field(default_factory=lambda: {GOOD: 0, BAD: 0, RUN: 0, BYTE: 0})
    echoes: int = 0
    begin_ns: int | None = None
    end_ns: int = 0
    sent_ns: int = 0
    heard_ns: int = 0
    total: Tally = field(default_factory=Tally)
    actuators: dict[int, Tally] = field(default_factory=dict)
    operations: dict[int, Tally] = field(default_factory=dict)

    @property
    def span_ns(self) -> int:
        """Time from the first bit to the last, ns."""
        return 0 if self.begin_ns is None else self.end_ns - self.begin_ns

    @property
    def load(self) -> float:
        """Fraction of that time in which the line was busy, 0..1."""
        return (self.sent_ns + self.heard_ns) / self.span_ns if self.span_ns else 0.0

    def as_json(self) -> dict[str, Any]:
        """Everything counted, for ``--json``: duration in s, loads in % of it."""
        span_ns = self.span_ns or 1
        return {
            "baud": self.baud,
            "duration_s": self.span_ns / NS_PER_S,
            "packet_count": self.packets,
            "frame_count": self.kinds[GOOD],
            "bad_frame_count": self.kinds[BAD],
            "run_count": self.kinds[RUN],
            "single_byte_count": self.kinds[BYTE],
            "echo_count": self.echoes,
            "load_percent": round(100 * self.load, 2),
            "sent_percent": round(100 * self.sent_ns / span_ns, 2),
            "heard_percent": round(100 * self.heard_ns / span_ns, 2),
            "total": self.total.as_json(),
            "actuators": [{"address": key, **one.as_json()} for key, one in sorted(self.actuators.items())],
            "operations": [
                {"number": key, "name": OPERATION_WORDS.get(key), **one.as_json()}
                for key, one in sorted(self.operations.items())
            ],
        }


class _Asked:
    """The request that waits for answers."""

    __slots__ = ("answers", "ends_ns", "fact", "tags", "tallies")

    def __init__(self, fact: Fact, ends_ns: int, tallies: tuple[Tally, ...]) -> None:
        self.fact = fact
        self.ends_ns = ends_ns
        self.tallies = tallies
        self.answers = 0
        self.tags: set[int] = set()

    @property
    def is_single(self) -> bool:
        return self.fact.destination != BROADCAST_ADDRESS

    @property
    def is_left_open(self) -> bool:
        return self.is_single and not self.answers and self.fact.operation in REPLIES


def count(facts: Iterable[Fact], baud: int) -> Statistics:
    """Count the facts of a capture, in order of time; `baud`: line rate, Bd, for the load."""
    found = Statistics(baud)
    asked: _Asked | None = None
    for fact in facts:
        found.packets += 1
        air_ns = airtime_ns(fact.size, baud)
        if fact.is_echo:
            found.echoes += 1
            continue
        found.kinds[fact.kind] += 1
        begins_ns = fact.time_ns if fact.is_sent else fact.time_ns - air_ns
        found.begin_ns = begins_ns if found.begin_ns is None else min(begins_ns, found.begin_ns)
        found.end_ns = max(found.end_ns, begins_ns + air_ns)
        if fact.is_sent:
            found.sent_ns += air_ns
            if fact.kind == GOOD and fact.tag < 0:
                asked = _request(found, fact, asked, begins_ns + air_ns)
            continue
        found.heard_ns += air_ns
        if fact.kind == GOOD:
            _reply(found, fact, asked, begins_ns)
        elif fact.kind != BYTE:
            for tally in asked.tallies if asked is not None else (found.total,):
                tally.bad += 1
    if asked is not None:
        _close(asked)
    return found


def _request(found: Statistics, fact: Fact, before: _Asked | None, ends_ns: int) -> _Asked:
    operation = found.operations.setdefault(fact.operation, Tally())
    tallies: tuple[Tally, ...] = (found.total, operation)
    if fact.destination != BROADCAST_ADDRESS:
        tallies = (*tallies, found.actuators.setdefault(fact.destination, Tally()))
    is_retry = False
    if before is not None:
        _close(before)
        was = before.fact
        is_retry = before.is_left_open and (was.destination, was.operation, was.payload) == (
            fact.destination,
            fact.operation,
            fact.payload,
        )
    for tally in tallies:
        tally.requests += 1
        tally.retries += is_retry
    return _Asked(fact, ends_ns, tallies)


def _close(asked: _Asked) -> None:
    if asked.is_left_open:
        for tally in asked.tallies:
            tally.unanswered += 1


def _reply(found: Statistics, fact: Fact, asked: _Asked | None, begins_ns: int) -> None:
    if fact.tag < 0:
        return  # the reply to another host's request
    is_known = asked is not None and fact.sequence == asked.fact.sequence and fact.operation == asked.fact.operation
    operation = found.operations.setdefault(fact.operation, Tally())
    actuator = found.actuators.setdefault(fact.source, Tally())
    is_refusal = fact.operation not in BARE_REPLIES and fact.payload[:1] not in {b"", b"\x00"}
    is_clash = False
    if asked is not None and is_known:
        is_clash = asked.is_single and bool(asked.tags) and fact.tag not in asked.tags
        asked.tags.add(fact.tag)
        asked.answers += 1
    for tally in (found.total, operation, actuator):
        tally.replies += 1
        tally.refused += is_refusal
        tally.clashes += is_clash
        if asked is not None and is_known and asked.is_single and asked.answers == 1:
            tally.time(begins_ns - asked.ends_ns)


def facts_of(capture: Capture) -> Iterator[Fact]:
    """The facts of every packet of a capture."""
    for packet in capture.packets:
        piece = kind_of(packet.data)
        frame = piece.frame
        head: tuple[Any, ...] = (0, 0, 0, 0, NO_TAG, b"")
        if frame is not None:
            tag = NO_TAG if frame.tag is None else frame.tag
            head = (frame.destination, frame.source, frame.sequence, frame.operation, tag, frame.payload)
        yield Fact(packet.time_ns, len(packet.data), packet.is_sent, packet.is_echo, piece.kind, *head)


def statistics_of(path: Path | str) -> tuple[Statistics, str]:
    """Count a file. Returns the statistics, and what is wrong with its end; "" for nothing.

    Raises:
        FileError: as `busproto.capture.pcapng.read`.
    """
    capture = read(path)
    return count(facts_of(capture), capture.baud), capture.cut
