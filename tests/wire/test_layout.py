"""The building blocks of definitions that both the codec and construct stand on, so neither can judge the other."""

from __future__ import annotations

import enum
from typing import Any

import pytest
from construct import Byte, ConstructError, GreedyBytes, GreedyRange, Int8ul, Int16sl
from hypothesis import given
from hypothesis import strategies as st

from busproto.wire.definition.layout import Coded, Counted, Label, Limits, label_bytes, label_text

PRINTABLE = "".join(map(chr, range(0x20, 0x7F)))


class Colour(enum.IntEnum):
    """Any enumeration with a gap."""

    RED = 1
    BLUE = 3


def is_refused(call: Any, argument: object) -> bool:
    try:
        call(argument)
    except ConstructError:
        return True
    return False


@given(st.text(PRINTABLE, max_size=16))
def test_label_round_trip(text: str) -> None:
    raw = label_bytes(text, 16)
    assert raw == text.encode("ascii") + bytes(16 - len(text))
    assert label_text(raw) == text


@pytest.mark.parametrize("raw", [b"\x00abc", b"a\x00b\x00", b"ab\x1f\x00", b"ab\x7f\x00", b"ab\x80\x00", b"\xff" * 4])
def test_label_bytes_that_are_no_text(raw: bytes) -> None:
    """Zeros at the end only, and nothing but printable ASCII before them."""
    with pytest.raises(ValueError, match="not printable ASCII"):
        label_text(raw)
    assert is_refused(Label(4).parse, raw)


@pytest.mark.parametrize("text", ["abcde", "a\x00", "\n", "\x7f", "é"])
def test_label_text_that_does_not_fit(text: str) -> None:
    with pytest.raises(ValueError, match="not printable ASCII text of at most 4 letters"):
        label_bytes(text, 4)
    assert is_refused(Label(4).build, text)


def test_limits() -> None:
    definition = Limits(Int16sl, -5, 5, also=-100)
    allowed = [number for number in range(-200, 200) if not is_refused(definition.build, number)]
    assert allowed == [-100, *range(-5, 6)]
    raws = {number: number.to_bytes(2, "little", signed=True) for number in range(-200, 200)}
    assert [number for number, raw in raws.items() if not is_refused(definition.parse, raw)] == allowed


def test_counted() -> None:
    for definition, make in ((Counted(GreedyBytes, 2, 3), bytes), (Counted(GreedyRange(Byte), 2, 3), list)):
        assert [n for n in range(6) if not is_refused(definition.parse, bytes(n))] == [2, 3]
        assert [n for n in range(6) if not is_refused(definition.build, make(bytes(n)))] == [2, 3]


def test_coded() -> None:
    definition = Coded(Int8ul, Colour)
    assert [number for number in range(256) if not is_refused(definition.parse, bytes([number]))] == [1, 3]
    assert [number for number in range(256) if not is_refused(definition.build, number)] == [1, 3]
    assert definition.parse(b"\x03") is Colour.BLUE
    assert definition.build(Colour.RED) == b"\x01"
