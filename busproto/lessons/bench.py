"""The virtual bus of the lessons: as many actuators as a lesson needs, uids and clocks drawn by the seed.

Everything that a lesson shows has happened on such a bus. A fresh one is built for each scene and each question, so
that none depends on another.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

from busproto.ops.link import Link
from busproto.ops.steps import Steps
from busproto.ops.transact import uid_of
from busproto.session.exchange import Heard
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Transmission
from busproto.sim.line.receiver import ReceivedByte
from busproto.sim.line.waveform import BITS_PER_BYTE, NS_TIMES_MICRO, rate_of, wired_and
from busproto.wire.frame import DEFAULT_BAUD, UID_BYTES, UNADDRESSED
from busproto.wire.hash import slot_of, uid_hash
from busproto.wire.messages import RollCall, SlottedCall
from busproto.wire.parameters import RawValue
from busproto.wire.timing import START_JITTER_NS

MODEL: Final = ActuatorModel("bench 25")
BAUD: Final = DEFAULT_BAUD
BIT_NS: Final = 1_000_000_000 / BAUD
BYTE_RULER: Final = "s01234567p"
"""Start bit, data bits, low one first, stop bit."""
LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class LessonActuator:
    """One actuator of a lesson; values that are not stated are drawn by the seed, or are factory values."""

    label: str
    address: int = UNADDRESSED
    uid: bytes | None = None
    arm_deg: float = 0.0
    baud: int | None = None
    stored: dict[str, RawValue] = field(default_factory=dict)


def draw(name: str, seed: int) -> random.Random:
    """The random numbers of one lesson for a seed; its scenes and its question draw the same."""
    return random.Random(f"lesson {name} {seed}")


def build(
    seed: int, planned: Sequence[LessonActuator], *, clock_ppm: int = 10_000, jitter_ns: int = START_JITTER_NS
) -> VirtualBus:
    """A bus with these actuators. Clocks are off by up to `clock_ppm`, drawn by the seed."""
    kernel = Kernel(seed)
    bus = VirtualBus(kernel, baud=BAUD)
    uids, clocks = kernel.stream("lesson uids"), kernel.stream("lesson clocks")
    for one in planned:
        drawn = uids.randbytes(UID_BYTES)
        bus.add(
            Actuator(
                kernel,
                bus.line,
                label=one.label,
                uid=one.uid or drawn,
                model=MODEL,
                address=one.address,
                stored=dict(one.stored),
                position_deg=one.arm_deg,
                supply_mv=lambda: bus.supply_mv,
                address_changed=lambda _: bus.index(),
                own_baud=one.baud,
                clock_ppm=clocks.randint(-clock_ppm, clock_ppm),
                jitter_ns=jitter_ns,
            )
        )
    bus.line.record = []
    return bus


def unaddressed(count: int) -> list[LessonActuator]:
    """`count` factory-fresh actuators without an address, named by letters."""
    return [LessonActuator(LETTERS[number]) for number in range(count)]


def watched(steps: Steps[T], note: Callable[[Heard], None]) -> Steps[T]:
    """The same operation; `note` is called with every exchange as it ends."""
    result: Heard | int | None = None
    try:
        step = next(steps)
        while True:
            result = yield step
            if isinstance(result, Heard):
                note(result)
            step = steps.send(result)
    except StopIteration as stop:
        value: T = stop.value
        return value


def run(bus: VirtualBus, steps: Steps[T]) -> T:
    """Run an operation at the host's end of this bus."""
    return Link(bus.host).run(steps)


def heard_in(bus: VirtualBus, steps: Steps[T]) -> tuple[T, list[Heard]]:
    """The result of an operation, and every exchange of it."""
    exchanges: list[Heard] = []
    return run(bus, watched(steps, exchanges.append)), exchanges


def answers_on(bus: VirtualBus, from_ns: int = 0) -> Iterator[tuple[Actuator, Transmission]]:
    """Transmissions of actuators since `from_ns`, in the order in which they began."""
    for one in sorted(bus.line.record or (), key=lambda sent: sent.start_ns):
        if isinstance(one.sender, Actuator) and one.start_ns >= from_ns:
            yield one.sender, one


def line_of(transmissions: Sequence[Transmission]) -> list[int]:
    """The level of one open-drain wire while these transmissions are on it."""
    return wired_and(one.edges for one in transmissions)


def ns_of_byte(number: int, baud: int = BAUD) -> int:
    """When a byte begins, counted from 0, ns after the first start bit."""
    return number * BITS_PER_BYTE * NS_TIMES_MICRO // rate_of(baud)


def ruler_of(received: Iterable[ReceivedByte], from_ns: int, bits: int) -> str:
    """For each bit, as a letter, which bit a receiver takes it for, in a picture that begins at `from_ns`."""
    letters = [" "] * bits
    for byte in received:
        first = round((byte.start_ns - from_ns) / BIT_NS)
        for at, letter in enumerate(BYTE_RULER, first):
            if 0 <= at < bits:
                letters[at] = letter
    return "".join(letters)


def hexed(data: bytes) -> str:
    """Bytes in hex, separated by blanks."""
    return data.hex(" ")


def bits_of(byte: int) -> str:
    """The bits of a byte in the order in which they are sent: low one first."""
    return f"{byte:08b}"[::-1]


def several(count: int, noun: str) -> str:
    """A count with its noun."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def by_uid_on(bus: VirtualBus) -> dict[bytes, Actuator]:
    """Every actuator on the bus by its uid."""
    return {one.uid: one for one in bus.actuators}


def names_of(labels: Sequence[str]) -> str:
    """Labels as a list in words, such as "A, B and C"."""
    return " and ".join(filter(None, (", ".join(labels[:-1]), *labels[-1:]))) if labels else "no actuator"


def labels_on(bus: VirtualBus) -> list[str]:
    """Labels of all actuators on the bus."""
    return [one.label for one in bus.actuators]


def queries_text(count: int) -> str:
    """A number of queries in words."""
    return "1 query" if count == 1 else f"{count} queries"


def uids_in(heard: Heard) -> list[bytes]:
    """The uids that the host understood in one exchange."""
    return [uid for frame in heard.replies if (uid := uid_of(frame)) is not None]


def uids_on(bus: VirtualBus) -> list[bytes]:
    """Uids of all actuators on the bus."""
    return [one.uid for one in bus.actuators]


def drawn_slots(bus: VirtualBus, call: SlottedCall | RollCall, uids: Sequence[bytes]) -> dict[int, list[str]]:
    """Labels by the slot that each draws, by the hash of uid, epoch and salt."""
    slots: dict[int, list[str]] = defaultdict(list)
    by_uid = by_uid_on(bus)
    for uid in uids:
        slots[number_drawn(uid, call)].append(by_uid[uid].label)
    return slots


def number_drawn(uid: bytes, call: SlottedCall | RollCall) -> int:
    """The slot that an actuator draws in this call."""
    return slot_of(uid_hash(uid, call.epoch, call.salt), call.slots)
