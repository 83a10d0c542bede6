"""The swing of an arm about its set-point: the loop's values from the motor's, and its way against an ODE solver."""

from __future__ import annotations

import math

import pytest

from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motion_course import Course, Limits, Phase
from busproto.sim.mechanics.motion_ring import Loop, Ring
from busproto.sim.mechanics.motor import Motor
from tests.sim.helpers import MS, S


@pytest.mark.parametrize(("damping", "times"), [(0.0, 1.0), (0.2, 2.0), (0.5, 3.5), (1.0, 6.0)])
def test_damping_brakes_five_times_as_hard_as_the_motor_by_itself(damping: float, times: float) -> None:
    """y'' + times / lag y' + ...: the motor alone has 1 / lag; a damping of 100 % adds five times that."""
    loop = Loop.of(full_deg_s=400.0, lag_s=0.02, stiffness=0.3, damping=damping)
    assert 2 * loop.decay == pytest.approx(times / 0.02)
    assert loop.omega == pytest.approx(math.sqrt(0.3 * 400.0 / 0.02))
    assert loop.zeta == pytest.approx(times / 0.04 / math.sqrt(6000.0))


def test_a_loop_that_pulls_hardly_at_all_still_has_a_frequency() -> None:
    """Without stiffness, or without supply: omega^2 is 1e-9 then, and nothing is divided by zero."""
    for full_deg_s, stiffness in ((400.0, 0.0), (0.0, 0.6), (1e-12, 0.6)):
        loop = Loop.of(full_deg_s=full_deg_s, lag_s=0.02, stiffness=stiffness, damping=0.3)
        assert loop.omega**2 == pytest.approx(1e-9)


@pytest.mark.parametrize(("decay", "omega"), [(5.0, 100.0), (50.0, 50.0), (130.0, 50.0)])
def test_a_swing_is_over_after_thirty_of_its_slowest_time_constants(decay: float, omega: float) -> None:
    """The slowest root of s^2 + 2 decay s + omega^2 says when; by then 1e-12 of it is left."""
    loop = Loop(decay, omega)
    slowest = decay - math.sqrt(max(0.0, decay**2 - omega**2))
    assert loop.gone_s == pytest.approx(30.0 / slowest)
    rests = [
        max(abs(loop.after(1.0, 0.0, 0.0, part * loop.gone_s + k * 1e-3)[0]) for k in range(60)) for part in (0.5, 1)
    ]
    assert rests[0] > 1e-8
    assert rests[1] < 1e-11


@pytest.mark.parametrize("decay", [0.0, 10.0, 49.9, 50.0 - 1e-8, 50.0, 50.0 + 1e-8, 50.1, 200.0])
def test_a_swing_of_any_damping_against_an_ode_solver(decay: float) -> None:
    """Below, at and above critical damping, with a force and without: place and speed to 1e-7."""
    integrate = pytest.importorskip("scipy.integrate")
    loop, times = Loop(decay, 50.0), [0.001, 0.01, 0.05, 0.2]
    for y, speed, f in ((1.0, 0.0, 0.0), (0.0, 30.0, 0.0), (-0.4, 20.0, 1500.0)):
        solved = integrate.solve_ivp(
            lambda _, at, f=f: [at[1], f - 2 * decay * at[1] - 2500.0 * at[0]],
            (0, 0.2),
            [y, speed],
            t_eval=times,
            rtol=1e-10,
            atol=1e-11,
        )
        for at_s, wanted, wanted_speed in zip(times, *solved.y, strict=True):
            assert loop.after(y, speed, f, at_s) == pytest.approx((wanted, wanted_speed), abs=1e-6, rel=1e-6)


def test_where_nothing_pulls_a_swing_only_loses_its_speed() -> None:
    """Without a supply omega^2 is 1e-9: y stays, and 20 deg/s that fade with 2 * 25 per second make 0.4 deg."""
    loop = Loop.of(full_deg_s=0.0, lag_s=0.02, stiffness=0.6, damping=0.0)
    assert loop.decay == 25.0
    assert loop.after(1.0, 20.0, 0.0, 0.02) == pytest.approx((1.0 + 0.4 * -math.expm1(-1), 20.0 / math.e), abs=1e-6)
    assert loop.after(1.0, 20.0, 0.0, 2.0) == pytest.approx((1.4, 0.0), abs=1e-6)


PHASES = (
    Phase(0.0, 0.0, 0.0, 2000.0, 0.0),
    Phase(0.05, 2.5, 100.0, 200.0, 0.02),
    Phase(0.15, 20.0, 199.3, 0.0, 0.0),
    Phase(0.25, 40.0, 199.3, -4000.0, 0.0),
    Phase(0.3, 45.0, 0.0, 0.0, 0.0),
)
FORCES = ((0.0, 800.0), (0.05, 0.0), (0.15, 0.0), (0.25, -1600.0), (0.3, 0.0))
"""0.4 of the acceleration, from when on; none while the motor is at full drive, which is the second phase."""
LOOP = Loop(30.0, 60.0)


def test_a_course_s_acceleration_swings_it_but_at_full_drive() -> None:
    integrate = pytest.importorskip("scipy.integrate")
    ring = Ring(LOOP, 0.4, PHASES, 5 * S, (0.5, -3.0))
    y, moments = [0.5, -3.0], []
    for (from_s, f), until_s in zip(FORCES, [one for one, _ in FORCES[1:]] + [0.5], strict=True):
        times = [from_s + (until_s - from_s) * k / 4 for k in range(5)]
        solved = integrate.solve_ivp(
            lambda _, at, f=f: [at[1], f - 60.0 * at[1] - 3600.0 * at[0]],
            (from_s, until_s),
            y,
            t_eval=times,
            rtol=1e-10,
            atol=1e-11,
        )
        y = [float(one[-1]) for one in solved.y]
        moments += [*zip(times, *solved.y, strict=True)]
    for at_s, deg, speed in moments:
        assert ring.at(5 * S + round(at_s * S)) == pytest.approx((deg, speed), abs=1e-5)


def test_it_swings_on_behind_the_end_until_that_is_over() -> None:
    """One second: 30 of 1/30 s, behind the begin of the last phase."""
    ring = Ring(LOOP, 0.4, PHASES, 5 * S, (0.0, 0.0))
    assert LOOP.gone_s == pytest.approx(1.0)
    moments = [5 * S, 5 * S + 300 * MS, 6 * S + 299 * MS, 6 * S + 301 * MS, 90 * S]
    assert [ring.is_gone(one) for one in moments] == [False, False, False, True, True]
    assert [ring.at(one) == (0.0, 0.0) for one in moments[1:]] == [False, False, True, True]
    assert 0 < abs(ring.at(6 * S)[0]) < 1e-8


def test_one_whose_set_point_speeds_up_for_ever_is_never_over() -> None:
    """It lags by force over omega^2 all the time: 0.4 * 2000 / 3600 deg."""
    ring = Ring(LOOP, 0.4, PHASES[:1], 0, (0.0, 0.0))
    assert not ring.is_gone(90 * S)
    assert ring.at(90 * S) == pytest.approx((800.0 / 3600.0, 0.0))


def heavy(**more: float) -> Arm:
    """An arm with twice the inertia that its firmware knows of, on its way from 0 to 40 deg."""
    motor = Motor(no_load_deg_s=400.0, lag_s=0.01, acceleration_deg_s2=3000.0, added_inertia=1.0)
    arm = Arm(0.0, 100.0, 200.0, motor=motor, stiffness=0.3, **more)
    arm.engage(0)
    arm.aim(40.0, 0)
    return arm


def test_the_loop_of_an_arm_is_made_of_all_that_it_moves() -> None:
    """Time constant with the load: 20 ms; a supply at 80 % pulls 80 % as hard."""
    loop = heavy(damping=0.2, power=0.8).loop()
    assert 2 * loop.decay == pytest.approx(2.0 / 0.02)
    assert loop.omega**2 == pytest.approx(0.3 * 400.0 * 0.8 / 0.02)


def test_it_is_on_its_way_while_it_swings() -> None:
    """Its set-point rests after 0.2667 s; the swing takes longer to be over than to be seen."""
    arm = heavy(damping=0.3)
    found = {}
    for ms in (200, 266, 267, 400, 3000):
        arm.move_to(ms * MS)
        found[ms] = (arm.is_moving, arm.is_on_its_way(ms * MS))
    assert found == {
        200: (True, True),
        266: (True, True),
        267: (False, True),
        400: (False, True),
        3000: (False, False),
    }
    assert arm.position_deg == 40.0


def test_a_swing_goes_on_over_a_new_target() -> None:
    """Place and speed of the arm have no jump where its set-point turns to another one."""
    arm = heavy(damping=0.1)
    step_ns = 10_000
    for then_ns in (60 * MS, 300 * MS):
        places = []
        for after_ns in (-2 * step_ns, -step_ns, 0, step_ns, 2 * step_ns):
            arm.move_to(then_ns + after_ns)
            if after_ns == 0:
                arm.aim(arm.position_deg + 30.0, then_ns)
            places.append(arm.position_deg)
        before, after = places[1] - places[0], places[4] - places[3]
        assert before == pytest.approx(places[2] - places[1], abs=2e-6)
        assert after == pytest.approx(before, abs=2e-5)


def test_engaged_anew_it_stands_where_it_is_and_swings_no_more() -> None:
    arm = heavy(damping=0.1)
    arm.engage(280 * MS)
    at_deg = arm.position_deg
    assert at_deg != pytest.approx(40.0, abs=0.01)
    for ms in (281, 300, 900):
        arm.move_to(ms * MS)
        assert arm.position_deg == at_deg
    assert not arm.is_on_its_way(900 * MS)


def test_a_bare_arm_does_not_swing() -> None:
    motor = Motor(no_load_deg_s=400.0, lag_s=0.01, acceleration_deg_s2=3000.0)
    arm = Arm(0.0, 100.0, 200.0, motor=motor)
    arm.engage(0)
    arm.aim(40.0, 0)
    course = Course((0.0, 0.0), 40.0, 0, 0.0, Limits(200.0, 400.0, 400.0, 0.01, 3000.0))
    for ms in (10, 100, 250, 300):
        arm.move_to(ms * MS)
        assert arm.position_deg == pytest.approx(course.at(ms * MS)[0], abs=1e-12)
    assert not arm.is_on_its_way(300 * MS)
