"""Finds frames in a stream of bytes: any bytes in, good and bad frames out, in bounded memory.

It does not know time, addresses or the meaning of a frame. Rules: the stream is split at zero bytes; empty pieces
are delimiters that meet; a piece that is no frame is one `BadFrame`, and the next delimiter begins anew, so a hit
costs the damaged frame only. Noise never raises.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from busproto.errors import ChecksumError, DecodeError
from busproto.wire.codec import decode_chunk
from busproto.wire.definition.layout import DELIMITER
from busproto.wire.frame import MAX_CHUNK_BYTES, MIN_CHUNK_BYTES, Frame

_DELIMITER: Final = bytes([DELIMITER])
KEPT_BYTES: Final = MAX_CHUNK_BYTES + 1
"""Bytes kept of a piece that is too long: enough to report it."""


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes between two delimiters that are no frame.

    Attributes:
        reason: one of "too short", "too long", "check", "content".
        raw: the bytes, the first 127 of them where there were more.
        offset: of the first byte in the stream since the decoder was made or reset.
        size: number of bytes, also those not kept.
        detail: the reason in words.
    """

    reason: str
    raw: bytes
    offset: int
    size: int
    detail: str


class Decoder:
    """Incremental frame decoder.

    Attributes:
        good: frames found so far.
        bad: bad pieces found so far.
    """

    def __init__(self) -> None:
        self.good = 0
        self.bad = 0
        self._kept = bytearray()
        self._dropped = 0
        self._offset = 0

    def __repr__(self) -> str:
        return f"<Decoder: {self.good} good, {self.bad} bad, {self.pending_bytes} bytes pending>"

    @property
    def pending_bytes(self) -> int:
        """Bytes received since the last delimiter."""
        return len(self._kept) + self._dropped

    def reset(self) -> None:
        """Drop the pending bytes, as after a gap that aborts a frame."""
        self._kept.clear()
        self._dropped = 0
        self._offset = 0

    def copy(self) -> Decoder:
        """Another decoder with the same bytes pending, its counters at zero."""
        other = Decoder()
        other._kept[:] = self._kept
        other._dropped = self._dropped
        other._offset = self._offset
        return other

    def feed(self, data: bytes) -> list[Frame | BadFrame]:
        """Take the next bytes (any number) and return what they complete, in order."""
        return list(self._feed(data))

    def _feed(self, data: bytes) -> Iterator[Frame | BadFrame]:
        *complete, rest = data.split(_DELIMITER)
        for piece in complete:
            if self._kept or self._dropped:
                self._keep(piece)
                yield self._finish(bytes(self._kept))
                self._kept.clear()
                self._dropped = 0
            elif piece:
                self._offset += len(piece)
                yield self._finish(piece)
            self._offset += 1
        if rest:
            self._keep(rest)

    def _keep(self, piece: bytes) -> None:
        room = KEPT_BYTES - len(self._kept)
        self._kept += piece[:room]
        self._dropped += max(0, len(piece) - room)
        self._offset += len(piece)

    def _finish(self, chunk: bytes) -> Frame | BadFrame:
        try:
            frame = decode_chunk(chunk)
        except DecodeError as error:
            self.bad += 1
            size = len(chunk) + self._dropped
            detail = str(error)
            if size < MIN_CHUNK_BYTES:
                reason = "too short"
            elif size > MAX_CHUNK_BYTES:
                reason = "too long"
                detail = f"{size} bytes, a frame has {MAX_CHUNK_BYTES} at most"
            elif isinstance(error, ChecksumError):
                reason = "check"
            else:
                reason = "content"
            return BadFrame(reason, chunk[:KEPT_BYTES], self._offset - size, size, detail)
        self.good += 1
        return frame
