"""How fast the virtual bus is: 32 actuators at 1 MBd, a demand of all and a report from each, 100 times a second.

Prints simulated seconds per real second with the fast path, and the ratio of the fast path to the bit-level one.
"""

from __future__ import annotations

from functools import partial
from time import process_time
from typing import Final

from busproto.sim.bus import VirtualBus
from busproto.wire import encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, RUNNING_BAUD
from tests.bench.timing import best_seconds
from tests.fleet import fleet

COUNT: Final = 32
CYCLE_NS: Final = 10_000_000
FAST_CYCLES: Final = 50
BIT_CYCLES: Final = 2
REPORT_BYTES: Final = 20


def ready_bus(*, always_bits: bool) -> VirtualBus:
    """Thirty-two addressed actuators, each with a channel of its own."""
    bus = fleet(COUNT, 1, baud=RUNNING_BAUD, echo=False, addresses=list(range(1, COUNT + 1)), always_bits=always_bits)
    for number, actuator in enumerate(bus.actuators):
        actuator.settings.set_working("channel", number + 1)
    return bus


def cycles(bus: VirtualBus, count: int) -> None:
    """So many cycles of 10 ms: one broadcast with all demands, and a brief report of each in turn."""
    demands = [tuple((1000 * (phase + channel)) % 20_001 - 10_000 for channel in range(COUNT)) for phase in range(20)]
    wires = [encode_frame(request_frame(m.ReportRound(1, COUNT, row), BROADCAST_ADDRESS, 0)) for row in demands]
    kernel, host = bus.kernel, bus.host
    for number in range(count):
        end_ns = kernel.now_ns + CYCLE_NS
        host.write(wires[number % len(wires)])
        kernel.run_until(end_ns)
        if len(host.take()) != COUNT * REPORT_BYTES or bus.line.is_busy:
            raise RuntimeError("the cycle does not fit into its 10 ms")


def run(rounds: int) -> None:
    """Print the figures."""
    fast, bits = ready_bus(always_bits=False), ready_bus(always_bits=True)
    calls = {"fast": partial(cycles, fast, FAST_CYCLES), "bits": partial(cycles, bits, BIT_CYCLES)}
    best = best_seconds(calls, rounds=rounds, slice_s=0.0, clock=process_time)
    fast_s, bits_s = best["fast"] / FAST_CYCLES, best["bits"] / BIT_CYCLES
    cycle_s = CYCLE_NS / 1e9
    print(f"virtual bus, {COUNT} actuators, 1 MBd, 100 Hz, a brief report from each per cycle, best of {rounds} rounds")
    print(f"  fast path       {cycle_s / fast_s:8.2f} simulated seconds per second")
    print(f"  bit-level path  {cycle_s / bits_s:8.3f} simulated seconds per second")
    print(f"  fast : bit-level {bits_s / fast_s:7.1f}")
