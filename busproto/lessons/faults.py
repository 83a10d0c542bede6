"""Lessons ``stuck`` and ``baud``: what the host sees of a line that is held low, and of a wrong line rate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from busproto.lessons.bench import (
    BAUD,
    BIT_NS,
    BYTE_RULER,
    LessonActuator,
    answers_on,
    bits_of,
    build,
    draw,
    heard_in,
    hexed,
    ns_of_byte,
    ruler_of,
    run,
    several,
)
from busproto.lessons.overlap import SAID
from busproto.lessons.scene import BYTE, Curve, Lesson, Plot, Question, Scene, Scope, Solution, Table, Wave
from busproto.ops.discovery.search import find
from busproto.ops.steps import exchange
from busproto.session.exchange import Ask, Heard
from busproto.sim.bus import VirtualBus
from busproto.sim.line.receiver import ReceivedByte, Receiver
from busproto.sim.line.waveform import BITS_PER_BYTE, PPM, of_bytes, rate_of
from busproto.wire import Decoder, Frame
from busproto.wire.codec import encode_frame, request_frame
from busproto.wire.messages import Report

STUCK: Final = "stuck"
WRONG_BAUD: Final = "baud"
MS: Final = 1_000_000
RATES: Final = (19_200, 38_400, 57_600, 76_800, 230_400, 250_000)
MOST_ERROR_PERCENT: Final = 8
TENTHS: Final = 10
FAST_SHOWN_BITS: Final = 16
"""A picture of a faster sender shows fewer bits, so that the sender's bits can be distinguished."""


def _ask(bus: VirtualBus, address: int) -> Heard:
    """Ask for a report; returns all that comes back."""
    return heard_in(bus, exchange(Ask.one(Report(), address, listen_out=True)))[0]


def _let_pass(bus: VirtualBus, until_ns: int) -> bytes:
    """Bytes that the host receives until `until_ns` without a request."""
    data = b""
    while bus.kernel.now_ns < until_ns:
        data += bus.host.read_until(until_ns)
    return data


# --- stuck ------------------------------------------------------------------------------------------------------


def _stuck_scenes(seed: int) -> Iterator[Scene]:
    rng = draw(STUCK, seed)
    address, held_ms = rng.randint(1, 239), rng.randint(30, 90)
    bus = build(seed, [LessonActuator("A", address)])
    good = _ask(bus, address)
    begin_ns = bus.kernel.now_ns + MS

    def hold() -> None:
        bus.line.pull_low(object(), begin_ns + held_ms * MS)

    bus.kernel.at(begin_ns, hold)
    silent = _let_pass(bus, begin_ns + 10 * MS)
    stuck = _ask(bus, address)
    tail = _let_pass(bus, begin_ns + (held_ms + 5) * MS)
    again = _ask(bus, address)
    pull = next(sent for sent in bus.line.record or () if not sent.data)
    low, _ = Receiver(BAUD, pull.start_ns).receive(pull.edges, pull.end_ns + ns_of_byte(2))
    wire = encode_frame(request_frame(Report(), address, stuck.sequence))[:4]
    yield Scene(
        "Something holds the line low",
        (
            f"One actuator, address {address}. After a while something pulls the line low and keeps it there, for "
            f"{held_ms} ms: a damaged driver, a pinched wire, a connector the wrong way round.",
            "The line is low where any driver pulls. So no driver can send a 1 any more, and no start bit is seen, as "
            "there is no fall. The host's bits go nowhere:",
        ),
        scope=Scope(
            0,
            len(wire) * BITS_PER_BYTE,
            BIT_NS,
            BYTE_RULER * len(wire),
            (Wave("host drives", tuple(of_bytes(0, wire, rate_of(BAUD)))), Wave("the line", (0,))),
        ),
    )
    yield Scene(
        "What the host sees of it",
        ("Each row is one moment of the same run.",),
        table=Table(
            ("when", "bytes that came", "what the host makes of it"),
            (
                ("before: asks", hexed(good.raw[:4]) + " ...", SAID[good.verdict]),
                ("the line goes low", hexed(silent) or "none", _byte_text(low)),
                ("held low: asks", hexed(stuck.raw) or "none", _stuck_text(stuck)),
                ("it lets go", hexed(tail) or "none", "the line is high again"),
                ("behind: asks", hexed(again.raw[:4]) + " ...", SAID[again.verdict]),
            ),
        ),
        after=(
            "The fall is taken for a start bit. Then come eight zeros, and a stop bit that is low but must be high. "
            "That is called a framing error. After it a receiver waits for a high line: one byte, then silence.",
        ),
    )
    yield _kin_scene(seed, address)


def _stuck_text(heard: Heard) -> str:
    return SAID[heard.verdict] + ("" if heard.echoed else ", not even its echo")


def _byte_text(received: Sequence[ReceivedByte]) -> str:
    errors = sum(one.framing_error for one in received)
    return f"{several(len(received), 'byte')}, {several(errors, 'framing error')}"


def _kin_scene(seed: int, address: int) -> Scene:
    """Faults that look alike at first sight, told apart by the echo."""
    rows = []
    for text, prepare in (
        ("no fault", lambda bus: None),
        ("actuator without power", lambda bus: bus.actuators[0].power_off()),
        ("the line is held low", lambda bus: bus.line.pull_low(object(), 10_000 * MS)),
    ):
        bus = build(seed, [LessonActuator("A", address)])
        prepare(bus)
        _let_pass(bus, 2 * MS)
        heard = _ask(bus, address)
        rows.append((text, "yes" if heard.echoed else "no", f"{len(heard.raw)}", SAID[heard.verdict]))
    bus = build(seed, [LessonActuator("A", address)])
    bus.line.pull_low(object(), 10_000 * MS)
    roster = run(bus, find(rng=draw(f"{STUCK} find", seed)))
    return Scene(
        "Told apart by the echo",
        (
            "Host and actuators share one wire, so the host hears its own bytes: the echo. It tells a stuck line from "
            "an actuator that is not there.",
        ),
        table=Table(("fault", "echo", "bytes back", "what came"), tuple(rows)),
        after=(
            f"'busproto find' on the stuck line finds {several(len(roster.found), 'actuator')} and proves nothing: "
            f"{roster.reason}.",
        ),
    )


def _low_for(bits: int) -> ReceivedByte:
    """The byte that a receiver gets from a line that is low for `bits` bits."""
    bus = build(0, [])
    bus.line.pull_low(object(), round(bits * BIT_NS))
    received, _ = Receiver(BAUD).receive((bus.line.record or [])[0].edges, ns_of_byte(3))
    return received[0]


def _stuck_question(seed: int) -> Question:
    bits = draw(f"{STUCK} asked", seed).randint(2, 9)

    def solve() -> Solution:
        got = _low_for(bits)
        return Solution(
            got.value,
            f"the first low bit is taken for the start bit; the next {bits - 1} are data bits that are 0, the rest are "
            f"1. Low bit first: {bits_of(got.value)}, which is {got.value:02x} (hex)",
        )

    return Question(
        f"A loose wire pulls an idle line low for {bits} bits ({bits * BIT_NS / 1000:.1f} us), then lets go. A "
        "receiver takes it for a byte: a start bit, then data bits, low one first. Which byte does it see?",
        BYTE,
        solve,
    )


# --- baud -------------------------------------------------------------------------------------------------------


def _baud_scenes(seed: int) -> Iterator[Scene]:
    rng = draw(WRONG_BAUD, seed)
    rate, address = rng.choice(RATES), rng.randint(1, 239)
    bus = build(seed, [LessonActuator("A", address, baud=rate)], clock_ppm=0)
    heard = _ask(bus, address)
    request = (bus.line.record or [])[0]
    there, _ = Receiver(rate, request.start_ns).receive(request.edges, request.end_ns + 20 * ns_of_byte(1, rate))
    yield Scene(
        "An actuator that counts at another rate",
        (
            f"The host sends at {BAUD} bits per second. The actuator at address {address} is set to {rate}. It sees "
            "the fall of a start bit and then looks at the line at its own times: at the wrong ones.",
        ),
        table=Table(
            ("", "bytes", "framing errors"),
            (
                ("the host sends", hexed(request.data), "0"),
                ("the actuator sees", *_seen(there)),
            ),
        ),
        after=(
            "A framing error is a stop bit that is low. No frame is in that, so the actuator says nothing. The host: "
            f"{SAID[heard.verdict]}, {'the echo is whole' if heard.echoed else 'no echo'}. That looks like an actuator "
            "that is not there. With 'busproto find --baud' other rates can be tried.",
        ),
    )
    right = build(seed, [LessonActuator("A", address)], clock_ppm=0)
    right.set_baud(rate)
    _ask(right, address)
    answer = next(sent for _, sent in answers_on(right))
    received, _ = Receiver(BAUD, answer.start_ns).receive(answer.edges, answer.end_ns + ns_of_byte(2))
    found = Decoder().feed(bytes(one.value for one in received) + b"\x00")
    good = sum(isinstance(one, Frame) for one in found)
    frames = several(good, "good frame") if good else "no good frame"
    bits = 6 * BITS_PER_BYTE if rate < BAUD else FAST_SHOWN_BITS
    yield Scene(
        "Receiving at another rate",
        (f"The other way round: an answer goes out at {rate}, and a receiver that counts at {BAUD} listens.",),
        scope=Scope(
            0,
            bits,
            BIT_NS,
            ruler_of(received, answer.start_ns, bits),
            (Wave(f"at {rate}", tuple(edge - answer.start_ns for edge in answer.edges)),),
        ),
        table=Table(
            ("", "bytes", "framing errors"),
            (("sent", hexed(answer.data), "0"), ("received", *_seen(received))),
        ),
        after=(
            (
                "Slower than the receiver: each bit is seen more than once. "
                if rate < BAUD
                else "Faster than the receiver: bits pass unseen between two looks. "
            )
            + f"{several(len(answer.data), 'byte')} were sent, {len(received)} came, with {frames} in them. "
            "The letters show which bit the receiver takes each for.",
        ),
    )
    yield _sweep_scene(seed)


def _seen(received: list[ReceivedByte]) -> tuple[str, str]:
    data = bytes(one.value for one in received)
    return hexed(data) or "nothing", str(sum(one.framing_error for one in received))


def _sweep_scene(seed: int) -> Scene:
    """How far off a clock may be before frames are lost: slow and fast, in steps of a tenth of a percent."""
    wire = encode_frame(request_frame(Report(), draw(WRONG_BAUD, seed).randint(1, 239), 1))
    curves, limits = [], {}
    for name, side in (("slow", -1), ("fast", 1)):
        points = []
        for tenths in range(MOST_ERROR_PERCENT * TENTHS + 1):
            right = _right_bytes(wire, side * tenths * PPM // (100 * TENTHS))
            points.append((tenths / TENTHS, 100 * right / len(wire)))
            if right == len(wire):
                limits[name] = tenths / TENTHS
        curves.append(Curve(name, tuple(points)))
    return Scene(
        "How wrong may a rate be?",
        (
            f"A frame of {len(wire)} bytes is sent by a clock that is off, more and more. How many of its bytes "
            "arrive as they should, and with a high stop bit?",
        ),
        plot=Plot("% that the clock is off", "% right", tuple(curves), ()),
        after=(
            f"Here all bytes are right, stop bits too, up to {limits['slow']:.1f} % slow and {limits['fast']:.1f} % "
            "fast. The reason: a receiver starts anew at each start bit and looks at the stop bit 9.5 bits later. Half "
            f"a bit off there is too much: 0.5 / 9.5 = {50 / 9.5:.2f} % (calculated, not from a data sheet; real "
            "receivers see "
            "the start bit late and bear less).",
        ),
    )


def _right_bytes(wire: bytes, ppm: int) -> int:
    """How many of these bytes arrive, sent by a clock that is fast by `ppm`."""
    received, _ = Receiver(BAUD).receive(of_bytes(0, wire, rate_of(BAUD, ppm)), 2 * ns_of_byte(len(wire)))
    pairs = zip(received, wire, strict=False)
    return sum(got.value == sent and not got.framing_error for got, sent in pairs)


def _baud_question(seed: int) -> Question:
    rng = draw(f"{WRONG_BAUD} asked", seed)
    byte, rate = rng.randrange(1, 0x100), BAUD // 2

    def solve() -> Solution:
        received, _ = Receiver(BAUD).receive(of_bytes(0, bytes([byte]), rate_of(rate)), ns_of_byte(4))
        first = received[0]
        stop = "low: a framing error" if first.framing_error else "high"
        return Solution(
            first.value,
            f"sent, start bit first: 0 {bits_of(byte)} 1. Each lasts two looks: behind the start bit come a 0 (it is "
            f"still low), then bits 0, 0, 1, 1, 2, 2, 3 of the byte: {bits_of(first.value)}, which is "
            f"{first.value:02x} (hex). Where the stop bit belongs the line is {stop}",
        )

    return Question(
        f"An actuator at {rate} bits per second, half the rate of the host, sends the byte {byte:02x} (hex), as sent "
        f"{bits_of(byte)}. Which byte does the host see first?",
        BYTE,
        solve,
    )


LESSONS: Final = (
    Lesson(STUCK, "What a line that is stuck low looks like to the host", _stuck_scenes, _stuck_question),
    Lesson(WRONG_BAUD, "What a wrong line rate looks like", _baud_scenes, _baud_question),
)
