"""Messages to bytes and back, by the code generated from the definitions. Only here both directions meet.

Everything here works on whole frames; `busproto.wire.decoder` finds frames in a stream.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from busproto.errors import ChecksumError, DecodeError, TruncatedFrameError
from busproto.wire.crc import TRAILER_BYTES, trailer
from busproto.wire.definition.generate import make_builder, make_parser
from busproto.wire.definition.layout import remove_zeros, restore_zeros
from busproto.wire.frame import (
    BODY,
    HOST_ADDRESS,
    MAX_CHUNK_BYTES,
    MIN_CHUNK_BYTES,
    Frame,
)
from busproto.wire.message import BARE_REPLIES, REPLIES, REQUESTS, Message
from busproto.wire.messages import Refused

_RENAME: Final = {"control_reply": "is_reply"}
_parse_body: Final = make_parser("frame", BODY, Frame, _RENAME)
_build_body: Final = make_builder("frame", BODY, _RENAME)
_REQUEST_PARSERS: Final[dict[int, Callable[[bytes], Any]]] = {n: cls.parse for n, cls in REQUESTS.items()}
_REPLY_PARSERS: Final[dict[int, Callable[[bytes], Any]]] = {n: cls.parse for n, cls in REPLIES.items()}


def encode_frame(frame: Frame) -> bytes:
    """The bytes of `frame` as sent, 14..128 of them, with both delimiters."""
    encoded = remove_zeros(_build_body(frame))
    return b"\x00" + encoded + trailer(encoded) + b"\x00"


def decode_chunk(chunk: bytes) -> Frame:
    """The frame in `chunk`: what stands between two delimiters, without them.

    Raises:
        TruncatedFrameError: fewer than 12 bytes, or fewer than the frame's own length byte announces.
        ChecksumError: the check bytes differ.
        DecodeError: more than 126 bytes, or a frame of another version, with unknown flags or reserved addresses.
    """
    size = len(chunk)
    if size < MIN_CHUNK_BYTES:
        raise TruncatedFrameError(f"{size} bytes, a frame has {MIN_CHUNK_BYTES} at least", raw=chunk)
    if size > MAX_CHUNK_BYTES:
        raise DecodeError(f"{size} bytes, a frame has {MAX_CHUNK_BYTES} at most", raw=chunk)
    encoded = chunk[:-TRAILER_BYTES]
    expected = trailer(encoded)
    if chunk[-TRAILER_BYTES:] != expected:
        raise ChecksumError(expected, chunk[-TRAILER_BYTES:], raw=chunk)
    try:
        body = restore_zeros(encoded)
    except ValueError as error:
        raise DecodeError(str(error), raw=chunk) from error
    frame: Frame = _parse_body(body)
    return frame


def decode_frame(wire: bytes) -> Frame:
    """The frame whose bytes, with both delimiters, are `wire`.

    Raises:
        DecodeError and its kinds: as `decode_chunk`, or the delimiters are missing.
    """
    if len(wire) < 2 or wire[0] or wire[-1]:
        raise DecodeError("a frame begins and ends with a zero byte", raw=wire)
    return decode_chunk(wire[1:-1])


def message_of(frame: Frame) -> Message:
    """The message in a good frame.

    Raises:
        DecodeError: no such operation, or its payload is malformed.
    """
    payload = frame.payload
    if frame.tag is None:
        parse = _REQUEST_PARSERS.get(frame.operation)
    elif payload and payload[0] and frame.operation not in BARE_REPLIES:
        parse = Refused.parse
    else:
        parse = _REPLY_PARSERS.get(frame.operation)
    if parse is None:
        kind = "reply to operation" if frame.is_reply else "request of operation"
        raise DecodeError(f"no {kind} {frame.operation:#04x} is known", raw=payload)
    message: Message = parse(payload)
    return message


def request_frame(message: Message, destination: int, sequence: int) -> Frame:
    """The frame that carries a request from the host. Raises EncodeError for a bad address or sequence."""
    return Frame(destination, HOST_ADDRESS, sequence, message.OPERATION, message.payload())


def reply_frame(message: Message, to: Frame, source: int, tag: int) -> Frame:
    """The frame that answers the request `to`. Raises EncodeError for a bad address or tag."""
    return Frame(to.source, source, to.sequence, to.operation, message.payload(), tag)
