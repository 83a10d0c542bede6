"""The transcript of a case: what went over the line, as rows, as a picture, and as a capture file.

With a side channel the times are those of the line; without one they are those at which the port sent and received.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from busproto._version import version_text
from busproto.atomic_files import write_whole
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes
from busproto.capture.pieces import kind_of
from busproto.capture.recorder import Recorder
from busproto.conformance.dut import Dut
from busproto.errors import DecodeError
from busproto.wire.codec import message_of
from busproto.wire.message import OPERATIONS

HOST, ACTUATOR, OTHER = "host", "actuator", "other"
MOST_SHOWN: Final = 24
"""Transmissions in the picture: the last ones before the case failed."""
MOST_KEPT: Final = 2000
MOST_LINES: Final = 12
_LEFT, _TOP, _LANE, _HEIGHT, _LEAST_WIDTH = 78, 26, 46, 24, 14
_PX_PER_MS: Final = 62.0
_LONGEST_GAP_MS: Final = 1.0
"""A longer silence is drawn so long, broken, with its length in words."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """One transmission.

    Attributes:
        start_ns, end_ns: first start bit, and end of the last stop bit.
        by: HOST, ACTUATOR (the one under test) or OTHER.
        data: the bytes.
    """

    start_ns: int
    end_ns: int
    by: str
    data: bytes

    @property
    def words(self) -> str:
        """What it is, in a few words."""
        frame = kind_of(self.data).frame
        if frame is None:
            return f"{len(self.data)} byte{'s' if len(self.data) > 1 else ''} outside a frame"
        known = OPERATIONS.get(frame.operation)
        name = known.name if known else f"operation {frame.operation:02x}"
        return f"{'reply to ' if frame.is_reply else ''}{name}"

    @property
    def detail(self) -> str:
        """The message with its fields, where it is one."""
        frame = kind_of(self.data).frame
        try:
            return "" if frame is None else str(message_of(frame))
        except DecodeError as error:
            return str(error)


def packets_of(dut: Dut) -> list[Packet]:
    """What the port sent and received, as packets of a capture."""
    found: list[Packet] = []

    class _Kept:
        def write(self, packet: Packet) -> None:
            found.append(packet)

    recorder = Recorder(_Kept(), dut.transport.baud, dut.transport.latency_ns)
    for time_ns, is_sent, data in dut.log:
        (recorder.sent if is_sent else recorder.heard)(data, time_ns)
    recorder.end()
    return found


def spoken_of(dut: Dut, packets: Iterable[Packet]) -> list[Spoken]:
    """The transmissions of the case, in order. Raises SideError: the side channel does not answer any more."""
    if dut.side is not None and dut.can("heard"):
        side = dut.side
        return [
            Spoken(one.start_ns, one.end_ns, HOST if one.by == "host" else _who(side.is_own(one)), one.data)
            for one in side.heard(dut.begun_ns)
        ]
    found = []
    for packet in packets:
        if packet.is_echo:
            continue
        airtime_ns = dut.airtime_ns(len(packet.data))
        start_ns = packet.time_ns if packet.is_sent else packet.time_ns - airtime_ns
        frame = kind_of(packet.data).frame
        is_own = frame is None or frame.tag == dut.tag
        found.append(Spoken(start_ns, start_ns + airtime_ns, HOST if packet.is_sent else _who(is_own), packet.data))
    return found


def as_data(dut: Dut) -> dict[str, Any]:
    """What went over the line, as numbers and texts that can be handed from process to process."""
    packets = packets_of(dut)
    return {
        "baud": dut.transport.baud,
        "packets": [
            [one.time_ns, one.data.hex(), one.is_sent, one.is_echo, one.errors, one.comment]
            for one in packets[-MOST_KEPT:]
        ],
        "spoken": [[one.start_ns, one.end_ns, one.by, one.data.hex()] for one in spoken_of(dut, packets)[-MOST_KEPT:]],
    }


def packets_in(data: Mapping[str, Any]) -> list[Packet]:
    """The packets of `as_data`."""
    return [Packet(at, bytes.fromhex(raw), *rest) for at, raw, *rest in data["packets"]]


def spoken_in(data: Mapping[str, Any]) -> list[Spoken]:
    """The transmissions of `as_data`."""
    return [Spoken(start_ns, end_ns, by, bytes.fromhex(raw)) for start_ns, end_ns, by, raw in data["spoken"]]


def last_lines(data: Mapping[str, Any]) -> list[str]:
    """The last transmissions in lines for a terminal."""
    rows = rows_of(spoken_in(data))[-MOST_LINES:]
    return [f"{at:>12} ms  {by:<8}  {what}  [{raw}]" for at, by, what, raw in rows]


def _who(is_own: bool) -> str:
    return ACTUATOR if is_own else OTHER


def write_capture(path: Path, packets: Iterable[Packet], baud: int, comment: str) -> None:
    """Write the packets as a capture, which `busproto decode` reads. Raises FileError."""
    body = b"".join(map(packet_bytes, packets))
    write_whole(path, head_bytes(baud, version_text(), comment) + body)


def rows_of(spoken: Sequence[Spoken]) -> list[tuple[str, str, str, str]]:
    """Of each transmission: ms since the first one, by which device, what it is, its bytes."""
    first_ns = spoken[0].start_ns if spoken else 0
    return [
        (f"{(one.start_ns - first_ns) / 1e6:.3f}", one.by, one.detail or one.words, one.data.hex(" ")) for one in spoken
    ]


def picture(spoken: Sequence[Spoken]) -> str:
    """The last transmissions as an SVG picture: time runs to the right, a row for each device."""
    shown = spoken[-MOST_SHOWN:]
    if not shown:
        return ""
    lanes = [one for one in (HOST, ACTUATOR, OTHER) if any(it.by == one for it in shown)]
    at_px, breaks = _places(shown)
    width = at_px[-1] + _width(shown[-1]) + 20
    height = _TOP + _LANE * len(lanes) + 8
    parts = [
        f'<svg class="line" viewBox="0 0 {width:.0f} {height}" width="{width:.0f}" height="{height}" role="img">'
        f"<title>The line: the last {len(shown)} transmissions</title>"
    ]
    for number, lane in enumerate(lanes):
        y = _TOP + number * _LANE + _HEIGHT
        parts.append(f'<text x="4" y="{y - 7}">{lane}</text><path class="idle" d="M{_LEFT} {y}H{width:.0f}"/>')
    for one, x in zip(shown, at_px, strict=True):
        y = _TOP + lanes.index(one.by) * _LANE
        told = f"{(one.start_ns - shown[0].start_ns) / 1e6:.3f} ms: {one.detail or one.words}\n{one.data.hex(' ')}"
        parts.append(
            f'<g><title>{escape(told)}</title><rect class="{one.by}" x="{x:.1f}" y="{y}" width="{_width(one):.1f}" '
            f'height="{_HEIGHT}"/><text class="name" x="{x + 3:.1f}" y="{y + 16}">{escape(_fitting(one))}</text></g>'
        )
    parts += [
        f'<path class="break" d="M{x:.1f} {_TOP}V{height - 8}"/><text class="gap" x="{x:.1f}" y="14">{text}</text>'
        for x, text in breaks
    ]
    return "".join([*parts, "</svg>"])


def _width(one: Spoken) -> float:
    return max(_LEAST_WIDTH, (one.end_ns - one.start_ns) / 1e6 * _PX_PER_MS)


def _fitting(one: Spoken) -> str:
    most = int((_width(one) - 6) / 6.2)
    return (
        one.words if len(one.words) <= most else one.words[: max(0, most - 1)] + "\N{HORIZONTAL ELLIPSIS}" * (most > 1)
    )


def _places(shown: Sequence[Spoken]) -> tuple[list[float], list[tuple[float, str]]]:
    """Where each begins, px, and where long silences were cut short, with their lengths."""
    at_px, breaks = [_LEFT + 8.0], []
    for before, one in pairwise(shown):
        gap_ms = (one.start_ns - before.end_ns) / 1e6
        end_px = at_px[-1] + _width(before)
        if gap_ms > _LONGEST_GAP_MS:
            breaks.append((end_px + _LONGEST_GAP_MS * _PX_PER_MS / 2, f"{gap_ms:.3g} ms"))
        at_px.append(end_px + max(-_width(before) / 2, min(gap_ms, _LONGEST_GAP_MS) * _PX_PER_MS))
    return at_px, breaks
