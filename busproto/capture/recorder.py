"""A port that records in a file what goes over it, and otherwise works as the port it wraps."""

from __future__ import annotations

from collections import deque
from pathlib import Path
from typing import Final, Protocol

from busproto._version import __version__
from busproto.capture.pcapng import (
    CRC_ERROR,
    START_ERROR,
    SYMBOL_ERROR,
    TOO_LONG,
    TOO_SHORT,
    Packet,
    head_bytes,
    packet_bytes,
)
from busproto.capture.pieces import BAD, BYTE, GOOD, Piece, Splitter, frames_in, kind_of
from busproto.capture.pieces import CHECK as CHECK_REASON
from busproto.capture.pieces import CONTENT as CONTENT_REASON
from busproto.capture.pieces import TOO_LONG as TOO_LONG_REASON
from busproto.capture.pieces import TOO_SHORT as TOO_SHORT_REASON
from busproto.errors import DecodeError, FileError
from busproto.transport.base import PortAround, Transport
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, Frame
from busproto.wire.messages import AddressList, MemberList, PrefixQuery

BITS_PER_BYTE: Final = 10
NS_PER_S: Final = 1_000_000_000
QUIET_BYTES: Final = 20
"""An idle time of this many bytes, plus the port's latency, ends a run of bytes."""
ECHOES_AWAITED: Final = 64
ERROR_BIT: Final = {
    CHECK_REASON: CRC_ERROR,
    TOO_SHORT_REASON: TOO_SHORT,
    TOO_LONG_REASON: TOO_LONG,
    CONTENT_REASON: SYMBOL_ERROR,
}
BYTE_ANSWERED: Final = (MemberList, AddressList)


def airtime_ns(count: int, baud: int) -> int:
    """Time of `count` bytes on the line, ns."""
    return count * BITS_PER_BYTE * NS_PER_S // baud


def is_answered_by_bytes(frame: Frame) -> bool:
    """Whether a request is answered with single bytes instead of frames."""
    if frame.is_reply:
        return False
    try:
        message = message_of(frame)
    except DecodeError:
        return False
    return isinstance(message, BYTE_ANSWERED) or (isinstance(message, PrefixQuery) and bool(message.brief))


class PacketWriter:
    """A capture that is being written; each packet is handed to the system whole, at once.

    Attributes:
        path: of the file.
        failure: the system's error if the file could not be written further; "" without one.
    """

    def __init__(self, path: Path, baud: int, comment: str) -> None:
        """Begin the file.

        Raises:
            FileError: the file exists already, or cannot be written.
        """
        self.path = path
        self.failure = ""
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError as error:
            raise FileError(str(path), ["the file exists, and no capture is overwritten; name another"]) from error
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise FileError(str(path), [f"it cannot be written: {why}"]) from error
        self._put(head_bytes(baud, f"busproto {__version__}", comment))

    def write(self, packet: Packet) -> None:
        """Add one packet. A full disk does not stop the use of the port: it is reported in `failure`."""
        self._put(packet_bytes(packet))

    def _put(self, data: bytes) -> None:
        if self.failure:
            return
        try:
            self._file.write(data)
        except OSError as error:
            self.failure = error.strerror or str(error)

    def close(self) -> None:
        """Close the file; may be called twice."""
        self._file.close()


class Sink(Protocol):
    """Takes the packets of a recorder."""

    def write(self, packet: Packet) -> None:
        """Take one packet."""


class Recorder:
    """Makes packets of the bytes that go over a port; its only I/O is the writer.

    Attributes:
        packets: number of packets written.
    """

    def __init__(self, writer: Sink, baud: int, latency_ns: int = 0) -> None:
        self.packets = 0
        self._writer = writer
        self._baud = baud
        self._quiet_ns = latency_ns + airtime_ns(QUIET_BYTES, baud)
        self._splitter = Splitter()
        self._awaited: deque[bytes] = deque(maxlen=ECHOES_AWAITED)
        self._line_free_ns = 0
        self._heard_ns = 0
        self._asked: Frame | None = None
        self._tags: set[tuple[int, int]] = set()

    def sent(self, data: bytes, now_ns: int) -> None:
        """Take bytes that the host has written."""
        self._end(now_ns)
        for piece in frames_in(data):
            start_ns = max(now_ns, self._line_free_ns)
            self._line_free_ns = start_ns + airtime_ns(len(piece), self._baud)
            found = kind_of(piece)
            self._asked = found.frame or self._asked
            self._tags.clear()
            self._awaited.append(piece)
            self._write(Packet(start_ns, piece, True, False, _error_bits(found), found.detail))
        self._splitter.answers_are_bytes = self._asked is not None and is_answered_by_bytes(self._asked)

    def heard(self, data: bytes, now_ns: int) -> None:
        """Take received bytes; b"" if none were received until `now_ns`."""
        if not data:
            if self._splitter.pending_bytes and now_ns - self._heard_ns >= self._quiet_ns:
                self._end(self._heard_ns)
            return
        for piece in self._splitter.feed(data):
            self._write_heard(piece, now_ns)
        self._heard_ns = now_ns

    def end(self) -> None:
        """Write the packets that are left."""
        self._end(self._heard_ns)

    def _end(self, now_ns: int) -> None:
        for piece in self._splitter.end():
            self._write_heard(piece, self._heard_ns or now_ns)

    def _write_heard(self, data: bytes, now_ns: int) -> None:
        if data in self._awaited:
            while self._awaited.popleft() != data:
                pass  # the echo of an earlier packet was broken or missing
            self._write(Packet(now_ns, data, False, True))
            return
        found = kind_of(data)
        self._write(Packet(now_ns, data, False, False, _error_bits(found), self._comment(found)))

    def _comment(self, found: Piece) -> str:
        asked = self._asked
        is_single = asked is not None and not asked.is_reply and asked.destination != BROADCAST_ADDRESS
        if found.frame is not None:
            frame = found.frame
            if frame.tag is None or asked is None or not is_single or frame.sequence != asked.sequence:
                return ""
            self._tags.add((frame.source, frame.tag))
            return f"clash: answer {len(self._tags)} to one request" if len(self._tags) > 1 else ""
        if found.kind == BYTE:
            return "" if self._splitter.answers_are_bytes else "a byte that is in no frame"
        what = found.detail if found.kind == BAD else "in no frame"
        if is_single and asked is not None:
            what += f"; behind a request to address {asked.destination}: noise, or several answer at once"
        return what

    def _write(self, packet: Packet) -> None:
        self._writer.write(packet)
        self.packets += 1


def _error_bits(found: Piece) -> int:
    if found.kind in {GOOD, BYTE}:
        return 0
    return ERROR_BIT.get(found.reason, START_ERROR)


class RecordingTransport(PortAround):
    """A `Transport` that records what goes over another one.

    Attributes:
        url, baud, latency_ns: of the port.
        writer: the file; `writer.failure` is "" if it is whole.
    """

    def __init__(self, port: Transport, path: Path, *, origin_ns: int = 0) -> None:
        """Begin the capture; the port is open, and stays open if this raises.

        Args:
            port: the port to record.
            path: the file to create.
            origin_ns: added to the port's clock to give the time since 1970, ns; 0 for a virtual port.

        Raises:
            FileError: the file exists already, or cannot be written.
        """
        super().__init__(port)
        self._origin_ns = origin_ns
        self.writer = PacketWriter(path, port.baud, f"port {port.url}, {port.baud} Bd")
        self._recorder = Recorder(self.writer, port.baud, port.latency_ns)

    def write(self, data: bytes) -> None:
        """See `Transport.write`. Bytes that the port refuses are not recorded."""
        now_ns = self._port.now_ns()
        self._port.write(data)
        if data:
            self._recorder.sent(data, self._origin_ns + now_ns)

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport.read_until`."""
        data = self._port.read_until(deadline_ns)
        self._recorder.heard(data, self._origin_ns + self._port.now_ns())
        return data

    def close(self) -> None:
        """Close the port and the file; may be called twice."""
        self._recorder.end()
        self.writer.close()
        self._port.close()
