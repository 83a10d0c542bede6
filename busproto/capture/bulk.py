"""Many frames at once, by numpy: the same answers as the plain decoder, column by column instead of frame by frame.

Frames of one length stand side by side as a matrix; the check, the zero bytes and the header are then worked out for
all of them in one go. What does not look like an ordinary frame goes through the plain decoder; tests hold both against
each other. numpy is an extra: `load` gives None where it is not there, or where the file is not
laid out as ours are, and the caller reads it the plain way.
"""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from busproto.capture.pcapng import (
    DIRECTION_BITS,
    INTERFACE_NAMES,
    OPT_FLAGS,
    PACKET,
    SENT,
    head_layout,
    read_bytes,
)
from busproto.capture.pieces import BAD, BYTE, CHECK, CONTENT, GOOD, RUN, TOO_LONG, TOO_SHORT, kind_of
from busproto.wire import crc
from busproto.wire.field_rows import REPLY_ROWS, REQUEST_ROWS, FieldRow, MessageRow
from busproto.wire.frame import (
    BROADCAST_ADDRESS,
    FRAME_VERSION,
    HEADER_BYTES,
    MAX_PAYLOAD_BYTES,
    MAX_WIRE_BYTES,
    MIN_WIRE_BYTES,
    TAG_BYTES,
    UNADDRESSED,
)

ROWS_AT_ONCE: Final = 16_384
"""Rows of a matrix that fit the processor's cache with all that is worked out from them."""
KINDS: Final = (GOOD, BAD, BAD, BAD, BAD, RUN, BYTE)
REASONS: Final = ("", TOO_SHORT, TOO_LONG, CHECK, CONTENT, "", "")
"""Kind and reason by status number."""
_IS_GOOD, _IS_CHECK, _IS_CONTENT = 0, 3, 4
_FLAGS_OPTION: Final = 4 << 16 | OPT_FLAGS
_LEAST_BLOCK_BYTES, _MOST_BLOCK_BYTES = 32, 1 << 16
_REPLY_BIT: Final = 0x10


def is_available() -> bool:
    """Whether numpy is installed."""
    return importlib.util.find_spec("numpy") is not None


@dataclass(frozen=True, slots=True)
class Group:
    """Frames of one length, good and bad, as rows of one matrix.

    Attributes:
        packets: their places in the capture.
        bodies: (bytes of the body, frames), each with its zero bytes put back; of bad ones anything.
    """

    packets: Any
    bodies: Any


@dataclass(frozen=True, slots=True)
class Bulk:
    """A whole capture as columns; one place for each packet.

    Attributes:
        baud: bits per second.
        time_ns, size, is_sent, is_echo: as in `Packet`.
        status: number of its kind and reason, see `KINDS` and `REASONS`.
        destination, source, sequence, operation: of good frames, 0 elsewhere.
        tag: of good replies, -1 elsewhere.
        outcome: first byte of the payload of good replies, 0 where there is none and elsewhere.
        groups: the bodies, by length.
        plain: payloads of frames that went through the plain decoder, by place.
    """

    baud: int
    time_ns: Any
    size: Any
    is_sent: Any
    is_echo: Any
    status: Any
    destination: Any
    source: Any
    sequence: Any
    operation: Any
    tag: Any
    outcome: Any
    groups: tuple[Group, ...]
    plain: dict[int, bytes]

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def good(self) -> int:
        """How many good frames there are."""
        return int((self.status == _IS_GOOD).sum())

    def payloads(self) -> list[bytes]:
        """The payload of each packet; empty where it is no good frame."""
        found = [b""] * len(self)
        for group in self.groups:
            flat, step = group.bodies.T.tobytes(), len(group.bodies)
            for row, (place, tag) in enumerate(
                zip(group.packets.tolist(), self.tag[group.packets].tolist(), strict=True)
            ):
                begin = row * step + HEADER_BYTES + (TAG_BYTES if tag >= 0 else 0)
                found[place] = flat[begin : (row + 1) * step]
        for place, payload in self.plain.items():
            found[place] = payload
        for place in (self.status != _IS_GOOD).nonzero()[0].tolist():
            found[place] = b""
        return found

    def payloads_at(self, places: set[int]) -> dict[int, bytes]:
        """The payload of each good frame of these places."""
        import numpy as np

        wanted = np.zeros(len(self), bool)
        wanted[list(places)] = True
        found = {place: payload for place, payload in self.plain.items() if place in places}
        for group in self.groups:
            for row in np.flatnonzero(wanted[group.packets]).tolist():
                place = int(group.packets[row])
                begin = HEADER_BYTES + (TAG_BYTES if self.tag[place] >= 0 else 0)
                found[place] = group.bodies[begin:, row].tobytes()
        return found

    def columns(self, row: MessageRow) -> tuple[Any, dict[str, Any]]:
        """The places and the fields of all messages of one kind, each field a column. Limits are not checked.

        Only for messages of fixed size (see `is_fixed`); texts and byte strings are matrices of bytes, a row each.
        """
        import numpy as np

        begin = HEADER_BYTES + (TAG_BYTES if row.is_reply else 0)
        length = begin + row.has_outcome + sum(field.size for field in row.fields)
        places, parts = [], []
        for group in self.groups:
            if len(group.bodies) != length:
                continue
            wanted = (self.status[group.packets] == _IS_GOOD) & (self.operation[group.packets] == row.operation)
            wanted &= (self.tag[group.packets] >= 0) == row.is_reply
            if row.has_outcome:
                wanted &= group.bodies[begin] == 0
            places.append(group.packets[wanted])
            parts.append(group.bodies[:, wanted])
        where = np.concatenate(places) if places else np.zeros(0, np.int64)
        bodies = np.concatenate(parts, axis=1) if parts else np.zeros((length, 0), np.uint8)
        at = begin + row.has_outcome
        found = {}
        for field in row.fields:
            found[field.name] = _column(field, bodies[at : at + field.size])
            at += field.size
        return where, found


def is_fixed(row: MessageRow) -> bool:
    """Whether a message has the same length whatever it says."""
    return row.operation is not None and all(field.kind not in {"list", "rest"} for field in row.fields)


FIXED_ROWS: Final = tuple(row for row in (*REQUEST_ROWS.values(), *REPLY_ROWS.values()) if is_fixed(row))


def _column(field: FieldRow, raw: Any) -> Any:
    import numpy as np

    if field.kind != "number":
        return raw.T
    value = np.zeros(raw.shape[1], np.int64)
    for place in range(field.size):
        value |= raw[place].astype(np.int64) << 8 * place
    if field.signed:
        value -= (value >> 8 * field.size - 1) << 8 * field.size
    return value


def load(path: Path | str) -> Bulk | None:
    """A capture as columns; None where the plain way is needed: no numpy, a damaged file, one laid out by others.

    Raises:
        FileError: as `busproto.capture.pcapng.read`.
    """
    data = read_bytes(path)
    layout = head_layout(str(path), data)
    if not is_available() or layout is None:
        return None
    import numpy as np

    at, baud = layout
    if len(data) % 4 or at % 4 or at >= len(data):
        return None
    words = np.frombuffer(data, "<u4")
    blocks = _blocks(words, at // 4)
    if blocks is None:
        return None
    interface, high, low, size = (words[blocks + number].astype(np.int64) for number in (2, 3, 4, 5))
    options = blocks + 7 + (size + 3) // 4
    ends = blocks + words[blocks + 1] // 4
    if (
        (interface >= len(INTERFACE_NAMES)).any()
        or (options + 2 >= ends).any()
        or (words[options] != _FLAGS_OPTION).any()
    ):
        return None
    flags = words[options + 1]
    return _decode(
        np.frombuffer(data, np.uint8),
        baud,
        time_ns=high << 32 | low,
        size=size,
        is_sent=(flags & DIRECTION_BITS) == SENT,
        is_echo=interface == 1,
        begins=(blocks + 7) * 4,
    )


def _blocks(words: Any, first: int) -> Any:
    """Where each packet block begins, in words; None where there is any other block, or damage."""
    import numpy as np

    found = np.flatnonzero(words[first:-1] == PACKET) + first
    sizes = words[found + 1].astype(np.int64)
    ends = found + sizes // 4
    likely = (sizes >= _LEAST_BLOCK_BYTES) & (sizes <= _MOST_BLOCK_BYTES) & (sizes % 4 == 0) & (ends <= len(words))
    found, ends = found[likely], ends[likely]
    whole = words[ends - 1] == words[found + 1]
    found, ends = found[whole], ends[whole]
    if not len(found) or found[0] != first:
        return None
    if (ends[:-1] == found[1:]).all() and ends[-1] == len(words):
        return found
    return _walked(words, first)  # data that look like the head of a block


def _walked(words: Any, first: int) -> Any:
    """As `_blocks`, one block after another."""
    import numpy as np

    found, at, total = [], first, len(words)
    while at < total:
        size = int(words[at + 1]) // 4 if at + 1 < total else 0
        if words[at] != PACKET or size < 8 or at + size > total or words[at + size - 1] != words[at + 1]:
            return None
        found.append(at)
        at += size
    return np.array(found, np.int64)


def _decode(data: Any, baud: int, *, time_ns: Any, size: Any, is_sent: Any, is_echo: Any, begins: Any) -> Bulk:
    import numpy as np

    count = len(size)
    status = np.full(count, len(KINDS), np.uint8)
    heads = {name: np.zeros(count, np.uint8) for name in ("destination", "source", "sequence", "operation")}
    tag, outcome = np.full(count, -1, np.int32), np.zeros(count, np.uint8)
    groups: list[Group] = []
    order = np.argsort(size, kind="stable")
    edges = np.searchsorted(size[order], np.arange(MIN_WIRE_BYTES, MAX_WIRE_BYTES + 2))
    for length, begin, end in zip(range(MIN_WIRE_BYTES, MAX_WIRE_BYTES + 1), edges[:-1], edges[1:], strict=True):
        rows = np.lib.stride_tricks.sliding_window_view(data, length) if end > begin else None
        for first in range(begin, end, ROWS_AT_ONCE):
            packets = order[first : min(end, first + ROWS_AT_ONCE)]
            wire = np.ascontiguousarray(rows[begins[packets]].T)  # type: ignore[index]
            ordinary = (wire[0] == 0) & (wire[-1] == 0) & wire[1:-1].all(axis=0)
            if not ordinary.all():
                packets, wire = packets[ordinary], np.ascontiguousarray(wire[:, ordinary])
            status[packets], bodies = _frames(wire)
            good = status[packets] == _IS_GOOD
            at = packets[good]
            for name, place in (("destination", 2), ("source", 3), ("sequence", 4), ("operation", 5)):
                heads[name][at] = bodies[place][good]
            is_reply = good & (bodies[0] & _REPLY_BIT != 0)
            if len(bodies) >= HEADER_BYTES + TAG_BYTES:
                tags = bodies[HEADER_BYTES].astype(np.int32) | bodies[HEADER_BYTES + 1].astype(np.int32) << 8
                tag[packets[is_reply]] = tags[is_reply]
            if len(bodies) > HEADER_BYTES + TAG_BYTES:
                outcome[packets[is_reply]] = bodies[HEADER_BYTES + TAG_BYTES][is_reply]
            groups.append(Group(packets, bodies))
    plain = {}
    for place in np.flatnonzero(status == len(KINDS)).tolist():
        piece = kind_of(data[begins[place] : begins[place] + size[place]].tobytes())
        status[place] = next(
            number for number, kind in enumerate(KINDS) if (kind, REASONS[number]) == (piece.kind, piece.reason)
        )
        if piece.frame is not None:
            for name, column in heads.items():
                column[place] = getattr(piece.frame, name)
            tag[place] = -1 if piece.frame.tag is None else piece.frame.tag
            outcome[place] = piece.frame.payload[0] if piece.frame.is_reply and piece.frame.payload else 0
            plain[place] = piece.frame.payload
    return Bulk(
        baud,
        time_ns,
        size,
        is_sent,
        is_echo,
        status,
        **heads,
        tag=tag,
        outcome=outcome,
        groups=tuple(groups),
        plain=plain,
    )


@functools.cache
def _crc_table() -> Any:
    import numpy as np

    return np.array(crc.CRC_MODEL.table(8), np.uint32)


def _frames(wire: Any) -> tuple[Any, Any]:
    """Status and body of each column of `wire`: frames of one length, with both delimiters, no zero byte between."""
    import numpy as np

    table = _crc_table()
    count = wire.shape[1]
    encoded, check = wire[1 : -1 - crc.TRAILER_BYTES], wire[-1 - crc.TRAILER_BYTES : -1]
    state = np.full(count, 0xFFFFFF, np.uint32)
    low = np.empty(count, np.uint8)
    looked_up = np.empty(count, np.uint32)
    ones = np.zeros(count, np.uint16)
    for column in encoded:
        np.bitwise_xor(state.astype(np.uint8), column, out=low)
        np.take(table, low, out=looked_up)
        np.right_shift(state, 8, out=state)
        np.bitwise_xor(state, looked_up, out=state)
        ones += _ONES[column] if _ONES is not None else np.bitwise_count(column)
    value = (state ^ 0xFFFFFF).astype(np.int64) | (8 * len(encoded) - ones.astype(np.int64)) << crc.CRC_WIDTH_BITS
    is_checked = np.ones(count, bool)
    for number, column in enumerate(check):
        is_checked &= column == (value >> crc.TRAILER_GROUP_BITS * number & 0x7F | crc.TRAILER_MARK)
    body = encoded.copy()
    at = np.zeros(count, np.int16)
    for place, column in enumerate(body):
        here = at == place
        at += np.where(here, column, 0)
        column[here] = 0
    good = at == len(body)
    body = body[1:]
    is_reply = body[0] & _REPLY_BIT
    good &= (body[0] & 0xEF) == FRAME_VERSION << 5
    good &= body[1] <= MAX_PAYLOAD_BYTES
    good &= (body[2] <= UNADDRESSED) | (body[2] == BROADCAST_ADDRESS)
    good &= body[3] <= UNADDRESSED
    good &= body[1].astype(np.int16) + HEADER_BYTES + np.where(is_reply, TAG_BYTES, 0) == len(body)
    status = np.where(is_checked, np.where(good, _IS_GOOD, _IS_CONTENT), _IS_CHECK).astype(np.uint8)
    return status, body


_ONES: Any = None
"""Set bits of each byte, where numpy cannot count them itself (before version 2)."""
if is_available():  # pragma: no branch
    import numpy

    if not hasattr(numpy, "bitwise_count"):  # pragma: no cover
        _ONES = numpy.array([byte.bit_count() for byte in range(256)], numpy.uint8)


def facts_of(bulk: Bulk) -> Iterator[tuple[Any, ...]]:
    """Each packet as a row, in the order of `busproto.capture.statistics.Fact`."""
    kinds = [KINDS[number] for number in bulk.status.tolist()]
    return zip(
        bulk.time_ns.tolist(),
        bulk.size.tolist(),
        bulk.is_sent.tolist(),
        bulk.is_echo.tolist(),
        kinds,
        bulk.destination.tolist(),
        bulk.source.tolist(),
        bulk.sequence.tolist(),
        bulk.operation.tolist(),
        bulk.tag.tolist(),
        bulk.payloads(),
        strict=True,
    )
