"""The host's port at the line: writes without a gap, reads until the first bytes or a deadline."""

from __future__ import annotations

from tests.sim.helpers import bench, send_at
from tests.sim.line.wire import A, B, C


def test_writes_of_the_host_follow_each_other_without_gap() -> None:
    made = bench(baud=1_000_000)
    host = made.bus.host
    host.write(b"\x01\x02")
    assert host.sent_at_ns == 20_000
    host.write(b"")
    host.write(b"\x03")
    assert (host.sent_at_ns, made.now_ns) == (30_000, 0)
    made.run_until(45_000)
    host.write(b"\x04")
    made.run_until(60_000)
    assert made.trace == [(20_000, b"\x01\x02"), (30_000, b"\x03"), (55_000, b"\x04")]
    assert made.bus.line.frames == 3


def test_read_until_returns_at_the_first_bytes_and_at_the_deadline() -> None:
    made = bench(baud=1_000_000)
    send_at(made.bus.line, 5_000, A, b"\x77")
    assert (made.bus.host.read_until(100_000), made.now_ns) == (b"\x77", 15_000)
    assert (made.bus.host.read_until(100_000), made.now_ns) == (b"", 100_000)


def test_a_deadline_within_a_transmission_brings_the_bytes_that_are_complete() -> None:
    made = bench(baud=1_000_000)
    made.bus.line.transmit(A, b"\x01\x02\x03\x04")
    assert (made.bus.host.read_until(29_499), made.now_ns) == (b"\x01\x02", 29_499)
    assert (made.bus.host.read_until(29_500), made.now_ns) == (b"\x03", 29_500)
    assert (made.bus.host.read_until(100_000), made.now_ns) == (b"\x04", 40_000)
    assert made.trace == [(29_499, b"\x01\x02"), (29_500, b"\x03"), (40_000, b"\x04")]


def test_a_collision_behind_bytes_already_delivered_does_not_deliver_them_again() -> None:
    """B begins at 35000: its start bit falls on bit 4 of the byte that began at 30000."""
    made = bench(baud=1_000_000)
    made.bus.line.transmit(A, b"\xff\xff\xff\xff")
    assert made.bus.host.read_until(25_000) == b"\xff\xff"
    send_at(made.bus.line, 35_000, B, b"\xff")
    made.run_until(100_000)
    assert made.bus.host.take() == b"\xff\xef"
    made.bus.line.transmit(C, b"\x01\x02\x03")
    made.run_until(200_000)
    assert made.bus.host.take() == b"\x01\x02\x03"


def test_a_look_into_the_rest_of_a_collision_changes_nothing() -> None:
    """The receiver is in a byte from 13000 to 22500, as above; whoever looks at 16000 does not end that byte."""
    made = bench(baud=1_000_000)
    made.bus.line.transmit(A, b"\xff")
    send_at(made.bus.line, 5_000, B, b"\x7f")
    send_at(made.bus.line, 17_000, C, b"\xff")
    made.run_until(15_500)
    assert made.bus.host.take() == b"\xef"
    assert made.bus.host.read_until(16_000) == b""
    assert made.bus.host.read_until(16_500) == b""
    made.run_until(100_000)
    assert made.trace == [(10_000, b"\xef"), (27_000, b"\xf7")]
    made.bus.line.transmit(A, b"\x42")
    made.run_until(200_000)
    assert made.trace[2:] == [(110_000, b"\x42")]
