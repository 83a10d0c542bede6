"""The choice of arm, horn and travel: sensors, the trade's rule as properties, and a brute force."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig.checks import greatest
from busproto.rig.choice import candidate_of, choose, full_throw, shortest_arm_mm
from busproto.rig.judged import Candidate, Room, Wish, demand_step_deg, judge, sensor_step_deg, used_ends_deg
from busproto.rig.linkage import Linkage
from tests.rig.outside import library


def wish(**changes: object) -> Wish:
    """A surface of 25 deg to each side, its moment growing with the angle; the arm may go 75 deg to each side."""
    usual: dict[str, object] = {
        "plus_deg": 25.0,
        "minus_deg": 25.0,
        "horns_mm": (20.0,),
        "base_mm": 60.0,
        "stall_nm": 2.5,
        "hinge_nm": lambda surface_deg: 0.05 * surface_deg,
        "room": Room(75.0, 75.0),
        "dead_band_deg": 0.1,
        "sensor_deg": 0.05,
    }
    return Wish(**{**usual, **changes})  # type: ignore[arg-type]


wishes = st.builds(
    wish,
    plus_deg=st.floats(5.0, 45.0),
    minus_deg=st.floats(5.0, 45.0),
    horns_mm=st.tuples(st.floats(10.0, 40.0)),
    base_mm=st.floats(60.0, 400.0),
    opposite_sides=st.booleans(),
)


@pytest.mark.parametrize(("travel_deg", "step_deg"), [(120.0, 0.0292969), (150.0, 0.0366211), (180.0, 0.0439453)])
def test_resolution_of_a_12_bit_sensor(travel_deg: float, step_deg: float) -> None:
    """Recomputed; over 4096 steps, or over 4095 where both ends are counted: data sheets mean either."""
    assert sensor_step_deg(travel_deg, 12) == pytest.approx(step_deg, rel=2e-6)
    assert sensor_step_deg(120.0, 12, ends_included=True) == pytest.approx(0.0293040, rel=2e-6)


@pytest.mark.parametrize("actuator_deg", [0.0, 30.0, -30.0])
def test_at_the_surface_it_is_the_local_ratio_times_that(actuator_deg: float) -> None:
    linkage = Linkage.normal_case(10.0, 15.0, 50.0)
    step_deg = sensor_step_deg(120.0, 12)
    moved_deg = linkage.surface_deg(actuator_deg + step_deg / 2) - linkage.surface_deg(actuator_deg - step_deg / 2)
    assert moved_deg == pytest.approx(step_deg * linkage.ratio(actuator_deg), rel=1e-6)


def test_one_step_of_the_demand() -> None:
    """0.01 % of half a travel, as the bus carries it."""
    assert demand_step_deg(120.0) == pytest.approx(0.006)


def arm(one: Wish, arm_mm: float) -> Candidate:
    return candidate_of(one, arm_mm, one.horns_mm[0])


@settings(max_examples=15)
@given(wishes, st.floats(1.05, 1.5))
def test_a_longer_sweep_takes_a_shorter_arm_and_loads_and_centres_better(one: Wish, longer_arm: float) -> None:
    """The trade's rule (common practice, no source), with what it does not promise: the step of the demand."""
    found = choose(one).recommended
    assume(found is not None)
    assert found is not None
    other = arm(one, found.arm_mm * longer_arm)
    assume(not other.refused)
    assert found.judged is not None
    assert other.judged is not None
    assert (found.travel_deg or 0) > (other.travel_deg or 0)
    assert found.judged.band_at_neutral_deg < other.judged.band_at_neutral_deg
    assert found.judged.worst_nm < other.judged.worst_nm
    assert found.judged.margin > other.judged.margin
    assert found.judged.smallest_following < other.judged.smallest_following
    assert found.judged.step_at_neutral_deg > other.judged.step_at_neutral_deg


@settings(max_examples=15)
@given(wishes)
def test_what_is_recommended_keeps_every_limit_and_a_shorter_arm_does_not(one: Wish) -> None:
    found = choose(one).recommended
    assume(found is not None)
    assert found is not None
    judged = found.judged
    assert judged is not None
    assert judged.smallest_transmission_deg >= 40.0
    assert judged.smallest_following >= 0.1
    assert max(-judged.end_low_deg, judged.end_high_deg) <= 75.0 + 1e-6
    assert judged.throw.plus_deg == pytest.approx(one.plus_deg, abs=1e-5)
    assert -judged.throw.minus_deg == pytest.approx(one.minus_deg, abs=1e-5)
    half_deg = max(-judged.end_low_deg, judged.end_high_deg)
    assert found.travel_deg is not None
    assert 0.0 <= found.travel_deg - 2 * half_deg <= 0.0101  # as it can be set, not less
    if judged.margin >= one.margin:
        assert not arm(one, found.arm_mm * 0.999).has_margin(one.margin)


@settings(max_examples=15)
@given(wishes, st.sampled_from([50.0, 60.0, 75.0]))
def test_the_shortest_arm_needs_just_the_room_that_there_is(one: Wish, room_deg: float) -> None:
    tight = wish(
        plus_deg=one.plus_deg,
        minus_deg=one.minus_deg,
        horns_mm=one.horns_mm,
        base_mm=one.base_mm,
        opposite_sides=one.opposite_sides,
        room=Room(room_deg, room_deg),
    )
    arm_mm = shortest_arm_mm(tight, tight.horns_mm[0])
    assume(arm_mm is not None)
    assert arm_mm is not None
    linkage = Linkage.normal_case(arm_mm, one.horns_mm[0], one.base_mm, opposite_sides=one.opposite_sides)
    low_deg, high_deg = used_ends_deg(linkage, one.plus_deg, one.minus_deg, Room(90.0, 90.0))
    assert max(-low_deg, high_deg) == pytest.approx(room_deg, abs=0.02)


@settings(max_examples=15)
@given(wishes)
def test_the_worst_torque_is_the_worst(one: Wish) -> None:
    found = choose(one).recommended
    assume(found is not None)
    assert found is not None
    assert found.judged is not None
    linkage = Linkage.normal_case(found.arm_mm, found.horn_mm, one.base_mm, opposite_sides=one.opposite_sides)
    low_deg, high_deg = found.judged.end_low_deg, found.judged.end_high_deg
    sampled = [
        abs(one.hinge_nm(linkage.surface_deg(at)) * linkage.ratio(at))
        for at in (low_deg + (high_deg - low_deg) * step / 1000 for step in range(1001))
    ]
    assert found.judged.worst_nm >= max(sampled) - 1e-9
    assert found.judged.worst_nm == pytest.approx(max(sampled), rel=1e-4)


# --- brute force ------------------------------------------------------------------------------------------------

STEP_MM, STEP_DEG = 0.05, 0.2


def brute_force_mm(one: Wish, horn_mm: float) -> float | None:
    """The shortest arm that keeps every limit, of all on a fine grid; circles and differences only, no code of ours."""
    numpy: Any = library("numpy")
    arms = numpy.arange(0.25 * horn_mm, 1.25 * horn_mm, STEP_MM)[:, None]
    turned = numpy.arange(-90.0, 90.0 + STEP_DEG / 2, STEP_DEG)
    middle = len(turned) // 2
    side = -1.0 if one.opposite_sides else 1.0
    along = side * arms  # where the arm's end stands at neutral, with the rod level
    with numpy.errstate(invalid="ignore"):
        rod = numpy.sqrt(one.base_mm**2 - (horn_mm - along) ** 2)
        # the rod level at neutral: arm's pivot at the origin, its end at (0, along), the horn's end at (rod, along)
        pivot_x, pivot_y = rod, along - horn_mm
        angle = numpy.radians(90.0 * side + turned)[None, :]
        end_x, end_y = arms * numpy.cos(angle), arms * numpy.sin(angle)
        away_x, away_y = end_x - pivot_x, end_y - pivot_y
        away = numpy.hypot(away_x, away_y)
        inside = (away**2 + horn_mm**2 - rod**2) / (2 * away * horn_mm)
        horn = numpy.unwrap(numpy.arctan2(away_y, away_x), axis=1) - numpy.arccos(inside)
        surface = numpy.degrees(horn - horn[:, middle : middle + 1])
        rod_x, rod_y = pivot_x + horn_mm * numpy.cos(horn) - end_x, pivot_y + horn_mm * numpy.sin(horn) - end_y
        between = numpy.abs(rod_x * numpy.cos(horn) + rod_y * numpy.sin(horn)) / numpy.hypot(rod_x, rod_y)
        transmission = numpy.degrees(numpy.arccos(numpy.minimum(between, 1.0)))
        ratio = numpy.gradient(surface, STEP_DEG, axis=1)
    towards = numpy.sign(ratio[:, middle])
    for at, arm_mm in enumerate(arms[:, 0]):
        if not numpy.isfinite(towards[at]) or not towards[at]:
            continue
        way = surface[at] * towards[at]  # rises with the arm about neutral
        ends = []
        for wanted, values, room_deg in (
            (one.plus_deg, way[middle:], one.room.plus_deg),
            (one.minus_deg, -way[middle::-1], one.room.minus_deg),
        ):
            there = numpy.nonzero(~(values < wanted))[0]  # the first that is not below: reached, or no linkage
            if not len(there) or not numpy.isfinite(values[there[0]]) or there[0] * STEP_DEG > room_deg + STEP_DEG:
                break
            ends.append(int(there[0]))
        else:
            low, high = middle - ends[1], middle + ends[0]
            half = max(ends)
            left, right = (min(half, round(room / STEP_DEG)) for room in (one.room.minus_deg, one.room.plus_deg))
            if not numpy.isfinite(surface[at, middle - left : middle + right + 1]).all():
                continue
            sweep = slice(low, high + 1)
            following = (ratio[at, sweep] / ratio[at, middle]).min()
            if transmission[at, sweep].min() < 40.0 or following < 0.1:
                continue
            pairs = zip(surface[at, sweep], ratio[at, sweep], strict=True)
            if max(abs(one.hinge_nm(float(deg)) * float(part)) for deg, part in pairs) * one.margin <= one.stall_nm:
                return float(arm_mm)
    return None


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"room": Room(62.0, 48.0)},
        {"plus_deg": 32.0, "minus_deg": 14.0, "room": Room(90.0, 90.0)},
        {"opposite_sides": True, "base_mm": 90.0, "room": Room(85.0, 70.0)},
        {"horns_mm": (31.0,), "base_mm": 45.0, "plus_deg": 35.0, "minus_deg": 35.0, "room": Room(88.0, 88.0)},
        {"hinge_nm": lambda deg: 0.4 + 0.11 * abs(deg), "room": Room(60.0, 60.0)},
    ],
)
def test_a_brute_force_over_a_fine_grid_finds_the_same_arm(changes: dict[str, object]) -> None:
    one = wish(**changes)
    found, theirs_mm = choose(one).recommended, brute_force_mm(one, one.horns_mm[0])
    assert found is not None
    if not found.has_margin(one.margin):
        assert theirs_mm is None
        return
    assert theirs_mm is not None
    assert theirs_mm - STEP_MM - 0.04 <= found.arm_mm <= theirs_mm + 0.04


def test_on_a_grid_of_holes_a_brute_force_over_all_pairs_finds_the_same() -> None:
    holes, horns = tuple(6.0 + 0.5 * at for at in range(30)), (16.0, 18.5, 22.0)
    one = wish(holes_mm=holes, horns_mm=horns, plus_deg=28.0, minus_deg=18.0)
    found = choose(one).recommended
    assert found is not None
    best = {horn: brute_force_mm(wish(horns_mm=(horn,), plus_deg=28.0, minus_deg=18.0), horn) for horn in horns}
    pairs = [
        (arm_mm / horn, arm_mm, horn) for horn in horns for arm_mm in holes if arm_mm >= (best[horn] or 1e9) - 0.01
    ]
    assert (found.arm_mm, found.horn_mm) == min(pairs)[1:]


@pytest.mark.parametrize(
    "room_deg", [75.0, 90.0]
)  # with 90 deg the shortest arms hardly follow: the best is at an edge
def test_where_no_arm_has_the_margin_no_other_has_more(room_deg: float) -> None:
    one = wish(room=Room(room_deg, room_deg), stall_nm=0.25, hinge_nm=lambda deg: 0.05 * abs(deg) + 0.3)
    found = choose(one)
    assert found.recommended is not None
    assert found.recommended.judged is not None
    most = max(
        (
            other.judged.margin
            for at in (*range(800, 1000, 4), *range(1000, 4000, 200))
            if (other := arm(one, at / 100)).judged and not other.refused
        ),
        default=0.0,
    )
    assert found.recommended.judged.margin >= most - 1e-3
    assert found.reason.startswith("none has the wanted margin of 1.5, so take a stronger actuator, a longer horn")


# --- what it says -----------------------------------------------------------------------------------------------


def test_the_whole_answer_for_one_surface() -> None:
    found = choose(wish())
    assert found.tried == ()
    assert found.any_arm is found.recommended
    assert found.recommended is not None
    assert (round(found.recommended.arm_mm, 2), found.recommended.travel_deg) == (8.95, 150.0)
    assert found.reason == (
        "an arm of 8.9 mm on a horn of 20.0 mm, travel 150.00 deg: dead band at the surface 0.067 deg, torque of each "
        "actuator 0.317 N m, margin 7.88"
    )


def test_the_next_longer_hole_is_taken_and_one_more_is_shown() -> None:
    found = choose(wish(holes_mm=(14.0, 8.0, 10.0)))
    assert [(one.arm_mm, bool(one.refused)) for one in found.tried] == [(8.0, True), (10.0, False), (14.0, False)]
    assert found.recommended is found.tried[1]
    assert found.any_arm is not None
    assert 8.0 < found.any_arm.arm_mm < 10.0
    short = choose(wish(holes_mm=(5.0, 8.0)))
    assert short.recommended is None
    assert short.reason.startswith("no hole can be taken: 5 mm: the surface goes from -14.0 to 15.0 deg only")


def test_the_longest_arm_that_is_looked_at_is_told() -> None:
    """Three horns: a choice."""
    found = choose(wish(room=Room(5.0, 5.0), horns_mm=(20.0, 15.0)))
    assert found.recommended is None
    assert found.reason == (
        "no arm up to 60.0 mm on a horn of 20 mm, 45.0 mm on a horn of 15 mm gives the wanted throw: the actuator's "
        "own range has 5.0 deg to plus and 5.0 deg to minus, and the limits of rod and horn hold"
    )
    near = choose(wish(base_mm=30.0, room=Room(5.0, 5.0)))
    assert near.reason.startswith("no arm up to 50.0 mm on a horn of 20 mm")  # the pivots allow no more


def test_the_actuators_own_range_is_respected_and_told() -> None:
    one = wish(room=Room(40.0, 70.0))
    found = choose(one).recommended
    assert found is not None
    assert found.judged is not None
    assert found.judged.end_high_deg == pytest.approx(40.0, abs=1e-3)
    assert found.judged.end_low_deg > -70.0
    refused = arm(one, 9.0)
    assert refused.refused == ("the throw to plus takes 67.8 deg of the arm; the actuator's own range has 40.0 deg")
    turned = choose(wish(room=Room(40.0, 70.0), opposite_sides=True, base_mm=90.0)).recommended
    assert turned is not None
    assert turned.judged is not None
    assert turned.judged.end_low_deg == pytest.approx(-40.0, abs=1e-3)


def test_too_flat_a_rod_is_refused() -> None:
    """Transmission angle below 40 deg: common practice, no source."""
    refused = arm(wish(plus_deg=55.0, minus_deg=55.0), 18.0).refused
    assert re.fullmatch(r"the transmission angle falls to 3\d\.\d deg, below 40 deg", refused)
    assert choose(wish(plus_deg=55.0, minus_deg=55.0)).recommended is None


def test_a_place_where_the_surface_hardly_follows_is_refused() -> None:
    assert arm(wish(room=Room(90.0, 90.0)), 8.82).refused == (
        "between -81.5 and 70.5 deg of the arm there is a place where the surface hardly follows (6% of what it does "
        "at neutral)"
    )


def test_a_dead_point_in_the_travel_is_refused_even_where_it_is_not_used() -> None:
    found = arm(wish(plus_deg=45.0, minus_deg=5.0, opposite_sides=True, room=Room(90.0, 90.0)), 19.5)
    assert found.judged is not None
    assert "within the travel rod and horn come to stand in line (dead point): the arm gets from" in found.refused
    ended = arm(wish(plus_deg=45.0, minus_deg=5.0, opposite_sides=True, room=Room(90.0, 20.0)), 19.5)
    assert "dead point" not in ended.refused  # the end limit keeps it from there


def test_a_flap_goes_to_one_side_only() -> None:
    found = choose(wish(minus_deg=0.0, room=Room(70.0, 0.0))).recommended
    assert found is not None
    assert found.judged is not None
    assert found.judged.throw.minus_deg == pytest.approx(0.0, abs=1e-9)
    assert found.judged.throw.plus_deg == pytest.approx(25.0)
    assert found.judged.end_high_deg == pytest.approx(70.0, abs=0.01)


def test_no_moment_needs_no_torque() -> None:
    assert choose(wish(hinge_nm=lambda _: 0.0)).reason.endswith("margin without limit")


def test_the_throw_of_all_the_room() -> None:
    linkage = Linkage.normal_case(10.0, 15.0, 50.0)
    found = full_throw(linkage, Room(60.0, 30.0))
    assert found is not None
    assert (found.plus_deg, found.minus_deg) == (linkage.surface_deg(60.0), linkage.surface_deg(-30.0))
    turned = Linkage.normal_case(10.0, 15.0, 50.0, opposite_sides=True)
    found = full_throw(turned, Room(40.0, 30.0))
    assert found is not None
    assert (found.plus_deg, found.minus_deg) == (turned.surface_deg(-40.0), turned.surface_deg(30.0))


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: wish(plus_deg=90.0), "the wanted throw to plus is 90 deg; 0 to 80 deg is allowed"),
        (lambda: wish(plus_deg=0.0, minus_deg=0.0), "the wanted throw is 0 deg"),
        (lambda: wish(holes_mm=(10.0, -1.0)), "a hole of the arm is -1 mm"),
        (lambda: wish(horns_mm=()), "at least one horn is wanted"),
        (lambda: Room(-1.0, 5.0), "the room to plus is -1 deg"),
        (lambda: choose(wish(hinge_nm=lambda _: math.nan)), "the hinge moment is nan N m"),
        (lambda: sensor_step_deg(120.0, 0), "a sensor has 1 to 24 bits here, not 0"),
        (lambda: demand_step_deg(0.0), "the travel is 0 deg"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()


def test_a_wanted_margin_that_is_just_met_is_met() -> None:
    found = choose(wish(margin=1.5))
    assert found.recommended is not None
    assert found.recommended.judged is not None
    just = choose(wish(margin=found.recommended.judged.margin))
    assert "none has the wanted margin" not in just.reason
    assert "none has the wanted margin" in choose(wish(margin=50.0)).reason


def test_a_surface_that_is_to_go_just_as_far_as_it_can_is_not_too_far() -> None:
    """Which arms go no further is what `surface_range_deg` says."""
    linkage = Linkage.normal_case(8.0, 20.0, 60.0)
    lowest_deg, highest_deg = linkage.surface_range_deg()
    for plus_deg, minus_deg, is_too_far in (
        (highest_deg, 1.0, False),
        (1.0, -lowest_deg, False),
        (highest_deg + 1e-6, 1.0, True),
        (1.0, 1e-6 - lowest_deg, True),
    ):
        found = candidate_of(wish(plus_deg=plus_deg, minus_deg=minus_deg), 8.0, 20.0)
        assert ("the arm is too short" in found.refused) == is_too_far


def test_in_a_search_one_that_is_refused_anyway_is_not_looked_at_closely_but_says_its_travel() -> None:
    wide = wish(plus_deg=55.0, minus_deg=55.0)  # the rod comes to lie too flat
    closely = candidate_of(wide, 18.0, 20.0)
    assert closely.judged is not None
    quickly = candidate_of(wide, 18.0, 20.0, samples=9)
    assert (quickly.refused, quickly.judged) == ("refused without a closer look", None)
    assert closely.refused not in {"", quickly.refused}
    assert quickly.travel_deg == closely.travel_deg


@pytest.mark.parametrize(
    ("arm_mm", "says"),
    [
        (0.0, "the arm's length is 0 mm; a finite number above 0 is wanted"),
        (200.0, "only where the pivots are more than 180 mm apart; here it is 60 mm"),
    ],
)
def test_an_arm_that_no_linkage_can_be_made_of_is_refused_with_the_reason(arm_mm: float, says: str) -> None:
    found = candidate_of(wish(), arm_mm, 20.0)
    assert says in found.refused
    assert (found.travel_deg, found.judged) == (None, None)


def test_where_there_is_no_room_for_any_arm_none_is_the_shortest() -> None:
    assert shortest_arm_mm(wish(base_mm=20.0, opposite_sides=True), 20.0) is None
    assert shortest_arm_mm(wish(base_mm=20.01, opposite_sides=True), 20.0) is None, "an arm of 0.01 mm reaches nothing"


@pytest.mark.parametrize("ends_deg", [(10.0, -10.0), (10.0, 10.0)])
def test_a_sweep_goes_from_a_lower_to_a_higher_angle(ends_deg: tuple[float, float]) -> None:
    linkage = Linkage.normal_case(10.0, 15.0, 50.0)
    with pytest.raises(InputError, match="the used sweep must go from a lower to a higher angle, not 10 to "):
        judge(linkage, 120.0, ends_deg, 1.0, lambda _: 0.1, dead_band_deg=0.1, sensor_deg=0.05)


def test_of_a_single_place_the_greatest_is_the_value_there() -> None:
    assert greatest(lambda value: -value, 3.0, 3.0) == (3.0, -3.0)
    assert greatest(lambda value: -value, 3.0, 2.0) == (3.0, -3.0)
