"""Lessons ``alike`` and ``and``: two actuators that answer at once on an open-drain line."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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
    line_of,
    ns_of_byte,
    ruler_of,
    several,
)
from busproto.lessons.scene import BYTE, NUMBER, Lesson, Question, Scene, Scope, Solution, Table, Wave
from busproto.ops.steps import exchange
from busproto.session.exchange import Ask, Heard, Verdict
from busproto.sim.bus import VirtualBus
from busproto.sim.line.hearing import Transmission
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import BITS_PER_BYTE, of_bytes, rate_of, wired_and
from busproto.wire import Decoder, Frame, Message, decode_frame
from busproto.wire.codec import encode_frame, reply_frame, request_frame
from busproto.wire.crc import TRAILER_BYTES
from busproto.wire.frame import UID_BYTES
from busproto.wire.hash import device_tag
from busproto.wire.messages import Engage, Engaged, Report, State
from busproto.wire.timing import START_JITTER_NS

ALIKE: Final = "alike"
AND: Final = "and"
TIMES: Final = 40
LUCK_CLOCKS_PPM: Final = (10_000, 100)
"""Largest clock errors, ppm: without and with a quartz (usual values; common practice, no source)."""
PAIRS: Final = 200
SHOWN_BYTES: Final = 3
SAID: Final = {
    Verdict.SILENT: "nothing came back",
    Verdict.ANSWERED: "one good answer, nothing else",
    Verdict.GARBLED: "bytes, but no good answer",
    Verdict.CROWDED: "a good answer and more",
    Verdict.ECHO_BROKEN: "its own request came back broken",
}
"""The host's verdicts on an exchange, in words."""


@dataclass(frozen=True, slots=True)
class _Clash:
    """Two actuators at one address, asked once.

    Attributes:
        address: theirs.
        bus: the bus, just after.
        both: what they put on the line, A's first.
        heard: the bytes that the host received.
    """

    address: int
    bus: VirtualBus
    both: tuple[Transmission, Transmission]
    heard: Heard

    @property
    def first_difference(self) -> int:
        """Number of the first byte in which they differ."""
        a, b = (one.data for one in self.both)
        return next(at for at, (left, right) in enumerate(zip(a, b, strict=True)) if left != right)


def _clash(seed: int, message: Message, *, twins: bool, in_step: bool) -> _Clash:
    """Ask two at one address. In step: both begin on the same edge and have the same clock; twins share a uid."""
    rng = draw("overlap", seed)
    address = rng.randint(1, 239)
    uids = _unlike_uids(rng)
    places = rng.sample(range(-60, 61), 2)
    planned = [
        LessonActuator(name, address, uids[0 if twins else at], arm_deg=0.0 if twins else places[at])
        for at, name in enumerate("AB")
    ]
    bus = build(seed, planned, clock_ppm=0 if in_step else 10_000, jitter_ns=0 if in_step else START_JITTER_NS)
    heard = heard_in(bus, exchange(Ask.one(message, address, listen_out=True)))[0]
    by_name = {actuator.label: sent for actuator, sent in answers_on(bus)}
    return _Clash(address, bus, (by_name["A"], by_name["B"]), heard)


def _unlike_uids(rng: random.Random) -> list[bytes]:
    """Two uids with different tags."""
    while True:
        uids = [rng.randbytes(UID_BYTES) for _ in range(2)]
        if len({device_tag(uid) for uid in uids}) == 2:
            return uids


def _scope(clash: _Clash, from_byte: int, count: int, ruler: str) -> Scope:
    """A, B and the line for some bytes, counted from the begin of the first driver."""
    start_ns = min(one.start_ns for one in clash.both)
    from_ns = start_ns + ns_of_byte(from_byte)
    bits = count * BITS_PER_BYTE
    until_ns = from_ns + round(bits * BIT_NS)

    def cut(edges: Sequence[int]) -> tuple[int, ...]:
        """Edges within the picture, with a high level before the first."""
        before = [edge for edge in edges if edge <= from_ns]
        inside = [edge - from_ns for edge in edges if from_ns < edge < until_ns]
        return (0, *inside) if len(before) % 2 else tuple(inside)

    return Scope(
        0,
        bits,
        BIT_NS,
        ruler,
        (
            Wave("A drives", cut(clash.both[0].edges)),
            Wave("B drives", cut(clash.both[1].edges)),
            Wave("the line", cut(line_of(clash.both))),
        ),
    )


# --- alike ------------------------------------------------------------------------------------------------------


def _alike_scenes(seed: int) -> Iterator[Scene]:
    same = _clash(seed, Engage(), twins=True, in_step=True)
    yield Scene(
        "Two at one address, with one and the same answer",
        (
            f"A and B both have address {same.address}. Here they are perfect twins: even their uid is the same. The "
            "host asks that address to take hold ('engage'). Both obey, and both answer.",
            "The line is open drain: each can pull it low, none can push it high. It is low where A or B pulls. So "
            "the line is the AND of both: it is 1 only where A and B both send 1.",
        ),
        scope=_scope(same, 0, 5, BYTE_RULER * 5),
        table=_two_rows(same),
        after=(
            "The same bits on the same edges: pulling low twice is no lower. The line looks as if A were alone.",
            f"What the host makes of it: {SAID[same.heard.verdict]}. It believes that "
            f"{several(len(same.heard.replies), 'actuator')} answered. Both of them obey.",
        ),
    )
    yield _luck_scene(seed)
    apart = _clash(seed, Engage(), twins=False, in_step=True)
    first = max(0, apart.first_difference - 1)
    tags = [device_tag(actuator.uid) for actuator in apart.bus.actuators]
    yield Scene(
        "The cure: a tag in every answer",
        (
            "On this bus every answer carries a tag: 16 bits made from the uid. Two actuators with uids of their own "
            f"never send the same answer. Here A's tag is {tags[0]:04x} and B's is {tags[1]:04x} (hex); all else is as "
            "before.",
            f"The picture shows bytes {first} to {first + SHOWN_BYTES - 1} of the answer. The first byte that differs "
            f"is byte {apart.first_difference}.",
        ),
        scope=_scope(apart, first, SHOWN_BYTES, BYTE_RULER * SHOWN_BYTES),
        table=_two_rows(apart),
        after=(
            f"What the host makes of it: {SAID[apart.heard.verdict]}. Something is wrong at this address, and the host "
            "knows. It then asks both for their uids, in turns (lesson 'backoff').",
        ),
    )


def _two_rows(clash: _Clash) -> Table:
    return Table(
        ("", "bytes"),
        (
            ("A sends", hexed(clash.both[0].data)),
            ("B sends", hexed(clash.both[1].data)),
            ("host gets", hexed(clash.heard.raw) or "nothing"),
        ),
    )


def _luck_scene(seed: int) -> Scene:
    """The same twins with ordinary clocks and start jitter, asked many times."""
    rng = draw("luck", seed)
    uid, address = rng.randbytes(UID_BYTES), rng.randint(1, 239)
    counts = []
    for clock_ppm in LUCK_CLOCKS_PPM:
        bus = build(seed, [LessonActuator(name, address, uid) for name in "AB"], clock_ppm=clock_ppm)
        seen: Counter[Verdict] = Counter()
        for _ in range(TIMES):
            seen[heard_in(bus, exchange(Ask.one(Engage(), address, listen_out=True)))[0].verdict] += 1
        counts.append(seen)
    verdicts = [verdict for verdict in SAID if any(seen[verdict] for seen in counts)]
    rows = tuple((SAID[verdict], *(str(seen[verdict]) for seen in counts)) for verdict in verdicts)
    like_one = sum(seen[Verdict.ANSWERED] for seen in counts)
    return Scene(
        "Are they ever seen?",
        (
            "Real actuators are not in step. Each begins up to "
            f"{START_JITTER_NS // 1000} us later than it means to, about {START_JITTER_NS / BIT_NS:.1f} bits, and each "
            f"clock is a little off. So the twins were asked {TIMES} times with that, for two kinds of clocks:",
        ),
        table=Table(
            ("what the host made of it", *(f"clocks within {ppm / 10_000:g} %" for ppm in LUCK_CLOCKS_PPM)), rows
        ),
        after=(
            "Answers that are out of step are broken, and the host notices. Whenever they happen to be in step, two "
            f"look like one: {several(like_one, 'time')} of {len(counts) * TIMES} here. One good answer proves little.",
        ),
    )


def _alike_question(seed: int) -> Question:
    clash = _clash(seed, Engage(), twins=False, in_step=True)
    at = clash.first_difference
    a, b = (one.data[at] for one in clash.both)

    def solve() -> Solution:
        # read off the waveforms: the first bit, counted behind the start bit, where the drivers differ
        half_ns = BIT_NS / 2
        begin = [one.start_ns + ns_of_byte(at) for one in clash.both]
        for bit in range(8):
            middle = round((bit + 1) * BIT_NS + half_ns)
            levels = [
                sum(edge <= start + middle for edge in one.edges) % 2
                for one, start in zip(clash.both, begin, strict=True)
            ]
            if levels[0] != levels[1]:
                return Solution(
                    bit,
                    f"as sent, low bit first, A's byte is {bits_of(a)} and B's is {bits_of(b)}: counted from 0 they "
                    f"first differ at bit {bit}",
                )
        raise AssertionError("bytes that differ have a bit that differs")

    return Question(
        f"In byte {at} of the answers with tags, A sends {a:02x} and B sends {b:02x} (hex). Which data bit, 0 to 7, is "
        "the first on the line in which they differ?",
        NUMBER,
        solve,
    )


# --- and --------------------------------------------------------------------------------------------------------


def _and_scenes(seed: int) -> Iterator[Scene]:
    x, y = _shown_bytes(seed, "shown")
    yield _byte_scene(x, y)
    step = _clash(seed, Report(), twins=False, in_step=True)
    yield _count_scene(step)
    loose = _clash(seed, Report(), twins=False, in_step=False)
    others = tuple(_other_receivers(loose))
    alike = all(data == loose.heard.raw for _, data in others)
    good = sum(_has_frame(data) for data in (loose.heard.raw, *(data for _, data in others)))
    late_ns = abs(loose.both[0].start_ns - loose.both[1].start_ns)
    later = "B" if loose.both[1].start_ns > loose.both[0].start_ns else "A"
    yield Scene(
        "Two answers out of step",
        (
            "Now as it is on a real line: both have a clock of their own, and start when they are ready. Here "
            f"{later} begins {late_ns / 1000:.1f} us later, {late_ns / BIT_NS:.1f} bits.",
        ),
        scope=_scope(loose, 0, 6, _host_ruler(loose, 6)),
        table=Table(("", "bytes"), (*_two_rows(loose).rows, *((name, hexed(data)) for name, data in others))),
        after=(
            "A receiver takes a fall of the line for a start bit and counts bits from there. The letters above show "
            "which bit the host takes each for. The last rows are receivers that look at the line 8 and 16 times a "
            f"bit: {'they see the same' if alike else 'not even they see the same'} here. "
            f"Good frames that any of them found: {good}.",
        ),
    )
    yield _pairs_scene(seed)


def _shown_bytes(seed: int, what: str) -> tuple[int, int]:
    """Two bytes of which none is the AND of both."""
    rng = draw(f"{AND} {what}", seed)
    while True:
        x, y = rng.randrange(1, 256), rng.randrange(1, 256)
        if x & y not in {x, y}:
            return x, y


def _received_of_both(x: int, y: int) -> int:
    """The byte that a receiver gets where two senders begin on the same edge."""
    rate = rate_of(BAUD)
    line = wired_and([of_bytes(0, bytes([x]), rate), of_bytes(0, bytes([y]), rate)])
    received, _ = Receiver(BAUD).receive(line, ns_of_byte(2))
    return received[0].value


def _byte_scene(x: int, y: int) -> Scene:
    rate = rate_of(BAUD)
    waves = [of_bytes(0, bytes([byte]), rate) for byte in (x, y)]
    got = _received_of_both(x, y)
    return Scene(
        "Two bytes at the same time",
        (
            f"A sends {x:02x}, B sends {y:02x} (hex), and both begin on the same edge. Each can pull the line low: "
            "so it is high only where both let it be high. That is what logic calls A AND B.",
        ),
        scope=Scope(
            0,
            BITS_PER_BYTE + 2,
            BIT_NS,
            BYTE_RULER,
            (
                Wave("A drives", tuple(waves[0])),
                Wave("B drives", tuple(waves[1])),
                Wave("the line", tuple(wired_and(waves))),
            ),
        ),
        table=Table(
            ("", "byte", "bits as sent, low one first"),
            (
                ("A sends", f"{x:02x}", bits_of(x)),
                ("B sends", f"{y:02x}", bits_of(y)),
                ("receiver", f"{got:02x}", bits_of(got)),
            ),
        ),
        after=("A byte came out that neither of them sent. And no receiver can see it from the byte: it looks fine.",),
    )


def _zeros(data: bytes) -> int:
    return sum(bits_of(byte).count("0") for byte in data)


def _stated_zeros(wire: bytes) -> int:
    """The zero count that the check bytes of these wire bytes state."""
    check = wire[-1 - TRAILER_BYTES : -1]
    return sum((byte & 0x7F) << 7 * at for at, byte in enumerate(check)) >> 24


def _count_scene(clash: _Clash) -> Scene:
    a, b = (one.data for one in clash.both)
    got = clash.heard.raw
    rows = [
        (name, str(_zeros(data[1 : -1 - TRAILER_BYTES])), str(_stated_zeros(data)))
        for name, data in (("A sends", a), ("B sends", b), ("host gets", got))
        if len(data) == len(a)
    ]
    return Scene(
        "Why two answers in step never make a good one",
        (
            f"A and B both have address {clash.address}. The host asks for a report; both answer, in perfect step. "
            "Each answer states in its check how many zero bits it has.",
            "Where two different answers are laid over each other, zeros can only be added. And the stated count, "
            "itself bits on the line, can only lose ones: it can only get smaller. So it never fits.",
        ),
        table=Table(("", "zero bits there are", "zero bits stated"), tuple(rows)),
        after=(
            f"What the host makes of it: {SAID[clash.heard.verdict]}. (A code with such a count is called a Berger "
            "code, after Berger 1961; from memory.)",
        ),
    )


def _has_frame(data: bytes) -> bool:
    return any(isinstance(found, Frame) for found in Decoder().feed(data + b"\x00"))


def _host_ruler(clash: _Clash, count: int) -> str:
    """For each bit of the first bytes, which bit the host's receiver takes it for."""
    start_ns = min(one.start_ns for one in clash.both)
    received, _ = Receiver(BAUD, start_ns).receive(line_of(clash.both), max(one.end_ns for one in clash.both))
    return ruler_of(received, start_ns, count * BITS_PER_BYTE)


def _other_receivers(clash: _Clash) -> Iterator[tuple[str, bytes]]:
    """The bytes that receivers get that sample in another way than the host's."""
    start_ns = min(one.start_ns for one in clash.both)
    until_ns = max(one.end_ns for one in clash.both) + ns_of_byte(2)
    for ticks in (8, 16):
        receiver = Receiver(BAUD, start_ns - 1, oversampling=ticks)
        received, _ = receiver.receive(line_of(clash.both), until_ns)
        yield f"{ticks} looks", bytes(one.value for one in received)


def _pairs_scene(seed: int) -> Scene:
    """Many pairs of answers, in step and out of step, by the waveform, and how many gave a good frame."""
    rng = draw(f"{AND} pairs", seed)
    rows = []
    for text, most_ns, most_ppm in (
        ("in step, same clock", 0, 0),
        ("ordinary jitter and clocks", START_JITTER_NS, 10_000),
        ("up to ten bytes apart", ns_of_byte(10), 10_000),
    ):
        good, unlike = 0, 0
        for _ in range(PAIRS):
            sent = [_drawn_answer(rng, rng.randrange(most_ns + 1), rng.randint(-most_ppm, most_ppm)) for _ in range(2)]
            received, _ = Receiver(BAUD).receive(line_of(sent), max(one.end_ns for one in sent) + ns_of_byte(2))
            good += _has_frame(bytes(one.value for one in received))
            unlike += sent[0].data != sent[1].data
        rows.append((text, str(unlike), str(good)))
    return Scene(
        "Not by luck",
        (
            "Could it happen to fit, once in a while? For each row two answers were drawn and laid over each other, "
            "again and again, and a receiver listened.",
        ),
        table=Table(("how they overlapped", "pairs", "good frames"), tuple(rows)),
    )


def _drawn_answer(rng: random.Random, start_ns: int, clock_ppm: int) -> Transmission:
    """An answer of an actuator with a uid of its own, as it would go onto the line."""
    asked = request_frame(Engage(), 7, 1)
    frame = reply_frame(Engaged(State.FOLLOWING), asked, 7, device_tag(rng.randbytes(UID_BYTES)))
    wire = encode_frame(frame)
    assert decode_frame(wire) == frame
    return Transmission(start_ns, wire, rate_of(BAUD, clock_ppm), None)


def _and_question(seed: int) -> Question:
    x, y = _shown_bytes(seed, "asked")

    def solve() -> Solution:
        got = _received_of_both(x, y)
        return Solution(
            got,
            f"bit by bit, 1 only where both are 1: {x:08b} AND {y:08b} = {got:08b}, which is {got:02x} (hex)",
        )

    return Question(
        f"A sends {x:02x} ({x:08b}), B sends {y:02x} ({y:08b}), on the same edge. (High bit first, the usual "
        "way to write.) Which byte does the receiver see?",
        BYTE,
        solve,
    )


LESSONS: Final = (
    Lesson(ALIKE, "Why two that answer alike look like one, and how a tag ends that", _alike_scenes, _alike_question),
    Lesson(AND, "What a wired AND does to the bits of two answers at once", _and_scenes, _and_question),
)
