"""The choice of travel and arm: E9 of the outside values, and the trade's rule as properties."""

from __future__ import annotations

import itertools
import math
import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import choice
from busproto.rig.choice import Wish, compare_travels, demand_step_deg, sensor_step_deg
from busproto.rig.linkage import Linkage


def wish(**changes: object) -> Wish:
    """A surface of 25 deg to each side, its moment growing with the angle."""
    usual: dict[str, object] = {
        "plus_deg": 25.0,
        "minus_deg": 25.0,
        "horn_mm": 20.0,
        "base_mm": 60.0,
        "stall_nm": 2.5,
        "hinge_nm": lambda surface_deg: 0.05 * surface_deg,
        "dead_band_deg": 0.1,
        "sensor_deg": 0.05,
    }
    return Wish(**{**usual, **changes})  # type: ignore[arg-type]


wishes = st.builds(
    wish,
    plus_deg=st.floats(5.0, 45.0),
    minus_deg=st.floats(5.0, 45.0),
    horn_mm=st.floats(10.0, 40.0),
    base_mm=st.floats(60.0, 400.0),
    opposite_sides=st.booleans(),
)


@pytest.mark.parametrize(("travel_deg", "step_deg"), [(120.0, 0.0292969), (150.0, 0.0366211), (180.0, 0.0439453)])
def test_e9_resolution_of_a_12_bit_sensor(travel_deg: float, step_deg: float) -> None:
    """Recomputed; over 4096 steps, or over 4095 where both ends are counted: data sheets mean either."""
    assert sensor_step_deg(travel_deg, 12) == pytest.approx(step_deg, rel=2e-6)
    assert sensor_step_deg(120.0, 12, ends_included=True) == pytest.approx(0.0293040, rel=2e-6)


@pytest.mark.parametrize("actuator_deg", [0.0, 30.0, -30.0])
def test_e9_at_the_surface_it_is_the_local_ratio_times_that(actuator_deg: float) -> None:
    linkage = Linkage.normal_case(10.0, 15.0, 50.0)
    step_deg = sensor_step_deg(120.0, 12)
    moved_deg = linkage.surface_deg(actuator_deg + step_deg / 2) - linkage.surface_deg(actuator_deg - step_deg / 2)
    assert moved_deg == pytest.approx(step_deg * linkage.ratio(actuator_deg), rel=1e-6)


def test_one_step_of_the_demand() -> None:
    """0.01 % of half a travel, as the bus carries it."""
    assert demand_step_deg(120.0) == pytest.approx(0.006)


@given(wishes)
def test_a_longer_sweep_takes_a_shorter_arm_and_loads_and_centres_better(one: Wish) -> None:
    """The trade's rule (common practice, no source), with what it does not promise: the step of the demand."""
    found = compare_travels(one, (90.0, 120.0, 150.0)).candidates
    good = [each for each in found if each.judged is not None and not each.refused]
    assume(len(good) > 1)
    for shorter, longer in itertools.pairwise(good):
        assert shorter.needed_mm is not None
        assert longer.needed_mm is not None
        assert longer.needed_mm < shorter.needed_mm
        assert shorter.judged is not None
        assert longer.judged is not None
        assert longer.judged.band_at_neutral_deg < shorter.judged.band_at_neutral_deg
        assert longer.judged.worst_nm < shorter.judged.worst_nm
        assert longer.judged.margin > shorter.judged.margin
        assert longer.judged.smallest_following < shorter.judged.smallest_following
        assert longer.judged.step_at_neutral_deg > shorter.judged.step_at_neutral_deg


@given(wishes, st.sampled_from([100.0, 120.0, 150.0]))
def test_the_arm_is_the_shortest_that_reaches_the_throw(one: Wish, travel_deg: float) -> None:
    (found,) = compare_travels(one, (travel_deg,)).candidates
    assume(not found.refused)
    assert found.judged is not None
    assert found.needed_mm is not None
    assert found.judged.throw.plus_deg == pytest.approx(one.plus_deg, abs=1e-5)
    assert -found.judged.throw.minus_deg == pytest.approx(one.minus_deg, abs=1e-5)
    assert max(-found.judged.end_low_deg, found.judged.end_high_deg) == pytest.approx(travel_deg / 2, abs=0.01)
    shorter = Linkage.normal_case(found.needed_mm * 0.999, one.horn_mm, one.base_mm, opposite_sides=one.opposite_sides)
    reached = choice.full_throw(shorter, travel_deg)
    assert reached is not None
    assert reached.plus_deg < one.plus_deg or -reached.minus_deg < one.minus_deg


@given(wishes)
def test_nothing_is_taken_that_the_limits_refuse(one: Wish) -> None:
    found = compare_travels(one)
    for each in found.candidates:
        if each.judged is not None and not each.refused:
            assert each.judged.smallest_transmission_deg >= 40.0
            assert each.judged.smallest_following >= 0.1
    if found.recommended is not None:
        assert not found.recommended.refused
        assert found.recommended in found.candidates


@given(wishes, st.sampled_from([120.0, 150.0]))
def test_the_worst_torque_is_the_worst(one: Wish, travel_deg: float) -> None:
    (found,) = compare_travels(one, (travel_deg,)).candidates
    assume(found.judged is not None)
    assert found.judged is not None
    assert found.linkage is not None
    low_deg, high_deg = found.judged.end_low_deg, found.judged.end_high_deg
    sampled = [
        abs(one.hinge_nm(found.linkage.surface_deg(at)) * found.linkage.ratio(at))
        for at in (low_deg + (high_deg - low_deg) * step / 1000 for step in range(1001))
    ]
    assert found.judged.worst_nm >= max(sampled) - 1e-9
    assert found.judged.worst_nm == pytest.approx(max(sampled), rel=1e-4)
    at_worst = found.judged.worst_at_deg
    moment_nm = one.hinge_nm(found.linkage.surface_deg(at_worst))
    assert abs(found.linkage.actuator_torque_nm(moment_nm, at_worst)) == pytest.approx(found.judged.worst_nm)


def test_the_whole_table_of_one_surface() -> None:
    found = compare_travels(wish())
    rows = [
        (one.travel_deg, round(one.needed_mm or 0, 2), round(one.judged.worst_nm, 2), round(one.judged.margin, 1))
        for one in found.candidates
        if one.judged is not None
    ]
    assert rows == [(120.0, 9.85, 0.39, 6.4), (150.0, 8.95, 0.32, 7.9), (180.0, 8.81, 0.31, 8.2)]
    assert found.candidates[2].refused == (
        "between -84.1 and 70.7 deg of the arm there is a place where the surface hardly follows (0% of what it does "
        "at neutral)"
    )
    assert found.recommended is found.candidates[1]
    assert found.reason == (
        "150 deg on an arm of 8.9 mm against 120 deg on 9.9 mm: dead band at the surface 0.067 deg, not 0.074 deg; "
        "torque 0.32 N m, not 0.39 N m; margin 7.88, not 6.39"
    )


def test_the_next_longer_hole_is_taken() -> None:
    found = compare_travels(wish(holes_mm=(14.0, 8.0, 10.0)))
    assert [one.arm_mm for one in found.candidates] == [10.0, 10.0, 10.0]
    judged = found.candidates[0].judged
    assert judged is not None
    assert judged.throw.plus_deg == pytest.approx(25.0)  # the end limits keep the wanted throw
    assert judged.end_high_deg < 60.0
    short = compare_travels(wish(holes_mm=(5.0, 8.0)))
    assert short.recommended is None
    assert "the arm needs a hole at 9.85 mm or more; the longest is 8 mm" in short.candidates[0].refused


def test_too_flat_a_rod_is_refused() -> None:
    """Transmission angle below 40 deg: common practice, no source."""
    found = compare_travels(wish(plus_deg=55.0, minus_deg=55.0), (120.0,))
    assert "the transmission angle falls to 3" in found.candidates[0].refused
    assert found.recommended is None
    assert found.reason.startswith("none can be taken: 120 deg: the transmission angle")


def test_a_throw_that_needs_the_dead_point_is_refused() -> None:
    found = compare_travels(wish(plus_deg=80.0, minus_deg=80.0), (60.0, 90.0, 120.0, 180.0))
    assert found.recommended is None
    assert all(one.refused for one in found.candidates)


def test_a_dead_point_in_the_travel_is_refused_even_where_it_is_not_used() -> None:
    found = compare_travels(wish(plus_deg=45.0, minus_deg=5.0, opposite_sides=True), (150.0,)).candidates[0]
    assert found.full_throw is None
    assert found.judged is not None
    assert found.judged.smallest_transmission_deg > 20.0
    assert "within the travel rod and horn come to stand in line (dead point): the arm gets from" in found.refused


def test_without_enough_margin_the_best_is_told_as_not_enough() -> None:
    found = compare_travels(wish(stall_nm=0.4))
    assert found.recommended is not None
    assert found.recommended.travel_deg == 150.0
    assert found.reason.startswith("no travel has the wanted margin of 1.5; 150 deg has the most, 1.26")


def test_an_actuator_that_turns_less_is_asked_for_less() -> None:
    found = compare_travels(wish(most_travel_deg=140.0))
    assert [bool(one.refused) for one in found.candidates] == [False, True, True]
    assert found.candidates[1].refused == "the actuator turns 140 deg only"
    assert found.reason.endswith("the only one that can be taken; margin 6.39")


def test_a_flap_goes_to_one_side_only() -> None:
    found = compare_travels(wish(minus_deg=0.0), (120.0,))
    judged = found.candidates[0].judged
    assert judged is not None
    assert judged.throw.minus_deg == 0.0
    assert judged.throw.plus_deg == pytest.approx(25.0)


def test_no_moment_needs_no_torque() -> None:
    found = compare_travels(wish(hinge_nm=lambda _: 0.0), (120.0, 150.0))
    assert found.recommended is not None
    assert "margin without limit" in found.reason


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: wish(plus_deg=90.0), "the wanted throw to plus is 90 deg; 0 to 80 deg is allowed"),
        (lambda: wish(plus_deg=0.0, minus_deg=0.0), "the wanted throw is 0 deg"),
        (lambda: wish(holes_mm=(10.0, -1.0)), "a hole of the arm is -1 mm"),
        (lambda: compare_travels(wish(), ()), "at least one travel is wanted"),
        (lambda: compare_travels(wish(), (200.0,)), "the travel is 200 deg; 0 to 180 deg is allowed"),
        (lambda: compare_travels(wish(hinge_nm=lambda _: math.nan)), "the hinge moment is nan N m"),
        (lambda: sensor_step_deg(120.0, 0), "a sensor has 1 to 24 bits here, not 0"),
        (lambda: demand_step_deg(0.0), "the travel is 0 deg"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()
