"""Any port that pyserial opens: a device name, ``socket://HOST:PORT``, ``sim://SCENARIO`` and so on.

A port that brings its own clock (``monotonic_ns``) and its own latency is asked for them, so that one in virtual
time works here like any other.
"""

from __future__ import annotations

import contextlib
import os
import select
import time
from typing import Any, Final

import serial

from busproto.errors import PortClosedError, PortUnavailableError
from busproto.wire.frame import DEFAULT_BAUD

DEFAULT_LATENCY_NS: Final = 20_000_000
"""USB adapters keep bytes back for up to 16 ms; a loaded machine adds some."""
MIN_BAUD, MAX_BAUD = 1200, 4_000_000
READ_BYTES: Final = 4096


class SerialTransport:
    """A `Transport` on a pyserial port, blocking.

    Attributes:
        url, baud, latency_ns: see `busproto.transport.base`.
    """

    def __init__(self, url: str, baud: int = DEFAULT_BAUD, *, latency_ns: int | None = None) -> None:
        """Open the port.

        Args:
            url: device name or pyserial URL.
            baud: 1200..4 000 000 bits per second.
            latency_ns: None for the port's own figure, or 20 ms where it has none.

        Raises:
            PortUnavailableError: it could not be opened.
        """
        self.url = url
        self.baud = baud
        try:
            self._port: Any = serial.serial_for_url(url, baudrate=baud, timeout=0, write_timeout=2)
        except (serial.SerialException, OSError, ValueError, TypeError) as error:
            raise PortUnavailableError(url, _reason(error)) from error
        self._now_ns = getattr(self._port, "monotonic_ns", time.monotonic_ns)
        self._can_select = not hasattr(self._port, "monotonic_ns") and _has_handle(self._port)
        own_latency_ns = getattr(self._port, "latency_ns", DEFAULT_LATENCY_NS)
        self.latency_ns: int = own_latency_ns if latency_ns is None else latency_ns
        self._is_open = True
        self._last_ns = 0

    def now_ns(self) -> int:
        """The port's clock, or the machine's monotonic one, ns."""
        if self._is_open:
            self._last_ns = int(self._now_ns())
        return self._last_ns

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        self._require_open()
        try:
            self._port.write(data)
        except (serial.SerialException, OSError) as error:
            raise PortClosedError(self.url, _reason(error)) from error

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport.read_until`."""
        self._require_open()
        try:
            while not (data := self._read_until(deadline_ns)) and self.now_ns() < deadline_ns:
                pass  # woken for nothing
            return data
        except (serial.SerialException, OSError, TypeError) as error:
            # pyserial raises TypeError where another thread closed the port under a read
            raise PortClosedError(self.url, _reason(error)) from error

    def _read_until(self, deadline_ns: int) -> bytes:
        port = self._port
        left_s = max(0, deadline_ns - self.now_ns()) / 1e9
        if not self._can_select:
            port.timeout = left_s
            data = bytes(port.read(1))
            return data + bytes(port.read(port.in_waiting)) if data else data
        # A change of time-out would reconfigure the port, which can take milliseconds. One whose other end has gone
        # is said to be ready; pyserial finds out when it reads.
        select.select([port.fileno()], [], [], left_s)
        return bytes(port.read(READ_BYTES))

    def _require_open(self) -> None:
        if not self._is_open:
            raise PortClosedError(self.url, "it was closed")

    def close(self) -> None:
        """See `Transport.close`."""
        if self._is_open:
            self._is_open = False
            with contextlib.suppress(serial.SerialException, OSError):
                self._port.close()


def _has_handle(port: Any) -> bool:
    """Whether the system can wait for this port. Ports without a handle of their own have the method all the same."""
    if os.name == "nt":
        return False
    try:
        port.fileno()
    except (AttributeError, OSError):
        return False
    return True


def _reason(error: Exception) -> str:
    """What pyserial says, on one line and without its own prefix."""
    text = " ".join(str(error).split()) or type(error).__name__
    if isinstance(error, OSError) and error.errno:
        text = os.strerror(error.errno)  # pyserial's own text names the port once more
    return text.rstrip(".")
