"""A virtual bus in this process, paced by the machine's clock, in place of a port.

Its time is virtual and never runs ahead of the machine's by more than a moment. Where the machine is too slow, virtual
time falls behind, and so do all deadlines: a slow machine makes no actuator late.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from busproto.errors import LinkClosedError, PortClosedError
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import SimError
from busproto.transport.base import ClosedBehind

MS: Final = 1_000_000
AHEAD_NS: Final = 2 * MS
"""Lead of virtual time, ns, up to which the thread does not wait: a wait costs more than that."""
FORGET_NS: Final = 200 * MS
"""Lag, ns, beyond which the lost time is not caught up."""


class LiveBus(ClosedBehind):
    """A `busproto.transport.base.Transport` on a virtual bus in real time.

    Attributes:
        url: as it was asked for.
        bus: the virtual bus; only the thread that reads and writes may touch it.
        latency_ns: 0.
        lost_ns: time by which it has fallen behind for good.
    """

    latency_ns = 0

    def __init__(
        self,
        url: str,
        bus: VirtualBus,
        *,
        clock_ns: Callable[[], int] = time.monotonic_ns,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        """Run `bus` by `clock_ns`; `wait` is given seconds."""
        self.url = url
        self.bus = bus
        self.lost_ns = 0
        self._clock_ns = clock_ns
        self._wait = wait
        self._origin_ns = clock_ns() - bus.kernel.now_ns
        self._is_open = True

    @property
    def baud(self) -> int:
        """Rate of the line, bits per second."""
        return self.bus.line.baud

    def now_ns(self) -> int:
        """Time of the virtual bus, ns."""
        return self.bus.kernel.now_ns

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        self._require_open()
        try:
            self.bus.host.write(data)
        except SimError as error:
            raise self._ended(error) from error

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport.read_until`."""
        self._require_open()
        host, kernel = self.bus.host, self.bus.kernel
        try:
            while not host.waiting_bytes:
                due_ns = kernel.next_ns()
                if due_ns is None or due_ns > deadline_ns:
                    self._pace(deadline_ns)
                    kernel.run_until(deadline_ns)
                    self.bus.line.flush()
                    break
                self._pace(due_ns)
                kernel.step()
        except SimError as error:
            raise self._ended(error) from error
        return host.take()

    def _pace(self, to_ns: int) -> None:
        """Wait until the machine's clock has nearly come to a virtual time."""
        ahead_ns = max(to_ns, self.bus.kernel.now_ns) + self._origin_ns - self._clock_ns()
        if ahead_ns > AHEAD_NS:
            self._wait((ahead_ns - AHEAD_NS / 2) / 1e9)
        elif ahead_ns < -FORGET_NS:
            self.lost_ns -= ahead_ns
            self._origin_ns -= ahead_ns

    def _ended(self, error: SimError) -> PortClosedError:
        self._is_open = False
        return PortClosedError(self.url, f"the virtual bus has come to its end: {error}")

    def close(self) -> None:
        """See `Transport.close`."""
        self._is_open = False

    def _require_open(self) -> None:
        if not self._is_open:
            raise LinkClosedError(self.url)
