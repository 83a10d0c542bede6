"""The planned course against the rules it is planned by, stepped through in small steps, and against itself.

The rules: the speed rises as the motor's line and the acceleration limit allow, up to the slew limit or the soft
start's limit of the moment; the arm brakes evenly, from where it just stands at the target. What is compared with does
not look ahead, knows no phases, and takes 100 us at a time.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from itertools import pairwise

import pytest

from busproto.sim.mechanics.motion_course import Course, Limits, Phase
from tests.sim.helpers import MS, S

STEP_S = 1e-4
STEPS = 12_000
NEVER_NS = 1 << 61
"""A course that ends behind this does not end."""


@dataclass(frozen=True)
class Case:
    """A course to be planned."""

    at: tuple[float, float]
    target_deg: float
    soft_started_s: float
    limits: Limits

    def course(self, now_ns: int = 0) -> Course:
        return Course(self.at, self.target_deg, now_ns, self.soft_started_s, self.limits)


def cap(limits: Limits, since_s: float) -> float:
    """Highest speed that slew limit and soft start allow so long after the drive took hold, deg/s."""
    return limits.speed if since_s >= limits.soft_s else limits.speed * since_s / limits.soft_s


def braking(limits: Limits, side: float) -> float:
    """Deceleration towards a side, deg/s^2: what the motor has left near standstill, no less than a twentieth of what
    it has without a load, and no less than 1 deg/s in a time constant."""
    if limits.lag_s == 0:
        return limits.acceleration
    against = limits.down if side > 0 else limits.up
    return min(limits.acceleration, max(against, (limits.up + limits.down) / 40, 1.0) / limits.lag_s)


def stepped(case: Case) -> tuple[list[float], float]:
    """Angle at every step, by the rules, and the highest speed on the way."""
    (deg, speed), limits = case.at, case.limits
    brake = braking(limits, math.copysign(1.0, speed))
    side = 1.0 if case.target_deg >= deg + speed * abs(speed) / brake / 2 else -1.0
    left, speed = side * (case.target_deg - deg), side * speed  # towards the target counts as plus from here on
    if math.isinf(brake):
        speed = max(0.0, speed)  # nothing is heavy and nothing limits it: it turns at once
    returning, brake = brake, braking(limits, side)
    full = limits.up if side > 0 else limits.down
    nears = -math.expm1(-STEP_S / limits.lag_s) if limits.lag_s else 1.0  # of what it lacks, in one step
    found: list[float] = []
    fastest = 0.0
    for step in range(STEPS + 1):
        found.append(case.target_deg - side * left)
        before, fastest = speed, max(fastest, abs(speed))
        if speed < 0:  # the other way still
            speed = min(0.0, speed + returning * STEP_S)
        elif full <= 0:
            speed = max(0.0, speed - brake * STEP_S)
        else:
            most = cap(limits, case.soft_started_s + (step + 1) * STEP_S)
            rise = min(limits.acceleration * STEP_S, (full - speed) * nears)
            speed = max(most, speed - brake * STEP_S) if speed > most else min(most, speed + rise)
        lacks_deg = left - (before + speed) / 2 * STEP_S
        if speed > 0 and lacks_deg > 0:  # no faster than it can brake from
            speed = min(speed, math.sqrt(2 * brake * lacks_deg))
        left -= (before + speed) / 2 * STEP_S
        if speed >= 0 and left <= 1e-9:
            return [*found, *[case.target_deg] * (STEPS + 1 - len(found))], fastest
    return found, fastest


def any_case(seed: int) -> Case:
    """Light and heavy motors, with and without limits and loads, at rest and on their way to either side."""
    draw = random.Random(seed)
    speed = draw.choice([60.0, 250.0, 700.0])
    lag_s = draw.choice([0.0, 0.004, 0.02, 0.1])
    acceleration = draw.choice([math.inf, 400.0, 5000.0])
    free = draw.choice([120.0, 400.0, 600.0])
    load = draw.choice([0.0, 0.0, 0.2, -0.4, 0.8, 1.2]) * free
    up, down = (free - load, free + load) if lag_s or draw.random() < 0.5 else (math.inf, math.inf)
    soft_s = draw.choice([0.0, 0.15, 0.6])
    now = draw.choice([0.0, 0.0, draw.uniform(-300, 300)])
    started_s = draw.choice([0.0, 0.0, 0.1, 0.4])
    target_deg = draw.choice([-1, 1]) * draw.choice([2.0, 20.0, 80.0, 500.0])
    return Case((draw.uniform(-5, 5), now), target_deg, started_s, Limits(speed, up, down, lag_s, acceleration, soft_s))


def differs(case: Case) -> str:
    """Where the course leaves the rules; "" where it keeps them."""
    course = case.course()
    wanted, fastest = stepped(case)
    near_deg = 1.2 * STEP_S * fastest + 2e-4  # the stepping begins each phase at a whole step
    for step in range(1, STEPS, 23):
        deg, _ = course.at(round(step * STEP_S * S))
        if abs(deg - wanted[step]) > near_deg:
            return f"at {step * STEP_S:.4f} s it is at {deg}, not at {wanted[step]}"
    return ""


@pytest.mark.parametrize("part", range(10))
def test_every_course_keeps_the_rules(part: int) -> None:
    seeds = range(12 * part, 12 * part + 12)
    assert {seed: why for seed in seeds if (why := differs(any_case(seed)))} == {}


# --- speed, acceleration, pieces -------------------------------------------------------------------------------


def boundaries_ns(course: Course) -> list[int]:
    """When its phases begin, from its begin on."""
    return [round(one.at_s * S) for one in course.phases]


@pytest.mark.parametrize("seed", range(60))
def test_speed_is_the_rate_of_the_place_and_acceleration_that_of_the_speed(seed: int) -> None:
    """Central differences over 20 us, away from where a phase ends; a course that begins later than at 0 ns.

    Each look has a course of its own, as the first look at one decides what is worked out of it."""
    case, begin_ns, step_ns = any_case(seed), 7 * S, 10_000
    joints_ns = boundaries_ns(case.course())
    for after_ns in range(3 * MS, 700 * MS, 29 * MS):
        if any(abs(after_ns - one) <= step_ns for one in joints_ns):
            continue
        (before_deg, before), (deg, speed), (after_deg, after) = (
            case.course(begin_ns).at(begin_ns + after_ns + one) for one in (-step_ns, 0, step_ns)
        )
        said_deg, said_speed, acceleration = case.course(begin_ns).motion(begin_ns + after_ns)
        assert (said_deg, said_speed) == pytest.approx((deg, speed), rel=1e-12, abs=1e-12)
        assert (after_deg - before_deg) / 2e-5 == pytest.approx(speed, rel=1e-4, abs=1e-4)
        assert (after - before) / 2e-5 == pytest.approx(acceleration, rel=1e-4, abs=1e-2)


@pytest.mark.parametrize("is_looked_at", [False, True])
@pytest.mark.parametrize("seed", range(30))
def test_pieces_are_all_of_the_way_between_two_moments_once(seed: int, is_looked_at: bool) -> None:
    case, begin_ns = any_case(seed), 3 * S
    draw = random.Random(seed)
    end_ns = case.course(begin_ns).end_ns
    for _ in range(6):
        from_ns, until_ns = sorted(begin_ns + draw.randrange(S) for _ in range(2))
        course = case.course(begin_ns)
        if is_looked_at:
            assert course.end_ns == end_ns
        at_s = (from_ns - begin_ns) / S
        for phase, begin_s, ends_s in course.pieces(from_ns, until_ns):
            assert phase.at_s + begin_s == pytest.approx(at_s, abs=1e-9)
            assert ends_s > begin_s >= 0
            at_s = phase.at_s + ends_s
            middle_s = (begin_s + ends_s) / 2
            deg, speed = case.course(begin_ns).at(begin_ns + round((phase.at_s + middle_s) * S))
            assert phase.after(middle_s) == pytest.approx((deg, speed), rel=1e-4, abs=1e-4)
        if from_ns < end_ns:
            assert at_s == pytest.approx((min(until_ns, end_ns) - begin_ns) / S, abs=2e-9)
        else:
            assert at_s == (from_ns - begin_ns) / S


@pytest.mark.parametrize("seed", range(60))
def test_phases_join_on_and_end_at_the_target(seed: int) -> None:
    """To 1e-8 deg; the speed too, but where nothing is heavy and nothing limits how it changes."""
    case = any_case(seed)
    phases = case.course().phases
    assert phases[0].at_s == 0.0
    assert phases[0].deg == case.at[0]
    for one, after in pairwise(phases):
        deg, speed = one.after(after.at_s - one.at_s)
        assert after.at_s >= one.at_s
        assert deg == pytest.approx(after.deg, abs=1e-8)
        if case.limits.lag_s and case.at[1] == 0.0:
            assert speed == pytest.approx(after.speed, abs=1e-6)
    if case.course().end_ns < NEVER_NS:
        assert phases[-1][1:] == (case.target_deg, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("seed", range(60))
def test_from_rest_no_speed_is_above_any_limit(seed: int) -> None:
    """To 1e-6 deg/s: neither that of the motor nor that of the slew limit nor that of the soft start at the moment."""
    case = any_case(seed)
    case = Case((case.at[0], 0.0), case.target_deg, case.soft_started_s, case.limits)
    full = case.limits.up if case.target_deg > case.at[0] else case.limits.down
    course = case.course()
    for after_ns in range(0, 900 * MS, 3 * MS):
        most = min(cap(case.limits, case.soft_started_s + after_ns / S), max(0.0, full))
        assert abs(course.at(after_ns)[1]) <= most + 1e-6


@pytest.mark.parametrize("lag_s", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("rise", [0.05, 0.3, 0.6, 0.9, 0.99, 1.2])
def test_a_motor_runs_into_the_soft_start_s_limit_and_along_it_and_may_fall_behind(lag_s: float, rise: float) -> None:
    """The limit rises by a share of what the motor could do at standstill, from 40 deg/s on; free speed is 400 deg/s.

    The speed meets it where 400 (1 - exp(-t / lag)) does, found here by bisection; along it the motor goes until it can
    no longer: at 400 - slope * lag. From there on it is behind again, by a lag towards 400.
    """
    slope, started_s = rise * 400.0 / lag_s, 40.0 / (rise * 400.0 / lag_s)
    limits = Limits(slope * 10.0, 400.0, 400.0, lag_s, soft_s=10.0)
    course = Course((0.0, 0.0), 1e6, 0, started_s, limits)

    def lacks(at_s: float) -> float:
        return 40.0 + slope * at_s + 400.0 * math.expm1(-at_s / lag_s)

    moments = [lag_s * k / 1000 for k in range(8000)]
    first = next((k for k, at_s in enumerate(moments) if lacks(at_s) <= 0), None)
    if first is None:  # it never meets it
        for at_s in moments[::100]:
            assert course.at(round(at_s * S))[1] == pytest.approx(
                -400.0 * math.expm1(-at_s / lag_s), rel=1e-6, abs=1e-5
            )
        return
    low_s, high_s = moments[first - 1], moments[first]
    for _ in range(60):
        middle_s = (low_s + high_s) / 2
        low_s, high_s = (middle_s, high_s) if lacks(middle_s) > 0 else (low_s, middle_s)
    leaves_s = (400.0 - slope * lag_s - 40.0) / slope
    assert [one.at_s for one in course.phases[:3]] == pytest.approx([0.0, low_s, leaves_s], rel=1e-9)
    assert course.phases[1].speed == pytest.approx(40.0 + slope * low_s, rel=1e-9)
    assert course.phases[1][3:] == (pytest.approx(slope), 0.0)
    assert course.phases[2].speed == pytest.approx(400.0 - slope * lag_s, rel=1e-9)
    assert course.phases[2][3:] == (400.0, lag_s)


@pytest.mark.parametrize(("started_s", "speed"), [(0.0, 200.0), (0.05, 120.0), (0.1, 300.0)])
def test_what_is_not_heavy_begins_a_soft_start_at_its_limit_whatever_its_speed_was(
    started_s: float, speed: float
) -> None:
    """300 deg/s after 0.3 s: 500 t^2 deg, counted from when the drive took hold."""
    course = Course((2.0, speed), 900.0, 0, started_s, Limits(300.0, soft_s=0.3))
    for at_s in (0.0, 0.02, 0.1, 0.15):
        wanted = (2.0 + 500.0 * ((started_s + at_s) ** 2 - started_s**2), 1000.0 * (started_s + at_s))
        assert course.at(round(at_s * S)) == pytest.approx(wanted)


# --- braking ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("limits", "side", "wanted"),
    [
        (Limits(100.0), 1, math.inf),
        (Limits(100.0, acceleration=700.0), -1, 700.0),
        (Limits(100.0, 300.0, 500.0, 0.1), 1, 5000.0),
        (Limits(100.0, 300.0, 500.0, 0.1), -1, 3000.0),
        (Limits(100.0, 300.0, 500.0, 0.1, 4000.0), 1, 4000.0),
        (Limits(100.0, 300.0, 500.0, 0.1, 4000.0), -1, 3000.0),
        (Limits(100.0, 890.0, -90.0, 0.1), 1, 200.0),  # a twentieth of 400, the mean of both sides
        (Limits(100.0, -90.0, 890.0, 0.1), -1, 200.0),
        (Limits(100.0, 0.0, 0.0, 0.5), 1, 2.0),  # no motor: 1 deg/s in a time constant
    ],
)
def test_it_brakes_by_what_the_motor_has_left_near_standstill(limits: Limits, side: float, wanted: float) -> None:
    assert limits.brake(side) == pytest.approx(wanted)


def test_a_load_that_is_too_heavy_is_not_moved_and_stops_what_moves() -> None:
    """50 deg/s at 9000 deg/s^2: 5/36 deg in 5.6 ms. It never gets where it should."""
    limits = Limits(300.0, -100.0, 900.0, 0.1)
    course = Course((10.0, 50.0), 40.0, S, 1.0, limits)
    rest = Course((10.0, 0.0), 40.0, S, 1.0, limits)
    assert [rest.at(at) for at in (S, 2 * S, 900 * S)] == [(10.0, 0.0)] * 3
    assert rest.end_ns == S + (1 << 62)
    assert course.at(S + 2 * MS) == pytest.approx((10.082, 32.0))
    assert course.at(9 * S) == pytest.approx((10.0 + 5 / 36, 0.0))
    assert not course.is_over(9 * S)
    assert course.motion(9 * S) == pytest.approx((10.0 + 5 / 36, 0.0, 0.0))


def trapezoid(now_ns: int = 0) -> Course:
    """0.1 s up to 100 deg/s, 0.4 s at it, 0.1 s down: 50 deg."""
    return Course((0.0, 0.0), 50.0, now_ns, 1.0, Limits(100.0, acceleration=1000.0))


def test_a_trapezoid_by_hand() -> None:
    """Phases, end and what it says of itself at each. Source: trapezoidal profile, any text on robotics."""
    assert trapezoid().phases == [
        pytest.approx(one, abs=1e-12)
        for one in (
            Phase(0.0, 0.0, 0.0, 1000.0, 0.0),
            Phase(0.1, 5.0, 100.0, 0.0, 0.0),
            Phase(0.5, 45.0, 100.0, -1000.0, 0.0),
            Phase(0.6, 50.0, 0.0, 0.0, 0.0),
        )
    ]
    assert trapezoid(3 * S).end_ns == 3 * S + 600 * MS
    found = [trapezoid().motion(ms * MS) for ms in (50, 300, 550, 600, 9000)]
    wanted = [(1.25, 50.0, 1000.0), (25.0, 100.0, 0.0), (48.75, 50.0, -1000.0), (50.0, 0.0, 0.0), (50.0, 0.0, 0.0)]
    assert found == [pytest.approx(one, abs=1e-9) for one in wanted]


def test_it_is_over_from_its_end_on_whatever_was_asked_before() -> None:
    for moments in ([599_999_999, 600_000_000], [600_000_000, 599_999_999], [0, 599_999_999, 10 * S]):
        course = trapezoid(S)
        assert [course.is_over(S + one) for one in moments] == [one >= 600_000_000 for one in moments]


def test_a_course_that_turns_says_where_and_when() -> None:
    """60 deg/s the wrong way at 1000 deg/s^2: 0.06 s, 1.8 deg."""
    limits = Limits(100.0, acceleration=1000.0)
    course = Course((4.0, -60.0), 30.0, S, 1.0, limits)
    assert course.turn_deg == pytest.approx(2.2)
    assert [course.has_turned(S + one) for one in (59_999_999, 60_000_001)] == [False, True]
    assert course.at(S + 60 * MS) == pytest.approx((2.2, 0.0), abs=1e-9)
    for speed in (0.0, 60.0):
        straight = Course((4.0, speed), 30.0, S, 1.0, limits)
        assert straight.turn_deg is None
        assert not straight.has_turned(9 * S)
    past = Course((4.0, 60.0), 5.0, S, 1.0, limits)  # it cannot stop before 5.8
    assert past.turn_deg == pytest.approx(5.8)
    assert past.at(9 * S) == (5.0, 0.0)


@pytest.mark.parametrize("speed", [0.5, 60.0])
@pytest.mark.parametrize("side", [1, -1])
def test_it_turns_where_it_stands_by_the_braking_of_that_side(side: int, speed: float) -> None:
    """6000 deg/s^2 where the load brakes with it, 2000 where it pushes on."""
    limits = Limits(300.0, 200.0, 600.0, 0.1)
    course = Course((4.0, side * speed), 4.0 - side * 30.0, 0, 1.0, limits)
    brake = 6000.0 if side > 0 else 2000.0
    assert course.turn_deg is not None
    assert course.turn_deg - 4.0 == pytest.approx(side * speed**2 / (2 * brake))
    assert course.at(round(speed / brake / 2 * S))[1] == pytest.approx(side * speed / 2, rel=1e-3)


def test_a_course_at_rest_says_so_of_itself() -> None:
    rest = Course.rest(7.5, 5 * S)
    assert rest.phases == [Phase(0.0, 7.5, 0.0, 0.0, 0.0)]
    assert (rest.start_ns, rest.end_ns, rest.target_deg, rest.turn_deg) == (5 * S, 5 * S, 7.5, None)
    assert rest.is_over(5 * S)
    assert not rest.has_turned(9 * S)
    assert rest.at(6 * S) == (7.5, 0.0)
    assert rest.motion(6 * S) == (7.5, 0.0, 0.0)
    assert [*rest.pieces(5 * S, 9 * S)] == []
    assert not rest.extended(9.0, 6 * S, (7.5, 0.0))


# --- led to another target -------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(60))
def test_a_course_that_is_led_on_is_the_one_to_the_last_target(seed: int) -> None:
    """As long as it has not begun to brake nothing tells the two apart; where it cannot be led, nothing changes."""
    case, draw, begin_ns = any_case(seed), random.Random(seed), 2 * S
    course, then_ns = case.course(begin_ns), begin_ns + draw.randrange(300 * MS)
    deg, speed = course.at(then_ns)
    other_deg = case.target_deg + draw.choice([-1, 1]) * draw.uniform(0.0, 40.0)
    is_led = course.extended(other_deg, then_ns, (deg, speed))
    wanted = Case(case.at, other_deg if is_led else case.target_deg, case.soft_started_s, case.limits).course(begin_ns)
    assert course.target_deg == wanted.target_deg
    for after_ns in range(0, S, 37 * MS):
        assert course.at(then_ns + after_ns) == pytest.approx(wanted.at(then_ns + after_ns), rel=1e-9, abs=1e-7)
    assert course.end_ns == pytest.approx(wanted.end_ns, abs=2)


@pytest.mark.parametrize(
    ("after_ns", "target_deg", "can"),
    [
        (0, 60.0, True),
        (300 * MS, 60.0, True),
        (300 * MS, 30.001, True),  # it stands 5 deg behind 25 at the earliest
        (300 * MS, 29.999, False),
        (300 * MS, -60.0, False),
        (499_999_999, 60.0, True),
        (500_000_001, 60.0, False),  # it brakes already
        (700 * MS, 60.0, False),
    ],
)
def test_it_can_be_led_on_until_it_brakes_and_no_nearer_than_it_can_stand(
    after_ns: int, target_deg: float, can: bool
) -> None:
    course = trapezoid()
    assert course.extended(target_deg, after_ns, course.at(after_ns)) is can
    assert course.target_deg == (target_deg if can else 50.0)
    assert course.at(9 * S) == (target_deg if can else 50.0, 0.0)


def test_knowing_where_it_brakes_does_not_keep_it_from_being_led_on() -> None:
    for after_ns, can in ((300 * MS, True), (499_999_999, True), (500_000_001, False)):
        course = trapezoid(S)
        assert course.end_ns == S + 600 * MS
        assert course.extended(60.0, S + after_ns, course.at(S + after_ns)) is can
        assert course.end_ns == S + (700 if can else 600) * MS


def test_it_cannot_be_led_on_before_it_has_turned() -> None:
    for after_ns, can in ((59_999_999, False), (60_000_001, True)):
        course = Course((4.0, -60.0), 30.0, 0, 1.0, Limits(100.0, acceleration=1000.0))
        assert course.extended(50.0, after_ns, course.at(after_ns)) is can
