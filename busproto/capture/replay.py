"""Replay of a capture: as the host, which sends the requests again and compares the answers; or as the bus, which
answers.

Neither has a clock or a port of its own: `HostReplay` uses a `Transport`, `RecordedBus` takes bytes and times.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Final

from busproto.capture.decoding import Entry, decode
from busproto.capture.pcapng import Capture, Packet
from busproto.capture.pieces import BYTE, Splitter, kind_of
from busproto.capture.recorder import airtime_ns, is_answered_by_bytes
from busproto.errors import DecodeError
from busproto.interrupts import INTERRUPTS
from busproto.transport.base import Transport
from busproto.wire.codec import encode_frame, message_of, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.field_rows import OPERATION_WORDS, cells_of, row_of
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.messages import (
    AddressList,
    Describe,
    DescribeParameter,
    LinkTest,
    MemberList,
    PrefixQuery,
    Read,
    Release,
    Report,
    ReportRound,
    RollCall,
    SlottedCall,
    Suppress,
)
from busproto.wire.timing import MAX_TURNAROUND_NS

QUIET_REQUESTS: Final = (
    AddressList,
    MemberList,
    Describe,
    DescribeParameter,
    Suppress,
    LinkTest,
    PrefixQuery,
    Read,
    Report,
    RollCall,
    SlottedCall,
)
"""Requests that change nothing and move nothing."""
LAST_WAIT_NS: Final = 10_000_000
"""ns. How much longer than recorded to listen after the last request."""
SLICE_NS: Final = 50_000_000
"""ns. A wait is cut into pieces of this length, so that an interrupt is noticed soon."""
SAME_BURST_NS: Final = 2_000
"""ns. Requests with smaller gaps are taken for one write."""
NEVER_COMPARED: Final = frozenset({"check", "sequence"})


@dataclass(frozen=True, slots=True)
class Burst:
    """Requests of one write, and what was received after them.

    Attributes:
        number: number of its first packet in the capture.
        time_ns: time at which it began.
        sent: the packets sent.
        heard: the packets received before the next burst, without echoes.
        heard_bytes: number of bytes received, with echoes.
        gap_ns: time from its beginning to that of the next; None for the last.
    """

    number: int
    time_ns: int
    sent: tuple[Packet, ...]
    heard: tuple[Packet, ...]
    heard_bytes: int
    gap_ns: int | None

    @property
    def wire(self) -> bytes:
        """All bytes sent."""
        return b"".join(packet.data for packet in self.sent)

    @property
    def title(self) -> str:
        """Operation and destination of the last request, which is the one that is answered."""
        return request_title(kind_of(self.sent[-1].data).frame)


def request_title(frame: Frame | None) -> str:
    """Operation and destination of a request in words, such as "report to address 3"."""
    if frame is None:
        return "bytes that are not a request"
    to = "all" if frame.destination == BROADCAST_ADDRESS else f"address {frame.destination}"
    name = OPERATION_WORDS.get(frame.operation, f"operation {frame.operation:02X}")
    return f"{name} to {to}"


def bursts(capture: Capture) -> list[Burst]:
    """The bursts of a capture, in order. Packets received before the first request are left out."""
    groups: list[tuple[int, list[Packet], list[Packet]]] = []
    free_ns = -1
    for number, packet in enumerate(capture.packets, 1):
        if packet.is_sent:
            is_same = groups and not groups[-1][2] and 0 <= packet.time_ns - free_ns <= SAME_BURST_NS
            if is_same and packet.time_ns > groups[-1][1][-1].time_ns:
                groups[-1][1].append(packet)
            else:
                groups.append((number, [packet], []))
            free_ns = packet.time_ns + airtime_ns(len(packet.data), capture.baud)
        elif groups:
            groups[-1][2].append(packet)
    found = []
    for at, (number, sent, heard) in enumerate(groups):
        begin_ns = sent[0].time_ns
        gap_ns = groups[at + 1][1][0].time_ns - begin_ns if at + 1 < len(groups) else None
        others = tuple(packet for packet in heard if not packet.is_echo)
        count = sum(len(packet.data) for packet in heard)
        found.append(Burst(number, begin_ns, tuple(sent), others, count, gap_ns))
    return found


def is_quiet(frame: Frame) -> bool:
    """Whether a request changes nothing and moves nothing, on any actuator."""
    try:
        message = message_of(frame)
    except DecodeError:
        return False
    return isinstance(message, QUIET_REQUESTS) or (isinstance(message, ReportRound) and not message.demands)


def disturbing(found: list[Burst]) -> dict[str, int]:
    """How often each operation that moves or changes something was sent, by its name."""
    counts: dict[str, int] = {}
    for burst in found:
        for packet in burst.sent:
            frame = kind_of(packet.data).frame
            if frame is None or not is_quiet(frame):
                name = "no request" if frame is None else OPERATION_WORDS.get(frame.operation, "unknown")
                counts[name] = counts.get(name, 0) + 1
    return counts


@dataclass(frozen=True, slots=True)
class Difference:
    """A difference from the recording.

    Attributes:
        packet: number of the recorded packet.
        asked: the request, in words.
        text: what differs, in words.
    """

    packet: int
    asked: str
    text: str


@dataclass
class Outcome:
    """The result of a replay.

    Attributes:
        asked: number of bursts sent.
        replies: number of good replies received.
        differences: in order.
    """

    asked: int = 0
    replies: int = 0
    differences: list[Difference] = field(default_factory=list)


def _heard_now(data: bytes, burst: Burst) -> tuple[list[Frame], bytes, int]:
    """Good replies, single bytes, and the number of unreadable pieces, without the echo."""
    asked = kind_of(burst.sent[-1].data).frame
    splitter = Splitter()
    splitter.answers_are_bytes = asked is not None and is_answered_by_bytes(asked)
    pieces = [*splitter.feed(data), *splitter.end()]
    for packet in burst.sent:
        if packet.data in pieces:
            pieces.remove(packet.data)
    return _sorted_out(pieces)


def _sorted_out(pieces: list[bytes]) -> tuple[list[Frame], bytes, int]:
    frames, singles, unread = [], bytearray(), 0
    for data in pieces:
        piece = kind_of(data)
        if piece.frame is not None:
            frames.append(piece.frame)
        elif piece.kind == BYTE:
            singles += data
        else:
            unread += 1
    return frames, bytes(singles), unread


def frame_difference(was: Frame, now: Frame, request: Frame | None, ignored: frozenset[str]) -> str:
    """How one reply differs from another, field by field; "" if it does not.

    `ignored` holds names of fields, with or without the name of their message before them.
    """
    row = row_of(now)
    name = "reply" if row is None else row.title
    if row_of(was) is not row:
        old = row_of(was)
        return f"a {name} came; it was a {'reply' if old is None else old.title}"

    def told(frame: Frame) -> dict[str, str]:
        cells: dict[str, str] = {}
        for cell in cells_of(frame, request):
            short = cell.name.rpartition(".")[2]
            if not {cell.name, short, cell.name.partition(".")[2]} & (ignored | NEVER_COMPARED):
                cells[cell.name] = f"{cells[cell.name]}, {cell.text}" if cell.name in cells else cell.text
        return cells

    before, after = told(was), told(now)
    parts = [
        f"{key} is {after.get(key, 'missing')}, was {before.get(key, 'missing')}"
        for key in {**before, **after}
        if before.get(key) != after.get(key)
    ]
    return f"{name} from {now.source}: " + "; ".join(parts) if parts else ""


class HostReplay:
    """Sends the recorded requests, at the recorded pace, and compares the answers.

    If requests that move or change something were sent (`is_disturbed`), all actuators are released at the end, also
    after an interrupt. Whether they are limp is not checked here: the caller lets go afterwards.
    """

    def __init__(self, transport: Transport, capture: Capture, ignored: frozenset[str] = frozenset()) -> None:
        self._transport = transport
        self._bursts = bursts(capture)
        self._ignored = ignored
        self.is_disturbed = False

    def run(self, on_progress: Callable[[int, int], None] = lambda at, of: None) -> Outcome:
        """Replay the capture.

        Raises:
            PortClosedError: the port went away.
        """
        outcome = Outcome()
        try:
            origin_ns: int | None = None
            for burst in self._bursts:
                on_progress(outcome.asked, len(self._bursts))
                if origin_ns is None:
                    origin_ns = self._transport.now_ns() - burst.time_ns
                frames = [kind_of(packet.data).frame for packet in burst.sent]
                self.is_disturbed = self.is_disturbed or any(one is None or not is_quiet(one) for one in frames)
                self._ask(burst, origin_ns, outcome)
        finally:
            if self.is_disturbed:
                self._transport.write(encode_frame(request_frame(Release(), BROADCAST_ADDRESS, 0)))
                self._listen(self._transport.now_ns() + LAST_WAIT_NS)
        return outcome

    def _listen(self, until_ns: int) -> bytes:
        data = b""
        while (now_ns := self._transport.now_ns()) < until_ns:
            INTERRUPTS.poll()
            data += self._transport.read_until(min(until_ns, now_ns + SLICE_NS))
        return data

    def _ask(self, burst: Burst, origin_ns: int, outcome: Outcome) -> None:
        transport = self._transport
        transport.read_until(0)  # answers too late for the burst before
        transport.write(burst.wire)
        gap_ns = burst.gap_ns
        if gap_ns is None:
            last_ns = max((packet.time_ns for packet in burst.heard), default=burst.time_ns)
            gap_ns = last_ns - burst.time_ns + airtime_ns(len(burst.wire), transport.baud) + LAST_WAIT_NS
        until_ns = origin_ns + burst.time_ns + gap_ns
        data = self._listen(until_ns)
        until_ns += transport.latency_ns + airtime_ns(2, transport.baud)
        # the last byte may come at that very time
        while len(data) < burst.heard_bytes and transport.now_ns() < until_ns:
            data += transport.read_until(until_ns)
        frames, singles, unread = _heard_now(data, burst)
        was_frames, was_singles, was_unread = _sorted_out([packet.data for packet in burst.heard])
        if len(frames) < len(was_frames) or len(singles) < len(was_singles):
            data += self._listen(transport.now_ns() + transport.latency_ns + MAX_TURNAROUND_NS)
            frames, singles, unread = _heard_now(data, burst)
        outcome.asked += 1
        outcome.replies += len(frames)
        text = self._compare(burst, frames, was_frames)
        if not text and singles != was_singles:
            text = f"the single bytes are {singles.hex(' ') or 'none'}, were {was_singles.hex(' ') or 'none'}"
        if not text and bool(unread) != bool(was_unread):
            text = "unreadable bytes came" if unread else "all bytes are readable; they were not when recorded"
        if text:
            outcome.differences.append(Difference(burst.number, burst.title, text))

    def _compare(self, burst: Burst, frames: list[Frame], was_frames: list[Frame]) -> str:
        request = kind_of(burst.sent[-1].data).frame
        for was, now in zip(was_frames, frames, strict=False):
            text = frame_difference(was, now, request, self._ignored)
            if text:
                return text
        if len(frames) != len(was_frames):
            missing = len(frames) < len(was_frames)
            one = (was_frames if missing else frames)[min(len(frames), len(was_frames))]
            row = row_of(one)
            name = "reply" if row is None else row.title
            return f"{'no' if missing else 'one more'} {name} from {one.source}: {len(frames)}, were {len(was_frames)}"
        return ""


@dataclass(frozen=True, slots=True)
class _Asked:
    """One recorded request and its answers: (ns after its last stop bit, bytes)."""

    number: int
    frame: Frame
    answers: tuple[tuple[int, bytes], ...]

    def fits(self, frame: Frame) -> bool:
        return (frame.destination, frame.operation, frame.payload) == (
            self.frame.destination,
            self.frame.operation,
            self.frame.payload,
        )


class RecordedBus:
    """A line whose answers are the recorded ones. Bytes and times in, bytes and times out.

    A request that equals the next recorded one, but for its sequence number, gets the recorded answers, with its own
    sequence number. Any other request is a difference. The bus then goes on behind the next recorded request that
    equals it; if there is none, it repeats the last answers to such a request, or stays silent.

    Attributes:
        asked: number of requests received.
        differences: in order.
    """

    def __init__(self, capture: Capture) -> None:
        self.asked = 0
        self.differences: list[Difference] = []
        self._baud = capture.baud
        self._echoes = any(packet.is_echo for packet in capture.packets)
        self._recorded = list(_requests(capture))
        self._at = 0
        self._decoder = Decoder()
        self._due: list[tuple[int, int, bytes]] = []
        self._order = 0
        self._line_free_ns = 0

    @property
    def is_over(self) -> bool:
        """Whether every recorded request was received and answered."""
        return self._at >= len(self._recorded) and not self._due

    @property
    def next_ns(self) -> int | None:
        """The time at which the next bytes are due, ns; None for never."""
        return self._due[0][0] if self._due else None

    def heard(self, data: bytes, now_ns: int) -> None:
        """Take bytes that the host has sent."""
        for found in self._decoder.feed(data):
            if not isinstance(found, Frame):
                self.differences.append(self._difference(f"bytes that are not a frame came ({found.reason})"))
                continue
            wire = encode_frame(found)
            self._line_free_ns = max(now_ns, self._line_free_ns) + airtime_ns(len(wire), self._baud)
            if self._echoes:
                self._put(self._line_free_ns, wire)
            self.asked += 1
            asked = self._match(found)
            for after_ns, answer in asked.answers if asked is not None else ():
                self._put(self._line_free_ns + after_ns, _with_sequence(answer, found.sequence))

    def take(self, now_ns: int) -> bytes:
        """The bytes that the line has carried by `now_ns`."""
        data = b""
        while self._due and self._due[0][0] <= now_ns:
            data += heapq.heappop(self._due)[2]
        return data

    def _put(self, end_ns: int, data: bytes) -> None:
        """Schedule bytes one by one, at the pace of the line, the last one at `end_ns`."""
        for left, byte in zip(range(len(data) - 1, -1, -1), data, strict=True):
            self._order += 1
            heapq.heappush(self._due, (end_ns - airtime_ns(left, self._baud), self._order, bytes([byte])))

    def _match(self, frame: Frame) -> _Asked | None:
        recorded = self._recorded
        at = self._at
        if at < len(recorded) and recorded[at].fits(frame):
            self._at += 1
            return recorded[at]
        what = request_title(frame)
        if at < len(recorded) and what == request_title(recorded[at].frame):
            what += " with another content"
        self.differences.append(self._difference(f"{what} came"))
        later = (place for place in range(at, len(recorded)) if recorded[place].fits(frame))
        earlier = (place for place in range(at - 1, -1, -1) if recorded[place].fits(frame))
        found = next(later, next(earlier, None))
        if found is None:
            return None
        self._at = max(at, found + 1)
        return recorded[found]

    def _difference(self, text: str) -> Difference:
        if self._at >= len(self._recorded):
            return Difference(0, "nothing more", text)
        asked = self._recorded[self._at]
        return Difference(asked.number, request_title(asked.frame), text)


def _requests(capture: Capture) -> Iterator[_Asked]:
    entries = [entry for entry in decode(capture) if not entry.packet.is_echo]
    places = [at for at, entry in enumerate(entries) if entry.packet.is_sent and entry.frame is not None]
    for number, at in enumerate(places):
        entry = entries[at]
        assert entry.frame is not None
        end = places[number + 1] if number + 1 < len(places) else len(entries)
        yield _Asked(entry.number, entry.frame, tuple(_answers(entry, entries[at + 1 : end], capture.baud)))


def _answers(entry: Entry, behind: list[Entry], baud: int) -> list[tuple[int, bytes]]:
    """The bytes received after a request, each with the time of its last byte; bytes read together are spread at the
    pace of the line."""
    ends_ns = entry.packet.time_ns + airtime_ns(len(entry.packet.data), baud)
    found: list[tuple[int, bytes]] = []
    free_ns: int | None = None
    for one in reversed(behind):
        if not one.packet.is_sent:
            after_ns = one.packet.time_ns - ends_ns
            after_ns = after_ns if free_ns is None else min(after_ns, free_ns)
            found.append((after_ns, one.packet.data))
            free_ns = after_ns - airtime_ns(len(one.packet.data), baud)
    return found[::-1]


def _with_sequence(data: bytes, sequence: int) -> bytes:
    """A recorded answer with another sequence number."""
    frame = kind_of(data).frame
    if frame is None or frame.tag is None or frame.sequence == sequence:
        return data
    return encode_frame(Frame(frame.destination, frame.source, sequence, frame.operation, frame.payload, frame.tag))
