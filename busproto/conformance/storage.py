"""Power cuts and spoiled cells, for a bench with a side channel, and what is kept in stored memory."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass

from busproto.conformance.dut import LATE_PORT_NS, MS, Dut, not_checked
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.message import Message
from busproto.wire.timing import STORE_NS

NEVER_BYTE = 0xFFFF
COPIES = 2
AT_ONCE = 25
"""Parameters read by one request: their values fit whatever their size."""


def written_bytes(dut: Dut, message: Message, to: int) -> int:
    """How many bytes a request writes to stored memory."""
    side = dut.beside("cut", "who")
    before = side.written_bytes
    dut.frames_after(dut.wire(message, to), count=1, slow=True)
    return side.written_bytes - before


def cut_at_byte(dut: Dut, message: Message, to: int, at: int) -> None:
    """Send a request; power is lost in the middle of the byte `at` (from 0) that it writes, and comes back."""
    side = dut.beside("cut", "plug", "who")
    side.order("cut", str(at))
    said = dut.say(dut.wire(message, to))
    dut.hear(said.end_ns + STORE_NS)
    late_ns = dut.now_ns + (0 if dut.is_virtual else dut.slack_ns + LATE_PORT_NS)
    while side.is_powered:
        if dut.now_ns >= late_ns:
            side.order("cut", str(NEVER_BYTE))
            raise AssertionError(f"it wrote no byte {at}")
        dut.pass_time(5 * MS)
    dut.power_back()
    dut.drain()


def spoil(dut: Dut, copies: tuple[int, ...], at: int) -> None:
    """Flip one bit of stored copies and power it up again. With both copies it has no address from then on."""
    side = dut.beside("unplug", "spoil", "plug")
    if len(copies) == COPIES and UNADDRESSED in dut.taken:
        not_checked("another actuator on the line has no address either, and would answer in its place")
    side.order("unplug")
    for copy in copies:
        side.order("spoil", f"{copy} {at}")
    dut.power_back()


@contextlib.contextmanager
def worn(dut: Dut, cell: str = "all") -> Iterator[None]:
    """Within the block that cell of both copies cannot be written, or no cell: the actuator chooses the copy."""
    side = dut.beside("wear", "mend")
    for copy in range(COPIES):
        side.order("wear", f"{copy} {cell}")
    try:
        yield
    finally:
        side.order("mend")


@dataclass(frozen=True, slots=True)
class Kept:
    """What an actuator tells of its stored memory.

    Attributes:
        generation: as it describes itself.
        values: the raw values of all its parameters, one behind the other, in the order of its list.
    """

    generation: int
    values: bytes


def kept(dut: Dut, memory: m.Memory = m.Memory.STORED) -> Kept:
    """Read the generation and every value of one of its memories, in few requests."""
    rows = list(dut.rows.values())
    single = [row.number for row in rows if not row.points]
    asked = [single[at : at + AT_ONCE] for at in range(0, len(single), AT_ONCE)]
    asked += [[row.number] for row in rows if row.points]
    values = b"".join(dut.ask(m.Read(memory, bytes(numbers)), m.Values).values for numbers in asked)
    return Kept(dut.ask(m.Describe(), m.Description).generation, values)
