"""What the tests of the operations share: a virtual bus with a link, faults at a chosen request, what is lasting."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, TypeVar

import pytest

from busproto.errors import PortClosedError
from busproto.ops import Link, Roster, link
from busproto.ops.steps import Progress, Step, Steps
from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.transport import Transport
from busproto.transport.base import PortAround
from busproto.wire import Decoder, Frame, Message, message_of
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import PARAMETERS, Parameter, RawValue

US: Final = 1_000
MS: Final = 1_000_000
S: Final = 1_000_000_000
BYTE_BITS: Final = 10

T = TypeVar("T")
IS_DEEP: Final = os.environ.get("HYPOTHESIS_PROFILE") == "deep"
MODEL: Final = ActuatorModel("bench 25", firmware=(2, 4))


def seeds(quick: int, deep: int | None = None) -> range:
    """So many seeds, or many more in the deep profile."""
    return range((20 * quick if deep is None else deep) if IS_DEEP else quick)


def uid_of(number: int) -> bytes:
    """A uid for each whole number."""
    return (0x5E70_0000_0000_0000 + number).to_bytes(8, "big")


class HookedPort(PortAround):
    """A port that tells a hook of every request before it is sent; the hook may raise, or act on the bus.

    Attributes:
        sent: every request that was sent.
    """

    def __init__(self, port: Transport, hook: Callable[[Message], None]) -> None:
        super().__init__(port)
        self._hook = hook
        self.sent: list[Message] = []
        self._kept = b""

    def write(self, data: bytes) -> None:
        # one write may hold several requests, said in one burst
        messages = [message_of(found) for found in Decoder().feed(data) if isinstance(found, Frame)]
        assert messages
        for message in messages:
            self._hook(message)
            self.sent.append(message)
        self._port.write(data)


class HoardingPort(HookedPort):
    """A port behind an adapter that keeps what has come until its timer runs out, every 16 ms (USB adapters do so)."""

    TIMER_NS: Final = 16 * MS

    @property
    def latency_ns(self) -> int:
        return self.TIMER_NS

    def read_until(self, deadline_ns: int) -> bytes:
        came = b""
        while not came and self.now_ns() < deadline_ns:
            tick_ns = (self.now_ns() // self.TIMER_NS + 1) * self.TIMER_NS
            while self.now_ns() < min(tick_ns, deadline_ns):
                self._kept += self._port.read_until(min(tick_ns, deadline_ns))
            if self.now_ns() == tick_ns:
                came, self._kept = self._kept, b""
        return came


class DyingPort(HookedPort):
    """A port that goes away for good at its n-th write (from 1), before that reaches the line."""

    def __init__(self, port: Transport, at_write: int) -> None:
        super().__init__(port, lambda _: None)
        self._left = at_write

    def write(self, data: bytes) -> None:
        self._left -= 1
        self._require()
        super().write(data)

    def _require(self) -> None:
        if self._left <= 0:
            raise PortClosedError(self.url, "pulled out")

    def read_until(self, deadline_ns: int) -> bytes:
        self._require()
        return super().read_until(deadline_ns)


def once(kind: type[Message], action: Callable[[], Any], *, number: int = 1) -> Callable[[Message], None]:
    """A hook that acts once, before the n-th request of a kind (from 1)."""
    seen = 0

    def hook(message: Message) -> None:
        nonlocal seen
        if type(message) is kind:
            seen += 1
            if seen == number:
                action()

    return hook


@dataclass
class Box:
    """A virtual bus and a link to it.

    Attributes:
        bus: the bus.
        link: a link on the host's port, or on what stands before it.
        by_uid: the actuators.
    """

    bus: VirtualBus
    link: Link = field(init=False)

    def __post_init__(self) -> None:
        self.link = Link(self.bus.host)

    def hooked(self, hook: Callable[[Message], None]) -> HookedPort:
        """Put a hook before the port; the link is new."""
        port = HookedPort(self.bus.host, hook)
        self.link = Link(port)
        return port

    def run(self, steps: Steps[T]) -> T:
        """Run an operation."""
        return self.link.run(steps)

    def pass_time(self, duration_ns: int) -> None:
        """Let virtual time pass."""
        self.bus.kernel.run_until(self.bus.kernel.now_ns + duration_ns)

    @property
    def now_ns(self) -> int:
        return self.bus.kernel.now_ns

    def add(
        self,
        uid: int | bytes,
        address: int = UNADDRESSED,
        *,
        label: str = "",
        at_deg: float = 0.0,
        powered: bool = True,
        clock_ppm: int = 0,
        settings: Mapping[str, RawValue] = MappingProxyType({}),
        rows: tuple[Parameter, ...] = tuple(PARAMETERS.values()),
        **stored: RawValue,
    ) -> Actuator:
        """Plug in an actuator; `settings` are stored raw settings, `stored` too, with _ for -; `rows` its list."""
        bus = self.bus
        actuator = Actuator(
            bus.kernel,
            bus.line,
            label=label or f"number {len(bus.actuators)}",
            uid=uid if isinstance(uid, bytes) else uid_of(uid),
            model=MODEL,
            address=address,
            stored={**settings, **{name.replace("_", "-"): value for name, value in stored.items()}},
            position_deg=at_deg,
            supply_mv=lambda: bus.supply_mv,
            address_changed=lambda _: bus.index(),
            clock_ppm=clock_ppm,
            rows=rows,
        )
        if not powered:
            actuator.power_off()
        bus.add(actuator)
        return actuator

    def add_many(self, count: int, seed: int, address: Callable[[int], int] = lambda _: UNADDRESSED) -> None:
        """Plug in actuators with random uids."""
        stream = random.Random(f"uids {seed}")
        for number in range(count):
            self.add(stream.randbytes(8), address(number))

    def noise(self, rate: float) -> Callable[[], None]:
        """Let noise fall on every listener from now on, drawn by the seed of the bus; returns what ends it."""
        return self.bus.line.add_noise(rate)

    @property
    def truth(self) -> dict[bytes, int]:
        """Address of every powered actuator by uid."""
        return {one.uid: one.address for one in self.bus.actuators if one.is_powered}


def box(seed: int = 0, *, baud: int = 115_200, echo: bool = True) -> Box:
    """An empty bus with a link."""
    return Box(VirtualBus(Kernel(seed), baud=baud, echo=echo))


def told(bus: VirtualBus, steps: Steps[Any]) -> dict[str, list[tuple[int, int | None]]]:
    """What an operation says of how far it is while it runs, by task."""
    said: dict[str, list[tuple[int, int | None]]] = {}
    Link(bus.host, lambda one: said.setdefault(one.task, []).append((one.at, one.of))).run(steps)
    return said


def counted(of: int) -> list[tuple[int, int | None]]:
    """What it says that counts from the first step to the last."""
    return [(at, of) for at in range(of + 1)]


def watch_progress(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on the test fails where any operation tells of a progress that cannot be."""
    note = link._Pump._note

    def noted(pump: link._Pump, step: Step) -> int | None:
        if isinstance(step, Progress):
            assert isinstance(step.task, str), step
            assert 0 <= step.at <= (step.at if step.of is None else step.of), step
        return note(pump, step)

    monkeypatch.setattr(link._Pump, "_note", noted)


def listed(roster: Roster) -> dict[bytes, int]:
    """Address by uid; a uid that stands twice fails the test."""
    found = {one.uid: one.address for one in roster.found}
    assert len(found) == len(roster.found)
    return found


def right_or_not_proven(roster: Roster, truth: dict[bytes, int]) -> bool:
    """The one promise that always holds. Gives whether it was proven."""
    if roster.proven:
        assert listed(roster) == truth
        assert roster.reason == ""
        assert 0 <= roster.remaining_error < 1
    else:
        assert roster.reason
        assert roster.remaining_error == 1.0
    return roster.proven


def lasting(actuator: Actuator) -> dict[str, object]:
    """Everything about an actuator that a look at it must not change."""
    actuator.arm.move_to(actuator._kernel.now_ns)
    return {
        "address": actuator.address,
        "working": dict(actuator.settings.working),
        "memory": tuple(actuator.settings.memory.copies),
        "generation": actuator.settings.generation,
        "state": actuator.state,
        "position": actuator.arm.position_deg,
        "target": actuator.arm.target_deg,
        "powered": actuator.is_powered,
    }
