"""Traffic on the line, entry by entry: frames, bytes that are no frame, overlaps with their waveforms.

On a virtual bus every transmission is known, with its sender; on a port only the bytes that the host sent and received.
Polling is routine: all of one round is one entry.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from busproto.sim.bus import VirtualBus
from busproto.sim.line.hearing import Transmission
from busproto.sim.wave_out import overlapping
from busproto.wire import BadFrame, Decoder, Frame
from busproto.wire.codec import encode_frame
from busproto.wire.field_rows import cells_of, row_of
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED
from busproto.wire.message import OPERATIONS

KEPT: Final = 3000
PENDING: Final = 400
"""Number of entries kept for the pages; more between two messages are only counted."""
PENDING_ROUNDS: Final = 2
EXPLAINED_PIECES: Final = 48
MAX_EDGES: Final = 4000
HOST: Final = "host"


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes that one sender put on the line without a pause.

    Attributes:
        start_ns, end_ns: times on the line, ns; on a port the time of arrival.
        who: the name of the sender.
        data: the bytes.
        edges: level changes, ns; none where they are not known.
    """

    start_ns: int
    end_ns: int
    who: str
    data: bytes
    edges: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log.

    Attributes:
        number: from 1.
        kind: "frame", "overlap", "bytes" (no frame) or "round" (polling).
        pieces: the sent bytes, with their sender; in an overlap all that overlap.
        line_edges: of the line itself in an overlap.
    """

    number: int
    kind: str
    pieces: tuple[Piece, ...]
    line_edges: tuple[int, ...] = ()


class LineLog:
    """The log.

    Attributes:
        overlaps: number of overlaps so far.
    """

    def __init__(self) -> None:
        self.overlaps = 0
        self._kept: deque[Entry] = deque(maxlen=KEPT)
        self._pending: deque[Entry] = deque(maxlen=PENDING)
        self._number = 0
        self._left_out = 0
        self._round: list[Piece] = []

    # --- input --------------------------------------------------------------------------------------------------

    def seen(self, time_ns: int, sent: bool, found: Frame | BadFrame, *, routine: bool) -> None:
        """Take a frame or bytes that a port sent or received."""
        data = encode_frame(found) if isinstance(found, Frame) else found.raw
        who = HOST if sent else _source_text(found.source) if isinstance(found, Frame) else "?"
        self._take([Piece(time_ns, time_ns, who, data)], routine)

    def drain(self, bus: VirtualBus, *, routine: bool) -> None:
        """Take the transmissions that have ended on a virtual line."""
        record = bus.line.record
        if not record:
            return
        now_ns = bus.kernel.now_ns
        names = {id(bus.host): HOST, **{id(one): one.label for one in bus.actuators}}
        left: list[Transmission] = []
        for group in list(overlapping(record)):
            if left or any(one.end_ns > now_ns for one in group):
                left += group  # another sender may still join
                continue
            pieces = [
                Piece(
                    one.start_ns,
                    one.end_ns,
                    names.get(id(one.sender)) or str(getattr(one.sender, "label", "disturbance")),
                    one.data,
                    tuple(one.edges) if len(group) > 1 or not one.data else (),
                )
                for one in group
            ]
            if len(group) > 1:
                self._flush_round()
                self.overlaps += 1
                self._add("overlap", tuple(pieces), tuple(bus.line.waveform_of(group)[:MAX_EDGES]))
            else:
                is_ours = id(group[0].sender) in names
                self._take(pieces, routine and is_ours)
        bus.line.record = left

    def _take(self, pieces: Sequence[Piece], routine: bool) -> None:
        if routine:
            self._round += pieces
            return
        self._flush_round()
        for piece in pieces:
            is_byte = len(piece.data) == 1
            last = self._pending[-1] if self._pending else None
            if is_byte and last is not None and last.kind == "bytes" and len(last.pieces) < EXPLAINED_PIECES:
                self._pending.pop()
                self._kept.pop()
                self._keep(Entry(last.number, "bytes", (*last.pieces, piece)))
            elif is_byte or not piece.data:
                self._add("bytes", (piece,))
            else:
                self._add("frame", (piece,))

    def end_round(self) -> None:
        """End a round of polling: its frames become one entry."""
        self._flush_round()

    def _flush_round(self) -> None:
        if self._round:
            pieces, self._round = tuple(self._round), []
            self._add("round", pieces)

    def _add(self, kind: str, pieces: tuple[Piece, ...], line_edges: tuple[int, ...] = ()) -> None:
        self._number += 1
        self._keep(Entry(self._number, kind, pieces, line_edges))

    def _keep(self, entry: Entry) -> None:
        self._kept.append(entry)
        if len(self._pending) == PENDING:
            self._left_out += 1
        self._pending.append(entry)

    # --- output -------------------------------------------------------------------------------------------------

    def news(self) -> dict[str, Any] | None:
        """Entries since the last call, for the list; None where there are none. Of many rounds only the last."""
        if not self._pending:
            return None
        entries = list(self._pending)
        self._pending.clear()
        rounds = [entry.number for entry in entries if entry.kind == "round"][-PENDING_ROUNDS:]
        told = [entry for entry in entries if entry.kind != "round" or entry.number in rounds]
        left_out, self._left_out = self._left_out, 0
        return {"entries": [entry_json(entry) for entry in told], "left_out": left_out, "overlaps": self.overlaps}

    def explain(self, number: int) -> dict[str, Any] | None:
        """An entry byte by byte; None where it is not kept any more."""
        entry = next((one for one in self._kept if one.number == number), None)
        if entry is None:
            return None
        body: dict[str, Any] = {**entry_json(entry), "pieces": []}
        request = self._request_before(entry)
        start_ns = entry.pieces[0].start_ns
        for piece in entry.pieces[:EXPLAINED_PIECES]:
            frames = []
            for found in Decoder().feed(piece.data):
                if isinstance(found, Frame):
                    frames.append(frame_json(found, request))
                    request = found if not found.is_reply else request
                else:
                    frames.append({"title": f"no frame: {found.reason}", "hex": found.raw.hex(" "), "fields": []})
            one: dict[str, Any] = {
                "source": piece.who,
                "hex": piece.data.hex(" "),
                "frames": frames,
                "start_us": (piece.start_ns - start_ns) / 1000,
                "end_us": (piece.end_ns - start_ns) / 1000,
            }
            if piece.edges:
                one["edges_us"] = [(edge - start_ns) / 1000 for edge in piece.edges[:MAX_EDGES]]
            body["pieces"].append(one)
        if entry.line_edges:
            body["line_us"] = [(edge - start_ns) / 1000 for edge in entry.line_edges]
        return body

    def _request_before(self, entry: Entry) -> Frame | None:
        """The last request of the host before it."""
        for one in reversed(self._kept):
            if one.number >= entry.number or one.kind == "round":
                continue
            if one.pieces[0].who == HOST:
                found = [frame for frame in Decoder().feed(one.pieces[0].data) if isinstance(frame, Frame)]
                return found[-1] if found else None
        return None


def _source_text(address: int) -> str:
    return HOST if address == HOST_ADDRESS else "no address" if address == UNADDRESSED else f"address {address}"


def entry_json(entry: Entry) -> dict[str, Any]:
    """One line of the list."""
    first = entry.pieces[0]
    body: dict[str, Any] = {
        "n": entry.number,
        "kind": entry.kind,
        "ms": round(first.start_ns / 1e6, 3),
        "source": first.who,
        "size_bytes": sum(len(piece.data) for piece in entry.pieces),
    }
    if entry.kind == "overlap":
        names = [name for name, _ in groupby(sorted(piece.who for piece in entry.pieces))]
        body |= {"source": " and ".join(names), "title": f"{len(entry.pieces)} overlap on the line"}
    elif entry.kind == "round":
        answers = sum(piece.who != HOST for piece in entry.pieces)
        body["title"] = f"polling: {len(entry.pieces) - answers} asked, {answers} answered"
    elif entry.kind == "bytes":
        count = len(entry.pieces)
        if not first.data:
            body["title"] = "levels that are no bytes"
        else:
            body["title"] = "one byte, no frame" if count == 1 else f"{count} times one byte, no frame"
            body["source"] = first.who if count == 1 else "several"
    else:
        body |= _frames_words(first.data)
    return body


def _frames_words(data: bytes) -> dict[str, Any]:
    found = Decoder().feed(data)
    words = [_words(one) for one in found] or ["not a whole frame"]
    body: dict[str, Any] = {"title": ", ".join(word for word, _ in groupby(words))}
    frame = next((one for one in reversed(found) if isinstance(one, Frame)), None)
    if frame is not None:
        body["reply"] = frame.is_reply
        body["address"] = frame.source if frame.is_reply else frame.destination
        body["to"] = "all" if frame.destination == BROADCAST_ADDRESS else _source_text(frame.destination)
    return body


def _words(found: Frame | BadFrame) -> str:
    if isinstance(found, BadFrame):
        return f"no frame ({found.reason})"
    operation = OPERATIONS.get(found.operation)
    name = operation.name if operation else f"operation {found.operation}"
    row = row_of(found)
    return row.title if row is not None and found.is_reply else name


def frame_json(frame: Frame, request: Frame | None) -> dict[str, Any]:
    """One frame, field by field, with the bytes each stands in."""
    wire = encode_frame(frame)
    return {
        "title": _words(frame),
        "hex": wire.hex(" "),
        "fields": list(_fields(frame, request)),
    }


def _fields(frame: Frame, request: Frame | None) -> Iterator[dict[str, Any]]:
    row = row_of(frame)
    docs = {field.name: field.doc for field in row.fields} if row is not None else {}
    for cell in cells_of(frame, None if request is None or not frame.is_reply else request):
        name = cell.name.rpartition(".")[2]
        yield {
            "name": name,
            "text": cell.text,
            "offset_bytes": cell.at,
            "size_bytes": cell.size,
            "doc": docs.get(name, ""),
        }
