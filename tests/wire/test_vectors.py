"""The vectors, in both directions, by the generated code, by construct and by the code written for tests."""

from __future__ import annotations

import pytest

from busproto.wire import BadFrame, Decoder, Frame, decode_frame, encode_frame
from busproto.wire.crc import crc24, trailer
from busproto.wire.definition.layout import remove_zeros, restore_zeros
from busproto.wire.generators.reference import compose_frame, interpret_frame
from tests.independent import codec as by_the_page
from tests.wire.vectors import VECTORS, Vector

each_vector = pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector.name)

JUNK = (b"\x01", b"\xff" * 11, b"U" * 40, bytes(range(1, 127)), bytes(range(1, 128)), b"\x80" * 500)


@each_vector
def test_encode(vector: Vector) -> None:
    assert encode_frame(vector.frame) == vector.wire


@each_vector
def test_decode(vector: Vector) -> None:
    assert decode_frame(vector.wire) == vector.frame


@each_vector
def test_construct_encodes_the_same(vector: Vector) -> None:
    assert compose_frame(vector.frame) == vector.wire


@each_vector
def test_construct_decodes_the_same(vector: Vector) -> None:
    assert interpret_frame(vector.wire) == vector.frame


@each_vector
def test_layers(vector: Vector) -> None:
    """Zero-byte removal, CRC and count of zero bits each have their own published value."""
    encoded, check = vector.wire[1:-6], vector.wire[-6:-1]
    assert remove_zeros(vector.body) == encoded
    assert restore_zeros(encoded) == vector.body
    assert crc24(encoded) == vector.crc
    assert trailer(encoded) == check
    groups = sum((byte & 0x7F) << 7 * i for i, byte in enumerate(check))
    assert (groups & 0xFFFFFF, groups >> 24) == (vector.crc, vector.zero_bits)
    assert all(byte & 0x80 for byte in check)


@each_vector
def test_code_written_for_tests_agrees(vector: Vector) -> None:
    """The judge that other tests use is itself judged by the vectors."""
    encoded = vector.wire[1:-6]
    assert by_the_page.crc24(encoded) == vector.crc
    assert by_the_page.zero_bits(encoded) == vector.zero_bits
    assert by_the_page.framed(vector.body) == vector.wire


@each_vector
def test_decoder_byte_by_byte(vector: Vector) -> None:
    decoder = Decoder()
    found = [decoder.feed(bytes([byte])) for byte in vector.wire]
    assert found == [[]] * (len(vector.wire) - 1) + [[vector.frame]]
    assert (decoder.good, decoder.bad, decoder.pending_bytes) == (1, 0, 0)


def test_decoder_all_in_one_stream() -> None:
    stream = b"".join(vector.wire for vector in VECTORS)
    expected = [vector.frame for vector in VECTORS]
    assert Decoder().feed(stream) == expected
    single = stream.replace(b"\x00\x00", b"\x00")  # a shared delimiter, if two of them met as one
    assert Decoder().feed(single) == expected


@each_vector
@pytest.mark.parametrize("junk", JUNK, ids=lambda junk: f"{len(junk)} bytes")
def test_decoder_with_junk_around(vector: Vector, junk: bytes) -> None:
    """Junk before and after costs one bad piece each and never the frame."""
    before, frame, after = Decoder().feed(junk + vector.wire + junk + b"\x00")
    assert frame == vector.frame
    assert isinstance(before, BadFrame)
    assert isinstance(after, BadFrame)
    assert (before.offset, before.size) == (0, len(junk))
    assert (after.offset, after.size) == (len(junk) + len(vector.wire), len(junk))


@each_vector
def test_one_flipped_bit_costs_that_frame_only(vector: Vector) -> None:
    """Whichever bit of the middle one of three frames is hit, delimiters too, the other two are found."""
    first, last = VECTORS[0], VECTORS[1]
    for bit in range(8 * len(vector.wire)):
        hit = bytearray(vector.wire)
        hit[bit // 8] ^= 1 << bit % 8
        found = Decoder().feed(first.wire + bytes(hit) + last.wire)
        frames = [one for one in found if isinstance(one, Frame)]
        assert frames == [first.frame, last.frame]
        assert any(isinstance(one, BadFrame) for one in found)
