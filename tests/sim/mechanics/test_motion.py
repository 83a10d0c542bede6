"""The arm, against values worked out by hand and against a fine numerical integration done here."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.mechanics.motion import Arm, corrected_deg
from tests.sim.helpers import MS, S


def engaged(
    at_deg: float = 0.0, *, soft_start_ns: int = 0, dead_band_deg: float = 0.0, speed_deg_s: float = 300.0
) -> Arm:
    """An arm between stops at -100 and +100 deg that has taken hold at time 0."""
    arm = Arm(at_deg, 100.0, speed_deg_s, soft_start_ns, dead_band_deg)
    arm.engage(0)
    return arm


def positions(arm: Arm, *times_ns: int) -> list[float]:
    found = []
    for time_ns in times_ns:
        arm.move_to(time_ns)
        found.append(round(arm.position_deg, 9))
    return found


# --- speed limit -----------------------------------------------------------------------------------------------


def test_ninety_degrees_at_300_deg_s_take_0_3_s() -> None:
    """Value: calc, 90 / 300."""
    arm = engaged()
    arm.aim(90.0, 0)
    assert positions(arm, 100 * MS, 200 * MS, 299 * MS, 300 * MS, 400 * MS) == [30.0, 60.0, 89.7, 90.0, 90.0]


def test_it_moves_to_the_other_side_as_fast() -> None:
    arm = engaged(20.0)
    arm.aim(-40.0, 0)
    assert positions(arm, 100 * MS, 200 * MS, 250 * MS) == [-10.0, -40.0, -40.0]


def test_it_is_moving_until_it_arrives() -> None:
    arm = engaged()
    arm.aim(30.0, 0)
    moving = []
    for time_ns in (1, 99 * MS, 100 * MS, 101 * MS):
        arm.move_to(time_ns)
        moving.append(arm.is_moving)
    assert moving == [True, True, False, False]


def test_a_new_target_on_the_way_is_turned_to_at_once() -> None:
    arm = engaged()
    arm.aim(90.0, 0)
    arm.aim(0.0, 100 * MS)
    assert positions(arm, 100 * MS, 150 * MS, 200 * MS, 300 * MS) == [30.0, 15.0, 0.0, 0.0]


# --- soft start ------------------------------------------------------------------------------------------------


def integrated_deg(time_s: float, *, rise_s: float, speed_deg_s: float, steps: int = 20_000) -> float:
    """Way of an arm whose speed rises evenly from 0 to its limit, by the midpoint rule."""
    step_s = time_s / steps
    return sum(speed_deg_s * min(1.0, (k + 0.5) * step_s / rise_s) * step_s for k in range(steps))


@pytest.mark.parametrize("time_s", [0.01, 0.2, 0.7, 0.8, 0.81, 1.0, 1.3])
def test_soft_start_is_the_integral_of_a_rising_speed(time_s: float) -> None:
    arm = engaged(-90.0, soft_start_ns=800 * MS, speed_deg_s=200.0)
    arm.aim(100.0, 0)
    arm.move_to(round(time_s * S))
    assert arm.position_deg + 90.0 == pytest.approx(integrated_deg(time_s, rise_s=0.8, speed_deg_s=200.0), abs=1e-4)


def test_soft_start_by_hand() -> None:
    """300 deg/s reached after 1 s: way 150 t^2 deg, 6 deg after 0.2 s, 54 deg after 0.6 s."""
    arm = engaged(soft_start_ns=S)
    arm.aim(54.0, 0)
    assert positions(arm, 0, 200 * MS, 400 * MS, 600 * MS, 700 * MS) == [0.0, 6.0, 24.0, 54.0, 54.0]


def test_it_is_soft_starting_for_the_soft_start_time_and_never_while_limp() -> None:
    arm = engaged(soft_start_ns=S)
    assert [arm.is_soft_starting(time_ns) for time_ns in (0, S - 1, S)] == [True, True, False]
    arm.release(0)
    assert not arm.is_soft_starting(1)


def fitted(arm: Arm, now_ns: int, soft_start_ns: int) -> None:
    arm.fit(
        now_ns,
        speed_deg_s=arm.speed_deg_s,
        soft_start_ns=soft_start_ns,
        dead_band_deg=arm.dead_band_deg,
        stiffness=arm.stiffness,
        damping=arm.damping,
        minimum_drive=arm.minimum_drive,
    )


def test_one_that_is_over_is_not_begun_anew_by_a_longer_time() -> None:
    arm = engaged(soft_start_ns=100 * MS)
    fitted(arm, 200 * MS, 5 * S)
    assert not arm.is_soft_starting(200 * MS)
    arm.aim(60.0, 200 * MS)
    arm.move_to(300 * MS)
    assert arm.position_deg == pytest.approx(30.0)  # 300 deg/s for 0.1 s
    arm.engage(400 * MS)
    assert arm.is_soft_starting(400 * MS + S)


def test_one_that_runs_takes_the_time_that_is_set_now() -> None:
    arm = engaged(soft_start_ns=5 * S)
    fitted(arm, S, 2 * S)
    assert arm.is_soft_starting(S)
    assert not arm.is_soft_starting(2 * S)
    fitted(arm, S + 500 * MS, 0)
    assert not arm.is_soft_starting(S + 500 * MS)


def test_a_second_soft_start_begins_at_rest_where_the_arm_is() -> None:
    """After 0.2 s of the first it stands at 6 deg; 0.1 s of the second bring 1.5 deg more."""
    arm = engaged(soft_start_ns=S)
    arm.aim(90.0, 0)
    arm.engage(200 * MS)
    arm.aim(90.0, 200 * MS)
    assert positions(arm, 200 * MS, 300 * MS) == [6.0, 7.5]


def test_a_late_target_has_the_speed_that_the_soft_start_allows_by_then() -> None:
    """From 0.5 s to 0.6 s of it: 150 (0.6^2 - 0.5^2) = 16.5 deg."""
    arm = engaged(soft_start_ns=S)
    arm.aim(90.0, 500 * MS)
    assert positions(arm, 500 * MS, 600 * MS) == [0.0, 16.5]


# --- dead band, stops ------------------------------------------------------------------------------------------


def test_no_drive_within_the_dead_band() -> None:
    arm = engaged(dead_band_deg=0.5)
    arm.aim(0.49, 0)
    assert positions(arm, S) == [0.0]
    arm.aim(-0.49, S)
    assert positions(arm, 2 * S) == [0.0]
    assert not arm.is_moving


def test_beyond_the_dead_band_it_goes_all_the_way() -> None:
    arm = engaged(dead_band_deg=0.5)
    arm.aim(0.51, 0)
    assert positions(arm, S) == [0.51]


def test_on_its_way_it_does_not_stop_at_the_dead_band() -> None:
    arm = engaged(dead_band_deg=5.0)
    arm.aim(30.0, 0)
    assert positions(arm, 90 * MS, 99 * MS, 100 * MS) == [27.0, 29.7, 30.0]


@pytest.mark.parametrize(("target_deg", "stop_deg"), [(150.0, 100.0), (-150.0, -100.0)])
def test_no_target_lies_beyond_the_stops(target_deg: float, stop_deg: float) -> None:
    arm = engaged()
    arm.aim(target_deg, 0)
    assert arm.target_deg == stop_deg
    assert positions(arm, S) == [stop_deg]


# --- limp ------------------------------------------------------------------------------------------------------


def test_a_limp_arm_stays_where_it_is_and_takes_no_target() -> None:
    arm = Arm(12.5, 100.0)
    arm.aim(50.0, 0)
    assert arm.target_deg is None
    assert positions(arm, S) == [12.5]


def test_a_released_arm_stops_where_it_is() -> None:
    arm = engaged()
    arm.aim(90.0, 0)
    arm.release(100 * MS)
    assert positions(arm, 100 * MS, S) == [30.0, 30.0]
    assert not arm.is_moving


def test_a_hand_moves_a_limp_arm_evenly() -> None:
    arm = Arm(10.0, 100.0)
    assert arm.hand(40.0, 2 * S, S) is True
    assert positions(arm, S, 2 * S, 3 * S, 9 * S) == [10.0, 25.0, 40.0, 40.0]


def test_a_hand_stops_at_the_stops() -> None:
    arm = Arm(90.0, 100.0)
    arm.hand(130.0, S, 0)
    assert positions(arm, 500 * MS, S) == [95.0, 100.0]


def test_a_hand_in_no_time_is_there_at_the_next_moment() -> None:
    arm = Arm(0.0, 100.0)
    arm.hand(30.0, 0, 5)
    assert positions(arm, 5, 6) == [0.0, 30.0]


def test_a_second_hand_takes_over_where_the_first_has_got_to() -> None:
    arm = Arm(0.0, 100.0)
    arm.hand(40.0, 2 * S, 0)
    arm.hand(0.0, S, S)
    assert positions(arm, S, S + 500 * MS, 2 * S, 9 * S) == [20.0, 10.0, 0.0, 0.0]


def test_a_hand_has_no_effect_on_an_arm_that_is_held() -> None:
    arm = engaged(10.0)
    assert arm.hand(40.0, S, 0) is False
    assert positions(arm, S, 2 * S) == [10.0, 10.0]


def test_taking_hold_ends_the_hand_and_does_not_jump() -> None:
    arm = Arm(0.0, 100.0)
    arm.hand(40.0, 2 * S, 0)
    arm.engage(S)
    assert arm.target_deg == 20.0
    assert positions(arm, S, 5 * S) == [20.0, 20.0]
    arm.release(5 * S)
    assert positions(arm, 9 * S) == [20.0]


# --- how often one looks ---------------------------------------------------------------------------------------

ACTIONS = st.lists(
    st.tuples(
        st.integers(1, 400 * MS),
        st.one_of(
            st.tuples(st.just("aim"), st.floats(-120, 120)),
            st.tuples(st.just("hand"), st.floats(-120, 120)),
            st.tuples(st.sampled_from(["engage", "release"]), st.just(0.0)),
        ),
    ),
    min_size=1,
    max_size=10,
)


def played(actions: list[tuple[int, tuple[str, float]]], looks_ns: list[int]) -> list[float]:
    """Where the arm is after each action, and at the end, with looks at these moments between."""
    arm = Arm(3.0, 100.0, 250.0, 300 * MS, 0.4)
    arm.engage(0)
    found, now_ns, waiting = [], 0, sorted(looks_ns)
    for pause_ns, (what, value) in [*actions, (S, ("look", 0.0))]:
        now_ns += pause_ns
        while waiting and waiting[0] <= now_ns:
            arm.move_to(waiting.pop(0))
        if what == "aim":
            arm.aim(value, now_ns)
        elif what == "hand":
            arm.hand(value, 200 * MS, now_ns)
        elif what == "engage":
            arm.engage(now_ns)
        elif what == "release":
            arm.release(now_ns)
        else:
            arm.move_to(now_ns)
        found.append(arm.position_deg)
    return found


@given(ACTIONS, st.lists(st.integers(0, 5 * S), max_size=30))
def test_where_the_arm_is_does_not_depend_on_how_often_one_looks(
    actions: list[tuple[int, tuple[str, float]]], looks_ns: list[int]
) -> None:
    assert played(actions, looks_ns) == pytest.approx(played(actions, []), abs=1e-9)


@given(ACTIONS, st.lists(st.integers(0, 5 * S), max_size=10))
def test_the_arm_never_leaves_its_stops_nor_exceeds_its_speed(
    actions: list[tuple[int, tuple[str, float]]], looks_ns: list[int]
) -> None:
    driven = [(pause_ns, (what, value)) for pause_ns, (what, value) in actions if what != "hand"]
    found = [3.0, *played(driven, looks_ns)]
    pauses_ns = [*(pause_ns for pause_ns, _ in driven), S]
    for (before, after), pause_ns in zip(pairwise(found), pauses_ns, strict=True):
        assert abs(after) <= 100.0
        assert abs(after - before) <= 250.0 * pause_ns / S + 1e-6


# --- correction ------------------------------------------------------------------------------------------------


def test_no_table_corrects_nothing() -> None:
    assert corrected_deg((), 0.7) == 0.0


@pytest.mark.parametrize(
    ("table", "share", "wanted"),
    [
        ((0.0, 10.0), -1.0, 0.0),
        ((0.0, 10.0), 0.0, 5.0),
        ((0.0, 10.0), 1.0, 10.0),
        ((0.0, 10.0), 1.5, 10.0),
        ((0.0, 10.0), -1.5, 0.0),
        ((-1.0, 0.0, 3.0), -0.5, -0.5),
        ((-1.0, 0.0, 3.0), 0.0, 0.0),
        ((-1.0, 0.0, 3.0), 0.5, 1.5),
        ((0.0, 1.0, 4.0, 9.0, 16.0), 0.25, 6.5),
    ],
)
def test_correction_by_hand(table: tuple[float, ...], share: float, wanted: float) -> None:
    assert corrected_deg(table, share) == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize(("points", "residual_deg"), [(5, 0.140755), (9, 0.0376926), (17, 0.00958420)])
def test_residual_of_a_linear_table(points: int, residual_deg: float) -> None:
    """e(x) = 2 sin(2x) deg over +-45 deg. Values: de Boor (bound, from memory), run with numpy.interp."""

    def error_deg(x_deg: float) -> float:
        return 2.0 * math.sin(math.radians(2.0 * x_deg))

    table = tuple(error_deg(-45.0 + 90.0 * k / (points - 1)) for k in range(points))
    shares = [k / 20_000 for k in range(-20_000, 20_001)]
    worst = max(abs(error_deg(45.0 * share) - corrected_deg(table, share)) for share in shares)
    assert worst == pytest.approx(residual_deg, abs=1e-5)


@given(
    st.lists(st.floats(-10, 10), min_size=2, max_size=33),
    st.lists(st.floats(-1.2, 1.2), min_size=1, max_size=10),
)
def test_correction_is_that_of_numpy(table: list[float], shares: list[float]) -> None:
    numpy = pytest.importorskip("numpy")
    wanted = numpy.interp(shares, numpy.linspace(-1.0, 1.0, len(table)), table)
    assert [corrected_deg(tuple(table), share) for share in shares] == pytest.approx(list(wanted), abs=1e-9)
