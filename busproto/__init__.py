"""busproto: addressed actuators on a half-duplex serial bus.

``import busproto`` costs nothing: the names below are loaded when they are first used, so that the command line
starts at once. Only the wire format is re-exported here; the host side is in `busproto.session`,
`busproto.transport` and `busproto.ops`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busproto._version import __version__

if TYPE_CHECKING:
    from busproto.wire import (
        BY_NAME,
        OPERATIONS,
        PARAMETERS,
        BadFrame,
        Decoder,
        Frame,
        Message,
        Parameter,
        decode_frame,
        encode_frame,
        message_of,
        reply_frame,
        request_frame,
    )

__all__ = [
    "BY_NAME",
    "OPERATIONS",
    "PARAMETERS",
    "BadFrame",
    "Decoder",
    "Frame",
    "Message",
    "Parameter",
    "__version__",
    "decode_frame",
    "encode_frame",
    "message_of",
    "reply_frame",
    "request_frame",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        import busproto.wire

        return getattr(busproto.wire, name)
    raise AttributeError(f"module 'busproto' has no attribute {name!r}")
