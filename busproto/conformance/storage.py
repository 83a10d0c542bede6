"""Power cuts and spoiled cells, for a bench with a side channel."""

from __future__ import annotations

from busproto.conformance.bench import LATE_PORT_NS, MS, Bench
from busproto.wire.message import Message
from busproto.wire.timing import STORE_NS

NEVER_BYTE = 0xFFFF


def written_bytes(bench: Bench, message: Message, to: int) -> int:
    """How many bytes a request writes to stored memory."""
    side = bench.beside("cut", "who")
    before = side.written_bytes
    bench.frames_after(bench.wire(message, to), count=1, slow=True)
    return side.written_bytes - before


def cut_at_byte(bench: Bench, message: Message, to: int, at: int) -> None:
    """Send a request; power is lost in the middle of the byte `at` (from 0) that it writes, and comes back."""
    side = bench.beside("cut", "plug", "who")
    side.order("cut", str(at))
    said = bench.say(bench.wire(message, to))
    bench.hear(said.end_ns + STORE_NS)
    late_ns = bench.now_ns + (0 if bench.is_virtual else bench.slack_ns + LATE_PORT_NS)
    while side.is_powered:
        if bench.now_ns >= late_ns:
            side.order("cut", str(NEVER_BYTE))
            raise AssertionError(f"it wrote no byte {at}")
        bench.pass_time(5 * MS)
    bench.power_back()
    bench.drain()


def spoil(bench: Bench, copies: tuple[int, ...], at: int) -> None:
    """One bit of stored copies is another after the next power-up, which follows at once."""
    side = bench.beside("unplug", "spoil", "plug")
    side.order("unplug")
    for copy in copies:
        side.order("spoil", f"{copy} {at}")
    bench.power_back()
