"""The frame, version 1, as a `construct` definition, and the numbers that belong to it.

``00 | E | T | 00``: E is the body with its zero bytes removed, T the five check bytes over E as sent. Leading and
trailing delimiter are always sent, so that noise costs one frame only. Nothing depends on idle gaps, breaks or a ninth
bit: USB adapters hide them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from construct import (
    BitsInteger,
    BitStruct,
    Bytes,
    Const,
    Construct,
    Flag,
    If,
    Int8ul,
    Int16ul,
    NullTerminated,
    OneOf,
    Rebuild,
    Struct,
    Terminated,
    len_,
    this,
)

from busproto.errors import EncodeError
from busproto.wire.crc import TRAILER_BYTES
from busproto.wire.definition.layout import DELIMITER, Limits, Sealed, WithoutZeros

FRAME_VERSION: Final = 1
HEADER_BYTES: Final = 6
TAG_BYTES: Final = 2
MAX_PAYLOAD_BYTES: Final = 112
MAX_BODY_BYTES: Final = HEADER_BYTES + TAG_BYTES + MAX_PAYLOAD_BYTES
FRAMING_BYTES: Final = 2 + 1 + TRAILER_BYTES
"""Bytes on the wire beyond the body: two delimiters, one for the zero-byte removal, the check bytes."""
MIN_WIRE_BYTES: Final = HEADER_BYTES + FRAMING_BYTES
MAX_WIRE_BYTES: Final = MAX_BODY_BYTES + FRAMING_BYTES
MIN_CHUNK_BYTES: Final = MIN_WIRE_BYTES - 2
MAX_CHUNK_BYTES: Final = MAX_WIRE_BYTES - 2

HOST_ADDRESS: Final = 0x00
MIN_ADDRESS: Final = 0x01
MAX_ADDRESS: Final = 0xEF
UNADDRESSED: Final = 0xF0
BROADCAST_ADDRESS: Final = 0xFF

UID_BYTES: Final = 8
DEFAULT_BAUD: Final = 115_200
RUNNING_BAUD: Final = 1_000_000

BODY: Final[Construct[Any, Any]] = Struct(
    "control"
    / BitStruct(
        "version" / Const(FRAME_VERSION, BitsInteger(3)),
        "reply" / Flag,
        "flags" / Const(0, BitsInteger(4)),
    ),
    "payload_length" / Rebuild(Limits(Int8ul, 0, MAX_PAYLOAD_BYTES), len_(this.payload)),
    "destination" / OneOf(Int8ul, [*range(UNADDRESSED + 1), BROADCAST_ADDRESS]),
    "source" / Limits(Int8ul, HOST_ADDRESS, UNADDRESSED),
    "sequence" / Int8ul,
    "operation" / Int8ul,
    "tag" / If(this.control.reply, Int16ul),
    "payload" / Bytes(this.payload_length),
    Terminated,
)
"""Body of a frame: six bytes of header, two more of tag in replies, the payload."""

FRAME: Final[Construct[Any, Any]] = Struct(
    "lead" / Const(bytes([DELIMITER])),
    "body" / NullTerminated(Sealed(WithoutZeros(BODY)), term=bytes([DELIMITER])),
    Terminated,
)
"""A frame as it stands on the wire, with both delimiters."""


@dataclass(frozen=True, slots=True, init=False)
class Frame:
    """The content of one valid frame.

    Attributes:
        destination: 0x00 host, 0x01..0xEF one actuator, 0xF0 those not yet addressed, 0xFF all.
        source: 0x00 host, 0x01..0xEF, 0xF0; never 0xFF.
        sequence: 0..255, chosen by the host, echoed in the reply.
        operation: 0..255, echoed in the reply.
        payload: 0..112 bytes.
        tag: 16 device-unique bits in a reply, None in a request; its presence distinguishes reply and request.

    Raises:
        EncodeError: a field is out of its range.
    """

    destination: int
    source: int
    sequence: int
    operation: int
    payload: bytes
    tag: int | None = None

    def __init__(
        self, destination: int, source: int, sequence: int, operation: int, payload: bytes, tag: int | None = None
    ) -> None:
        if not (0 <= destination <= UNADDRESSED or destination == BROADCAST_ADDRESS):
            raise EncodeError("destination", f"{destination} is not 0..240 or 255")
        if not 0 <= source <= UNADDRESSED:
            raise EncodeError("source", f"{source} is not 0..240")
        if not 0 <= sequence <= 0xFF:
            raise EncodeError("sequence", f"{sequence} is not 0..255")
        if not 0 <= operation <= 0xFF:
            raise EncodeError("operation", f"{operation} is not 0..255")
        if len(payload) > MAX_PAYLOAD_BYTES:
            raise EncodeError("payload", f"{len(payload)} bytes, at most {MAX_PAYLOAD_BYTES} fit")
        if tag is not None and not 0 <= tag <= 0xFFFF:
            raise EncodeError("tag", f"{tag} is not 0..65535")
        # Set the slots directly: the setter of a frozen dataclass costs as much time as all the rest.
        _set_destination(self, destination)
        _set_source(self, source)
        _set_sequence(self, sequence)
        _set_operation(self, operation)
        _set_payload(self, payload)
        _set_tag(self, tag)

    @property
    def is_reply(self) -> bool:
        """Whether an actuator sent this in answer to the host."""
        return self.tag is not None


_slots: Final[Any] = vars(Frame)
_set_destination: Final = _slots["destination"].__set__
_set_source: Final = _slots["source"].__set__
_set_sequence: Final = _slots["sequence"].__set__
_set_operation: Final = _slots["operation"].__set__
_set_payload: Final = _slots["payload"].__set__
_set_tag: Final = _slots["tag"].__set__
