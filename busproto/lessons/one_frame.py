"""Lesson ``frame``: one request on the line, its bytes one by one, and what one flipped bit does to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from busproto.lessons.bench import (
    BAUD,
    BIT_NS,
    BYTE_RULER,
    LessonActuator,
    bits_of,
    build,
    draw,
    hexed,
    ns_of_byte,
    run,
    several,
)
from busproto.lessons.scene import BYTE, Lesson, Question, Scene, Scope, Solution, Table, Wave
from busproto.ops.moving.motion import demand
from busproto.sim.line.receiver import ReceivedByte, Receiver
from busproto.sim.line.waveform import BITS_PER_BYTE, bits_ns, inverted_between, of_bytes, rate_of
from busproto.wire import BadFrame, Decoder, Frame
from busproto.wire.crc import TRAILER_BYTES, crc24
from busproto.wire.definition.layout import restore_zeros
from busproto.wire.messages import MAX_DEMAND

NAME: Final = "frame"
SHOWN_BYTES: Final = 5
HEADER: Final = (
    ("control", "bits 7..5: frame version; bit 4: set in a reply; the rest is 0"),
    ("payload length", "the number of payload bytes after the header"),
    ("destination", "the actuator that it is for"),
    ("source", "the sender; 0 is the host"),
    ("sequence", "a number that the reply has to repeat"),
    ("operation", "what is asked for; 41 (hex) is 'demand'"),
)


@dataclass(frozen=True, slots=True)
class _Request:
    """One demand on the virtual bus.

    Attributes:
        address, percent: of the actuator, and its demand in % of travel.
        wire: the request as it was on the line.
        reply: the answer as it was on the line.
    """

    address: int
    percent: int
    wire: bytes
    reply: bytes

    @property
    def encoded(self) -> bytes:
        """E: the body without zero bytes."""
        return self.wire[1 : -1 - TRAILER_BYTES]

    @property
    def check(self) -> bytes:
        """T: the check bytes behind the body, before the last zero byte."""
        return self.wire[-1 - TRAILER_BYTES : -1]


def _request(seed: int) -> _Request:
    rng = draw(NAME, seed)
    address, percent = rng.randint(1, 239), rng.choice([-1, 1]) * rng.randint(1, 99)
    bus = build(seed, [LessonActuator("A", address)])
    run(bus, demand(address, percent / 100))
    sent = bus.line.record or []
    return _Request(address, percent, sent[0].data, sent[1].data)


def _scenes(seed: int) -> Iterator[Scene]:
    request = _request(seed)
    wire = request.wire
    microseconds = len(wire) * BITS_PER_BYTE * BIT_NS / 1000
    yield Scene(
        "A request on the line",
        (
            f"The host asks the actuator at address {request.address} to go to {request.percent:+d} % of its travel. "
            f"On the line that is {len(wire)} bytes:",
            hexed(wire),
            f"Each byte takes 10 bits: a start bit (low), 8 data bits, a stop bit (high). At {BAUD} bits per second "
            f"the request takes {microseconds:.0f} us. A byte goes out low bit first: the first data bit is worth 1, "
            "the last one 128.",
        ),
        scope=Scope(
            -round(2 * BIT_NS),
            SHOWN_BYTES * BITS_PER_BYTE + 2,
            BIT_NS,
            "  " + BYTE_RULER * SHOWN_BYTES,
            (Wave("the line", tuple(of_bytes(0, wire[:SHOWN_BYTES], rate_of(BAUD)))),),
        ),
        after=(
            f"These are the first {SHOWN_BYTES} bytes: {hexed(wire[:SHOWN_BYTES])}. s is a start bit, p a stop bit. "
            "An idle line is high. So the fall to a start bit tells every receiver where a byte begins.",
        ),
    )
    yield Scene(
        "Its bytes, field by field",
        (
            "A zero byte marks both ends of a frame, and stands nowhere else. So a receiver that joins late, or was "
            "hit by noise, finds the next frame. A zero inside is replaced: in its place stands how many bytes further "
            "the next one is. In front of all stands how far the first one is. This trick is called COBS.",
        ),
        table=Table(("at", "byte", "what", "meaning"), tuple(_field_rows(request))),
    )
    yield _check_scene(request)
    yield _flip_scene(request, _flipped(seed, request, "shown"))
    yield _all_flips_scene(request)


def _field_rows(request: _Request) -> Iterator[tuple[str, str, str, str]]:
    encoded, body = request.encoded, restore_zeros(request.encoded)
    yield "0", "00", "delimiter", "a frame begins here"
    yield "1", f"{encoded[0]:02x}", "COBS", f"the first zero, or the end, is {several(encoded[0], 'byte')} further"
    for at, byte in enumerate(body):
        sent = encoded[at + 1]
        if at < len(HEADER):
            what, meaning = HEADER[at]
        else:
            what = f"payload {at - len(HEADER)}"
            low = at == len(HEADER)
            meaning = f"{request.percent:+d} % = {request.percent * MAX_DEMAND // 100} counts: " + (
                "low byte" if low else "high byte"
            )
        if sent != byte:
            meaning += f"; a zero, sent as {sent:02x}"
        yield str(at + 2), f"{sent:02x}", what, meaning
    for at, byte in enumerate(request.check):
        yield str(1 + len(encoded) + at), f"{byte:02x}", f"check {at}", f"7 bits of the check: {byte & 0x7F:07b}"
    yield str(len(request.wire) - 1), "00", "delimiter", "and ends here"


def _check_scene(request: _Request) -> Scene:
    encoded = request.encoded
    value = sum((byte & 0x7F) << 7 * at for at, byte in enumerate(request.check))
    zeros = sum(bits_of(byte).count("0") for byte in encoded)
    return Scene(
        "The check: 35 bits in 5 bytes",
        (
            f"The check covers the {several(len(encoded), 'byte')} between delimiter and check, as sent. It has two "
            "parts. The CRC is what is left of a long division, a kind of check digit: it finds flipped bits. The "
            "second part is plain: how many of those bits are 0. It finds answers that were laid over each other "
            "(lesson 'and').",
        ),
        table=Table(
            ("part", "from the check bytes", "counted anew by the receiver"),
            (
                ("CRC, 24 bits", f"{value & 0xFFFFFF:06x}", f"{crc24(encoded):06x}"),
                ("zero bits, 11 bits", str(value >> 24), str(zeros)),
            ),
        ),
        after=("Both agree: the frame is good. Bit 7 is set in each check byte, so that none of them is zero.",),
    )


@dataclass(frozen=True, slots=True)
class _Flip:
    """One flipped bit.

    Attributes:
        number: of the byte, from 0.
        bit: of the frame of that byte: 0 is the start bit, 1..8 the data bits, 9 the stop bit.
        received: the bytes that a receiver gets.
    """

    number: int
    bit: int
    received: list[ReceivedByte]

    @property
    def data(self) -> bytes:
        return bytes(one.value for one in self.received)


def _flip(wire: bytes, number: int, bit: int) -> _Flip:
    """The request on the line with one bit flipped, and the bytes that a receiver gets."""
    rate = rate_of(BAUD)
    begin = number * BITS_PER_BYTE + bit
    edges = inverted_between(of_bytes(0, wire, rate), bits_ns(begin, rate), bits_ns(begin + 1, rate))
    received, _ = Receiver(BAUD).receive(edges, ns_of_byte(len(wire) + 2))
    return _Flip(number, bit, received)


def _flipped(seed: int, request: _Request, what: str) -> _Flip:
    """A data bit between the delimiters, drawn by the seed; another one for each `what`."""
    rng = draw(f"{NAME} {what}", seed)
    return _flip(request.wire, rng.randrange(1, len(request.wire) - 1), rng.randint(1, 8))


def _verdict(data: bytes) -> Frame | BadFrame | None:
    """The frame or bad frame that a receiver finds in these bytes, once a next frame has begun; None for nothing."""
    found = Decoder().feed(data + b"\x00")
    good = [one for one in found if isinstance(one, Frame)]
    return next(iter((*good, *found)), None)


def _flip_scene(request: _Request, flip: _Flip) -> Scene:
    sent, got = request.wire[flip.number], flip.data[flip.number]
    found = _verdict(flip.data)
    assert isinstance(found, BadFrame)
    worth = 1 << (flip.bit - 1)
    return Scene(
        "One bit flips",
        (f"Noise turns one bit over: data bit {flip.bit - 1} of byte {flip.number}. That bit is worth {worth}.",),
        table=Table(
            ("", "byte", "bits as sent, low one first"),
            (
                ("sent", f"{sent:02x}", bits_of(sent)),
                ("received", f"{got:02x}", bits_of(got)),
            ),
        ),
        after=(
            f"What the receiver makes of the frame: dropped, reason '{found.reason}' ({found.detail}). It says nothing "
            "and does nothing. The host gets no answer and asks again.",
        ),
    )


def _all_flips_scene(request: _Request) -> Scene:
    wire = request.wire
    dropped, passed = 0, []
    for number in range(len(wire)):
        for bit in range(BITS_PER_BYTE):
            flip = _flip(wire, number, bit)
            if isinstance(_verdict(flip.data), Frame):
                passed.append(flip)
            else:
                dropped += 1
    total = len(wire) * BITS_PER_BYTE
    after = [f"Tried just now, all {total} of them, one at a time: {dropped} times the frame was dropped."]
    if passed:
        after.append(
            f"{several(len(passed), 'time')} it was taken all the same, and rightly, as nothing in it had changed:"
        )
        after += [f"- {_bit_text(flip)}: {_harmless(flip, wire)}" for flip in passed]
    return Scene("Every bit that could flip", ("Was that luck? Start and stop bits can flip too.",), after=tuple(after))


def _bit_text(flip: _Flip) -> str:
    names = {0: "the start bit", 9: "the stop bit"}
    return f"{names.get(flip.bit, f'data bit {flip.bit - 1}')} of byte {flip.number}"


def _harmless(flip: _Flip, wire: bytes) -> str:
    """Why a frame is good in which a bit was flipped."""
    if flip.data == wire:
        return "every byte arrived as sent. A stop bit carries nothing."
    if flip.data == wire[:-1]:
        return "only the zero behind the frame was missed. The one before the next frame does as well."
    return f"the receiver saw {hexed(flip.data)}."


def _question(seed: int) -> Question:
    request = _request(seed)
    flip = _flipped(seed, request, "asked")
    number, bit = flip.number, flip.bit

    def solve() -> Solution:
        sent, got = request.wire[number], flip.data[number]
        worth = 1 << (bit - 1)
        change = "0 to 1, which adds" if got > sent else "1 to 0, which takes away"
        return Solution(
            got,
            f"data bit {bit - 1} is worth {worth}; it goes from {change} {worth}: {sent:02x} becomes {got:02x} (hex)",
        )

    return Question(
        f"Byte {number} of the request is {request.wire[number]:02x} (hex). Now its data bit {bit - 1} flips, and no "
        "other. Which byte does the receiver see in its place?",
        BYTE,
        solve,
    )


LESSON: Final = Lesson(NAME, "What a frame is, byte by byte, and what one flipped bit does", _scenes, _question)
