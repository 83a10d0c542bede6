"""Open a port by its name, for programs and for the command line."""

from __future__ import annotations

from typing import Any, Final

from busproto.errors import InputError
from busproto.transport import SerialTransport, open_transport
from busproto.transport.serial_port import MAX_BAUD, MIN_BAUD

SIM_SCHEME: Final = "sim://"
MAX_LATENCY_MS: Final = 1000


def check_url(url: str) -> None:
    """Check, without opening it, whether a name can be that of a port.

    For a virtual bus this also registers the simulator with pyserial.

    Raises:
        InputError: it cannot be the name of a port.
        busproto.sim.errors.ScenarioError: the named scenario cannot be used.
    """
    if url.startswith(SIM_SCHEME):
        _check_sim_url(url)
    elif url.partition(":")[0] == "sim":
        raise InputError(f"port '{url}': the virtual bus is reached as sim://SCENARIO?seed=N")


def _check_sim_url(url: str) -> None:
    from busproto.sim.handlers.protocol_sim import parse_url  # imported only for a virtual bus, as it takes time

    try:
        wanted = parse_url(url)
    except ValueError as error:
        text = str(error) if url in str(error) else f"'{url}': {error}"
        raise InputError(text) from error
    wanted.load()


def open_port(url: Any, baud: Any, latency_ms: Any) -> SerialTransport:
    """Open a port and lock it for this process.

    Raises:
        InputError: a value is of the wrong kind or outside its range, or a scenario cannot be used; nothing was opened.
        PortBusyError: another program has the port.
        PortUnavailableError: the port could not be opened.
    """
    if not isinstance(url, str) or not url:
        raise InputError(f"port {url!r}: a device name or a URL is wanted, such as sim://tow-plane?seed=1")
    if type(baud) is not int or not MIN_BAUD <= baud <= MAX_BAUD:
        raise InputError(f"baud {baud!r}: a whole number {MIN_BAUD}..{MAX_BAUD} bits per second is wanted")
    if latency_ms is not None and not (_is_number(latency_ms) and 0 <= latency_ms <= MAX_LATENCY_MS):
        raise InputError(f"latency_ms {latency_ms!r}: None or 0..{MAX_LATENCY_MS} ms is wanted")
    if url.startswith(SIM_SCHEME):
        from busproto.sim.errors import SimError

        try:
            check_url(url)
        except SimError as error:
            raise InputError(str(error)) from error
    else:
        check_url(url)
    return open_transport(url, baud, latency_ns=None if latency_ms is None else round(latency_ms * 1e6))


def _is_number(given: Any) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool)
