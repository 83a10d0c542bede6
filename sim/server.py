"""The virtual bus in real time, behind a pseudo-terminal or a TCP port.

Virtual time follows the machine's clock: bytes written to the port go onto the virtual line at once and take their
time there; bytes from the line are passed on when virtual and real time agree. One process, one bus, one host.

All buffers are bounded. Where a host sends faster than the line, its bytes stay in the system's buffer, so that the
host has to wait. Bytes that a host does not read are dropped, as a line does not wait, and a message says so.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, Final, Protocol

from busproto.endpoints import REFUSAL
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import SimError
from busproto.sim.side_channel import SideChannel

LONGEST_WAIT_S: Final = 0.25
READ_BYTES: Final = 4096
MAX_LINE_BYTES: Final = 8192
MAX_UNREAD_BYTES: Final = 1 << 16
"""Bytes kept for a host that does not read; later bytes are dropped."""
MAX_BACKLOG_NS: Final = 500_000_000
"""While the line still has this much to send, no bytes are taken from the host."""
MAX_SIDE_PROGRAMS: Final = 64
MAX_UNREAD_ANSWERS: Final = 8 << 20
MAX_LEAVING: Final = 16
Tell = Callable[[str], None]


def _drop_message(_: str) -> None:
    """Drops the messages of a server that has no reader for them."""


class Endpoint(Protocol):
    """The port at which the host is plugged in."""

    name: str

    def wait(
        self, timeout_s: float, also: Sequence[Any] = (), behind: Sequence[Any] = (), *, takes: bool = True
    ) -> tuple[bytes, list[Any]]:
        """Bytes from the host, and the sources that are ready; returns after `timeout_s` at the latest.

        Args:
            timeout_s: seconds.
            also: other sources to be watched for input.
            behind: other sources to be watched for room to write.
            takes: whether bytes are to be taken from the host now.
        """

    def write(self, data: bytes) -> None:
        """Pass bytes on to the host; without a host they are lost, as on a real line."""

    def close(self) -> None:
        """Close the port. It serves no host from then on."""


class Beside(Protocol):
    """A source that is served besides the host: a keyboard, a side channel."""

    def sources(self) -> Sequence[Any]:
        """The sources to be watched for input now, as `select` takes them."""

    def behind(self) -> Sequence[Any]:
        """The sources that have output waiting, to be watched for room to write."""

    def attend(self, ready: Iterable[object]) -> None:
        """Serve the sources that have input; virtual time is up to date."""


class _Drops:
    """Counts the bytes that a host did not read, and reports at the first one and when reading goes on."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._count = 0

    def dropped(self, count: int) -> None:
        """Count bytes that found no room."""
        if not self._count:
            self._tell("the host does not read: bytes for it are dropped until it reads")
        self._count += count

    def is_over(self) -> None:
        """Report the count: there is room again, or that host has gone."""
        if self._count:
            self._tell(f"{self._count} bytes were dropped that the host did not read")
        self._count = 0


class PseudoTerminal:
    """A pseudo-terminal; `name` is what the host opens as if it were a serial port."""

    def __init__(self, tell: Tell = _drop_message) -> None:
        try:
            import pty
            import tty
        except ImportError as error:  # pragma: no cover - this system has no pseudo-terminals
            raise SimError("this system has no pseudo-terminals; use --tcp instead") from error
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self._drops = _Drops(tell)
        self.name = os.ttyname(self._theirs)  # kept open, so that a host may come and go

    def wait(
        self, timeout_s: float, also: Sequence[Any] = (), behind: Sequence[Any] = (), *, takes: bool = True
    ) -> tuple[bytes, list[Any]]:
        """See `Endpoint.wait`."""
        readable, writable, _ = select.select([*([self._ours] if takes else []), *also], behind, [], timeout_s)
        data = b""
        if self._ours in readable:
            readable.remove(self._ours)
            with contextlib.suppress(BlockingIOError):
                data = os.read(self._ours, READ_BYTES)
        return data, readable + writable

    def write(self, data: bytes) -> None:
        """See `Endpoint.write`. A host that does not read loses the bytes that do not fit the terminal's buffer."""
        written = 0
        with contextlib.suppress(BlockingIOError):
            written = os.write(self._ours, data)
        if written < len(data):
            self._drops.dropped(len(data) - written)
        else:
            self._drops.is_over()

    def close(self) -> None:
        """See `Endpoint.close`."""
        self._drops.is_over()
        os.close(self._ours)
        os.close(self._theirs)


def _listening(host: str, port: int, backlog: int | None = None) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listener = socket.create_server((host, port), family=family, backlog=backlog)
    except OSError as error:
        raise SimError(f"cannot listen at {host}:{port}: {error.strerror or error}") from error
    listener.setblocking(False)
    return listener


def _name_of(listener: socket.socket, host: str) -> str:
    shown = f"[{host}]" if ":" in host else host
    return f"{shown}:{listener.getsockname()[1]}"


class _Client:
    """One connection. It is never waited for, and its output buffer is bounded.

    Attributes:
        name: HOST:PORT of the other end.
        socket: what `select` watches.
        owed: bytes that could not be sent yet.
    """

    def __init__(self, listener: socket.socket) -> None:
        """Accept the next connection. Raises OSError where it is gone, or no socket is left for it."""
        self.socket, (host, port, *_) = listener.accept()
        self.name = f"{host}:{port}"
        self.owed = bytearray()
        self.socket.setblocking(False)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def send(self, data: bytes = b"", *, most: int) -> int | None:
        """Send what is owed, then `data`; returns how many bytes had no room, None where the other end has gone."""
        kept = data[: max(0, most - len(self.owed))]
        self.owed += kept
        try:
            while self.owed:
                del self.owed[: self.socket.send(self.owed)]
        except BlockingIOError:
            pass
        except OSError:
            return None
        return len(data) - len(kept)

    def read(self, most: int = READ_BYTES) -> bytes | None:
        """Bytes that have arrived, None where the other end has gone."""
        try:
            return self.socket.recv(most) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def close(self) -> None:
        """Close the connection."""
        self.socket.close()


class TcpPort:
    """A TCP port for one host at a time; `name` is a URL that pyserial opens.

    A second host gets a line of text that names the first one, and its connection is closed. To a frame decoder that
    text is noise without an end of frame: a program that does not expect it reads no message in it, and finds its port
    closed. Without the text the program, and its user, would see a bus on which no actuator answers.
    """

    def __init__(self, host: str, port: int, tell: Tell = _drop_message) -> None:
        self._listener = _listening(host, port)
        self._client: _Client | None = None
        self._since = ""
        self._drops = _Drops(tell)
        self._leaving: deque[_Client] = deque()
        self._heard = bytearray()
        self.name = f"socket://{_name_of(self._listener, host)}"

    def wait(
        self, timeout_s: float, also: Sequence[Any] = (), behind: Sequence[Any] = (), *, takes: bool = True
    ) -> tuple[bytes, list[Any]]:
        """See `Endpoint.wait`."""
        client = self._client
        listened = [self._listener, *(one.socket for one in self._leaving)]
        if client is not None and takes:
            listened.append(client.socket)
        owed = [client.socket] if client is not None and client.owed else []
        readable, writable, _ = select.select([*listened, *also], [*owed, *behind], [], timeout_s)
        ready = [one for one in readable if one not in listened] + [one for one in writable if one not in owed]
        if client is not None and client.socket in writable:
            self.write(b"")
        if client is not None and client.socket in readable:
            self._read(READ_BYTES)
        for one in [one for one in self._leaving if one.socket in readable and not one.read()]:
            self._leaving.remove(one)
            one.close()
        if self._listener in readable:
            self._read(MAX_UNREAD_BYTES)  # the first host may have gone: then this host is not the second
            self._let_in()
        data = bytes(self._heard)
        self._heard.clear()
        return data, ready

    def _read(self, most: int) -> None:
        while self._client is not None and most > 0:
            data = self._client.read(most)
            if data is None:
                self._hang_up()
            elif not data:
                return
            else:
                self._heard += data
                most -= len(data)

    def _let_in(self) -> None:
        try:
            client = _Client(self._listener)
        except OSError:  # the program has gone again, or this process may open no more sockets
            return
        if self._client is None:
            self._client, self._since = client, datetime.now().astimezone().isoformat(timespec="seconds")
            return
        said = f"{REFUSAL}host {self._client.name} (since {self._since})\n".encode()
        client.send(said, most=len(said))
        with contextlib.suppress(OSError):
            client.socket.shutdown(socket.SHUT_WR)
        self._leaving.append(client)  # closing at once, with its bytes unread, could lose the line of text
        if len(self._leaving) > MAX_LEAVING:
            self._leaving.popleft().close()

    def write(self, data: bytes) -> None:
        """See `Endpoint.write`. A host that does not read loses the bytes beyond `MAX_UNREAD_BYTES`."""
        if self._client is None:
            return
        dropped = self._client.send(data, most=MAX_UNREAD_BYTES)
        if dropped is None:
            self._hang_up()
        elif dropped:
            self._drops.dropped(dropped)
        elif not self._client.owed:
            self._drops.is_over()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None
            self._drops.is_over()

    def close(self) -> None:
        """See `Endpoint.close`."""
        self._hang_up()
        for one in self._leaving:
            one.close()
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
        self._clients: dict[socket.socket, _Client] = {}
        self._pending: dict[socket.socket, bytes] = {}
        self.name = _name_of(self._listener, host)

    def sources(self) -> list[socket.socket]:
        """See `Beside`. A program that does not read its answers is not watched for further orders."""
        return [self._listener, *(source for source, one in self._clients.items() if not one.owed)]

    def behind(self) -> list[socket.socket]:
        """See `Beside`."""
        return [source for source, one in self._clients.items() if one.owed]

    def attend(self, ready: Iterable[object]) -> None:
        """See `Beside`."""
        for source in ready:
            if source is self._listener:
                self._let_in()
            elif isinstance(source, socket.socket) and source in self._clients:
                self._read(self._clients[source])

    def _let_in(self) -> None:
        try:
            client = _Client(self._listener)
        except OSError:  # the program has gone again, or this process may open no more sockets
            return
        if len(self._clients) >= MAX_SIDE_PROGRAMS:
            refused = json.dumps({"refused": f"{MAX_SIDE_PROGRAMS} programs are connected already"}).encode() + b"\n"
            client.send(refused, most=len(refused))
            client.close()
            return
        self._clients[client.socket], self._pending[client.socket] = client, b""

    def _read(self, client: _Client) -> None:
        if client.owed:
            if client.send(most=MAX_UNREAD_ANSWERS) is None:
                self._let_go(client)
            return
        data = client.read()
        if data is None:
            self._let_go(client)
            return
        *lines, rest = (self._pending[client.socket] + data).split(b"\n")
        self._pending[client.socket] = rest
        is_whole = len(rest) <= MAX_LINE_BYTES
        for line in lines:
            answer = self._channel.answer(line.decode("utf-8", "replace")).encode() + b"\n"
            is_whole = is_whole and client.send(answer, most=MAX_UNREAD_ANSWERS) == 0
        if not is_whole:
            self._let_go(client)

    def _let_go(self, client: _Client) -> None:
        del self._clients[client.socket], self._pending[client.socket]
        client.close()

    def close(self) -> None:
        """Close all connections and the port."""
        for client in self._clients.values():
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
        behind = [(one, source) for one in beside for source in one.behind()]
        backlog_ns = host.sent_at_ns - kernel.now_ns
        takes = backlog_ns <= MAX_BACKLOG_NS
        if not takes:
            wait_s = min(wait_s, (backlog_ns - MAX_BACKLOG_NS) / 1e9)
        received, ready = endpoint.wait(
            wait_s, [source for _, source in watched], [source for _, source in behind], takes=takes
        )
        if received or ready:
            kernel.run_until(clock_ns() - origin_ns)
        if received:
            host.write(received)
        for one in beside:
            one.attend([source for owner, source in watched + behind if owner is one and source in ready])
