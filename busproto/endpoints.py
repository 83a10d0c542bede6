"""Where something of ours listens: HOST:PORT as a person types it, on this machine unless the network is asked for."""

from __future__ import annotations

import ipaddress
from typing import Final

from busproto.errors import InputError

REFUSAL: Final = "busproto: refused: this bus is in use by "
"""How the line begins that a virtual bus sends to a second host before it hangs up; who is there follows."""


def parse_endpoint(option: str, text: str, usual_port: int, open_to_network: bool) -> tuple[str, int]:
    """HOST and PORT of HOST:PORT. Only an address of this machine, unless the network was asked for.

    Args:
        option: that the text was given to, such as "--tcp".
        usual_port: shown where the text is of another form.

    Raises:
        InputError: not of that form, or open to the network without having been asked for.
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
    """Whether only this machine can reach it."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
