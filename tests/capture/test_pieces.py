"""How a stream falls into packets: every byte stays, in order, and the frames are those that the decoder finds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.capture.pieces import BAD, BYTE, GOOD, MAX_RUN_BYTES, RUN, Splitter, frames_in, kind_of
from busproto.wire import BadFrame, Decoder, Frame, encode_frame, request_frame
from busproto.wire import messages as m
from tests.strategies import frames, spoiled

ASK = encode_frame(request_frame(m.Report(), 5, 7))
CALL = encode_frame(request_frame(m.Restart(), 9, 8))

streams = st.lists(
    frames().map(encode_frame) | spoiled(frames().map(encode_frame)) | st.binary(max_size=8), max_size=8
).map(b"".join)


def split(data: bytes, *, answers: bool = False) -> list[bytes]:
    splitter = Splitter()
    splitter.answers_are_bytes = answers
    return [*splitter.feed(data), *splitter.end()]


@given(streams, st.booleans())
def test_no_byte_is_lost_or_added(data: bytes, answers: bool) -> None:
    pieces = split(data, answers=answers)
    assert b"".join(pieces) == data
    assert all(0 < len(piece) <= MAX_RUN_BYTES for piece in pieces)


@given(streams)
def test_the_good_frames_are_those_that_the_decoder_finds(data: bytes) -> None:
    found = [one for one in Decoder().feed(data) if isinstance(one, Frame)]
    assert [kind_of(piece).frame for piece in split(data) if kind_of(piece).kind == GOOD] == found


@given(streams, st.integers(0, 60))
def test_it_does_not_matter_how_the_bytes_come(data: bytes, at: int) -> None:
    splitter = Splitter()
    assert [*splitter.feed(data[:at]), *splitter.feed(data[at:]), *splitter.end()] == split(data)


@given(spoiled(frames().map(encode_frame)))
def test_a_bad_frame_has_the_reason_that_the_decoder_gives(wire: bytes) -> None:
    piece = kind_of(wire)
    if piece.kind == BAD:
        (found,) = Decoder().feed(wire)
        assert isinstance(found, BadFrame)
        assert (piece.reason, piece.detail) == (found.reason, found.detail) or piece.reason == "too long"


@pytest.mark.parametrize(
    ("data", "pieces"),
    [
        (ASK + CALL, [ASK, CALL]),
        (ASK[:-1] + CALL, [ASK[:-1] + b"\x00", CALL[1:]]),  # one delimiter between two
        (b"\x00\x00\x00" + ASK, [b"\x00\x00\x00", ASK]),
        (b"\x41\x42" + ASK, [b"\x41\x42", ASK]),
        (ASK[1:] + CALL, [ASK[1:], CALL]),  # the first delimiter was hit
        (ASK[:-1] + b"\x81" + CALL, [ASK[:-1] + b"\x81\x00", CALL[1:]]),
        (ASK[:9], [ASK[:9]]),
        (b"\x00" * 600, [b"\x00" * 256, b"\x00" * 256, b"\x00" * 88]),
    ],
)
def test_where_a_stream_is_cut(data: bytes, pieces: list[bytes]) -> None:
    assert split(data) == pieces


def test_answers_of_a_member_list_are_packets_of_their_own() -> None:
    assert split(ASK + b"\x81\x82\x83" + CALL, answers=True) == [ASK, b"\x81", b"\x82", b"\x83", CALL]
    assert split(ASK + b"\x81\x82\x83" + CALL) == [ASK, b"\x81\x82\x83", CALL]


@pytest.mark.parametrize(
    ("data", "kind", "reason"),
    [
        (ASK, GOOD, ""),
        (ASK[1:], GOOD, ""),
        (ASK[:-1], RUN, ""),
        (b"\x81", BYTE, ""),
        (b"\x00", RUN, ""),
        (b"\x00\x00\x00", RUN, ""),
        (b"\x81\x82", RUN, ""),
        (b"\x00abc\x00", BAD, "too short"),
        (b"\x00" + b"a" * 200 + b"\x00", BAD, "too long"),
        (ASK[:4] + b"\x55" + ASK[5:], BAD, "check"),
        (ASK + CALL, RUN, ""),
        (b"", RUN, ""),
    ],
)
def test_what_a_packet_is(data: bytes, kind: str, reason: str) -> None:
    assert (kind_of(data).kind, kind_of(data).reason) == (kind, reason)


def test_what_is_written_in_one_go_falls_into_its_frames() -> None:
    assert list(frames_in(ASK + CALL)) == [ASK, CALL]
