"""Classify bytes, and cut a stream into packets. No I/O; times are arguments.

`kind_of` looks at one packet alone: the dissector and the stacked decoder for other tools do the same. `Splitter` cuts
a stream at delimiters as `busproto.wire.Decoder` does, but keeps every byte.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from busproto.errors import ChecksumError, DecodeError
from busproto.wire.codec import decode_chunk
from busproto.wire.definition.layout import DELIMITER
from busproto.wire.frame import MAX_CHUNK_BYTES, MIN_CHUNK_BYTES, Frame

MAX_RUN_BYTES: Final = 256
"""A run of bytes outside a frame is cut after this many."""
_DELIMITER: Final = bytes([DELIMITER])

GOOD, BAD, RUN, BYTE = "frame", "bad frame", "run", "byte"
TOO_SHORT, TOO_LONG, CHECK, CONTENT = "too short", "too long", "check", "content"


@dataclass(frozen=True, slots=True)
class Piece:
    """The class of one packet.

    Attributes:
        kind: GOOD, BAD, RUN or BYTE (a single byte: an answer to a member list, or noise).
        frame: the frame if it is good, else None.
        lead: delimiters before the frame, 0 or 1.
        reason: the error of a bad frame: TOO_SHORT, TOO_LONG, CHECK or CONTENT; "" for none.
        detail: the reason in the decoder's words.
    """

    kind: str
    frame: Frame | None = None
    lead: int = 1
    reason: str = ""
    detail: str = ""


def kind_of(data: bytes) -> Piece:
    """Classify the bytes of one packet.

    A frame ends with a delimiter. The delimiter before it may be missing (noise), but then only a good frame counts as
    a frame.
    """
    lead = int(data[:1] == _DELIMITER)
    chunk = data[lead:-1]
    if len(data) > lead + 1 and data[-1] == DELIMITER and DELIMITER not in chunk:
        try:
            return Piece(GOOD, decode_chunk(chunk), lead)
        except DecodeError as error:
            if lead:
                return Piece(BAD, None, lead, _reason(chunk, error), str(error))
    return Piece(BYTE if len(data) == 1 and data != _DELIMITER else RUN)


def _reason(chunk: bytes, error: DecodeError) -> str:
    if len(chunk) < MIN_CHUNK_BYTES:
        return TOO_SHORT
    if len(chunk) > MAX_CHUNK_BYTES:
        return TOO_LONG
    return CHECK if isinstance(error, ChecksumError) else CONTENT


class Splitter:
    """Cuts received bytes into packets; every byte is in one packet, in order.

    Attributes:
        answers_are_bytes: set while a query is answered with single bytes: each of them is then a packet at once.
    """

    def __init__(self) -> None:
        self.answers_are_bytes = False
        self._kept = bytearray()
        self._is_open = False

    @property
    def pending_bytes(self) -> int:
        """Number of bytes that are in no packet yet."""
        return len(self._kept)

    def feed(self, data: bytes) -> Iterator[bytes]:
        """The packets that these bytes complete."""
        for byte in data:
            yield from self._take(byte)

    def _take(self, byte: int) -> Iterator[bytes]:
        kept = self._kept
        if byte != DELIMITER:
            if self._is_open and len(kept) > 1 and not any(kept):
                yield self._cut(len(kept) - 1)  # delimiters that belong to no frame
            kept.append(byte)
            if not self._is_open and self.answers_are_bytes:
                yield self._cut(1)
        elif self._is_open and any(kept):
            kept.append(byte)
            yield self._cut(len(kept))
            self._is_open = False
        elif not self._is_open and kept:
            if kind_of(bytes(kept) + _DELIMITER).kind == GOOD:
                kept.append(byte)
                yield self._cut(len(kept))
            else:
                yield self._cut(len(kept))
                kept.append(byte)
                self._is_open = True
        else:
            kept.append(byte)
            self._is_open = True
        if len(kept) >= MAX_RUN_BYTES:
            yield from self.end()

    def end(self) -> Iterator[bytes]:
        """The packets that are left, at the end or before a break in the stream."""
        if self._kept:
            yield self._cut(len(self._kept))
        self._is_open = False

    def _cut(self, count: int) -> bytes:
        data = bytes(self._kept[:count])
        del self._kept[:count]
        return data


def frames_in(data: bytes) -> Iterator[bytes]:
    """The packets of the bytes of one write."""
    splitter = Splitter()
    yield from splitter.feed(data)
    yield from splitter.end()
