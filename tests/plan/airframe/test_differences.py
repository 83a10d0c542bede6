"""What two records differ in: each kind of difference, told from both sides."""

from __future__ import annotations

import dataclasses

from hypothesis import given
from hypothesis import strategies as st

from busproto.plan.airframe.differences import differences
from busproto.plan.airframe.record import (
    Record,
    Unread,
)
from busproto.wire.frame import UNADDRESSED
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import ANY_SETTINGS, RATING, entry, record

FIRST = record(entry(1, 3, "aileron"), entry(2, 4, "rudder"))


def rows(first: Record, second: Record) -> list[tuple[str, str, str, str]]:
    return [(row.name, row.what, *row.texts) for row in differences(first, second).different]


def test_alike() -> None:
    found = differences(FIRST, dataclasses.replace(FIRST, title="other", made="2031-01-01T00:00:00+00:00"))
    assert found.is_alike
    assert found.different == ()


def test_each_setting_that_differs_is_told_in_its_unit() -> None:
    second = record(entry(1, 3, "aileron", neutral=-150, loss_action=1, correction=(0, 20)), entry(2, 4, "rudder"))
    assert rows(FIRST, second) == [
        ("aileron", "neutral", "0.00 deg", "-1.50 deg"),
        ("aileron", "loss-action", "limp", "hold"),
        ("aileron", "correction", "none", "0.00, 0.20 deg"),
    ]
    neutral = differences(FIRST, second).different[0].as_json()
    assert neutral == {
        "uid": uid_of(1).hex(),
        "other_uid": uid_of(1).hex(),
        "function": "aileron",
        "name": "neutral",
        "first": 0.0,
        "second": -1.5,
    }


def test_a_setting_that_a_record_does_not_name_is_told() -> None:
    settings = {name: raw for name, raw in entry(1).settings.items() if name != "damping"}
    second = record(entry(1, 3, "aileron", settings=settings), entry(2, 4, "rudder"))
    assert rows(FIRST, second) == [("aileron", "damping", "30 %", "not there")]


def test_addresses_model_firmware_rating_and_function() -> None:
    rating = dataclasses.replace(RATING, supply_max_mv=7400)
    second = record(entry(1, 9, "flap", model="bench 40", firmware="1.9", rating=rating), entry(2, 4, "rudder"))
    assert rows(FIRST, second) == [
        ("aileron", "address", "3", "9"),
        ("aileron", "model", "bench 25", "bench 40"),
        ("aileron", "firmware", "2.4", "1.9"),
        (
            "aileron",
            "rating",
            "4.8..8.4 V, 2.5 N m at 3.2 A, 375 deg/s, 200 deg",
            "4.8..7.4 V, 2.5 N m at 3.2 A, 375 deg/s, 200 deg",
        ),
        ("aileron", "function", "aileron", "flap"),
    ]


def test_a_function_that_only_one_knows_is_no_difference() -> None:
    assert differences(FIRST, record(entry(1, 3), entry(2, 4))).is_alike
    assert differences(record(entry(1, 3), entry(2, 4)), FIRST).is_alike


def test_one_that_stands_in_one_record_only() -> None:
    second = record(entry(1, 3, "aileron"), entry(5, 50, "flap"))
    found = differences(FIRST, second)
    assert [one.uid for one in found.only_first] == [uid_of(2)]
    assert [one.uid for one in found.only_second] == [uid_of(5)]
    assert found.exchanged == ()
    assert not found.is_alike


def test_one_in_the_place_of_another_is_held_against_it() -> None:
    second = record(entry(1, 3, "aileron"), entry(5, 4, "rudder", travel=9000))
    found = differences(FIRST, second)
    assert [(old.uid, new.uid) for old, new in found.exchanged] == [(uid_of(2), uid_of(5))]
    assert rows(FIRST, second) == [("rudder", "travel", "120.00 deg", "90.00 deg")]
    without_functions = record(entry(1, 3), entry(5, 4))
    assert len(differences(FIRST, without_functions).exchanged) == 1
    assert not differences(FIRST, without_functions).is_alike


def test_those_not_read() -> None:
    lone, shared = Unread(uid_of(8), UNADDRESSED, "no address"), Unread(uid_of(9), 7, "shares")
    first, second = dataclasses.replace(FIRST, unread=(lone, shared)), dataclasses.replace(FIRST, unread=(shared,))
    found = differences(first, second)
    assert found.unread == ((lone,), ())
    assert not found.is_alike
    assert differences(first, dataclasses.replace(first, title="other")).is_alike


@given(ANY_SETTINGS, ANY_SETTINGS, st.integers(1, 2))
def test_both_ways_tell_the_same_and_agree_with_the_fingerprint(
    one: dict[str, int], other: dict[str, int], address: int
) -> None:
    first, second = record(entry(1, 1, settings=one)), record(entry(1, address, settings=other))
    there, back = differences(first, second), differences(second, first)
    assert {(row.what, row.first, row.second) for row in there.different} == {
        (row.what, row.second, row.first) for row in back.different
    }
    assert there.is_alike == back.is_alike == (first.fingerprint == second.fingerprint)
    assert {row.what for row in there.different} - {"address"} == {name for name in one if one[name] != other[name]}
