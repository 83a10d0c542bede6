"""Removal of zero bytes (COBS) against published examples and the cobs package."""

from __future__ import annotations

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from busproto.wire.definition.layout import remove_zeros, restore_zeros
from busproto.wire.frame import MAX_BODY_BYTES
from tests.strategies import spoiled, with_zeros

BODIES = st.binary(max_size=MAX_BODY_BYTES) | with_zeros(MAX_BODY_BYTES)


@pytest.mark.parametrize(
    ("body", "encoded"),
    [
        ("00", "0101"),
        ("0000", "010101"),
        ("11220033", "0311220233"),
        ("11223344", "0511223344"),
        ("11000000", "0211010101"),
        ("001100", "01021101"),
        ("", "01"),
    ],
)
def test_examples(body: str, encoded: str) -> None:
    """Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999; the cobs package computes them too."""
    assert cobs.encode(bytes.fromhex(body)) == bytes.fromhex(encoded)
    assert remove_zeros(bytes.fromhex(body)) == bytes.fromhex(encoded)
    assert restore_zeros(bytes.fromhex(encoded)) == bytes.fromhex(body)


def test_block_boundary() -> None:
    """Cheshire & Baker: a block of 254 bytes costs one byte and begins with FF; the next byte costs one more.

    A body has 120 bytes at most, so our side ends before that boundary and refuses what lies behind.
    """
    block = bytes(range(1, 255))
    assert len(cobs.encode(block)) == 255
    assert cobs.encode(block)[0] == 0xFF
    assert len(cobs.encode(block + b"\xff")) == 257
    assert remove_zeros(block[:253]) == cobs.encode(block[:253])
    with pytest.raises(ValueError, match="253 bytes"):
        remove_zeros(block)
    with pytest.raises(ValueError, match="253 bytes"):
        remove_zeros(bytes(254))


@given(BODIES)
@example(bytes(MAX_BODY_BYTES))
@example(b"\x01" * MAX_BODY_BYTES)
def test_equals_the_cobs_package(body: bytes) -> None:
    encoded = remove_zeros(body)
    assert encoded == cobs.encode(body)
    assert restore_zeros(encoded) == body == cobs.decode(encoded)


@given(BODIES)
def test_costs_one_byte_and_leaves_no_zero(body: bytes) -> None:
    encoded = remove_zeros(body)
    assert len(encoded) == len(body) + 1
    assert 0 not in encoded


def runs_add_up(encoded: bytes) -> bool:
    """The definition: run lengths lead from the first byte to just behind the last, and no byte is zero."""
    at = 0
    while at < len(encoded):
        if not encoded[at]:
            return False
        at += encoded[at]
    return bool(encoded) and at == len(encoded) and 0 not in encoded


@given(st.binary(max_size=125) | st.binary(max_size=8) | spoiled(BODIES.map(cobs.encode)))
@example(b"")
@example(b"\x00")
@example(b"\x03\x00\x01")
@example(b"\x01\x01\x02")
@example(b"\x02\x01\x00")
def test_restores_only_what_adds_up(encoded: bytes) -> None:
    if runs_add_up(encoded):
        body = restore_zeros(encoded)
        assert body == cobs.decode(encoded)
        assert remove_zeros(body) == encoded
    else:
        with pytest.raises(ValueError, match=r"zero[ -]byte"):
            restore_zeros(encoded)
