"""The times of the page, and the port that a driver is handed. Section Times of the page."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

TIMES_US: Final = {
    "min turnaround": 100,
    "max turnaround": 2000,
    "start jitter": 30,
    "store": 50_000,
    "boot": 30_000,
    "heat look": 250_000,
    "first slot": 500,
    "detect": 5,
    "start lead": 1.5,
    "mini slot": 38,
    "ordered slot lead": 5,
    "ordered slot": 45,
}
"""By the name of the page's table, us."""

CLOCK: Final = 0.01
"""The tolerance of an actuator's clock, as a fraction (line.clock)."""

BITS_PER_BYTE: Final = 10


@dataclass(frozen=True)
class Slots:
    """Where the slots of a window lie: those of a roll call, or those where answers come in order."""

    slot_us: float
    lead_us: float

    def starts_us(self, slot: int) -> tuple[float, float]:
        """First and last start of an answer on a line that stays idle, from the end of the query, us."""
        first = TIMES_US["first slot"] + slot * self.slot_us + self.lead_us
        return first, first + TIMES_US["start jitter"]

    def silence_s(self, slots: int) -> float:
        """How long no byte may have come until nothing more can come, whatever was counted before, s."""
        return (TIMES_US["first slot"] + (slots + 2) * self.slot_us) * (1 + CLOCK) / 1e6


IN_ROLL_CALL: Final = Slots(TIMES_US["mini slot"], TIMES_US["start lead"])
IN_ORDER: Final = Slots(TIMES_US["ordered slot"], TIMES_US["ordered slot lead"])


class Port(Protocol):
    """What a driver needs of a serial port."""

    def write(self, data: bytes) -> None:
        """Hand bytes over."""

    def read(self, until_s: float) -> bytes:
        """What has come, as soon as something has; nothing at the time `until_s`."""

    def now_s(self) -> float:
        """The clock of this port, s."""


@dataclass(frozen=True)
class Send:
    """What a sans-I/O part wants of its driver: bytes sent, and what comes until the line was silent for so long.

    Attributes:
        data: empty to listen only.
        silence_s: counted from the last bit sent or byte received; the delay of the port comes on top.
        reply_to: (sequence, operation) of the reply that ends the wait early.
    """

    data: bytes
    silence_s: float
    reply_to: tuple[int, int] | None = None


@dataclass(frozen=True)
class Heard:
    """What came, an echo among it.

    Attributes:
        before: what came between the wait before and this sending.
        at_s: the end of the wait by the clock of the port.
    """

    data: bytes
    at_s: float
    before: bytes = b""


T = TypeVar("T")
Talk = Generator[Send, Heard, T]
