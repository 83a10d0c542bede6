"""The wire format: frames, messages, parameters. Bytes in, values out; no ports, no clocks.

`codec` turns messages into bytes and back, `decoder` finds frames in a stream, `messages` and `parameters` are the
tables that everything else reads. The definitions are in `construct`; `generate` makes the fast code from them.
"""

from busproto.errors import ChecksumError, DecodeError, EncodeError, TruncatedFrameError, WireError
from busproto.wire.codec import decode_frame, encode_frame, message_of, reply_frame, request_frame
from busproto.wire.crc import crc24
from busproto.wire.decoder import BadFrame, Decoder
from busproto.wire.frame import Frame
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter

__all__ = [
    "BY_NAME",
    "OPERATIONS",
    "PARAMETERS",
    "BadFrame",
    "ChecksumError",
    "DecodeError",
    "Decoder",
    "EncodeError",
    "Frame",
    "Message",
    "Parameter",
    "TruncatedFrameError",
    "WireError",
    "crc24",
    "decode_frame",
    "encode_frame",
    "message_of",
    "reply_frame",
    "request_frame",
]
