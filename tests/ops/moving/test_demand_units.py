"""A demand in the units people use.

Pulse widths: 1500 us is the centre, 1000 and 2000 us the ends (common practice, no source). What angles they stand for
is held against another library in the tests of the command line.
"""

from __future__ import annotations

import numpy
import pytest
import scipy.interpolate
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.ops.moving.demand_units import (
    check_target,
    correction_deg,
    degrees_to_fraction,
    fraction_to_degrees,
    fraction_to_pulse_us,
    parse_target,
    pulse_us_to_fraction,
    standing_deg,
)
from busproto.wire.parameters import BY_NAME, FACTORY, RawValue, disagreement


def settings(travel_deg: float = 120.0, neutral_deg: float = 0.0, *, is_reversed: bool = False) -> dict[str, RawValue]:
    return {
        **FACTORY,
        "travel": round(travel_deg * 100),
        "neutral": round(neutral_deg * 100),
        "direction": int(is_reversed),
    }


@pytest.mark.parametrize(("fraction", "pulse_us"), [(-1.0, 1000.0), (0.0, 1500.0), (1.0, 2000.0), (0.4, 1700.0)])
def test_pulse_width(fraction: float, pulse_us: float) -> None:
    assert fraction_to_pulse_us(fraction) == pulse_us
    assert pulse_us_to_fraction(pulse_us) == pytest.approx(fraction)


def test_direction_and_neutral() -> None:
    assert fraction_to_degrees(0.5, settings(120, 1.5)) == 31.5
    assert fraction_to_degrees(0.5, settings(120, 1.5, is_reversed=True)) == -28.5
    assert degrees_to_fraction(-28.5, settings(120, 1.5, is_reversed=True)) == 0.5


@given(
    st.integers(int(BY_NAME["travel"].low), int(BY_NAME["travel"].high)),
    st.integers(int(BY_NAME["neutral"].low), int(BY_NAME["neutral"].high)),
    st.booleans(),
    st.floats(-1, 1),
)
def test_degrees_there_and_back(travel: int, neutral: int, is_reversed: bool, fraction: float) -> None:
    here = {**settings(is_reversed=is_reversed), "travel": travel, "neutral": neutral}
    assert degrees_to_fraction(fraction_to_degrees(fraction, here), here) == pytest.approx(fraction, abs=1e-9)


@given(
    st.lists(st.integers(-300, 300), min_size=2, max_size=9).map(tuple),
    st.booleans(),
    st.floats(-1, 1),
)
def test_a_correction_table_counts_there_and_back(table: tuple[int, ...], is_reversed: bool, fraction: float) -> None:
    here = {**settings(180, 2.5, is_reversed=is_reversed), "correction": table}
    angle_deg = fraction_to_degrees(fraction, here)
    # numpy.interp goes straight between evenly spread points as the format page says it
    added_deg = numpy.interp(fraction, numpy.linspace(-1, 1, len(table)), numpy.asarray(table) / 100)
    assert angle_deg == pytest.approx(2.5 + (-1 if is_reversed else 1) * 90 * fraction + added_deg, abs=1e-9)
    assert degrees_to_fraction(angle_deg, here) == pytest.approx(fraction, abs=1e-9)
    for beyond in (1.2, -1.2):  # in a straight line from the end of the table
        there = fraction_to_degrees(beyond, here)
        assert degrees_to_fraction(there, here) == pytest.approx(beyond, abs=1e-9)


@pytest.mark.parametrize(
    ("count", "left_deg", "bound_deg"),
    [(5, 0.140755, 0.154213), (9, 0.0376926, 0.0385531), (17, 0.00958420, 0.00963829)],
)
def test_what_a_table_of_straight_lines_leaves_of_a_curve(count: int, left_deg: float, bound_deg: float) -> None:
    """2 sin(2x) deg over +-45 deg; recomputed. Bound h^2 / 8 max e'': de Boor, Guide to Splines, from memory."""
    fine = 1e6  # so that what a stored count rounds away does not count here
    points = numpy.linspace(-45, 45, count)
    table = tuple(round(200 * fine * numpy.sin(numpy.radians(2 * point))) for point in points)
    places = numpy.linspace(-45, 45, 9001)
    added = numpy.array([correction_deg(float(place) / 45, table) / fine for place in places])
    left = numpy.abs(2 * numpy.sin(numpy.radians(2 * places)) - added).max()
    assert left == pytest.approx(left_deg, abs=1e-5)
    step_deg = points[1] - points[0]
    assert left <= step_deg**2 / 8 * 8 * numpy.radians(1) ** 2 == pytest.approx(bound_deg, abs=1e-5)


def test_a_table_never_goes_to_the_wrong_side_between_its_points_as_a_spline_would() -> None:
    """Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980), from memory: a cubic spline overshoots, theirs does not."""
    points, values = [0.0, 1.0, 2.0, 3.0], [0.0, 0.0, 1.0, 1.0]
    table = tuple(round(100 * value) for value in values)
    middles = [0.5, 1.5, 2.5]
    ours = [correction_deg(2 * at / 3 - 1, table) for at in middles]
    assert ours == pytest.approx([0.0, 0.5, 1.0], abs=1e-12)
    assert ours == pytest.approx(list(scipy.interpolate.PchipInterpolator(points, values)(middles)), abs=1e-12)
    spline = scipy.interpolate.CubicSpline(points, values)
    assert float(spline(0.5)) == pytest.approx(-0.25, abs=1e-12)
    # the spline's points, as a steep table: there a rising demand would turn the arm back
    steep = tuple(round(-400 * float(spline(at))) for at in (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0))
    assert "more demand would move the arm back" in disagreement({"travel": 1000, "correction": steep})
    assert disagreement({"travel": 1000, "correction": tuple(round(-400 * value / 3) for value in values)}) == ""


@pytest.mark.parametrize(
    ("fraction", "mechanical", "deg"),
    [
        (0.0, None, 1.0),
        (0.5, None, 33.25),
        (1.0, None, 40.0),
        (-1.0, None, -45.0),
        (1.0, 7000, 35.0),
        (-1.0, 7001, -35.005),
    ],
)
def test_where_the_arm_should_stand(fraction: float, mechanical: int | None, deg: float) -> None:
    """Neutral 1.5, travel 120, a table of -1, -0.5, 4: 1.5 + 60 d + c(d), within ends and stops; calculated by hand."""
    here = {**settings(120, 1.5), "correction": (-100, -50, 400), "end-low": -4500, "end-high": 4000}
    assert standing_deg(fraction, here, mechanical) == pytest.approx(deg)


@pytest.mark.parametrize(
    ("text", "fraction"),
    [
        ("centre", 0.0),
        (" Centre ", 0.0),
        ("40%", 0.4),
        ("-100%", -1.0),
        ("100 %", 1.0),
        ("12deg", 0.2),
        ("-60deg", -1.0),
        ("1700us", 0.4),
        ("1000 US", -1.0),
        ("0%", 0.0),
        ("33.333%", 0.3333),
    ],
)
def test_parse_target(text: str, fraction: float) -> None:
    assert parse_target(text, settings(120)) == pytest.approx(fraction)


def test_a_target_in_degrees_counts_from_the_actuators_own_zero() -> None:
    assert parse_target("31.5deg", settings(120, 1.5)) == pytest.approx(0.5)
    assert parse_target("31.5deg", settings(120, 1.5, is_reversed=True)) == pytest.approx(-0.5)


@pytest.mark.parametrize("text", ["", "40", "limp", "%", "deg", "12 rad", "4x%", "1e", "nan%", "inf%"])
def test_a_target_that_is_none(text: str) -> None:
    with pytest.raises(InputError, match="wanted is centre, limp"):
        parse_target(text, settings())


@pytest.mark.parametrize("text", ["100.1%", "-101%", "62deg", "-59deg", "999us", "2001us"])
def test_a_target_outside_the_travel_is_told_what_is_allowed(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_target(text, settings(120, 1.5))
    for allowed in ("-100%..100%", "-58.50deg..61.50deg", "1000us..2000us"):
        assert allowed in str(caught.value)


@pytest.mark.parametrize("text", ["100.1%", "-101 %", "2000.5us", "999us"])
def test_a_target_outside_any_travel_is_refused_before_anything_is_sent(text: str) -> None:
    with pytest.raises(InputError, match="outside the travel"):
        check_target(text)


@pytest.mark.parametrize("text", ["100%", "-100 %", "2000us", "1000 us", "centre", "175deg"])
def test_a_target_that_some_travel_may_hold_is_left_to_the_actuator(text: str) -> None:
    check_target(text)
