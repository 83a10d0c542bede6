"""Factories of ports with a far end that sends everything back, for the suite, and a virtual bus that is served."""

from __future__ import annotations

import os
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import busproto.sim
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load
from busproto.sim.server import Endpoint, serve
from busproto.transport import SerialTransport, Transport
from tests.contract.suite import EchoPort

PATIENCE_S = 60.0
"""How long a far end waits for bytes that must come; only a test that fails waits so long."""


def nothing_to_do(_: int) -> None:
    """For a far end that sends back by itself."""


@contextmanager
def host_port() -> Iterator[EchoPort]:
    """The host's port of a virtual bus whose line gives the host its own bytes back."""
    transport: Transport = load("bench-four").build(1).host
    yield EchoPort(transport, nothing_to_do, is_virtual=True)
    transport.close()


@contextmanager
def opened(url: str, turn: Callable[[int], None] = nothing_to_do, *, is_virtual: bool = False) -> Iterator[EchoPort]:
    """A pyserial port by its URL."""
    transport = SerialTransport(url)
    try:
        yield EchoPort(transport, turn, is_virtual)
    finally:
        transport.close()


@contextmanager
def sim_url() -> Iterator[EchoPort]:
    """The same bus behind pyserial."""
    assert busproto.sim.__name__ == "busproto.sim"  # its import makes the URL known
    with opened("sim://bench-four?seed=1", is_virtual=True) as port:
        yield port


@contextmanager
def loop_url() -> Iterator[EchoPort]:
    """pyserial's own loop: a port without a handle to wait for, as every port is on some systems."""
    with opened("loop://") as port:
        yield port


@contextmanager
def pseudo_terminal() -> Iterator[EchoPort]:
    """A pseudo-terminal whose other side this test holds."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)

    def turn(count: int) -> None:
        data = b""
        while len(data) < count:
            data += os.read(ours, count - len(data))
        os.write(ours, data)

    try:
        with opened(os.ttyname(theirs), turn) as port:
            yield port
    finally:
        os.close(ours)
        os.close(theirs)


@contextmanager
def tcp_pair() -> Iterator[tuple[SerialTransport, socket.socket]]:
    """A transport on ``socket://`` and the far end's socket."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        transport = SerialTransport(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        try:
            far, _ = listener.accept()
            with far:
                far.settimeout(PATIENCE_S)
                yield transport, far
        finally:
            transport.close()


@contextmanager
def tcp() -> Iterator[EchoPort]:
    """A TCP connection whose other side this test holds."""
    with tcp_pair() as (transport, far):

        def turn(count: int) -> None:
            data = b""
            while len(data) < count:
                data += far.recv(count - len(data))
            far.sendall(data)

        yield EchoPort(transport, turn, is_virtual=False)


@contextmanager
def served(bus: VirtualBus, endpoint: Endpoint) -> Iterator[str]:
    """A virtual bus in real time behind an endpoint, in a thread of its own; gives the name to open."""
    is_over = threading.Event()
    errors: list[BaseException] = []

    def run() -> None:
        try:
            serve(bus, endpoint, is_over=lambda _: is_over.is_set())
        except BaseException as error:
            errors.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield endpoint.name
    finally:
        is_over.set()
        thread.join()
        endpoint.close()
    assert not errors, errors
