"""A virtual bus of addressed actuators, in virtual time, deterministic by seed.

Importing this package lets every pyserial program open it: ``serial.serial_for_url("sim://tow-plane?seed=1")``.
It shares the wire format with the host side and nothing else.
"""

from __future__ import annotations

from typing import Final

import serial

HANDLER_PACKAGE: Final = "busproto.sim.handlers"


def register() -> None:
    """Make pyserial know the URL scheme ``sim``; harmless when it does."""
    if HANDLER_PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(HANDLER_PACKAGE)


register()
