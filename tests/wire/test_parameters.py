"""Every row of the parameter table: range, default, bytes, text; what is refused, and how."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import EncodeError, InputError
from busproto.wire import BY_NAME, PARAMETERS, Parameter
from busproto.wire.frame import MAX_PAYLOAD_BYTES
from busproto.wire.message import fields_of
from busproto.wire.messages import MAX_CHANNELS, MAX_READ, MAX_VALUES_BYTES, ParameterDescription, Write
from busproto.wire.parameters import FACTORY, MAX_TABLE_POINTS, RawValue, parameter_named
from tests.strategies import integer_range

ROWS = tuple(PARAMETERS.values())
SINGLE = [row for row in ROWS if not row.points]
TABLES = [row for row in ROWS if row.points]
CHOICES = [row for row in ROWS if row.choices]

each_row = pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
each_single = pytest.mark.parametrize("row", SINGLE, ids=lambda row: row.name)
each_table = pytest.mark.parametrize("row", TABLES, ids=lambda row: row.name)
each_choice = pytest.mark.parametrize("row", CHOICES, ids=lambda row: row.name)


def raw_values(row: Parameter) -> st.SearchStrategy[Any]:
    """Any raw value that the row allows."""
    one = st.integers(row.low, row.high)
    if not row.points:
        return one | st.sampled_from([row.low, row.high])
    return st.just(()) | st.lists(one, min_size=2, max_size=row.points).map(tuple)


# --- the table --------------------------------------------------------------------------------------------------


def test_names_and_numbers() -> None:
    assert [row.number for row in ROWS] == list(range(1, len(ROWS) + 1))
    assert len(BY_NAME) == len(ROWS) == len(FACTORY)
    assert all(BY_NAME[row.name] is row for row in ROWS)
    assert [row.name for row in TABLES] == ["correction"]
    assert [row.name for row in CHOICES] == ["direction", "loss-action"]


@each_row
def test_row_is_sound(row: Parameter) -> None:
    """Range within the raw type, default within the range, units and texts there, names fit their fields."""
    least, greatest = integer_range(row.subcon)
    assert least <= row.low < row.high <= greatest
    assert row.doc
    assert row.counts_per_unit in {1, 10, 100, 1000}
    assert FACTORY[row.name] == row.default
    assert row.decode(row.encode(row.default)) == row.default
    sizes = {field.name: getattr(field.subcon, "size", 0) for field in fields_of(ParameterDescription)}
    assert len(row.name) <= sizes["name"]
    assert len(row.count_unit) <= sizes["unit"]
    assert set(row.choices.values()) <= set(range(row.low, row.high + 1))


def test_all_values_fit_their_messages() -> None:
    """Every single value in one reply; the largest table in one write and, alone, in one reply."""
    assert len(SINGLE) <= MAX_READ
    assert sum(row.size for row in SINGLE) <= MAX_VALUES_BYTES
    for row in TABLES:
        whole = row.encode((row.low,) * row.points)
        assert len(Write(row.number, whole).payload()) <= MAX_PAYLOAD_BYTES
        assert len(whole) <= MAX_VALUES_BYTES


def test_values_written_by_hand() -> None:
    """calc: raw = scaled x counts per unit, little endian."""
    assert BY_NAME["neutral"].encode(-150) == bytes.fromhex("6aff")
    assert BY_NAME["travel"].encode(12000) == bytes.fromhex("e02e")
    assert BY_NAME["channel"].encode(MAX_CHANNELS) == b"\x20"
    assert BY_NAME["correction"].encode((-1, 0, 256)) == bytes.fromhex("ffff00000001")
    assert BY_NAME["neutral"].from_text("-1.5 deg") == -150
    assert BY_NAME["slew-limit"].from_text("300deg/s") == 3000
    assert BY_NAME["under-voltage"].from_text(" 6.4 V ") == 6400
    assert BY_NAME["loss-action"].from_text("hold") == 1
    assert BY_NAME["correction"].from_text("0, -0.25,1") == (0, -25, 100)
    assert BY_NAME["correction"].from_text("none") == BY_NAME["correction"].from_text("") == ()
    assert BY_NAME["neutral"].text(-150) == "-1.50 deg"
    assert BY_NAME["under-voltage"].text(6400) == "6.400 V"
    assert BY_NAME["channel"].text(7) == "7"
    assert BY_NAME["correction"].text((0, -25, 100)) == "0.00, -0.25, 1.00 deg"
    assert BY_NAME["correction"].text(()) == "none"


def test_unknown_name_tells_the_names() -> None:
    assert parameter_named("travel") is BY_NAME["travel"]
    with pytest.raises(InputError, match="there is no parameter 'traval'") as caught:
        parameter_named("traval")
    assert all(name in str(caught.value) for name in BY_NAME)


# --- round trips ------------------------------------------------------------------------------------------------


@each_row
@given(st.data())
def test_round_trips(row: Parameter, data: st.DataObject) -> None:
    """Bytes, JSON and text each lead back to the same raw value."""
    raw: RawValue = data.draw(raw_values(row))
    count = len(raw) if isinstance(raw, tuple) else 1
    encoded = row.encode(raw)
    assert len(encoded) == count * row.size
    assert row.decode(encoded) == raw
    assert row.from_value(json.loads(json.dumps(row.value(raw)))) == raw
    assert row.from_text(row.text(raw)) == raw


@each_single
@given(st.data())
def test_bytes_equal_the_definition(row: Parameter, data: st.DataObject) -> None:
    """The bytes are those that construct makes of the row's own definition."""
    raw = data.draw(raw_values(row))
    assert row.encode(raw) == row.subcon.build(raw)


@each_single
def test_scaled_values(row: Parameter) -> None:
    for raw in (row.low, row.high):
        scaled = row.raw_to_scaled(raw)
        assert scaled * row.counts_per_unit == pytest.approx(raw)
        assert row.scaled_to_raw(scaled) == raw
        half_a_count = 0.4 / row.counts_per_unit
        assert row.scaled_to_raw(scaled + half_a_count) == row.scaled_to_raw(scaled - half_a_count) == raw


@each_choice
def test_choices_by_name(row: Parameter) -> None:
    for name, raw in row.choices.items():
        assert row.from_text(name) == row.from_value(name) == raw
        assert row.text(raw) == row.value(raw) == name
    assert row.range_text() == ", ".join(row.choices)


# --- what is refused --------------------------------------------------------------------------------------------


@each_single
def test_out_of_range_names_the_range(row: Parameter) -> None:
    """One count beyond either end is refused wherever it comes from, and the text tells the range."""
    for raw in (row.low - 1, row.high + 1):
        with pytest.raises(EncodeError) as encoding:
            row.encode(raw)
        assert encoding.value.field == row.name
        scaled = row.raw_to_scaled(raw)
        with pytest.raises(InputError) as value:
            row.from_value(scaled)
        with pytest.raises(InputError) as text:
            row.from_text(f"{scaled} {row.unit}")
        for caught in (encoding, value, text):
            assert row.name in str(caught.value)
            assert row.range_text() in str(caught.value)


@each_single
def test_out_of_range_bytes_are_refused(row: Parameter) -> None:
    least, greatest = integer_range(row.subcon)
    outside = [raw for raw in (row.low - 1, row.high + 1) if least <= raw <= greatest]
    assert outside, "a range as wide as its type would leave nothing to refuse"
    for raw in outside:
        with pytest.raises(EncodeError, match="is outside"):
            row.decode(row.subcon.build(raw))


@each_row
def test_wrong_length_is_refused(row: Parameter) -> None:
    bad = [bytes(row.size * row.points + 1)] if row.points and row.size > 1 else [b"", bytes(row.size + 1)]
    for data in bad:
        with pytest.raises(EncodeError, match="not a whole value"):
            row.decode(data)


NO_NUMBERS = ["nan", "inf", "-inf", "1e99", "-1e99", "1e400", "abc", "0x10", "1 2", "--1", "1,,2", "none at all"]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_text_that_is_no_value(text: str) -> None:
    for row in ROWS:
        with pytest.raises(InputError) as caught:
            row.from_text(text)
        assert str(caught.value).startswith(f"{row.name}: ")


@pytest.mark.parametrize("text", ["", " ", "none", "1, 2", *NO_NUMBERS])
def test_text_that_is_no_single_value(text: str) -> None:
    for row in SINGLE:
        with pytest.raises(InputError) as caught:
            row.from_text(text)
        assert row.range_text() in str(caught.value)


@pytest.mark.parametrize(
    "given_value",
    [None, True, [], [1, 2], {}, "", "abc", math.nan, math.inf, 1e99, 10**400],
    ids=lambda value: f"{value!r:.24}",
)
def test_value_that_is_no_single_value(given_value: object) -> None:
    for row in SINGLE:
        with pytest.raises(InputError) as caught:
            row.from_value(given_value)
        assert row.range_text() in str(caught.value)


@each_table
@pytest.mark.parametrize(
    "given_value",
    [
        None,
        1,
        "none",
        {},
        (0, 0),
        [0],
        [0, None],
        [0, True],
        [0, "0"],
        [0, math.nan],
        [math.inf, 0],
        [0, 10**400],
        [[0, 0]],
        [0] * (MAX_TABLE_POINTS + 1),
    ],
    ids=lambda value: f"{value!r:.24}",
)
def test_value_that_is_no_table(row: Parameter, given_value: object) -> None:
    with pytest.raises(InputError) as caught:
        row.from_value(given_value)
    assert str(caught.value).startswith(f"{row.name}: ")


@each_choice
def test_unknown_choice_tells_the_choices(row: Parameter) -> None:
    for refuse in (row.from_text, row.from_value):
        with pytest.raises(InputError) as caught:
            refuse("sideways")
        assert all(name in str(caught.value) for name in row.choices)


@each_table
def test_number_of_points(row: Parameter) -> None:
    """None, or 2..33: a single point is no line, and 34 do not fit."""
    assert row.points == MAX_TABLE_POINTS == 33
    for count in (0, 2, 33):
        raw = (0,) * count
        assert row.decode(row.encode(raw)) == raw
    for count in (1, 34):
        with pytest.raises(EncodeError, match=f"{count} points"):
            row.encode((0,) * count)
        with pytest.raises(EncodeError, match=f"{count} points"):
            row.decode(bytes(count * row.size))
        with pytest.raises(InputError, match=f"{count} points"):
            row.from_text(", ".join(["0"] * count))


@each_table
def test_points_out_of_range(row: Parameter) -> None:
    for raw in (row.low - 1, row.high + 1):
        with pytest.raises(EncodeError, match="is outside"):
            row.encode((0, raw, 0))


def test_table_and_single_value_are_not_mixed_up() -> None:
    with pytest.raises(EncodeError, match="is a table"):
        BY_NAME["neutral"].encode((0, 0))
    with pytest.raises(EncodeError, match="is not a table"):
        BY_NAME["correction"].encode(0)
