"""Ports. `open_transport` takes any device name or pyserial URL."""

from __future__ import annotations

from busproto.transport.base import Transport
from busproto.transport.serial_port import SerialTransport
from busproto.wire.frame import DEFAULT_BAUD


def open_transport(url: str, baud: int = DEFAULT_BAUD, *, latency_ns: int | None = None) -> SerialTransport:
    """Open a port by its name; ``with`` closes it.

    Raises:
        PortUnavailableError: it could not be opened; nothing was sent.
    """
    return SerialTransport(url, baud, latency_ns=latency_ns)


__all__ = ["SerialTransport", "Transport", "open_transport"]
