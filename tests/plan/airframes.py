"""The hauler of the shipped example, its virtual bus, and who really sits where."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Final

from busproto.ops import Link
from busproto.plan.load import Plan, load
from busproto.sim.bus import VirtualBus
from busproto.sim.scene import scenario
from busproto.wire.frame import UNADDRESSED
from tests.ops.helpers import box

EXAMPLE: Final = Path(str(resources.files("busproto.plan"))) / "examples" / "hauler"
LABELS: Final = {"rudder, middle": "rudder, middle, old", "airbrake": "airbrake, weak"}
"""What the scenario calls the actuator of a function, where it calls it otherwise."""


@dataclass
class Hauler:
    """A copy of the plan, and a bus."""

    plan: Plan
    bus: VirtualBus
    link: Link

    @property
    def assignment(self) -> dict[str, bytes]:
        """The truth, as the scenario has it."""
        return {name: self.bus.labelled(LABELS.get(name, name)).uid for name in self.plan.roles}

    @property
    def addresses(self) -> dict[bytes, int]:
        """The address of each actuator with power, by uid."""
        return {one.uid: one.address for one in self.bus.actuators if one.is_powered}


def hauler(directory: Path, *, seed: int = 1, mended: bool = True, baud: int | None = None) -> Hauler:
    """A fresh hauler whose plan stands in `directory`."""
    for file in EXAMPLE.iterdir():
        shutil.copy(file, directory / file.name)
    plan = load(directory / ("hauler-mended.toml" if mended else "hauler.toml"))
    bus = scenario.load("hauler").build(seed, baud=baud)
    return Hauler(plan, bus, Link(bus.host))


SMALL_FLEET: Final = """
fleet-map = 1
title = "small ones"
[settings]
loss-action = "hold"
[function]
one = { address = 1, channel = 1 }
two = { address = 2, channel = 2, settings = { travel = 90.0 } }
three = { address = 3, channel = 3 }
four = { address = 4, channel = 4, settings = { direction = "reversed" } }
five = { address = 5, channel = 5 }
"""
SMALL_AIRFRAME: Final = """
airframe = 1
title = "small"
fleet-map = "fleet.toml"
[function]
one = {}
two = {}
three = {}
four = {}
five = {}
"""
SMALL_AT: Final = {"one": 2, "two": 3, "three": 1, "four": UNADDRESSED, "five": 4, "stray": 4, "in the way": 5}
"""A circle of three, one that is fresh, two that share a wanted address, and one that is in the way at another."""


def small(directory: Path) -> Hauler:
    """Five functions with every kind of trouble about addresses, and two actuators that are not in the plan."""
    (directory / "fleet.toml").write_text(SMALL_FLEET, "utf-8")
    (directory / "small.toml").write_text(SMALL_AIRFRAME, "utf-8")
    subject = box(6)
    for number, (label, address) in enumerate(SMALL_AT.items()):
        subject.add(number, address, label=label)
    return Hauler(load(directory / "small.toml"), subject.bus, subject.link)


class AddressWatch:
    """Looks at every actuator whenever anything happens, and keeps every new sharing of an address."""

    def __init__(self, bus: VirtualBus) -> None:
        self._bus = bus
        self._shared = self._now()
        self.new: list[frozenset[bytes]] = []
        kept = bus.kernel.step

        def step() -> None:
            kept()
            self._look()

        bus.kernel.step = step  # type: ignore[method-assign]

    def _now(self) -> set[frozenset[bytes]]:
        by_address: dict[int, set[bytes]] = {}
        for one in self._bus.actuators:
            if one.is_powered and one.address != UNADDRESSED:
                by_address.setdefault(one.address, set()).add(one.uid)
        return {frozenset(pair) for uids in by_address.values() for pair in _pairs(sorted(uids))}

    def _look(self) -> None:
        now = self._now()
        self.new.extend(now - self._shared)
        self._shared = now


def _pairs(uids: list[bytes]) -> list[tuple[bytes, bytes]]:
    return [(one, other) for at, one in enumerate(uids) for other in uids[at + 1 :]]
