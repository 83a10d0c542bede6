"""The virtual bus in real time, behind a pseudo-terminal or a TCP port.

Virtual time follows the machine's clock: bytes written to the port go onto the virtual line at once and take their
time there; what the line brings is passed on when its time has come. One process, one bus.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final, Protocol

from sim.bus import VirtualBus
from sim.errors import SimError
from sim.side_channel import SideChannel

LONGEST_WAIT_S: Final = 0.25
READ_BYTES: Final = 4096
MAX_LINE_BYTES: Final = 8192
WRITE_PATIENCE_S: Final = 1.0


class Endpoint(Protocol):
    """Where the host is plugged in."""

    name: str

    def wait(self, timeout_s: float, also: Sequence[Any] = ()) -> tuple[bytes, list[Any]]:
        """What the host has sent, and which of the others can be read; at the latest after so long."""

    def write(self, data: bytes) -> None:
        """Pass bytes on to the host; where none is there they are lost, as on a real line."""

    def close(self) -> None:
        """Let go."""


class Beside(Protocol):
    """Something that is attended to beside the host: a keyboard, a side channel."""

    def sources(self) -> Sequence[Any]:
        """What is to be watched now, as `select` takes it."""

    def attend(self, ready: Iterable[object]) -> None:
        """Do what has come at those of the sources that have something; virtual time is up to date."""


class PseudoTerminal:
    """A pseudo-terminal; `name` is what the host opens as if it were a serial port."""

    def __init__(self) -> None:
        try:
            import pty
            import tty
        except ImportError as error:  # pragma: no cover - no such thing on this system
            raise SimError("this system has no pseudo-terminals; use --tcp instead") from error
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.name = os.ttyname(self._theirs)  # kept open, so that a host may come and go

    def wait(self, timeout_s: float, also: Sequence[Any] = ()) -> tuple[bytes, list[Any]]:
        """See `Endpoint.wait`."""
        ready = select.select([self._ours, *also], [], [], timeout_s)[0]
        data = b""
        if self._ours in ready:
            ready.remove(self._ours)
            with contextlib.suppress(BlockingIOError):
                data = os.read(self._ours, READ_BYTES)
        return data, ready

    def write(self, data: bytes) -> None:
        """See `Endpoint.write`. A host that does not read loses what does not fit the terminal's buffer."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._ours, data)

    def close(self) -> None:
        """See `Endpoint.close`."""
        os.close(self._ours)
        os.close(self._theirs)


def _listening(host: str, port: int, backlog: int | None = None) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=backlog)
    except OSError as error:
        raise SimError(f"cannot listen at {host}:{port}: {error.strerror or error}") from error


def _accepted(listener: socket.socket) -> socket.socket:
    client, _ = listener.accept()
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.settimeout(WRITE_PATIENCE_S)
    return client


def _name_of(listener: socket.socket, host: str) -> str:
    shown = f"[{host}]" if ":" in host else host
    return f"{shown}:{listener.getsockname()[1]}"


class TcpPort:
    """A TCP port for one host at a time; `name` is a URL that pyserial opens."""

    def __init__(self, host: str, port: int) -> None:
        self._listener = _listening(host, port, backlog=1)
        self._client: socket.socket | None = None
        self.name = f"socket://{_name_of(self._listener, host)}"

    def wait(self, timeout_s: float, also: Sequence[Any] = ()) -> tuple[bytes, list[Any]]:
        """See `Endpoint.wait`."""
        own = self._client or self._listener
        ready = select.select([own, *also], [], [], timeout_s)[0]
        data = b""
        if own in ready:
            ready.remove(own)
            data = self._read()
        return data, ready

    def _read(self) -> bytes:
        if self._client is None:
            self._client = _accepted(self._listener)
            return b""
        try:
            data = self._client.recv(READ_BYTES)
        except OSError as error:
            if error.errno in {errno.EAGAIN, errno.EWOULDBLOCK}:
                return b""
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> None:
        """See `Endpoint.write`."""
        if self._client is not None:
            try:
                self._client.sendall(data)
            except OSError:
                self._hang_up()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def close(self) -> None:
        """See `Endpoint.close`."""
        self._hang_up()
        self._listener.close()


class SidePort:
    """A TCP port at which the side channel is open, to several programs at once.

    Attributes:
        name: HOST:PORT.
    """

    def __init__(self, channel: SideChannel, host: str, port: int) -> None:
        """Raises SimError: it cannot listen there."""
        self._channel = channel
        self._listener = _listening(host, port)
        self._pending: dict[socket.socket, bytes] = {}
        self.name = _name_of(self._listener, host)

    def sources(self) -> list[socket.socket]:
        """What is to be watched, see `Beside`."""
        return [self._listener, *self._pending]

    def attend(self, ready: Iterable[object]) -> None:
        """See `Beside`."""
        for source in ready:
            if source is self._listener:
                client = _accepted(self._listener)
                self._pending[client] = b""
            elif isinstance(source, socket.socket) and source in self._pending:
                self._read(source)

    def _read(self, client: socket.socket) -> None:
        data = b""
        with contextlib.suppress(OSError):
            data = client.recv(READ_BYTES)
        *lines, rest = (self._pending[client] + data).split(b"\n")
        try:
            for line in lines:
                client.sendall(self._channel.answer(line.decode("utf-8", "replace")).encode() + b"\n")
        except OSError:
            data = b""
        if not data or len(rest) > MAX_LINE_BYTES:
            client.close()
            del self._pending[client]
        else:
            self._pending[client] = rest

    def close(self) -> None:
        """Let go of everyone."""
        for client in self._pending:
            client.close()
        self._listener.close()


def serve(
    bus: VirtualBus,
    endpoint: Endpoint,
    *,
    is_over: Callable[[int], bool] = lambda _: False,
    clock_ns: Callable[[], int] = time.monotonic_ns,
    beside: Sequence[Beside] = (),
) -> None:
    """Run the bus behind an endpoint until `is_over` (given the virtual time, ns) says so.

    Raises:
        LimitError: the run grew past what the scenario allows.
    """
    kernel, host = bus.kernel, bus.host
    origin_ns = clock_ns() - kernel.now_ns
    while True:
        kernel.run_until(clock_ns() - origin_ns)
        data = host.take()
        if data:
            endpoint.write(data)
        if is_over(kernel.now_ns):
            return
        due_ns = kernel.next_ns()
        wait_s = LONGEST_WAIT_S
        if due_ns is not None:
            wait_s = min(wait_s, max(0, due_ns - (clock_ns() - origin_ns)) / 1e9)
        watched = [(one, source) for one in beside for source in one.sources()]
        received, ready = endpoint.wait(wait_s, [source for _, source in watched])
        if received or ready:
            kernel.run_until(clock_ns() - origin_ns)
        if received:
            host.write(received)
        for one in beside:
            one.attend([source for owner, source in watched if owner is one and source in ready])
