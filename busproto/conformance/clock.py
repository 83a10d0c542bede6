"""The actuator's own clock, which counts microseconds in 32 bits: started anywhere, and left to run for an hour.

A clock that wraps around, or passes the half of its range, must change nothing. A case puts that moment where it could
do harm: `passes` starts the actuator anew so that its clock passes a count at a moment to come. A harm that shows only
an hour later needs a line that is idle meanwhile: `idle` is cheap in process, and not checked elsewhere.
"""

from __future__ import annotations

from typing import Final

from busproto.conformance.dut import US, Dut, S, not_checked
from busproto.conformance.side import SideRefusedError
from busproto.wire.timing import BOOT_NS

RANGE_US: Final = 1 << 32
WRAP: Final = 0
HALF: Final = RANGE_US // 2
COUNTS: Final = {"wrap": WRAP, "half": HALF}
"""The counts at which comparisons of times go wrong, by name."""
MINUTE_NS: Final = 60 * S
HALF_NS: Final = HALF * US
RANGE_NS: Final = RANGE_US * US
MOST_WAKES: Final = 20_000
"""In process an idle hour is passed where the actuator wakes no more often than this in it."""


def starts_at(dut: Dut, clock_us: int) -> None:
    """Start it anew, by power, with its clock at `clock_us` when power comes back; returns when it has started."""
    dut.beside("clock").order("clock", str(clock_us % RANGE_US))
    dut.pass_time(BOOT_NS)


def passes(dut: Dut, count: int, behind_ns: int) -> int:
    """Start it anew so that its clock stands at `count` about `behind_ns` from now; returns that moment, ns.

    In process it is exact to the microsecond. The moment is by the port's clock; it lies behind the start.
    """
    assert behind_ns > BOOT_NS
    at_ns = dut.now_ns + behind_ns
    starts_at(dut, count - behind_ns // US)
    return at_ns


def until(dut: Dut, at_ns: int) -> None:
    """Let time pass until then, by the port's clock; the moment may have passed on a slow port."""
    dut.pass_time(max(0, at_ns - dut.now_ns))


def idle(dut: Dut, duration_ns: int) -> None:
    """Leave the line idle for minutes; the case fails where the actuator says anything, unasked, meanwhile."""
    dut.require_virtual(f"{duration_ns // MINUTE_NS} minutes of virtual time cost nothing in process only")
    dut.drain()
    wakes_in(dut, S)  # what was under way comes to its end
    wakes = wakes_in(dut, S)
    if wakes * (duration_ns // S) > MOST_WAKES:
        not_checked(f"it wakes {wakes} times a second while nothing happens, so that an hour takes too long to compute")
    heard = dut.drain()
    heard += dut.pass_time(duration_ns - 2 * S)
    assert heard == b"", f"no request was sent for {duration_ns // S} s, and {heard.hex(' ')} came"


def wakes_in(dut: Dut, duration_ns: int) -> int:
    """Let that time pass on a line in process; returns how many events it held. It ends early at MOST_WAKES."""
    kernel, end_ns, count = dut.bus.kernel, dut.now_ns + duration_ns, 0
    while count < MOST_WAKES and (due_ns := kernel.next_ns()) is not None and due_ns <= end_ns:
        kernel.step()
        count += 1
    if count < MOST_WAKES:
        kernel.run_until(end_ns)
    return count


def renumber(dut: Dut, generation: int) -> None:
    """Its stored memory becomes that of so many writes; without power, which comes back."""
    side = dut.beside("unplug", "generation", "plug")
    side.order("unplug")
    try:
        side.order("generation", str(generation))
    except SideRefusedError as error:
        raise AssertionError(f"its stored memory was not given generation {generation}: {error}") from error
    finally:
        dut.power_back()
