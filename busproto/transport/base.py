"""What the host needs of a port. No module above it can tell whether the bus behind it is real or virtual.

The contract, which one suite tests on every transport (`tests/contract`):

* `write` hands bytes over and does not wait for the line; empty bytes do nothing.
* `read_until` returns the received bytes as soon as there are any. Without any it returns b"" when `now_ns` reaches the
  deadline, and at once if the deadline has passed.
* `now_ns` never runs backwards. It may be virtual.
* `close` may be called twice. After it, or when the port has gone away, write and read raise `PortClosedError`.
"""

from __future__ import annotations

from types import TracebackType
from typing import Protocol, Self


class Transport(Protocol):
    """A byte port with a clock.

    Attributes:
        url: the name it was opened by.
        baud: bits per second.
        latency_ns: how long received bytes may be held back (USB adapters: up to 16 ms).
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
        """The bytes received, as soon as there are any; b"" at the deadline. Raises PortClosedError."""

    def now_ns(self) -> int:
        """The time by the clock that deadlines refer to, ns."""

    def close(self) -> None:
        """Close the port. May be called twice."""


class ClosedBehind:
    """A thing with `close` that can be used by ``with``: closed at the end of the block, also after an error."""

    def close(self) -> None:
        """Close the port. May be called twice."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class PortAround(ClosedBehind):
    """A port in front of another port. It passes everything on; subclasses override what they change."""

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
