"""Virtual buses full of actuators, for tests, benchmarks and campaigns."""

from __future__ import annotations

import random

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import LineKind
from busproto.wire.frame import DEFAULT_BAUD, UNADDRESSED

MODEL = ActuatorModel("bench 25")
CLOCK_ERROR_PPM = 10_000


def fleet(
    count: int,
    seed: int,
    *,
    baud: int = DEFAULT_BAUD,
    echo: bool = True,
    kind: LineKind = LineKind.OPEN_DRAIN,
    noise: float = 0.0,
    near_identical: bool = False,
    addresses: list[int] | None = None,
    always_bits: bool = False,
    clock_ppm: int | None = None,
) -> VirtualBus:
    """A bus of `count` factory-fresh actuators, or at the addresses given; the same seed gives the same one.

    Args:
        noise: chance that a byte is hit, at each listener for itself.
        near_identical: uids that differ in their last bits only.
        clock_ppm: error of every actuator's clock; None for one of its own for each, up to 1 %.
    """
    kernel = Kernel(seed)
    bus = VirtualBus(kernel, baud=baud, echo=echo, kind=kind, always_bits=always_bits)
    draw = random.Random(f"fleet {seed}")
    base = draw.getrandbits(64)
    clocks = kernel.stream("clocks")
    for number in range(count):
        own_ppm = clocks.randint(-CLOCK_ERROR_PPM, CLOCK_ERROR_PPM)
        uid = (base ^ number) if near_identical else draw.getrandbits(64)
        bus.add(
            Actuator(
                kernel,
                bus.line,
                label=f"no. {number + 1}",
                uid=uid.to_bytes(8, "big"),
                model=MODEL,
                address=addresses[number] if addresses else UNADDRESSED,
                stored={},
                position_deg=0.0,
                supply_mv=lambda: 7400,
                address_changed=lambda _: bus.index(),
                clock_ppm=own_ppm if clock_ppm is None else clock_ppm,
            )
        )
    if noise:
        bus.line.add_noise(noise)
    return bus
