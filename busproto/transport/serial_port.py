"""Any port that pyserial opens: a device name, ``socket://HOST:PORT``, ``sim://SCENARIO`` and so on.

If the port has a clock (``monotonic_ns``) and a latency of its own, these are used, so that a port in virtual time
works like any other.
"""

from __future__ import annotations

import contextlib
import os
import select
import time
from typing import Any, Final

import serial

from busproto.endpoints import REFUSAL
from busproto.errors import LinkClosedError, PortBusyError, PortClosedError, PortUnavailableError
from busproto.transport import port_lock
from busproto.transport.base import ClosedBehind
from busproto.transport.port_lock import PortLock
from busproto.wire.frame import DEFAULT_BAUD

DEFAULT_LATENCY_NS: Final = 20_000_000
"""ns. USB adapters hold bytes back for up to 16 ms; a loaded machine adds some."""
MIN_BAUD, MAX_BAUD = 1200, 4_000_000
READ_BYTES: Final = 4096
REFUSAL_WAIT_S: Final = 0.1
"""s. A TCP port has this time to report that another host is connected; a later report is found when it is read."""
REFUSED: Final = "another host is connected, {}"


class SerialTransport(ClosedBehind):
    """A `Transport` on a pyserial port, blocking.

    Attributes:
        url, baud, latency_ns: see `busproto.transport.base`.
    """

    def __init__(self, url: str, baud: int = DEFAULT_BAUD, *, latency_ns: int | None = None) -> None:
        """Open the port.

        Args:
            url: device name or pyserial URL.
            baud: 1200..4 000 000 bits per second.
            latency_ns: None for the port's own figure, or 20 ms if it has none.

        Raises:
            PortUnavailableError: the port could not be opened.
            PortBusyError: another program has the port; its settings were not touched.
        """
        self.url = url
        self.baud = baud
        self._is_open = False
        self._lock: PortLock | None = None
        self._early = b""
        self._may_be_refused = url.startswith("socket://")
        try:
            self._port: Any = self._opened()
        except BaseException as error:
            if self._lock is not None:
                self._lock.release()
            if isinstance(error, serial.SerialException | OSError | ValueError | TypeError):
                raise PortUnavailableError(url, _reason(error)) from error
            raise
        self._now_ns = getattr(self._port, "monotonic_ns", time.monotonic_ns)
        self._can_select = not hasattr(self._port, "monotonic_ns") and _has_handle(self._port)
        own_latency_ns = getattr(self._port, "latency_ns", DEFAULT_LATENCY_NS)
        self.latency_ns: int = own_latency_ns if latency_ns is None else latency_ns
        self._is_open = True
        self._last_ns = 0

    def _opened(self) -> Any:
        """Open the port. A device of this machine is locked for this process from then on."""
        port: Any = serial.serial_for_url(self.url, baudrate=self.baud, timeout=0, write_timeout=2, do_not_open=True)
        device = str(port.port)  # behind a URL there may be a device too
        if not port_lock.is_device(device):
            if self._may_be_refused:
                port.reset_input_buffer = lambda: None  # opening would discard the first bytes of a server
            port.open()
            if self._may_be_refused and _has_handle(port) and select.select([port.fileno()], [], [], REFUSAL_WAIT_S)[0]:
                self._early = bytes(port.read(READ_BYTES))
                holder = self._refused_for(self._early)
                if holder:
                    port.close()
                    raise PortBusyError(self.url, holder)
            return port
        self._lock = port_lock.take(device, self.url)
        port.exclusive = True  # pyserial locks before it sets anything
        try:
            port.open()
        except serial.SerialException as error:
            if error.errno in port_lock.IN_USE_ERRORS:
                raise PortBusyError(self.url, str(port_lock.some_holder(device))) from error
            raise
        port_lock.keep_others_out(port)
        return port

    def __repr__(self) -> str:
        return f"<SerialTransport '{self.url}' at {self.baud} Bd, {'open' if self._is_open else 'closed'}>"

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
            holder = ""
            with contextlib.suppress(serial.SerialException, OSError):
                holder = self._refused_for(bytes(self._port.read(READ_BYTES)))
            raise PortClosedError(self.url, REFUSED.format(holder) if holder else _reason(error)) from error

    def read_until(self, deadline_ns: int) -> bytes:
        """See `Transport.read_until`."""
        self._require_open()
        try:
            while not (data := self._read_until(deadline_ns)) and self.now_ns() < deadline_ns:
                pass  # woken without data
            holder = self._refused_for(data)
            if holder:
                raise PortClosedError(self.url, REFUSED.format(holder))
            return data
        except (serial.SerialException, OSError, TypeError) as error:
            # pyserial raises TypeError where another thread closed the port under a read
            raise PortClosedError(self.url, _reason(error)) from error

    def _read_until(self, deadline_ns: int) -> bytes:
        port = self._port
        if self._early:
            data, self._early = self._early, b""
            return data
        left_s = max(0, deadline_ns - self.now_ns()) / 1e9
        if not self._can_select:
            port.timeout = left_s
            data = bytes(port.read(1))
            return data + bytes(port.read(port.in_waiting)) if data else data
        # A change of time-out would reconfigure the port, which can take milliseconds. One whose other end has gone
        # is reported as ready; pyserial finds out when it reads.
        select.select([port.fileno()], [], [], left_s)
        return bytes(port.read(READ_BYTES))

    def _refused_for(self, data: bytes) -> str:
        """The host that is connected already, if the first line of a TCP port says so; else ""."""
        if not data or not self._may_be_refused:
            return ""
        self._may_be_refused = False
        head, mark, holder = data.decode("utf-8", "replace").partition(REFUSAL)
        return holder.strip() if mark and not head else ""

    def _require_open(self) -> None:
        if not self._is_open:
            raise LinkClosedError(self.url)

    def close(self) -> None:
        """See `Transport.close`."""
        if self._is_open:
            self._is_open = False
            if self._lock is not None:
                port_lock.let_others_in(self._port)
            with contextlib.suppress(serial.SerialException, OSError):
                self._port.close()
            if self._lock is not None:
                self._lock.release()


def _has_handle(port: Any) -> bool:
    """Whether the system can wait for this port. (Ports without a handle have `fileno` too, but it raises.)"""
    if os.name == "nt":
        return False
    try:
        port.fileno()
    except (AttributeError, OSError):
        return False
    return True


def _reason(error: Exception) -> str:
    """pyserial's error text, on one line and without its own prefix."""
    text = " ".join(str(error).split()) or type(error).__name__
    if isinstance(error, OSError) and error.errno:
        text = os.strerror(error.errno)  # pyserial's own text names the port once more
    return text.rstrip(".")
