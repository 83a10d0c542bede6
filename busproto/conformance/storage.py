"""Power cuts and spoiled cells, for what runs in process: the simulator's own actuator, or a firmware as a library."""

from __future__ import annotations

from typing import Any

from busproto.conformance.bench import MS, Bench
from busproto.wire.message import Message
from busproto.wire.timing import STORE_NS
from sim.device import Device
from sim.storage import BYTE_WRITE_NS


def written_bytes(bench: Bench, message: Message, to: int) -> int:
    """How many bytes a request writes to stored memory."""
    actuator = bench.actuator
    if isinstance(actuator, Device):
        before = actuator.writes
        bench.frames_after(bench.wire(message, to), count=1, slow=True)
        return actuator.writes - before
    bench.frames_after(bench.wire(message, to), count=1, slow=True)
    return max(len(copy) for copy in actuator.settings.memory.copies)


def cut_at_byte(bench: Bench, message: Message, to: int, at: int) -> None:
    """Send a request; power is lost in the middle of the byte `at` (from 0) that it writes, and comes back."""
    actuator: Any = bench.actuator
    if isinstance(actuator, Device):
        actuator.cut_at_write = actuator.writes + at
        said = bench.say(bench.wire(message, to))
    else:
        said = bench.say(bench.wire(message, to))
        bench.bus.kernel.at(said.end_ns + at * BYTE_WRITE_NS + BYTE_WRITE_NS // 2, actuator.power_off)
    bench.hear(said.end_ns + STORE_NS)
    assert not actuator.is_powered, f"it wrote no byte {at}"
    actuator.power_on()
    bench.pass_time(1 * MS)


def spoil(bench: Bench, page: int, at: int) -> None:
    """One bit of a stored copy is another after the next power-up, which follows at once."""
    actuator: Any = bench.actuator
    actuator.power_off()
    if isinstance(actuator, Device):
        actuator.pages[page][at] ^= 0x10
    else:
        copies = actuator.settings.memory.copies
        cells = bytearray(copies[page])
        cells[at] ^= 0x10
        copies[page] = bytes(cells)
    actuator.power_on()
    bench.pass_time(1 * MS)
