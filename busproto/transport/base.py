"""What the host needs of a port. Whether a real bus is behind it, or a virtual one, nobody above can tell.

Contract, held against every transport by one suite (`tests/contract`):

* `write` hands bytes over and does not wait for the line; an empty string is nothing.
* `read_until` returns what has arrived as soon as anything has; with nothing there it returns an empty string when
  `now_ns` has reached the deadline, and at once where it has passed.
* `now_ns` never runs backwards. It may be virtual.
* `close` may be called twice; after it, and when the port has gone away, write and read raise `PortClosedError`.
"""

from __future__ import annotations

from types import TracebackType
from typing import Protocol, Self


class Transport(Protocol):
    """A byte port with a clock.

    Attributes:
        url: the name it was opened by.
        baud: bits per second.
        latency_ns: how long bytes may be kept back on their way to us (USB adapters: up to 16 ms).
    """

    @property
    def url(self) -> str: ...

    @property
    def baud(self) -> int: ...

    @property
    def latency_ns(self) -> int: ...

    def write(self, data: bytes) -> None:
        """Hand bytes over. Raises PortClosedError."""

    def read_until(self, deadline_ns: int) -> bytes:
        """What has arrived, at the latest at the deadline. Raises PortClosedError."""

    def now_ns(self) -> int:
        """The clock that deadlines refer to, ns."""

    def close(self) -> None:
        """Let go of the port."""


class ClosedBehind:
    """What is closed where the ``with`` block ends that it was opened for, also by an error."""

    def close(self) -> None:
        """Let go of the port."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class PortAround(ClosedBehind):
    """A port that stands before another one and passes everything on; whoever wants more than that overrides it."""

    def __init__(self, port: Transport) -> None:
        self._port = port

    @property
    def url(self) -> str:
        """See `Transport`."""
        return self._port.url

    @property
    def baud(self) -> int:
        """See `Transport`."""
        return self._port.baud

    @property
    def latency_ns(self) -> int:
        """See `Transport`."""
        return self._port.latency_ns

    def write(self, data: bytes) -> None:
        """See `Transport`."""
        self._port.write(data)

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport`."""
        return self._port.read_until(deadline_ns)

    def now_ns(self) -> int:
        """See `Transport`."""
        return self._port.now_ns()

    def close(self) -> None:
        """See `Transport`."""
        self._port.close()

    def __repr__(self) -> str:
        return f"<{type(self).__name__} around {self._port!r}>"
