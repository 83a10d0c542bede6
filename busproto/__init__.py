"""busproto: addressed actuators on a half-duplex serial bus.

::

    import busproto

    with busproto.open("sim://tow-plane?seed=1") as bus:
        print(bus.find())

For more see ``busproto.library``. ``import busproto`` is cheap: the names below are loaded when they are first used, so
that the command line starts at once, and a program that needs the wire format only loads no more than that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from busproto._version import __version__

if TYPE_CHECKING:
    from busproto.cautions import CAUTIONS, DISCLAIMER
    from busproto.errors import (
        AddressConflictError,
        BusError,
        FileError,
        InputError,
        LacksParameterError,
        LinkClosedError,
        NodeRefusedError,
        NotAgreedError,
        NotLimpError,
        NotProvenError,
        OperationError,
        ParameterListError,
        PortBusyError,
        PortClosedError,
        PortUnavailableError,
        ReadBackError,
        ReplyTimeoutError,
        TransportError,
    )
    from busproto.library import (
        About,
        Actuator,
        ActuatorReport,
        AsyncActuator,
        AsyncBus,
        AsyncSettings,
        Bus,
        Found,
        LetGo,
        Moved,
        Outcome,
        Progress,
        Proposal,
        Restored,
        Roster,
        Saved,
        Settings,
        load_plan,
        load_record,
        open,
        open_async,
    )
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

_OF_CAUTIONS: Final = ("CAUTIONS", "DISCLAIMER")
_OF_ERRORS: Final = (
    "AddressConflictError",
    "BusError",
    "FileError",
    "InputError",
    "LacksParameterError",
    "LinkClosedError",
    "NodeRefusedError",
    "NotAgreedError",
    "NotLimpError",
    "NotProvenError",
    "OperationError",
    "ParameterListError",
    "PortBusyError",
    "PortClosedError",
    "PortUnavailableError",
    "ReadBackError",
    "ReplyTimeoutError",
    "TransportError",
)
_OF_WIRE: Final = (
    "BY_NAME",
    "OPERATIONS",
    "PARAMETERS",
    "BadFrame",
    "Decoder",
    "Frame",
    "Message",
    "Parameter",
    "decode_frame",
    "encode_frame",
    "message_of",
    "reply_frame",
    "request_frame",
)

__all__ = [
    "BY_NAME",
    "CAUTIONS",
    "DISCLAIMER",
    "OPERATIONS",
    "PARAMETERS",
    "About",
    "Actuator",
    "ActuatorReport",
    "AddressConflictError",
    "AsyncActuator",
    "AsyncBus",
    "AsyncSettings",
    "BadFrame",
    "Bus",
    "BusError",
    "Decoder",
    "FileError",
    "Found",
    "Frame",
    "InputError",
    "LacksParameterError",
    "LetGo",
    "LinkClosedError",
    "Message",
    "Moved",
    "NodeRefusedError",
    "NotAgreedError",
    "NotLimpError",
    "NotProvenError",
    "OperationError",
    "Outcome",
    "Parameter",
    "ParameterListError",
    "PortBusyError",
    "PortClosedError",
    "PortUnavailableError",
    "Progress",
    "Proposal",
    "ReadBackError",
    "ReplyTimeoutError",
    "Restored",
    "Roster",
    "Saved",
    "Settings",
    "TransportError",
    "__version__",
    "decode_frame",
    "encode_frame",
    "load_plan",
    "load_record",
    "message_of",
    "open",
    "open_async",
    "reply_frame",
    "request_frame",
]


def __getattr__(name: str) -> Any:
    home: Any
    if name in _OF_CAUTIONS:
        import busproto.cautions as home
    elif name in _OF_ERRORS:
        import busproto.errors as home
    elif name in _OF_WIRE:
        import busproto.wire as home
    elif name in __all__:
        import busproto.library as home
    else:
        raise AttributeError(f"module 'busproto' has no attribute {name!r}")
    found = globals()[name] = getattr(home, name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
