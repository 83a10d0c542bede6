"""The incremental decoder: why a piece is refused, where it stood, and how much of it is kept."""

from __future__ import annotations

import tracemalloc

import pytest

from busproto.wire import BadFrame, Decoder
from busproto.wire.decoder import KEPT_BYTES
from busproto.wire.frame import MAX_CHUNK_BYTES, MIN_CHUNK_BYTES
from tests.independent.codec import framed, sealed
from tests.wire.vectors import VECTORS

GOOD = VECTORS[0]


def only_bad(stream: bytes) -> BadFrame:
    """The one bad piece that the stream holds."""
    (found,) = Decoder().feed(stream)
    assert isinstance(found, BadFrame)
    return found


@pytest.mark.parametrize("size", [1, 5, MIN_CHUNK_BYTES - 1])
def test_too_short(size: int) -> None:
    bad = only_bad(b"\x00" + b"\x80" * size + b"\x00")
    assert (bad.reason, bad.raw, bad.offset, bad.size) == ("too short", b"\x80" * size, 1, size)


@pytest.mark.parametrize("size", [MAX_CHUNK_BYTES + 1, MAX_CHUNK_BYTES + 2, 5000])
def test_too_long(size: int) -> None:
    """Only the beginning is kept; how much there was is told all the same."""
    bad = only_bad(b"\x00" + b"\x80" * size + b"\x00")
    assert (bad.reason, bad.offset, bad.size) == ("too long", 1, size)
    assert bad.raw == b"\x80" * KEPT_BYTES
    assert str(size) in bad.detail


@pytest.mark.parametrize("size", [MIN_CHUNK_BYTES, 50, MAX_CHUNK_BYTES])
def test_wrong_check(size: int) -> None:
    bad = only_bad(b"\x00" + b"\x80" * size + b"\x00")
    assert (bad.reason, bad.raw, bad.offset, bad.size) == ("check", b"\x80" * size, 1, size)


@pytest.mark.parametrize(
    ("wire", "detail"),
    [
        pytest.param(framed(bytes.fromhex("000001000051")), "version", id="version 0"),
        pytest.param(framed(bytes.fromhex("400001000051")), "version", id="version 2"),
        pytest.param(framed(bytes.fromhex("210001000051")), "flags", id="unknown flag"),
        pytest.param(framed(bytes.fromhex("200001000051aa")), "too many", id="payload not announced"),
        pytest.param(framed(bytes.fromhex("200201000051aa")), "announced", id="payload not there"),
        pytest.param(framed(bytes.fromhex("207101000051") + bytes(113)), "payload_length", id="payload too long"),
        pytest.param(framed(bytes.fromhex("300000010051")), "tag", id="reply without tag"),
        pytest.param(framed(bytes.fromhex("300000010051ef")), "tag", id="reply with half a tag"),
        pytest.param(framed(bytes.fromhex("2000f1000051")), "destination", id="reserved destination"),
        pytest.param(framed(bytes.fromhex("200001ff0051")), "source", id="all as source"),
        pytest.param(framed(bytes.fromhex("200001f10051")), "source", id="reserved source"),
        pytest.param(sealed(bytes.fromhex("02200201010351")), "add up", id="runs lead past the end"),
        pytest.param(sealed(bytes.fromhex("09200201010251")), "add up", id="first run leads past the end"),
    ],
)
def test_good_check_bad_content(wire: bytes, detail: str) -> None:
    """Good check bytes do not make a frame: each rule of the header is looked at as well."""
    bad = only_bad(wire)
    assert bad.reason == "content"
    assert bad.raw == wire[1:-1]
    assert detail in bad.detail


def test_header_examples_differ_from_a_good_frame_in_one_thing() -> None:
    """The counter-check of the above: the frame they were made from is good."""
    assert Decoder().feed(framed(bytes.fromhex("200001000051"))) == [GOOD.frame]
    assert Decoder().feed(sealed(bytes.fromhex("02200201010251"))) == [GOOD.frame]


def test_delimiters_alone_are_nothing() -> None:
    decoder = Decoder()
    assert decoder.feed(bytes(1000)) == []
    assert (decoder.good, decoder.bad, decoder.pending_bytes) == (0, 0, 0)


def test_counters_and_offsets_over_a_stream() -> None:
    decoder = Decoder()
    stream = b"\x07" * 3 + GOOD.wire + b"\x07" * 20 + b"\x00\x00\x00" + b"\x07" * 200 + GOOD.wire + b"\x07"
    first, frame, second, third, last = decoder.feed(stream)
    assert frame == last == GOOD.frame
    bad = [one for one in (first, second, third) if isinstance(one, BadFrame)]
    assert [(one.reason, one.offset, one.size) for one in bad] == [
        ("too short", 0, 3),
        ("check", 17, 20),
        ("too long", 40, 200),
    ]
    assert (decoder.good, decoder.bad, decoder.pending_bytes) == (2, 3, 1)


def test_offset_counts_over_feeds() -> None:
    decoder = Decoder()
    for _ in range(3):
        assert decoder.feed(GOOD.wire) == [GOOD.frame]
    assert decoder.feed(b"\x07\x07") == []
    (bad,) = decoder.feed(b"\x07\x00")
    assert isinstance(bad, BadFrame)
    assert (bad.offset, bad.size) == (3 * len(GOOD.wire), 3)


def test_reset_forgets_what_is_pending() -> None:
    """A device whose gap aborts a frame begins anew; the counters stay."""
    decoder = Decoder()
    decoder.feed(GOOD.wire + b"\x07" * 200)
    assert decoder.pending_bytes == 200
    decoder.reset()
    assert decoder.pending_bytes == 0
    assert decoder.feed(GOOD.wire) == [GOOD.frame]
    assert (decoder.good, decoder.bad) == (2, 0)
    (bad,) = decoder.feed(b"\x07\x00")
    assert isinstance(bad, BadFrame)
    assert bad.offset == len(GOOD.wire)


def test_memory_is_bounded_when_no_delimiter_comes() -> None:
    """A megabyte without a delimiter is counted, not kept."""
    decoder = Decoder()
    noise = b"\xaa" * 1000
    decoder.feed(noise)
    tracemalloc.start()
    try:
        for _ in range(1000):
            assert decoder.feed(noise) == []
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert decoder.pending_bytes == 1_001_000
    assert peak < 20_000
    (bad,) = decoder.feed(b"\x00")
    assert isinstance(bad, BadFrame)
    assert (bad.reason, bad.offset, bad.size, len(bad.raw)) == ("too long", 0, 1_001_000, KEPT_BYTES)
