"""Any bytes in any portions: the decoder never raises, keeps little, and finds what is there."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from busproto.wire import BadFrame, DecodeError, Decoder, Frame, encode_frame
from busproto.wire.codec import decode_chunk
from busproto.wire.decoder import KEPT_BYTES
from tests.strategies import frames, spoiled, with_zeros

# Raw noise, noise rich in delimiters, good frames, spoilt frames, and lengths around the largest frame.
PIECES = st.one_of(
    st.binary(max_size=40),
    with_zeros(40),
    frames().map(encode_frame),
    spoiled(frames().map(encode_frame)),
    st.integers(100, 300).map(lambda size: b"\x55" * size),
)
STREAMS = st.lists(PIECES, max_size=6).map(b"".join)


@st.composite
def portions(draw: st.DrawFn, stream: bytes) -> list[bytes]:
    """The stream cut anywhere, empty portions allowed."""
    cuts = sorted(draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    return [stream[start:end] for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True)]


def expected_of(stream: bytes) -> tuple[list[Any], int]:
    """What the rules say of a whole stream: split at zeros, one result for each piece; and what is pending."""
    *complete, rest = stream.split(b"\x00")
    results: list[Any] = []
    offset = 0
    for piece in complete:
        if piece:
            try:
                results.append(decode_chunk(piece))
            except DecodeError:
                results.append((piece[:KEPT_BYTES], offset, len(piece)))
        offset += len(piece) + 1
    return results, len(rest)


def facts(found: Frame | BadFrame) -> Any:
    return found if isinstance(found, Frame) else (found.raw, found.offset, found.size)


@given(STREAMS)
def test_follows_the_rules_on_any_stream(stream: bytes) -> None:
    decoder = Decoder()
    found = decoder.feed(stream)
    results, pending = expected_of(stream)
    assert [facts(one) for one in found] == results
    assert decoder.pending_bytes == pending
    assert decoder.good + decoder.bad == len(found)
    assert decoder.good == sum(isinstance(one, Frame) for one in found)


@given(st.data())
def test_portions_do_not_matter(data: st.DataObject) -> None:
    stream = data.draw(STREAMS)
    whole, parts = Decoder(), Decoder()
    expected = whole.feed(stream)
    found: list[Frame | BadFrame] = []
    for portion in data.draw(portions(stream)):
        found += parts.feed(portion)
    assert found == expected
    assert (parts.good, parts.bad, parts.pending_bytes) == (whole.good, whole.bad, whole.pending_bytes)


@given(STREAMS)
def test_byte_by_byte_is_the_same(stream: bytes) -> None:
    decoder = Decoder()
    found = [one for byte in stream for one in decoder.feed(bytes([byte]))]
    assert found == Decoder().feed(stream)


@given(STREAMS)
def test_bad_pieces_are_told_from_the_stream(stream: bytes) -> None:
    """A bad piece is what stands at its offset, at most 127 bytes of it are kept, and its reason fits its size."""
    for one in Decoder().feed(stream):
        if isinstance(one, BadFrame):
            piece = stream[one.offset : one.offset + one.size]
            assert 0 not in piece
            assert stream[one.offset + one.size] == 0
            assert one.raw == piece[:127]
            assert (one.reason == "too short") == (one.size < 12)
            assert (one.reason == "too long") == (one.size > 126)
            assert one.reason in {"too short", "too long", "check", "content"}
            assert one.detail


@given(STREAMS, frames())
def test_good_frame_after_junk_is_found(junk: bytes, frame: Frame) -> None:
    found = Decoder().feed(junk + encode_frame(frame))
    assert found[-1] == frame


@given(st.lists(frames(), max_size=5))
def test_frames_alone_are_found_whole(sent: list[Frame]) -> None:
    assert Decoder().feed(b"".join(encode_frame(frame) for frame in sent)) == sent
