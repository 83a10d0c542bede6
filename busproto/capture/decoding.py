"""Decode the packets of a capture: frame, message, the request that a reply answers, and the reply time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from busproto.capture.pcapng import Capture, Packet
from busproto.capture.pieces import BAD, BYTE, GOOD, RUN, kind_of
from busproto.capture.recorder import airtime_ns, is_answered_by_bytes
from busproto.errors import DecodeError
from busproto.wire.codec import message_of
from busproto.wire.field_rows import Cell, cells_of, row_of
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.message import REPLIES, Message
from busproto.wire.messages import Assign, Description, Present

NS_PER_S: Final = 1_000_000_000
BAD_MESSAGE: Final = "message"
"""The reason for a good frame that holds no known message."""
ANSWER: Final = "answer"
"""The kind of a single byte that answers a query."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One decoded packet.

    Attributes:
        number: counted from 1, as other tools do.
        packet: the packet itself.
        kind: "frame", "bad frame", "run", "byte" or "answer".
        frame: the frame if it is good, else None.
        message: the message if the frame holds a known one, else None.
        reason: the error: "too short", "too long", "check", "content", "message"; "" for none.
        detail: the reason in words.
        lead: number of delimiters before the frame.
        request: number of the request that this answers or echoes; None if there is none, or it is not known.
        request_frame: that request; for bytes outside a frame, the request before them.
        since_request_ns: time from that request's packet to this one.
        reply_ns: from the last stop bit of the request to the first start bit of this reply by the port's clock;
            includes the time an adapter held the bytes back.
        is_retry: whether this repeats a request that was not answered.
    """

    number: int
    packet: Packet
    kind: str
    frame: Frame | None = None
    message: Message | None = None
    reason: str = ""
    detail: str = ""
    lead: int = 1
    request: int | None = None
    request_frame: Frame | None = None
    since_request_ns: int | None = None
    reply_ns: int | None = None
    is_retry: bool = False

    @property
    def is_error(self) -> bool:
        """Whether it is an error: outside a frame, an unknown message, a refusal, a clash."""
        return bool(self.reason or self.packet.errors or self.packet.comment) or self.kind in {RUN, BYTE}

    @property
    def title(self) -> str:
        """The packet in a few words."""
        if self.frame is None:
            return f"{self.kind}: {self.reason}" if self.reason else self.kind
        row = row_of(self.frame)
        return row.title if row is not None else f"operation {self.frame.operation:02X}"

    def cells(self) -> list[Cell]:
        """All named values of this packet, as the decoders for other tools give them."""
        data = self.packet.data
        if self.frame is None:
            if len(data) == 1 and self.kind in {BYTE, ANSWER}:
                return [Cell("byte", str(data[0]), f"{data[0]} {data.hex()}", 0, 1)]
            word = self.reason or "run"
            return [Cell("raw", data.hex(), data.hex(), 0, len(data)), Cell("problem", word, self.detail or word)]
        cells = cells_of(self.frame, self.request_frame if self.frame.is_reply else None, lead=self.lead)
        if self.request is not None and self.since_request_ns is not None:
            cells.append(Cell("request_in", str(self.request), f"packet {self.request}"))
            seconds = f"{self.since_request_ns // NS_PER_S}.{self.since_request_ns % NS_PER_S:09d}"
            cells.append(Cell("since_request", seconds, f"{self.since_request_ns / 1e6:.3f} ms"))
        return cells


class Reader:
    """Decodes packets one after another."""

    def __init__(self, baud: int) -> None:
        self._baud = baud
        self._number = 0
        self._requests: dict[tuple[int, int], tuple[int, Packet, Frame]] = {}
        self._asked: Frame | None = None
        self._is_answered = False

    def take(self, packet: Packet) -> Entry:
        """Decode the next packet: what kind it is, its fields, and which request it answers."""
        self._number += 1
        piece = kind_of(packet.data)
        frame = piece.frame
        if frame is None:
            kind = piece.kind
            if kind == BYTE and self._asked is not None and is_answered_by_bytes(self._asked):
                kind = ANSWER
            behind = None if packet.is_sent else self._asked
            return Entry(
                self._number, packet, kind, None, None, piece.reason, piece.detail, piece.lead, request_frame=behind
            )
        message, reason, detail = None, "", ""
        try:
            message = message_of(frame)
        except DecodeError as error:
            reason, detail = BAD_MESSAGE, str(error)
        key = frame.sequence, frame.operation
        if frame.tag is not None or packet.is_echo:
            asked = self._requests.get(key)
            if asked is None:
                return Entry(self._number, packet, GOOD, frame, message, reason, detail, piece.lead)
            number, request, request_frame = asked
            if frame.tag is not None and self._asked is request_frame:
                self._is_answered = True
            ends_ns = request.time_ns + airtime_ns(len(request.data), self._baud)
            begins_ns = packet.time_ns - airtime_ns(len(packet.data), self._baud)
            return Entry(
                self._number,
                packet,
                GOOD,
                frame,
                message,
                reason,
                detail,
                piece.lead,
                number,
                request_frame,
                packet.time_ns - request.time_ns,
                None if packet.is_echo else begins_ns - ends_ns,
            )
        is_retry = self._is_again(frame)
        self._asked, self._is_answered = frame, False
        self._requests[key] = self._number, packet, frame
        return Entry(self._number, packet, GOOD, frame, message, reason, detail, piece.lead, is_retry=is_retry)

    def _is_again(self, frame: Frame) -> bool:
        asked = self._asked
        return (
            asked is not None
            and not self._is_answered
            and frame.destination != BROADCAST_ADDRESS
            and frame.operation in REPLIES
            and (frame.destination, frame.operation, frame.payload)
            == (asked.destination, asked.operation, asked.payload)
        )


def decode(capture: Capture) -> Iterator[Entry]:
    """Every packet of a capture, decoded."""
    reader = Reader(capture.baud)
    return (reader.take(packet) for packet in capture.packets)


@dataclass(frozen=True, slots=True)
class Filter:
    """Which packets are wanted; a criterion that is not given lets every packet pass.

    Attributes:
        addresses: of the actuators that sent the packet or were asked.
        uids: of the actuators; their addresses are learned from the capture itself.
        operations: operation numbers.
        errors_only: errors only (`Entry.is_error`).
        from_ns, to_ns: range of time since the capture's first packet.
        with_echoes: whether echoes pass.
    """

    addresses: frozenset[int] = frozenset()
    uids: frozenset[bytes] = frozenset()
    operations: frozenset[int] = frozenset()
    errors_only: bool = False
    from_ns: int | None = None
    to_ns: int | None = None
    with_echoes: bool = False

    def choose(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        """The wanted entries, in order."""
        first_ns: int | None = None
        at: dict[bytes, int] = {}
        tags: dict[bytes, int] = {}
        for entry in entries:
            first_ns = entry.packet.time_ns if first_ns is None else first_ns
            self._learn(entry, at, tags)
            since_ns = entry.packet.time_ns - first_ns
            if (
                (self.with_echoes or not entry.packet.is_echo)
                and (self.from_ns is None or since_ns >= self.from_ns)
                and (self.to_ns is None or since_ns <= self.to_ns)
                and (not self.errors_only or entry.is_error)
                and self._is_of(entry, at, tags)
            ):
                yield entry

    def _learn(self, entry: Entry, at: dict[bytes, int], tags: dict[bytes, int]) -> None:
        message, frame = entry.message, entry.frame
        if isinstance(message, Present | Description) and frame is not None and frame.tag is not None:
            at[message.uid], tags[message.uid] = frame.source, frame.tag
        elif isinstance(message, Assign):
            at[message.uid] = message.address

    def _is_of(self, entry: Entry, at: dict[bytes, int], tags: dict[bytes, int]) -> bool:
        frame = entry.frame or entry.request_frame
        if frame is None:
            return not (self.addresses or self.uids or self.operations)
        if self.operations and frame.operation not in self.operations:
            return False
        if not (self.addresses or self.uids):
            return True
        actuator = frame.source if frame.is_reply else frame.destination
        if actuator in self.addresses:
            return True
        if any(getattr(entry.message, "uid", None) == uid for uid in self.uids):
            return True
        if frame.is_reply:
            return any(tags.get(uid) == frame.tag for uid in self.uids)
        return actuator not in {BROADCAST_ADDRESS, UNADDRESSED} and any(at.get(uid) == actuator for uid in self.uids)


__all__ = ["ANSWER", "BAD", "BYTE", "GOOD", "RUN", "Entry", "Filter", "Reader", "decode"]
