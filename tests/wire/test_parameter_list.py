"""The list that an actuator gives of its parameters: which rows are the table's, which are its own, which cannot be."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.wire.messages import ParameterDescription
from busproto.wire.parameter_list import STANDARD, ParameterList, is_plain, list_of, scale_of
from busproto.wire.parameters import BY_NAME, PARAMETERS, Parameter

NOTCH = ParameterDescription(number=40, size=2, points=0, low=0, high=5000, default=350, name="notch", unit="0.1 Hz")


def described(row: Parameter) -> ParameterDescription:
    return ParameterDescription(
        number=row.number,
        size=row.size,
        points=row.points,
        low=row.low,
        high=row.high,
        default=row.default if isinstance(row.default, int) else 0,
        name=row.name,
        unit=row.count_unit,
    )


TABLE = [described(row) for row in PARAMETERS.values()]


def of(*own: ParameterDescription, without: Iterable[str] = ()) -> ParameterList:
    return list_of([*(one for one in TABLE if one.name not in without), *own])


def test_an_actuator_that_has_the_table_has_the_standard_list() -> None:
    assert of() == STANDARD
    assert dict(of().rows) == dict(BY_NAME)


def test_what_is_not_there_and_what_is_more() -> None:
    found = of(NOTCH, without={"stiffness", "damping"})
    assert found.lacks == ("stiffness", "damping")
    assert found.own == ("notch",)
    row = found.rows["notch"]
    assert (row.number, row.unit, row.range_text()) == (40, "Hz", "0.0..500.0 Hz")
    assert row.text(row.from_text("41.5 Hz")) == "41.5 Hz"
    assert row.encode(row.from_value(41.5)) == bytes([159, 1])
    assert row.moves  # whether it moves the arm is not known, so it may
    with pytest.raises(InputError, match=r"there is no parameter 'stiffness'; there are: channel, .*, notch"):
        found.named("stiffness")


def test_limits_may_be_narrower_than_the_table_and_never_wider() -> None:
    narrow, wide = (
        replace(described(BY_NAME["travel"]), low=low, high=high) for low, high in ((2000, 9000), (0, 65_000))
    )
    for given_row, limits in ((narrow, (2000, 9000)), (wide, (1000, 18_000))):
        row = list_of([given_row]).rows["travel"]
        assert (row.low, row.high, row.moves) == (*limits, True)
    with pytest.raises(InputError, match=r"row 0, 'travel': limits 20000\.\.30000 leave nothing of the format's 1000"):
        list_of([replace(narrow, low=20_000, high=30_000)])


@pytest.mark.parametrize(
    "other",
    [
        {"name": "gain"},
        {"unit": "1 deg"},
        {"size": 2},
        {"points": 5},
    ],
)
def test_a_number_of_the_table_that_means_something_else_is_one_of_its_own(other: dict[str, object]) -> None:
    row = replace(described(BY_NAME["stiffness"]), **other)  # type: ignore[arg-type]
    found = of(row, without={"stiffness"})
    assert found.lacks == ("stiffness",)
    assert found.own == ("gain" if "name" in other else "stiffness#12",)


def test_names_that_collide_or_are_none_get_their_number() -> None:
    names = {
        40: "stiffness",
        41: "notch",
        42: "notch",
        43: "",
        44: "a=b",
        45: "notch#41",
        46: " x",
        47: "[red]x",
        48: "-x",
    }
    found = of(*(replace(NOTCH, number=number, name=name) for number, name in names.items()))
    assert found.own == (
        "stiffness#40", "notch#41", "notch#42", "parameter#43", "parameter#44", "parameter#45", "parameter#46",
        "parameter#47", "parameter#48",
    )  # fmt: skip
    assert found.rows["stiffness"] == BY_NAME["stiffness"]


@given(st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20), max_size=30))
def test_whatever_they_are_called_each_has_a_name_of_its_own(names: list[str]) -> None:
    found = of(*(replace(NOTCH, number=40 + at, name=name) for at, name in enumerate(names)))
    assert len(found.rows) == len(BY_NAME) + len(names)
    assert [row.number for row in found.own_rows.values()] == list(range(40, 40 + len(names)))
    assert all(found.rows[name] == BY_NAME[name] for name in BY_NAME)
    assert all(is_plain(name.partition("#")[0]) for name in found.own)


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"number": 0}, r"number 0 is outside 1\.\.255"),
        ({"number": 12}, r"number 12 is that of 'stiffness' already"),
        ({"size": 3}, r"a value of 3 bytes; 1, 2 or 4 are allowed"),
        ({"size": 0}, r"a value of 0 bytes"),
        ({"low": 7, "high": 3}, r"limits 7\.\.3 are none for a value of 2 bytes"),
        ({"high": 70_000}, r"limits 0\.\.70000 are none for a value of 2 bytes"),
        ({"low": -1, "high": 40_000}, r"limits -1\.\.40000 are none for a value of 2 bytes"),
        ({"default": 6000}, r"its factory value 6000 is outside its limits 0\.\.5000"),
        ({"points": 1}, r"a table of 1 points; 2\.\.33 are allowed"),
        ({"points": 34}, r"a table of 34 points; 2\.\.33 are allowed"),
        ({"unit": "0 Hz"}, r"a count of '0 Hz': 1e-6\.\.1e6 units are allowed"),
        ({"unit": "9999999 V"}, r"a count of '9999999 V'"),
        ({"unit": "1e-9 V"}, r"'1e-9 V' is no unit of a count"),
        ({"unit": "-1 V"}, r"'-1 V' is no unit of a count"),
    ],
)
def test_what_the_format_cannot_carry_is_refused_in_one_line(changed: dict[str, object], why: str) -> None:
    with pytest.raises(InputError, match=rf"^row 22, 'notch': {why}") as caught:
        of(replace(NOTCH, **changed))  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("count_unit", "scale"),
    [
        ("", (1, 1, "")),
        ("rpm", (1, 1, "rpm")),
        ("1 ms", (1, 1, "ms")),
        ("0.01 deg", (100, 1, "deg")),
        ("20 mA", (1, 20, "mA")),
        ("2.5 V", (2, 5, "V")),
        ("0.125 A", (8, 1, "A")),
    ],
)
def test_what_a_count_is(count_unit: str, scale: tuple[int, int, str]) -> None:
    assert scale_of(count_unit) == scale


def test_counts_that_are_no_part_of_a_unit_are_read_set_and_printed() -> None:
    row = of(replace(NOTCH, unit="20 mA", high=200, default=0)).rows["notch"]
    assert (row.text(3), row.value(3), row.from_text("60 mA"), row.range_text()) == ("60 mA", 60, 3, "0..4000 mA")
    with pytest.raises(InputError, match="notch: 50 is finer than its step of 20 mA"):
        row.from_value(50)
    eighth = of(replace(NOTCH, unit="0.125 A", high=200, default=0)).rows["notch"]
    assert (eighth.text(3), eighth.from_text("0.375")) == ("0.375 A", 3)
