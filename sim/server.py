"""The virtual bus in real time, behind a pseudo-terminal or a TCP port.

Virtual time follows the machine's clock: bytes written to the port go onto the virtual line at once and take their
time there; what the line brings is passed on when its time has come. One process, one bus, one host.

Nothing grows without end. What a host sends faster than the line takes it stays where it is, so that the host has to
wait; what a host does not read is dropped, as a line does not wait, and that is told.
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
"""So much waits for a host that does not read; what comes then is dropped."""
MAX_BACKLOG_NS: Final = 500_000_000
"""While the line has so much to do yet, no more is taken from the host."""
MAX_SIDE_PROGRAMS: Final = 64
MAX_UNREAD_ANSWERS: Final = 8 << 20
MAX_LEAVING: Final = 16
Tell = Callable[[str], None]


def _tell_nothing(_: str) -> None:
    """For a server whose words nobody reads."""


class Endpoint(Protocol):
    """Where the host is plugged in."""

    name: str

    def wait(
        self, timeout_s: float, also: Sequence[Any] = (), behind: Sequence[Any] = (), *, takes: bool = True
    ) -> tuple[bytes, list[Any]]:
        """What the host has sent, and which of the others are ready; at the latest after so long.

        Args:
            timeout_s: seconds.
            also: others that are watched for something to read.
            behind: others that are watched for room to write.
            takes: whether anything is to be taken from the host now.
        """

    def write(self, data: bytes) -> None:
        """Pass bytes on to the host; where none is there they are lost, as on a real line."""

    def close(self) -> None:
        """Let go."""


class Beside(Protocol):
    """Something that is attended to beside the host: a keyboard, a side channel."""

    def sources(self) -> Sequence[Any]:
        """What is to be watched now, as `select` takes it."""

    def behind(self) -> Sequence[Any]:
        """Those of them that are owed something, and are to be watched for room to write."""

    def attend(self, ready: Iterable[object]) -> None:
        """Do what has come at those of the sources that have something; virtual time is up to date."""


class _Drops:
    """Counts what a host did not read, and tells of it: once when it begins, once when it is over."""

    def __init__(self, tell: Tell) -> None:
        self._tell = tell
        self._count = 0

    def dropped(self, count: int) -> None:
        """So many bytes found no room."""
        if not self._count:
            self._tell("the host does not read: what it does not take is dropped, as a line does not wait")
        self._count += count

    def is_over(self) -> None:
        """There is room again, or that host has gone."""
        if self._count:
            self._tell(f"{self._count} bytes were dropped that the host did not read")
        self._count = 0


class PseudoTerminal:
    """A pseudo-terminal; `name` is what the host opens as if it were a serial port."""

    def __init__(self, tell: Tell = _tell_nothing) -> None:
        try:
            import pty
            import tty
        except ImportError as error:  # pragma: no cover - no such thing on this system
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
        """See `Endpoint.write`. A host that does not read loses what does not fit the terminal's buffer."""
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
    """One connection: never waited for, and owed no more than it may be.

    Attributes:
        name: HOST:PORT of the other end.
        socket: what `select` watches.
        owed: what could not be sent yet.
    """

    def __init__(self, listener: socket.socket) -> None:
        """Take the next one in. Raises OSError where there is none any more, or no room for it."""
        self.socket, (host, port, *_) = listener.accept()
        self.name = f"{host}:{port}"
        self.owed = bytearray()
        self.socket.setblocking(False)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def send(self, data: bytes = b"", *, most: int) -> int | None:
        """Send what is owed and this; returns how many bytes had no room, None where the other end has gone."""
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
        """What has come, None where the other end has gone."""
        try:
            return self.socket.recv(most) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def close(self) -> None:
        """Hang up."""
        self.socket.close()


class TcpPort:
    """A TCP port for one host at a time; `name` is a URL that pyserial opens.

    A second host is told, in a line of text, who is there already, and its connection is closed. On a line of bytes
    that text is noise without an end of frame: a program that does not know of it reads no message in it, and finds
    its port closed. Silence would leave it, and its user, with a bus on which no actuator answers.
    """

    def __init__(self, host: str, port: int, tell: Tell = _tell_nothing) -> None:
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
            self._read(MAX_UNREAD_BYTES)  # the one before may have gone: then this one is not the second
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
        except OSError:  # it has gone again, or this process may open no more
            return
        if self._client is None:
            self._client, self._since = client, datetime.now().astimezone().isoformat(timespec="seconds")
            return
        said = f"{REFUSAL}host {self._client.name} (since {self._since})\n".encode()
        client.send(said, most=len(said))
        with contextlib.suppress(OSError):
            client.socket.shutdown(socket.SHUT_WR)
        self._leaving.append(client)  # to hang up at once, with bytes of its unread, could lose it the line
        if len(self._leaving) > MAX_LEAVING:
            self._leaving.popleft().close()

    def write(self, data: bytes) -> None:
        """See `Endpoint.write`. A host that does not read loses what goes beyond `MAX_UNREAD_BYTES`."""
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
        """What is to be watched, see `Beside`. One that does not read its answers is asked nothing more."""
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
        except OSError:  # it has gone again, or this process may open no more
            return
        if len(self._clients) >= MAX_SIDE_PROGRAMS:
            refused = json.dumps({"refused": f"{MAX_SIDE_PROGRAMS} programs are here already"}).encode() + b"\n"
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
        """Let go of everyone."""
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
