"""What one frame costs: the generated codec, construct, two codecs by hand, and a Modbus RTU framer.

Encoding begins at a message and an address and ends at wire bytes; decoding begins at wire bytes and ends at a
message. All but Modbus do the same checks on the same bytes; Modbus has a frame of like size (within a byte) of 16
bit registers, its own smaller set of checks, and a CRC in Python.
"""

from __future__ import annotations

import dataclasses
import platform
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from busproto._version import crc_is_compiled
from busproto.wire import Frame, Message, decode_frame, encode_frame, message_of, reply_frame, request_frame
from busproto.wire.generators.reference import compose_frame, compose_payload, interpret_frame, interpret_message
from busproto.wire.messages import DemandAll, Report, State, Status
from tests.bench import by_hand
from tests.bench.timing import best_seconds

OURS: Final = "busproto, generated"
INTERPRETED: Final = "construct, interpreted"
_DIRECTIONS: Final = ("decode", "encode")


@dataclass(frozen=True, slots=True)
class Subject:
    """One message to time.

    Attributes:
        name: as printed.
        message: in our class.
        hand_message: the same, in the class written by hand.
        header: of its frame.
        encode: from the message to wire bytes by the product.
    """

    name: str
    message: Message
    hand_message: by_hand.HandStatus | by_hand.HandDemands
    header: by_hand.Header

    encode: Callable[[], bytes]


_ASKED: Final = request_frame(Report(), 5, 7)
_STATUS: Final = Status(State.FOLLOWING, 0, 1234, 1230, 450, 7400, 3150, 12, 4000, 3, 0)
_DEMANDS: Final = DemandAll(tuple(range(-1600, 1600, 100)))
SUBJECTS: Final = (
    Subject(
        "status reply",
        _STATUS,
        by_hand.HandStatus(2, *dataclasses.astuple(_STATUS)[1:]),
        by_hand.Header(0, 5, 7, Status.OPERATION, 0xBEEF),
        lambda: encode_frame(reply_frame(_STATUS, _ASKED, 5, 0xBEEF)),
    ),
    Subject(
        "demand of 32 channels",
        _DEMANDS,
        by_hand.HandDemands(_DEMANDS.demands),
        by_hand.Header(0xFF, 0, 7, DemandAll.OPERATION, None),
        lambda: encode_frame(request_frame(_DEMANDS, 0xFF, 7)),
    ),
)


def _modbus(size: int) -> tuple[Callable[[], object], Callable[[], object]]:
    """Decode and encode of a Modbus RTU response of `size` or one more bytes."""
    framer = FramerRTU(DecodePDU(False))
    registers = [(7919 * number) & 0xFFFF for number in range((size - 4) // 2)]
    response = ReadHoldingRegistersResponse(registers=registers, dev_id=5)
    wire = framer.buildFrame(response)
    assert abs(len(wire) - size) <= 1
    _, decoded = framer.handleFrame(wire, 5, 0)
    assert decoded is not None
    assert decoded.registers == registers
    return (lambda: framer.handleFrame(wire, 5, 0)), (lambda: framer.buildFrame(response))


def contenders(subject: Subject) -> dict[str, dict[str, Callable[[], object]]]:
    """By direction, each contender's code; all of them have been seen to agree."""
    message: Any = subject.message
    head = subject.header
    wire = subject.encode()
    hand_made, c_made = by_hand.in_python, by_hand.with_c
    modbus_decode, modbus_encode = _modbus(len(wire))

    def compose() -> bytes:
        payload = compose_payload(message)
        return compose_frame(Frame(head.destination, head.source, head.sequence, head.operation, payload, head.tag))

    decode: dict[str, Callable[[], object]] = {
        OURS: lambda: message_of(decode_frame(wire)),
        INTERPRETED: lambda: interpret_message(interpret_frame(wire)),
        "struct by hand": lambda: hand_made.decode(wire)[1],
        "struct by hand, COBS in C": lambda: c_made.decode(wire)[1],
        "Modbus RTU, pymodbus": modbus_decode,
    }
    encode: dict[str, Callable[[], object]] = {
        OURS: subject.encode,
        INTERPRETED: compose,
        "struct by hand": lambda: hand_made.encode(head, subject.hand_message),
        "struct by hand, COBS in C": lambda: c_made.encode(head, subject.hand_message),
        "Modbus RTU, pymodbus": modbus_encode,
    }
    for name in list(encode)[:4]:
        made, read = encode[name](), decode[name]()
        if made != wire or read not in (message, subject.hand_message):
            raise AssertionError(f"{name} does not agree on the {subject.name}")
    return {"decode": decode, "encode": encode}


def run(rounds: int) -> None:
    """Print microseconds per frame and how many times as long as ours each takes."""
    compiled = "compiled" if crc_is_compiled() else "in Python"
    print(f"codec, Python {platform.python_version()}, crcmod {compiled}, best of {rounds} interleaved rounds")
    for subject in SUBJECTS:
        size = len(subject.encode())
        print(f"\n{subject.name}, {size} bytes on the wire")
        print(f"{'':28}{'decode us':>10}{'x ours':>8}{'encode us':>12}{'x ours':>8}")
        timed = contenders(subject)
        best = {direction: best_seconds(timed[direction], rounds=rounds, slice_s=0.004) for direction in _DIRECTIONS}
        for name in timed["decode"]:
            decode_s, encode_s = (best[direction][name] for direction in _DIRECTIONS)
            ratios = [best[direction][name] / best[direction][OURS] for direction in _DIRECTIONS]
            print(f"  {name:26}{decode_s * 1e6:10.2f}{ratios[0]:8.2f}{encode_s * 1e6:12.2f}{ratios[1]:8.2f}")
