"""A mutant beside what it was made of, in one conversation and one course of the world: where do they differ?

Both are in C and draw the same random bits, so everything must be the same: each byte and the nanosecond it begins at,
stored memory, and where the arm stands. Besides the steps of `tests.firmware.talk` the power fails, also in the middle
of a write, a hand turns the arm, the supply changes, and nothing happens for a long time. Then the mutant talks beside
the actuator in Python, which knows nothing of the firmware's own ways.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any, Final

from busproto.sim.line.hearing import Transmission
from busproto.sim.native.device_library import REFERENCE
from busproto.wire import encode_frame
from busproto.wire import messages as m
from tests.firmware import differential
from tests.firmware.pair import ADDRESS, BURST_NS, Difference, Side, Step, ask, frames_in, longest_answer_ns, understood
from tests.firmware.talk import Talk
from tests.ops.helpers import MS

WORLD_SHARE: Final = 0.02
MOST: Final = 120
"""So much is told of what differs, characters."""
MINUTE_NS: Final = 60_000 * MS
SUPPLIES_MV: Final = (4000, 5500, 7000, 7400, 8400)


class Twins:
    """Both, each alone on its line.

    Attributes:
        steps: how many were compared.
    """

    def __init__(self, seed: int, settings: dict[str, int], library: str) -> None:
        self.good = Side(True, seed, settings, ADDRESS, REFERENCE)
        self.bad = Side(True, seed, settings, ADDRESS, library)
        self.steps = 0

    @property
    def address(self) -> int:
        """Where the firmware as it is stands now."""
        return int(self.good.one.address)

    def take(self, step: Step) -> None:
        """One step on both. Raises Difference."""
        message = None
        for frame in frames_in(step.wire):
            message = understood(encode_frame(frame))[1]
        wait_ns = longest_answer_ns(message) + BURST_NS
        told = []
        for side in (self.good, self.bad):
            if step.warm_degc is not None:
                side.one.warm(step.warm_degc)
            _, sent = side.send(step.wire, wait_ns)
            told.append(sent)
            side.bus.kernel.run_until(side.bus.kernel.now_ns + step.pause_ns)
        self.steps += 1
        self._compare(f"{step!r}", told)

    def happens(self, what: str, action: Callable[[Side], None], pause_ns: int) -> None:
        """Something befalls both, then time passes. Raises Difference."""
        told = []
        for side in (self.good, self.bad):
            record: list[Transmission] = []
            side.bus.line.record = record
            action(side)
            begun_ns = side.bus.kernel.now_ns
            side.bus.kernel.run_until(begun_ns + pause_ns)
            told.append([(one.start_ns - begun_ns, one.data) for one in record])
        self.steps += 1
        self._compare(what, told)

    def _compare(self, what: str, told: list[list[tuple[int, bytes]]]) -> None:
        pairs = [("says", _words(told[0]), _words(told[1]))]
        for name, of in _SEEN.items():
            pairs.append((name, f"{of(self.good.one)}", f"{of(self.bad.one)}"))
        for name, good, bad in pairs:
            if good != bad:
                raise Difference(f"step {self.steps}, {what}: {name} {good[:MOST]}, with the slip {bad[:MOST]}")


_SEEN: Final[dict[str, Callable[[Any], object]]] = {
    "has the address": lambda one: one.address,
    "has the arm at": lambda one: (one.arm.position_deg, one.arm.is_on),
    "has in stored memory": lambda one: [page.hex() for page in one.pages],
}
"""What is the same of both, besides what they say."""


def _words(said: list[tuple[int, bytes]]) -> str:
    return ", ".join(f"{data.hex()} after {at / 1000:g} us" for at, data in said) or "nothing"


def befall(rng: random.Random, twins: Twins) -> None:
    """One thing of the world. Raises Difference."""
    kind = rng.randrange(6)
    if kind == 0:
        off_ns = rng.choice((MS, 100 * MS, MINUTE_NS))
        twins.happens("the power fails", lambda side: side.one.power_off(), off_ns)
        twins.happens("the power is back", lambda side: side.one.power_on(), rng.choice((1, 50)) * MS)
    elif kind == 1:
        byte = rng.randrange(100)
        twins.happens("the power will fail", lambda side: side.one.power_off_while_writing(byte), 0)
        twins.take(ask(m.Commit(), twins.address, pause_ns=200 * MS))
        twins.happens("the power is off", lambda side: side.one.power_off(), MS)
        twins.happens("the power is back", lambda side: side.one.power_on(), 50 * MS)
    elif kind == 2:
        to_deg = rng.uniform(-60, 60)
        twins.happens(
            "a hand turns it", lambda side: side.one.arm.hand(to_deg, 50 * MS, side.bus.kernel.now_ns), 60 * MS
        )
    elif kind == 3:
        mv = rng.choice(SUPPLIES_MV)
        twins.happens("the supply changes", lambda side: setattr(side.bus, "supply_mv", mv), 5 * MS)
    elif kind == 4:
        twins.happens("nothing happens", lambda _: None, rng.choice((2000, 5000)) * MS)
    elif not (twins.good.one.arm.is_on or twins.bad.one.arm.is_on):
        pause_ns = round(rng.choice((1.1, 20, 40, 75)) * MINUTE_NS)  # the wheel of a loop would take too long
        twins.happens("nothing happens", lambda _: None, pause_ns)


def conversation(note: Callable[..., None], library: str, steps: int, seed: int) -> int:
    """Talk with a mutant, beside the firmware and beside Python. What differs first is noted; the exit code is 0."""
    settings = {"channel": 3, "loss-action": seed % 3}
    rng = random.Random(f"beside {seed}")
    twins = Twins(seed, settings, library)
    try:
        for step in Talk(rng, twins).steps(steps):  # type: ignore[arg-type]  # it asks for the address alone
            if rng.random() < WORLD_SHARE:
                befall(rng, twins)
            twins.take(step)
    except Difference as difference:
        note(firmware=f"{difference}")
    try:
        differential.run(steps, seed, library=library)
    except Difference as difference:
        note(python=f"{difference}".splitlines()[0])
    return 0
