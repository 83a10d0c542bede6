"""How much of its time the bus is busy in the air, from the real sizes of the messages and the times of the format.

A cycle holds either one demand broadcast, which no actuator answers, or one report round, which carries the demands and
in which every actuator reports in turn. Not counted: the time that the host itself needs between two cycles, and the
delay of an adapter that holds bytes back. Times are ns; a byte is ten bits on the line (one start, eight data, one stop
bit).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.ops.reports import BRIEF_BYTES
from busproto.plan.load import Plan
from busproto.wire.codec import encode_frame, reply_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, RUNNING_BAUD
from busproto.wire.message import Message
from busproto.wire.messages import MAX_CHANNELS, DemandAll, Report, ReportRound, State, Status
from busproto.wire.timing import (
    FIRST_SLOT_NS,
    MIN_TURNAROUND_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_JITTER_NS,
)

BITS_PER_BYTE: Final = 10
RATES_BD: Final = (115_200, 230_400, 460_800, 500_000, RUNNING_BAUD, 2_000_000, 4_000_000)
"""Line rates that most serial adapters offer (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class BusLoad:
    """Use of the bus in the air.

    Attributes:
        baud: line rate, Bd.
        channels: demands in each cycle, 1..32.
        actuators: that report in each cycle; 0 where none does.
        cycle_ns: from one demand to the next.
        busy_ns: (least, most) that a cycle takes; they differ by the start jitter of the reports.
        fits: most channels that fit into a cycle, 0..32; with reports, most actuators at neighbouring addresses, each
            with a channel of its own as far as there are any, 0..239.
        latency_ns: (least, most) from a new demand in the host to the moment when every actuator begins to follow it:
            the frame on the line, and at most a whole cycle until it is sent.
    """

    baud: int
    channels: int
    actuators: int
    cycle_ns: int
    busy_ns: tuple[int, int]
    fits: int
    latency_ns: tuple[int, int]

    @property
    def percent(self) -> float:
        """Most of a cycle that is used; above 100 it does not fit."""
        return 100 * self.busy_ns[1] / self.cycle_ns

    @property
    def is_too_slow(self) -> bool:
        """Whether a cycle does not hold what is to be in it."""
        return self.busy_ns[1] > self.cycle_ns


def bytes_ns(count: int, baud: int) -> int:
    """So many bytes on the line, ns, rounded up."""
    return -(-count * BITS_PER_BYTE * 1_000_000_000 // baud)


def poll_cycle_ns(nodes: int, request_bytes: int, reply_bytes: int, gap_ns: int, baud: int) -> int:
    """Asking `nodes` one after the other, with a gap behind each request and each reply, ns, rounded up."""
    bits = nodes * (request_bytes + reply_bytes) * BITS_PER_BYTE
    return -(-bits * 1_000_000_000 // baud) + nodes * 2 * gap_ns


def poll_fits(cycle_ns: int, request_bytes: int, reply_bytes: int, gap_ns: int, baud: int) -> int:
    """Most nodes that can be asked one after the other within a cycle."""
    bits = (request_bytes + reply_bytes) * BITS_PER_BYTE
    return cycle_ns * baud // (bits * 1_000_000_000 + 2 * gap_ns * baud)


def request_bytes(message: Message) -> int:
    """Bytes of a request on the wire."""
    return len(encode_frame(request_frame(message, BROADCAST_ADDRESS, 0)))


def reply_bytes(message: Message, to: Message) -> int:
    """Bytes of a reply on the wire."""
    return len(encode_frame(reply_frame(message, request_frame(to, 1, 0), 1, 0)))


def demand_ns(channels: int, baud: int) -> int:
    """One demand broadcast for channels 1..`channels` on the line, ns."""
    return bytes_ns(request_bytes(DemandAll((0,) * channels)), baud)


def round_ns(channels: int, actuators: int, places: int, baud: int) -> tuple[int, int]:
    """One report round, from its first bit to the last bit of the last answer, ns: (least, most).

    Args:
        channels: demands that go with it, 0..32.
        actuators: that answer, the first and the last of the row among them, 1..`places`.
        places: addresses in the row, 1..239; each that is missing costs an idle slot.
        baud: line rate.
    """
    query_ns = bytes_ns(request_bytes(ReportRound(1, places, (0,) * channels)), baud)
    answers_ns = actuators * (ORDERED_SLOT_LEAD_NS + bytes_ns(BRIEF_BYTES, baud))
    least_ns = query_ns + FIRST_SLOT_NS + (places - 1) * ORDERED_SLOT_NS + answers_ns
    return least_ns, least_ns + actuators * START_JITTER_NS


def report_poll_ns(actuators: int, baud: int) -> int:
    """Asking each for its whole report, one after the other, with the shortest turnaround, ns."""
    status = Status(State.LIMP, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    sizes = request_bytes(Report()), reply_bytes(status, Report())
    return poll_cycle_ns(actuators, *sizes, MIN_TURNAROUND_NS, baud)


def bus_load(
    channels: int, baud: int, demands_per_second: float, *, actuators: int = 0, places: int | None = None
) -> BusLoad:
    """Use of the bus by so many channels, and by so many actuators that report in every cycle.

    Args:
        channels: 1..32.
        baud: line rate, Bd.
        demands_per_second: cycles a second, above 0.
        actuators: that report, 0..239.
        places: addresses from the first to the last that reports; None where none is missing between them.
    """
    cycle_ns = round(1e9 / demands_per_second)
    if actuators:
        busy_ns = round_ns(channels, actuators, actuators if places is None else places, baud)
        way_ns = bytes_ns(request_bytes(ReportRound(1, 1, (0,) * channels)), baud)
        counts: range = range(1, MAX_ADDRESS + 1)
        fits = sum(round_ns(min(n, MAX_CHANNELS), n, n, baud)[1] <= cycle_ns for n in counts)
    else:
        way_ns = demand_ns(channels, baud)
        busy_ns = (way_ns, way_ns)
        fits = sum(demand_ns(n, baud) <= cycle_ns for n in range(1, MAX_CHANNELS + 1))
    return BusLoad(baud, channels, actuators, cycle_ns, busy_ns, fits, (way_ns, way_ns + cycle_ns))


def plan_load(plan: Plan, *, baud: int | None = None, demands_per_second: float | None = None) -> BusLoad:
    """Use of the bus as the plan has it, or at another rate."""
    channels = max(role.channel for role in plan.roles.values())
    addresses = {role.address for role in plan.roles.values()}
    return bus_load(
        channels,
        plan.bus.baud if baud is None else baud,
        plan.bus.demands_per_second if demands_per_second is None else demands_per_second,
        actuators=len(addresses) if plan.bus.reports else 0,
        places=max(addresses) - min(addresses) + 1,
    )


def ways_out(plan: Plan) -> list[str]:
    """What could be said instead in the airframe file so that a cycle holds what is to be in it."""
    ways = []
    fast_enough = [rate for rate in RATES_BD if not plan_load(plan, baud=rate).is_too_slow]
    if fast_enough:
        ways.append(f"baud = {fast_enough[0]}")
    slower = int(1e9 / plan_load(plan).busy_ns[1])
    if slower >= 1:
        ways.append(f"demands-per-second = {slower}")
    if plan.bus.reports:
        load = plan_load(plan)
        if demand_ns(load.channels, load.baud) <= load.cycle_ns:
            ways.append("reports = false")
    return ways
