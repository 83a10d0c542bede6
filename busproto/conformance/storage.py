"""Power cuts and spoiled cells, for a bench with a side channel."""

from __future__ import annotations

from busproto.conformance.dut import LATE_PORT_NS, MS, Dut
from busproto.wire.message import Message
from busproto.wire.timing import STORE_NS

NEVER_BYTE = 0xFFFF


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
    """Flip one bit of stored copies and power it up again."""
    side = dut.beside("unplug", "spoil", "plug")
    side.order("unplug")
    for copy in copies:
        side.order("spoil", f"{copy} {at}")
    dut.power_back()
