"""The version of this build. Read by the packaging and at start-up, so it imports no other module of busproto."""

from __future__ import annotations

import importlib
import sys

__version__ = "0.1.0"
"""The version of this package, MAJOR.MINOR.PATCH; the handbook's page `changes` says what that promises."""


def crc_is_compiled() -> bool:
    """Whether crcmod runs its C extension; installed without a compiler it silently does not."""
    importlib.import_module("crcmod.crcmod")
    return bool(getattr(sys.modules["crcmod.crcmod"], "_usingExtension", False))


def version_text() -> str:
    """The version, and whether the CRC runs compiled, on one line."""
    state = "C extension loaded" if crc_is_compiled() else "pure Python: install a compiler and crcmod again for speed"
    return f"busproto {__version__} (crcmod: {state})"
