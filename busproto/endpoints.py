"""HOST:PORT on which a server of busproto listens: on this machine only, unless the network is asked for."""

from __future__ import annotations

import ipaddress
from typing import Final

from busproto.errors import InputError

REFUSAL: Final = "busproto: refused: this bus is in use by "
"""The beginning of the line that a virtual bus sends to a second host before it hangs up; the first host's name
follows."""


def parse_endpoint(option: str, text: str, usual_port: int, open_to_network: bool) -> tuple[str, int]:
    """Split HOST:PORT. Only an address of this machine is accepted, unless the network was asked for.

    Args:
        option: the option that has this text, such as "--tcp".
        usual_port: shown as an example in the error.

    Raises:
        InputError: not of that form, or reachable from the network without `open_to_network`.
    """
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or len(port) > 5 or int(port) > 65535:
        raise InputError(
            f"{option} '{text}': HOST:PORT is wanted, with a port of 0..65535, such as 127.0.0.1:{usual_port}"
        )
    host = host.strip("[]")
    if not is_loopback(host) and not open_to_network:
        raise InputError(f"{option} '{text}': other machines could reach that; use 127.0.0.1, or say --open-to-network")
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach that host."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
