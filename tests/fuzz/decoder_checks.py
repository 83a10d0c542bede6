"""What must hold for any bytes that the Python decoder gets; each broken rule is an AssertionError.

An input is a list of pieces: kind, length, bytes. A body or an encoded body gets its right check bytes here, so that
what lies behind the check is reached. Knows nothing of the fuzzer.
"""

from __future__ import annotations

import random
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from busproto.capture.decoding import decode
from busproto.capture.pcapng import Packet, head_bytes, packet_bytes, read
from busproto.capture.pieces import BAD, GOOD, RUN, frames_in
from busproto.capture.statistics import statistics_of
from busproto.errors import DecodeError, WireError
from busproto.wire import BadFrame, Decoder, Frame, encode_frame
from busproto.wire.codec import decode_chunk, message_of
from busproto.wire.crc import trailer
from busproto.wire.decoder import KEPT_BYTES
from busproto.wire.definition.layout import remove_zeros
from busproto.wire.frame import MAX_CHUNK_BYTES, MIN_CHUNK_BYTES
from busproto.wire.generators.reference import interpret_frame, interpret_message

RAW, BODY, ENCODED, HIT, LONG = range(5)
REASONS: Final = ("too short", "too long", "check", "content")
MOST_STREAM_BYTES: Final = 4096
SHARE: Final = 8
"""One input in so many is also read as a capture."""
Found = list[Frame | BadFrame]


def pieces_of(data: bytes) -> Iterator[bytes]:
    """The pieces of a stream that an input stands for."""
    at, last = 0, b""
    while at + 1 < len(data):
        kind, size = data[at] % 5, data[at + 1]
        given = data[at + 2 : at + 2 + size]
        at += 2 + size
        if kind == BODY:
            encoded = remove_zeros(given[:200])
            last = b"\x00" + encoded + trailer(encoded) + b"\x00"
        elif kind == ENCODED:
            encoded = given.replace(b"\x00", b"\x01")
            last = b"\x00" + encoded + trailer(encoded) + b"\x00"
        elif kind == HIT and last and len(given) >= 2:
            place = int.from_bytes(given[:2], "little") % (8 * len(last))
            hit = bytearray(last)
            hit[place // 8] ^= 1 << place % 8
            last = bytes(hit)
        elif kind == LONG:
            last = given[:1] * (2 * size)
        else:
            last = given
        yield last


def check(data: bytes, scratch: Path, *, many: bool | None = None) -> None:
    """Hold every rule against an input. `scratch` is a file that may be written over.

    A capture file costs more than all else: with `many` None only one input in eight becomes one, chosen by its own
    bytes.

    Raises:
        AssertionError: a rule is broken. Any other error is a finding as well.
    """
    pieces = list(pieces_of(data))
    stream = b"".join(pieces)[:MOST_STREAM_BYTES]
    found = _whole(stream)
    _by_the_definition(stream, found)
    _in_portions(stream, found, random.Random(zlib.crc32(data)))
    assert b"".join(frames_in(stream)) == stream, "cutting into packets loses bytes"
    if many if many is not None else zlib.crc32(data) % SHARE == 0:
        _as_a_capture([piece for piece in pieces if piece], scratch)


def _whole(stream: bytes) -> Found:
    decoder = Decoder()
    found = decoder.feed(stream)
    assert decoder.good == sum(isinstance(one, Frame) for one in found), "the count of good frames is off"
    assert decoder.good + decoder.bad == len(found), "the count of bad frames is off"
    assert decoder.pending_bytes == len(stream) - stream.rfind(b"\x00") - 1, "the bytes pending are miscounted"
    return found


def _in_portions(stream: bytes, found: Found, rng: random.Random) -> None:
    decoder = Decoder()
    singly: Found = []
    for at in range(len(stream)):
        singly += decoder.feed(stream[at : at + 1])
        assert len(decoder._kept) <= KEPT_BYTES, "it keeps more than it must"
    assert singly == found, "byte by byte it is another stream"
    cuts = sorted(rng.randrange(len(stream) + 1) for _ in range(rng.randrange(8)))
    decoder, portions = Decoder(), []
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        portions += decoder.feed(stream[begin:end])
        decoder, spare = decoder.copy(), decoder
        assert spare.pending_bytes == decoder.pending_bytes, "a copy has other bytes pending"
    assert portions == found, "cut otherwise it is another stream"


def _by_the_definition(stream: bytes, found: Found) -> None:
    """Split at zeros, each piece read by construct itself."""
    offset, at = 0, 0
    for piece in stream.split(b"\x00")[:-1]:
        if piece:
            _one(piece, offset, found[at])
            at += 1
        offset += len(piece) + 1
    assert at == len(found), "more is found than there is"


def _one(piece: bytes, offset: int, one: Frame | BadFrame) -> None:
    try:
        wanted: Frame | None = interpret_frame(b"\x00" + piece + b"\x00") if len(piece) <= MAX_CHUNK_BYTES else None
    except WireError:
        wanted = None
    if isinstance(one, BadFrame):
        assert wanted is None, "a good frame is not taken"
        told = (one.raw, one.offset, one.size)
        assert told == (piece[:KEPT_BYTES], offset, len(piece)), "a bad piece is told wrongly"
        assert one.reason in REASONS, "a reason without a name"
        assert (one.reason == "too short") == (len(piece) < MIN_CHUNK_BYTES), "too short or not"
        assert (one.reason == "too long") == (len(piece) > MAX_CHUNK_BYTES), "too long or not"
        try:
            decode_chunk(piece)
        except DecodeError:
            return
        raise AssertionError("bad in a stream, good alone")
    assert one == wanted, "a frame is read as another"
    assert encode_frame(one) == b"\x00" + piece + b"\x00", "a frame is encoded into other bytes"
    _message(one)


def _message(frame: Frame) -> None:
    try:
        wanted = interpret_message(frame)
    except WireError:
        wanted = None
    try:
        message = message_of(frame)
    except DecodeError:
        assert wanted is None, "a message is not taken"
        return
    assert message == wanted, "a message is read as another"
    assert message.payload() == frame.payload, "a message is packed into other bytes"


def _as_a_capture(pieces: list[bytes], scratch: Path) -> None:
    """The same bytes as the packets of a file: what is read is what was written, and each is counted once."""
    if not pieces:
        return
    data = head_bytes(9600, "", "")
    for number, piece in enumerate(pieces):
        data += packet_bytes(Packet(number << 20, piece, number % 3 == 0))
    scratch.write_bytes(data)
    capture = read(scratch)
    assert [packet.data for packet in capture.packets] == pieces, "a packet is read as another"
    entries = list(decode(capture))
    counted, cut = statistics_of(scratch)
    assert not cut, "the end of the file is called cut"
    for kind in (GOOD, BAD, RUN):  # a single byte is decoded as an answer where one was asked for
        count = counted.kinds[kind]
        assert count == sum(entry.kind == kind for entry in entries), f"{kind} is counted otherwise than it is decoded"
    for entry in entries:
        if entry.frame is not None:
            assert encode_frame(entry.frame) == entry.packet.data, "a packet is decoded as another frame"
