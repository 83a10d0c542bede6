"""The few blocks of pcapng that a capture needs, written and read.

After draft-ietf-opsawg-pcapng: section header, interface description, enhanced packet; other blocks are skipped, as the
draft asks. Both byte orders and all time resolutions are read. The code for the blocks is our own, as the Python
library for it (python-pcapng) makes an object of each block and option, too slow for a million packets. The tests read
our files with it, as an independent check.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from busproto import reading
from busproto.errors import FileError, InputError
from busproto.wire.frame import DEFAULT_BAUD

LINK_TYPE: Final = 147
"""USER0: for private use (tcpdump.org/linktypes.html)."""
SECTION, INTERFACE, PACKET = 0x0A0D0D0A, 0x00000001, 0x00000006
ORDER_MARK: Final = 0x1A2B3C4D
OPT_END, OPT_COMMENT = 0, 1
OPT_PROGRAM = 4
OPT_NAME, OPT_SPEED, OPT_RESOLUTION = 2, 8, 9
OPT_FLAGS: Final = 2
NS_DIGITS: Final = 9
DEFAULT_DIGITS: Final = 6
"""Units per second of an interface without its own resolution: microseconds."""
NS_PER_S: Final = 1_000_000_000

DIRECTION_BITS: Final = 0b11
HEARD, SENT = 0b01, 0b10
CRC_ERROR, TOO_LONG, TOO_SHORT = 1 << 24, 1 << 25, 1 << 26
START_ERROR, SYMBOL_ERROR = 1 << 29, 1 << 31
ERROR_BITS: Final = 0xFFFF0000
"""The link-layer error bits of epb_flags."""

LINE, ECHO = 0, 1
INTERFACE_NAMES: Final = ("line", "echo")
MAX_BLOCK_BYTES: Final = 1 << 24
"""Bytes. No block that is written here is nearly as long; a greater length is taken for damage."""
MAX_CAPTURE_BYTES: Final = 256 << 20
"""Bytes: about six hours of a line at 115 200 Bd that is never idle."""
MAX_OTHER_BLOCKS: Final = 100_000
"""Most blocks in a file that are no packets; files written here have three."""
MAX_OPTIONS: Final = 64
"""Most options of one block; blocks written here have four at most."""
OLD_MAGICS: Final = frozenset({b"\xd4\xc3\xb2\xa1", b"\xa1\xb2\xc3\xd4", b"\x4d\x3c\xb2\xa1", b"\xa1\xb2\x3c\x4d"})


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet of a capture.

    Attributes:
        time_ns: ns since 1970, or since the start of virtual time; see `busproto.capture`.
        data: the bytes.
        is_sent: whether the host sent it; else it was received.
        is_echo: whether it was received and is exactly what the host had sent.
        errors: the error bits of epb_flags.
        comment: in words; "" for none.
    """

    time_ns: int
    data: bytes
    is_sent: bool
    is_echo: bool = False
    errors: int = 0
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Capture:
    """The content of a capture file.

    Attributes:
        source: the name of the file.
        baud: bits per second of the line.
        packets: in the order of the file.
        cut: "" if the file is whole; else what is wrong with its end. All packets before that are included.
    """

    source: str
    baud: int
    packets: tuple[Packet, ...]
    cut: str


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + _padded(value)


def _block(kind: int, body: bytes) -> bytes:
    size = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + size + body + size


_END: Final = struct.pack("<HH", OPT_END, 0)


def head_bytes(baud: int, program: str, comment: str) -> bytes:
    """The beginning of a file: one section, the two interfaces."""
    options = _option(OPT_COMMENT, comment.encode()) + _option(OPT_PROGRAM, program.encode()) + _END
    blocks = [_block(SECTION, struct.pack("<IHHq", ORDER_MARK, 1, 0, -1) + options)]
    for name in INTERFACE_NAMES:
        options = (
            _option(OPT_NAME, name.encode())
            + _option(OPT_SPEED, struct.pack("<Q", baud))
            + _option(OPT_RESOLUTION, bytes([NS_DIGITS]))
            + _END
        )
        blocks.append(_block(INTERFACE, struct.pack("<HHI", LINK_TYPE, 0, 0) + options))
    return b"".join(blocks)


def packet_bytes(packet: Packet) -> bytes:
    """One packet as a block."""
    flags = (SENT if packet.is_sent else HEARD) | packet.errors
    options = _option(OPT_FLAGS, struct.pack("<I", flags))
    if packet.comment:
        options += _option(OPT_COMMENT, packet.comment.encode())
    interface = ECHO if packet.is_echo else LINE
    size = len(packet.data)
    time_ns = max(0, packet.time_ns)
    body = struct.pack("<IIIII", interface, time_ns >> 32, time_ns & 0xFFFFFFFF, size, size)
    return _block(PACKET, body + _padded(packet.data) + options + _END)


# --- reading ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Interface:
    """The properties of an interface: echo or line, line rate, time resolution."""

    is_echo: bool
    speed: int
    times: int
    by: int

    def time_ns(self, units: int) -> int:
        return units * self.times // self.by


def read_bytes(path: Path | str) -> bytes:
    """The bytes of a file that begins as a pcapng file does.

    Raises:
        FileError: it cannot be read, or is of another kind.
    """
    try:
        return reading.read_bytes(path, MAX_CAPTURE_BYTES, _why_no_capture)
    except InputError as error:
        raise FileError(str(path), [str(error).removeprefix(f"'{path}' ")]) from error


def _why_no_capture(head: bytes) -> str:
    """What is wrong with the first bytes of a file; "" if it may be a capture."""
    if head[:4] in OLD_MAGICS:
        return "it is a pcap file of the old kind; a capture is pcapng"
    if head[:4] != SECTION.to_bytes(4, "little"):
        return "it is not a capture (it does not begin as a pcapng file does)"
    return ""


def read(path: Path | str) -> Capture:
    """Read a capture. A file that ends in the middle of a packet is read up to there; `Capture.cut` reports that.

    Raises:
        FileError: it cannot be read, is of another kind, or holds packets of another link type.
    """
    source = str(path)
    walk = _Walk(source, read_bytes(path))
    packets = tuple(walk.packets())
    return Capture(source, walk.baud or DEFAULT_BAUD, packets, walk.cut)


class _Walk:
    """One pass through the blocks of a file."""

    def __init__(self, source: str, data: bytes) -> None:
        self.source = source
        self.baud = 0
        self.cut = ""
        self._data = data
        self._order = "<"
        self._interfaces: list[_Interface] = []

    def packets(self) -> Iterator[Packet]:
        data, at, count, others = self._data, 0, 0, 0
        while at < len(data):
            if data[at : at + 4] == SECTION.to_bytes(4, "little"):
                self._begin_section(at)
            kind, size = self._head(at)
            if self.cut or not self._is_whole(at, size, count):
                return
            body = data[at + 8 : at + size - 4]
            if kind == INTERFACE:
                self._interfaces.append(self._interface(body))
            elif kind == PACKET:
                packet = self._packet(body, at)
                if packet is None:
                    return
                count += 1
                yield packet
            others += kind != PACKET
            if others > MAX_OTHER_BLOCKS:
                self.cut = f"more than {MAX_OTHER_BLOCKS} blocks up to byte {at} are no packets"
                return
            at += size

    def head_block(self, at: int) -> int:
        """Read a block before the first packet. Returns the offset of the next; 0 if it cannot be read."""
        if self._data[at : at + 4] == SECTION.to_bytes(4, "little"):
            self._begin_section(at)
        kind, size = self._head(at)
        if self.cut or self._order != "<" or not self._is_whole(at, size, 0):
            return 0
        if kind == INTERFACE:
            self._interfaces.append(self._interface(self._data[at + 8 : at + size - 4]))
        return at + size

    def is_ours(self) -> bool:
        """Whether the interfaces are those that this module writes, in its order and resolution."""
        wanted = [(name == INTERFACE_NAMES[ECHO], NS_PER_S) for name in INTERFACE_NAMES]
        return [(one.is_echo, one.by) for one in self._interfaces] == wanted

    def _begin_section(self, at: int) -> None:
        mark = self._data[at + 8 : at + 12]
        orders = {ORDER_MARK.to_bytes(4, "little"): "<", ORDER_MARK.to_bytes(4, "big"): ">"}
        if len(mark) == 4 and mark not in orders:
            if at == 0:
                raise FileError(self.source, ["it is not a capture (its byte order mark is wrong)"])
            self.cut = f"a section with a wrong byte order mark begins at byte {at}"
        self._order = orders.get(mark, "<")
        self._interfaces = []

    def _head(self, at: int) -> tuple[int, int]:
        if at + 8 > len(self._data):
            return 0, MAX_BLOCK_BYTES
        kind, size = struct.unpack_from(self._order + "II", self._data, at)
        return kind, size

    def _is_whole(self, at: int, size: int, count: int) -> bool:
        data = self._data
        end = at + size
        if end > len(data) and size <= MAX_BLOCK_BYTES:
            self.cut = f"it ends in the middle of a packet (at byte {len(data)}); {count} packets before that are whole"
        elif size < 12 or size % 4 or size > MAX_BLOCK_BYTES or data[at + 4 : at + 8] != data[end - 4 : end]:
            self.cut = f"it is damaged at byte {at}; {count} packets before that are whole"
        return not self.cut

    def _options(self, data: bytes) -> Iterator[tuple[int, bytes]]:
        at = 0
        for _ in range(MAX_OPTIONS):
            if at + 4 > len(data):
                return
            code, size = struct.unpack_from(self._order + "HH", data, at)
            if code == OPT_END:
                return
            yield code, data[at + 4 : at + 4 + size]
            at += 4 + size + -size % 4

    def _interface(self, body: bytes) -> _Interface:
        link_type = struct.unpack_from(self._order + "H", body)[0] if len(body) >= 8 else -1
        if link_type != LINK_TYPE:
            raise FileError(
                self.source, [f"its packets are of link type {link_type}; those of this bus are {LINK_TYPE} (USER0)"]
            )
        name, speed, resolution = "", 0, DEFAULT_DIGITS
        for code, value in self._options(body[8:]):
            if code == OPT_NAME:
                name = value.decode("utf-8", "replace")
            elif code == OPT_SPEED and len(value) == 8:
                speed = struct.unpack(self._order + "Q", value)[0]
            elif code == OPT_RESOLUTION and len(value) == 1:
                resolution = value[0]
        self.baud = self.baud or speed
        units_per_s = 1 << (resolution & 0x7F) if resolution & 0x80 else 10**resolution
        return _Interface(name == INTERFACE_NAMES[ECHO], speed, NS_PER_S, units_per_s)

    def _packet(self, body: bytes, at: int) -> Packet | None:
        if len(body) < 20:
            self.cut = f"it is damaged at byte {at}"
            return None
        number, high, low, size, _ = struct.unpack_from(self._order + "IIIII", body)
        if number >= len(self._interfaces) or 20 + size > len(body):
            self.cut = f"it is damaged at byte {at}"
            return None
        interface = self._interfaces[number]
        flags, comments = 0, []
        for code, value in self._options(body[20 + size + -size % 4 :]):
            if code == OPT_FLAGS and len(value) == 4:
                flags = struct.unpack(self._order + "I", value)[0]
            elif code == OPT_COMMENT:
                comments.append(value.decode("utf-8", "replace"))
        return Packet(
            interface.time_ns(high << 32 | low),
            body[20 : 20 + size],
            flags & DIRECTION_BITS == SENT,
            interface.is_echo,
            flags & ERROR_BITS,
            "; ".join(comments),
        )


def head_layout(source: str, data: bytes) -> tuple[int, int] | None:
    """The offset of the first packet, and the line rate, of a file whose head is as `head_bytes` makes it; else None.

    Raises:
        FileError: its packets are of another link type.
    """
    walk = _Walk(source, data)
    at = 0
    while at < len(data):
        kind = int.from_bytes(data[at : at + 4], "little")
        if kind == PACKET:
            break
        if kind not in {SECTION, INTERFACE} or (kind == SECTION) != (at == 0):
            return None
        at = walk.head_block(at)
        if not at:
            return None
    return (at, walk.baud or DEFAULT_BAUD) if walk.is_ours() else None
