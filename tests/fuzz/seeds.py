"""Inputs to begin with, made from the shipped captures: what hosts and actuators really said, both ways.

No corpus is stored: every capture becomes a few inputs for each target, in the form that the target reads (see the
actions in its source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from busproto.capture.pcapng import Packet, read
from busproto.capture.pieces import kind_of
from busproto.wire import Frame
from busproto.wire.definition.layout import restore_zeros
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED
from tests.capture.make import CAPTURES

PACKETS: Final = 10
"""Of a capture in one input."""
INPUTS: Final = 12
"""Of a capture, at most: the longest one says the same again and again."""
ITSELF, ALL, WITHOUT_ADDRESS, RAW, REPLY = 0, 1, 2, 3, 4
"""Whom a frame is for, as `take_frame` in oracle.h reads it."""
_TIME: Final = 0x9B
"""About 6 ms, as `some_time` in reference_target.c reads it."""


def _frame_action(frame: Frame, header: bytes) -> bytes:
    tag = b"" if frame.tag is None else frame.tag.to_bytes(2, "little")
    header = bytes([header[0] | (REPLY if frame.is_reply else 0)]) + header[1:]
    head = header + bytes([frame.source, frame.sequence, frame.operation]) + tag
    return b"\x01" + head + bytes([len(frame.payload)]) + frame.payload


def _raw_action(data: bytes, most: int) -> bytes:
    return b"".join(
        b"\x00" + bytes([len(part)]) + part for part in (data[at : at + most] for at in range(0, len(data), most))
    )


def _for_codec(packets: list[Packet]) -> bytes:
    made = b""
    for packet in packets:
        frame = kind_of(packet.data).frame
        raw = _raw_action(packet.data, 255)
        made += raw if frame is None else _frame_action(frame, bytes([RAW, frame.destination]))
    return made


def _for_reference(packets: list[Packet]) -> bytes:
    """Whatever is for one actuator is for this one."""
    made = b"\x00\x80\x01"
    header = {BROADCAST_ADDRESS: bytes([ALL]), UNADDRESSED: bytes([WITHOUT_ADDRESS]), HOST_ADDRESS: bytes([RAW, 0])}
    for packet in packets:
        frame = kind_of(packet.data).frame
        if packet.is_echo:
            continue
        if frame is None:
            made += _raw_action(packet.data, 63)
        else:
            made += _frame_action(frame, header.get(frame.destination, bytes([ITSELF]))) + bytes([_TIME])
    return made


def _for_decoder(packets: list[Packet]) -> bytes:
    made = b""
    for packet in packets:
        if kind_of(packet.data).frame is None:
            made += _raw_action(packet.data, 255)
        else:
            body = restore_zeros(packet.data.strip(b"\x00")[:-5])
            made += b"\x01" + bytes([len(body)]) + body
    return made


_AT_FIVE: Final = "00 80 01"
"""At address 5, following channel 1."""
_COMMIT, _ENGAGE, _RELEASE_ALL, _REPORT = "02 00", "02 01", "02 82", "02 03"
_DEMAND, _DEMAND_ALL, _ASSIGN_SEVEN = "02 04 20", "02 05 20 20", "02 06 06"
_DEMAND_BACK, _DEMAND_OTHER, _REVERSED, _BENT = "02 04 a0", "02 05 80 20", "03 03 01", "03 15 31"
_SUPPRESS, _CALL, _CALL_ANEW, _CALL_ACKNOWLEDGES = (
    "02 0b 01",
    "02 0c 01 07 04 00",
    "02 0c 02 07 04 00",
    "02 0c 01 08 04 01",
)
_MEMBER_LIST_WITH_IT, _MEMBER_LIST_WITHOUT, _SECOND_PART = (
    "02 0e 03 01 01 02 00 03",
    "02 0e 03 07 01 02 00 03",
    "02 0e 02 07 01 02 03 05",
)
_SET_END_LOW, _CUT_IN_BYTE_16, _HOT, _POWER_FAILS = "03 06 01", "07 10", "09 01 00 30", "06 9b 9b"
_50_MS, _SECOND = "05 01", "05 14"
_STORIES: Final = {
    "taken-up-and-lost": (_DEMAND_ALL, _SECOND),
    "released-and-demanded": (_ENGAGE, _RELEASE_ALL, _DEMAND_ALL, _DEMAND),
    "written-and-kept": (_SET_END_LOW, _COMMIT, _50_MS, _POWER_FAILS, _REPORT),
    "cut-while-storing": (_SET_END_LOW, _CUT_IN_BYTE_16, _COMMIT, _50_MS, _REPORT),
    "suppressed-and-called": (_SUPPRESS, _CALL, _50_MS),
    "called-in-a-new-epoch": (_SUPPRESS, _CALL_ANEW, _50_MS),
    "called-and-acknowledged": (_CALL, _50_MS, _CALL_ACKNOWLEDGES, _50_MS, _CALL, _50_MS),
    "in-the-member-list-and-not": (
        _MEMBER_LIST_WITH_IT,
        _50_MS,
        _CALL,
        _50_MS,
        _MEMBER_LIST_WITHOUT,
        _50_MS,
        _SECOND_PART,
        _50_MS,
    ),
    "moved-to-another-address": (_ENGAGE, _ASSIGN_SEVEN, _50_MS, _REPORT),
    "written-and-moved-away": (_SET_END_LOW, _ASSIGN_SEVEN, _50_MS, _POWER_FAILS, _REPORT),
    "driven-to-its-end": (_SET_END_LOW, _DEMAND_BACK, _50_MS, _REVERSED, _50_MS, _BENT, _50_MS),
    "not-its-channel": (_DEMAND_OTHER, _50_MS, _ENGAGE, _DEMAND_OTHER, _SECOND),
    "driven-and-hot": (_ENGAGE, _HOT, _DEMAND, _SECOND, _ENGAGE),
}
"""What the captures do not hold: a few courses of events that matter, in the actions of reference_target.c."""

_MAKERS: Final[dict[str, Callable[[list[Packet]], bytes]]] = {
    "codec": _for_codec,
    "reference": _for_reference,
    "decoder": _for_decoder,
}


def seeds_of(target: str) -> Iterator[tuple[str, bytes]]:
    """Name and content of every seed of a target."""
    make = _MAKERS[target]
    if target == "reference":
        for name, actions in _STORIES.items():
            yield name, bytes.fromhex(" ".join((_AT_FIVE, *actions)))
    if target == "codec":
        yield "edges", bytes.fromhex(" ".join(f"07 ff {how:02x}" for how in range(0x20, 0x25)))
    for path in sorted(CAPTURES.glob("*.pcapng")):
        packets = read(path).packets
        for number, at in enumerate(range(0, min(len(packets), PACKETS * INPUTS), PACKETS)):
            yield f"{path.stem}-{number}", make(list(packets[at : at + PACKETS]))


def write_seeds(target: str, place: Path) -> int:
    """Write every seed into a folder; returns how many there are."""
    place.mkdir(parents=True, exist_ok=True)
    count = 0
    for name, data in seeds_of(target):
        (place / name).write_bytes(data)
        count += 1
    return count
