"""A bus and the trouble that is drawn for it: what is put upon it, when, and which actuators had power meanwhile."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from typing import Final

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import LineKind
from busproto.wire.frame import MAX_ADDRESS, UNADDRESSED

MS: Final = 1_000_000

US: Final = 1_000

S: Final = 1_000_000_000

MODEL: Final = ActuatorModel("bench 25")

CLOCK_PPM: Final = 10_000

NEVER_NS: Final = 100 * S
"""No search lasts so long."""


class Watched(Actuator):
    """An actuator whose power is written down.

    Attributes:
        powered: moments at which it came (True) or went (False), ns; it has power from the beginning.
    """

    def __init__(self, *args: object, **named: object) -> None:
        self.powered: list[tuple[int, bool]] = []
        super().__init__(*args, **named)  # type: ignore[arg-type]

    def _halt(self) -> None:
        self.powered.append((self._kernel.now_ns, False))
        super()._halt()

    def power_on(self) -> None:
        """As any actuator."""
        if not self.is_powered:
            self.powered.append((self._kernel.now_ns, True))
        super().power_on()

    def spans(self, end_ns: int) -> Iterable[tuple[int, int]]:
        """From when until when it had power."""
        since: int | None = 0
        for at_ns, is_on in self.powered:
            if is_on:
                since = at_ns if since is None else since
            elif since is not None:
                yield since, at_ns
                since = None
        if since is not None:
            yield since, end_ns


class Drawn:
    """A bus, and the trouble that is drawn for it.

    Attributes:
        seed: of all draws.
        draw: the source of all parameters.
        bus: the bus.
        actuators: those on it.
        epoch: of the search that is to come.
        said: each kind with its parameters, for a person.
    """

    def __init__(self, seed: int, most: int) -> None:
        self.seed = seed
        self.draw = draw = random.Random(f"trouble {seed}")
        self.said: list[str] = []
        kernel = Kernel(seed)
        kind = draw.choice(list(LineKind))
        echo = draw.random() < 0.7
        self.bus = VirtualBus(kernel, kind=kind, echo=echo)
        self.actuators: list[Watched] = []
        count = 0 if draw.random() < 0.04 else min(most, 1 + int(draw.expovariate(0.25)))
        base = draw.getrandbits(64) if draw.random() < 0.2 else None
        self.epoch = random.Random(seed).randrange(1, 0x10000)
        for number in range(count):
            self.add(base ^ number if base is not None else draw.getrandbits(64), self.address())
        self.said.append(
            f"{count} actuators{' with uids alike' if base is not None and count > 1 else ''}, {kind.value}, "
            f"{'echo' if echo else 'no echo'}"
        )

    def address(self) -> int:
        """One of few, so that some are shared, or none, or any."""
        kind = self.draw.random()
        if kind < 0.3:
            return UNADDRESSED
        return self.draw.randint(1, 4) if kind < 0.6 else self.draw.randint(1, MAX_ADDRESS)

    def add(self, uid: int, address: int, *, clock_ppm: int | None = None, own_baud: int | None = None) -> Watched:
        """Plug in one more."""
        bus = self.bus
        ppm = self.draw.randint(-CLOCK_PPM, CLOCK_PPM)
        actuator = Watched(
            bus.kernel,
            bus.line,
            label=f"no. {len(self.actuators) + 1}",
            uid=uid.to_bytes(8, "big"),
            model=MODEL,
            address=address,
            stored={},
            position_deg=0.0,
            supply_mv=lambda: 7400,
            address_changed=lambda _: bus.index(),
            clock_ppm=ppm if clock_ppm is None else clock_ppm,
            own_baud=own_baud,
        )
        bus.add(actuator)
        self.actuators.append(actuator)
        return actuator

    def one(self) -> Watched:
        """One of them, or a new one where there is none."""
        if not self.actuators:
            self.add(self.draw.getrandbits(64), self.address())
        return self.draw.choice(self.actuators)

    def some(self) -> list[Watched]:
        """One of them mostly, or several, or all."""
        first, kind = self.one(), self.draw.random()
        if kind < 0.6:
            return [first]
        return [one for one in self.actuators if kind > 0.9 or one is first or self.draw.random() < 0.5]

    def moment_ns(self) -> int:
        """When something begins: mostly within the first of it, where it matters most."""
        return round(self.draw.choice((20, 70, 500)) * MS * self.draw.random())

    def log(self, low: float, high: float) -> float:
        """Evenly over the orders of magnitude."""
        return float(low * (high / low) ** self.draw.random())

    def at(self, time_ns: int, action: Callable[[], object]) -> None:
        """Let that happen then."""

        def happen() -> None:
            action()

        self.bus.kernel.at(time_ns, happen)

    def every(self, first_ns: int, next_ns: Callable[[], int], action: Callable[[], object]) -> None:
        """Let that happen again and again."""

        def happen() -> None:
            action()
            self.bus.kernel.at(self.bus.kernel.now_ns + max(1, next_ns()), happen)

        self.bus.kernel.at(first_ns, happen)

    def window(self) -> tuple[int, int]:
        """From when until when."""
        begin_ns = self.moment_ns()
        return begin_ns, begin_ns + round(self.log(0.3, 200) * MS)
