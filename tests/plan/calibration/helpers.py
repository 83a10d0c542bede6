"""What the tests of a match share: the shipped gang, its members, and how far apart they truly are."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

from busproto.ops import Link
from busproto.ops.moving.letting_go import release_all
from busproto.ops.moving.motion import demand_channels, engage
from busproto.ops.steps import Pause, Steps, exchange
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import audit
from busproto.plan.load import load
from busproto.plan.trials.trial import Subject
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import parse

MS: Final = 1_000_000

EXAMPLE: Final = Path(str(resources.files("busproto.plan"))) / "examples" / "rudder" / "rudder.toml"


def shipped() -> str:
    return (Path(str(resources.files("busproto.sim"))) / "scenarios" / "rudder-gang.toml").read_text("utf-8")


def rudder(seed: int = 1) -> tuple[VirtualBus, Link]:
    """The shipped gang; it is matched long before the wind comes."""
    bus = parse(shipped()).build(seed)
    return bus, Link(bus.host)


def members(link: Link) -> list[Subject]:
    rows = audit(load(EXAMPLE), {}, link.run(survey())).rows
    return [Subject(row.role, row.snapshot) for row in rows if row.snapshot is not None]


def truth(
    bus: VirtualBus, link: Link, name: str = "rudder", channel: int = 8, addresses: tuple[int, ...] = (30, 31, 32)
) -> tuple[float, float, float]:
    """Greatest mismatch, deg at the surface; greatest torque of one, N m; all of it over the travel, at rest."""
    surface = bus.surface(name)
    worst: list[tuple[float, float, float]] = []

    def sweep() -> Steps[None]:
        for address in addresses:
            yield from engage(address)
        for step in range(-8, 9):
            for _ in range(30):
                yield from exchange(demand_channels({channel: step / 10}))
                yield Pause(40 * MS)
            torques = [abs(one) / 1000 for one in surface.torques_mnm().values()]
            mismatch = [abs(one) for one in surface.mismatch_deg().values()]
            worst.append((max(mismatch), max(torques), sum(torques)))
        yield from release_all()

    link.run(sweep())
    return max(one[0] for one in worst), max(one[1] for one in worst), max(one[2] for one in worst)


MIDDLE: Final = '    { actuator = "rudder, middle", stiffness = 2.6, ratio = 0.6, offset = 0.7 },\n'
