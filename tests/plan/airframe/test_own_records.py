"""Records of actuators with parameters of their own: there and back, fingerprints, differences, and files that lie."""

from __future__ import annotations

import dataclasses
import json
from typing import Any, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busproto.errors import FileError
from busproto.plan.airframe.differences import differences
from busproto.plan.airframe.record import Entry, goals_of
from busproto.plan.airframe.record_file import parse_record, record_text
from busproto.wire.parameter_list import STANDARD, list_of_rows, own_row
from busproto.wire.parameters import PARAMETERS, Parameter, RawValue
from tests.plan.airframe.test_record import entry, record

NOTCH: Final = own_row(number=40, name="notch", size=2, points=0, count_unit="0.1 Hz", low=0, high=900, default=35)


def with_own(raw: RawValue = 415, row: Parameter = NOTCH, **changes: Any) -> Entry:
    one = entry(1, 3, "aileron", **changes)
    settings = {name: value for name, value in one.settings.items() if name != "stiffness"}
    return dataclasses.replace(one, settings={**settings, row.name: raw}, own={row.name: row})


BASE: Final = record(with_own())


@st.composite
def own_rows(draw: st.DrawFn) -> tuple[Parameter, RawValue]:
    size = draw(st.sampled_from([1, 2, 4]))
    least, most = (-(1 << 8 * size - 1), (1 << 8 * size - 1) - 1)
    low, value, high = sorted(draw(st.lists(st.integers(least, most), min_size=3, max_size=3)))
    points = draw(st.sampled_from([0, 0, 9]))
    unit = draw(st.sampled_from(["", "rpm", "0.01 deg", "20 mA", "2.5 V", "0.125 A"]))
    number = draw(st.integers(1, 255))
    limits = {"low": low, "high": high, "default": low}
    row = own_row(number=number, name="its own", size=size, points=points, count_unit=unit, **limits)
    return row, ((value,) * 3 if points else value)


def wide_row() -> tuple[Parameter, RawValue]:
    """A parameter whose value is greater than any of the table's."""
    most = (1 << 31) - 1
    row = own_row(number=1, name="its own", size=4, points=0, count_unit="20 mA", low=-most, high=most, default=0)
    return row, most


@example(wide_row())
@given(own_rows())
def test_there_and_back(given_row: tuple[Parameter, RawValue]) -> None:
    row, raw = given_row
    made = record(with_own(raw, row))
    again = parse_record(record_text(made), "x.record.json")
    assert again.edited == ()
    assert again.entries[0].settings == made.entries[0].settings
    back = again.entries[0].own["its own"]
    assert dataclasses.replace(back, default=row.default) == row
    assert differences(made, again).is_alike


def test_a_record_of_those_that_have_the_table_says_nothing_of_lists() -> None:
    assert "own-parameters" not in record_text(record(entry(1, 3, "aileron")))


def test_its_own_counts_and_is_told() -> None:
    other = record(with_own(416))
    assert other.fingerprint != BASE.fingerprint
    [row] = differences(BASE, other).different
    assert (row.what, row.texts) == ("notch", ("41.5 Hz", "41.6 Hz"))
    plain = record(entry(1, 3, "aileron"))
    rows = {one.what: one.texts for one in differences(BASE, plain).different}
    assert rows == {"stiffness": ("not there", "60 %"), "notch": ("41.5 Hz", "not there")}
    scaled = dataclasses.replace(NOTCH, counts_per_unit=1)
    [row] = differences(BASE, record(with_own(415, scaled))).different
    assert row.texts == ("41.5 Hz", "415 Hz")


def test_what_is_wanted_again_suits_another_scale_and_is_left_out_where_it_does_not() -> None:
    [goal] = goals_of(BASE)
    finer = dataclasses.replace(NOTCH, counts_per_unit=100, high=9000)
    in_volts = dataclasses.replace(NOTCH, unit="V")
    narrow = dataclasses.replace(NOTCH, high=400)
    table = PARAMETERS.values()
    assert goal.fitted(list_of_rows([*table, finer])).settings["notch"] == 4150
    assert goal.fitted(list_of_rows([*table, in_volts])).texts == ["notch: it is in V now, 41.5 Hz is wanted"]
    assert goal.fitted(list_of_rows([*table, narrow])).texts == ["notch: 41.5 Hz is outside 0.0..40.0 Hz"]
    assert goal.fitted(STANDARD).texts == ["it has no parameter 'notch'"]
    assert goal.why_not(STANDARD) == ""  # a record is brought back as far as it goes
    assert "it has no parameter 'notch'" in dataclasses.replace(goal, may_lack=False).why_not(STANDARD)


def changed(change: dict[str, Any]) -> str:
    body = json.loads(record_text(BASE))
    body["actuators"][0]["own-parameters"]["notch"].update(change)
    return json.dumps(body)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"bytes": 3}, "own parameter 'notch': a value of 3 bytes"),
        ({"low": 9, "high": 3}, "own parameter 'notch': limits 9..3 are none"),
        ({"count-unit": "0 Hz"}, "own parameter 'notch': a count of '0 Hz'"),
        ({"count-unit": "\x1b[2J"}, "is no unit of a count: it holds control characters"),
        ({"number": 300}, "own parameter 'notch': number 300 is outside 1..255"),
        ({"points": 99}, "own parameter 'notch': a table of 99 points"),
        ({"high": 400}, "notch: 41.5 Hz is outside 0.0..40.0 Hz"),
        ({"high": "much"}, "not a record of this program's"),
    ],
)
def test_a_file_that_lies_is_refused_with_its_place(change: dict[str, Any], why: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_record(changed(change), "x.record.json")
    assert why in str(caught.value)
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize("name", ["travel", "a=b", "", " x", "\x1b[2J", "x#\x1b[2J", "x#41"])
def test_a_name_that_cannot_be_is_refused(name: str) -> None:
    text = record_text(BASE).replace('"notch"', json.dumps(name))
    with pytest.raises(FileError):
        parse_record(text, "x.record.json")


def test_a_description_without_a_value_is_refused() -> None:
    body = json.loads(record_text(BASE))
    del body["actuators"][0]["settings"]["notch"]
    with pytest.raises(FileError, match="own parameter 'notch': no value among the settings"):
        parse_record(json.dumps(body), "x.record.json")


def test_an_unknown_name_without_a_description_is_refused() -> None:
    body = json.loads(record_text(BASE))
    del body["actuators"][0]["own-parameters"]
    with pytest.raises(FileError, match="there is no parameter 'notch'"):
        parse_record(json.dumps(body), "x.record.json")
