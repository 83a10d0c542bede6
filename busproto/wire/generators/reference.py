"""The format as `construct` itself reads and writes it: slow, used to test the generated code.

Nothing in the product runs this; tests and the benchmark do. A difference between this and `busproto.wire.codec` is
a bug in the generator.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from construct import ConstructError

from busproto.errors import DecodeError
from busproto.wire.frame import FRAME, Frame
from busproto.wire.message import BARE_REPLIES, REPLIES, REQUESTS, Message
from busproto.wire.messages import Refused


def interpret_frame(wire: bytes) -> Frame:
    """As `codec.decode_frame`, by construct. Raises DecodeError."""
    try:
        body = FRAME.parse(wire).body
    except ConstructError as error:
        raise DecodeError(str(error), raw=wire) from error
    return Frame(body.destination, body.source, body.sequence, body.operation, body.payload, body.tag)


def compose_frame(frame: Frame) -> bytes:
    """As `codec.encode_frame`, by construct."""
    body = {**dataclasses.asdict(frame), "control": {"reply": frame.is_reply}}
    wire: bytes = FRAME.build({"body": body})
    return wire


def interpret_message(frame: Frame) -> Message:
    """As `codec.message_of`, by construct. Raises DecodeError."""
    table = REPLIES if frame.is_reply else REQUESTS
    cls: Any = table.get(frame.operation)
    if frame.is_reply and frame.payload[:1].strip(b"\x00") and frame.operation not in BARE_REPLIES:
        cls = Refused
    if cls is None:
        raise DecodeError(f"operation {frame.operation:#04x} is not known")
    try:
        values = cls.LAYOUT.parse(frame.payload)
    except ConstructError as error:
        raise DecodeError(str(error), raw=frame.payload) from error
    fields = {field.name: values[field.name] for field in dataclasses.fields(cls)}
    for name, value in fields.items():
        if isinstance(value, list):
            fields[name] = tuple(value)
    message: Message = cls(**fields)
    return message


def compose_payload(message: Message) -> bytes:
    """As `message.payload()`, by construct."""
    values = {field.name: getattr(message, field.name) for field in dataclasses.fields(message)}  # type: ignore[arg-type]
    payload: bytes = type(message).LAYOUT.build(values)
    return payload
