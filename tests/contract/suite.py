"""What every transport must do, as functions that take a factory. Anyone's transport can be held against them.

A factory opens a transport whose far end sends back what it receives, unchanged. `CHECKS` are all there is to check.
Nothing here is about how fast a port is: times are only compared by the transport's own clock, and from below.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Final

import pytest

from busproto.errors import PortClosedError
from busproto.transport import Transport

MS: Final = 1_000_000
FAR_NS: Final = 60_000 * MS
"""A deadline that is never reached where bytes are on their way."""


@dataclass(frozen=True)
class EchoPort:
    """A transport and its far end.

    Attributes:
        transport: open.
        turn: lets the far end receive so many bytes and send them back.
        is_virtual: time runs only while the port is read.
    """

    transport: Transport
    turn: Callable[[int], None]
    is_virtual: bool


Factory = Callable[[], AbstractContextManager[EchoPort]]


def read_all(port: EchoPort, count: int) -> bytes:
    """Read until so many bytes are there; every read must bring something."""
    data = b""
    while len(data) < count:
        piece = port.transport.read_until(port.transport.now_ns() + FAR_NS)
        assert piece, f"a read ended before its deadline with nothing, after {len(data)} of {count} bytes"
        data += piece
    return data


def round_trip(port: EchoPort, data: bytes) -> bytes:
    """Write, let the far end send it back, read."""
    port.transport.write(data)
    port.turn(len(data))
    return read_all(port, len(data))


def has_name_rate_and_latency(factory: Factory) -> None:
    with factory() as port:
        assert port.transport.url
        assert port.transport.baud > 0
        assert port.transport.latency_ns >= 0


def clock_never_runs_backwards(factory: Factory) -> None:
    with factory() as port:
        transport = port.transport
        times = [transport.now_ns()]
        assert isinstance(times[0], int)
        transport.write(b"\x55")
        times.append(transport.now_ns())
        port.turn(1)
        read_all(port, 1)
        times.append(transport.now_ns())
        transport.read_until(times[-1] + MS)
        times.append(transport.now_ns())
        transport.close()
        times.append(transport.now_ns())
        assert times == sorted(times)


def with_nothing_there_a_read_ends_empty_at_its_deadline(factory: Factory) -> None:
    with factory() as port:
        transport = port.transport
        for _ in range(3):
            deadline_ns = transport.now_ns() + 2 * MS
            assert transport.read_until(deadline_ns) == b""
            assert transport.now_ns() >= deadline_ns


def with_nothing_there_a_read_after_its_deadline_ends_empty(factory: Factory) -> None:
    with factory() as port:
        transport = port.transport
        before_ns = transport.now_ns()
        assert transport.read_until(0) == b""
        assert transport.read_until(transport.now_ns()) == b""
        if port.is_virtual:
            assert transport.now_ns() - before_ns <= 2 * 10 * 1_000_000_000 // transport.baud + 2  # two bytes at most


def what_is_there_is_read_although_the_deadline_has_passed(factory: Factory) -> None:
    with factory() as port:
        port.transport.write(b"\x55\x66")
        port.turn(2)
        first = port.transport.read_until(port.transport.now_ns() + FAR_NS)
        rest = b""
        while len(first + rest) < 2:
            rest += port.transport.read_until(0)
        assert first + rest == b"\x55\x66"


def a_read_brings_bytes_as_soon_as_they_have_come(factory: Factory) -> None:
    with factory() as port:
        transport = port.transport
        deadline_ns = transport.now_ns() + FAR_NS
        transport.write(b"\x55")
        port.turn(1)
        assert transport.read_until(deadline_ns) == b"\x55"
        assert transport.now_ns() < deadline_ns


def every_byte_value_passes_unchanged(factory: Factory) -> None:
    with factory() as port:
        data = bytes(range(1, 256)) + b"\x00"
        assert round_trip(port, data) == data


def bytes_keep_their_order_over_many_writes(factory: Factory) -> None:
    with factory() as port:
        stream = random.Random(1)
        pieces = [stream.randbytes(stream.randrange(1, 40)) for _ in range(12)]
        for piece in pieces:
            port.transport.write(piece)
        sent = b"".join(pieces)
        port.turn(len(sent))
        assert read_all(port, len(sent)) == sent


def an_empty_write_is_nothing(factory: Factory) -> None:
    with factory() as port:
        port.transport.write(b"")
        assert port.transport.read_until(port.transport.now_ns() + 2 * MS) == b""
        assert round_trip(port, b"\x01") == b"\x01"


def a_second_port_brings_nothing_of_the_first(factory: Factory) -> None:
    with factory() as port:
        assert round_trip(port, b"first") == b"first"
    with factory() as port:
        assert round_trip(port, b"second") == b"second"


def close_may_come_twice_and_then_nothing_goes(factory: Factory) -> None:
    with factory() as port:
        transport = port.transport
        transport.close()
        transport.close()
        for use in (
            lambda: transport.write(b"\x55"),
            lambda: transport.write(b""),
            lambda: transport.read_until(0),
            lambda: transport.read_until(transport.now_ns() + FAR_NS),
        ):
            with pytest.raises(PortClosedError) as caught:
                use()
            assert caught.value.url == transport.url
            assert caught.value.done == ()


CHECKS: Final[tuple[Callable[[Factory], None], ...]] = (
    has_name_rate_and_latency,
    clock_never_runs_backwards,
    with_nothing_there_a_read_ends_empty_at_its_deadline,
    with_nothing_there_a_read_after_its_deadline_ends_empty,
    what_is_there_is_read_although_the_deadline_has_passed,
    a_read_brings_bytes_as_soon_as_they_have_come,
    every_byte_value_passes_unchanged,
    bytes_keep_their_order_over_many_writes,
    an_empty_write_is_nothing,
    a_second_port_brings_nothing_of_the_first,
    close_may_come_twice_and_then_nothing_goes,
)
