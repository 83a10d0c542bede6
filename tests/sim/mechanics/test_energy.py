"""The simulator keeps account of all energy: random courses balance, a free swing gains none, currents are right.

Each course sums up what went in, what became heat and what is stored apart from each other
(`tests.sim.mechanics.courses`); the same over 10 000 of them: `python -m tests.bench energy`.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.mechanics.hinge import Hinge, Member
from busproto.sim.mechanics.motion import Arm
from busproto.sim.mechanics.motor import RAD, Books
from busproto.sim.mechanics.surface import Surface
from tests.sim.mechanics.courses import COURSES, MS

S = 1_000_000_000
MODEL = ActuatorModel("any", time_constant_ms=10.0)


@pytest.mark.parametrize(("kind", "count"), [("surface", 8), ("arm", 150), ("plant", 16)])
def test_energy_in_is_heat_and_what_is_stored(kind: str, count: int) -> None:
    """To 1e-6 of what was turned over; measured 1e-10 at worst."""
    assert {seed: one.error for seed in range(count) if (one := COURSES[kind](seed)).error > 1e-6} == {}


@settings(max_examples=10)
@given(st.integers(0, 10**6), st.sampled_from(["arm", "plant", "surface"]))
@example(382336, "plant")  # a share that turns its sign between two looks
@example(424, "plant")  # it meets a stop while it is driven away from it
def test_looks_change_no_course(seed: int, kind: str) -> None:
    few, many = (COURSES[kind](seed, looks=looks) for looks in (0, 12))
    assert many.places_deg == pytest.approx(few.places_deg, abs=1e-9)
    assert many.books.supplied == pytest.approx(few.books.supplied, rel=1e-6, abs=1e-9)


def test_a_balance_that_is_wrong_is_seen() -> None:
    """The check can fail: one thousandth of a winding's heat forgotten is seen in its books."""
    one = COURSES["surface"](0)
    one.books.winding *= 0.999
    assert one.books.error(0.0) > 1e-5


def test_a_limp_unbalanced_undamped_surface_keeps_its_energy() -> None:
    """Nothing brakes it: after 10 s it has what it had, and swings as high as it was let go. Source: conservation."""
    clock = [0]
    free = ActuatorModel("free", friction=0.0, moving_current_ma=60, time_constant_ms=0.0)
    arm = Arm(0.0, 100.0, motor=free.motor())
    hinge = Hinge(area_m2=0.1, chord_m=0.1, b2=-0.8, unbalance_nm=0.4, inertia_kgm2=0.004)
    surface = Surface("s", [Member("a", arm, 2.5, 2.0)], hinge, lambda: clock[0])
    surface.set_airspeed(20.0)
    surface.put(-30.0)
    begin = surface.stored_j()
    lowest = 0.0
    for clock[0] in range(0, 10 * S, 7 * MS):
        lowest = min(lowest, surface.deg)
        link_nm = abs(surface.torques_mnm()["a"]) / 1000
    swing = abs(hinge.stored_j(-30.0, 20.0)) + hinge.spring_nm_rad(20.0)
    assert surface.stored_j() == pytest.approx(begin, abs=1e-6 * swing)
    assert -30.0 - 1e-6 <= lowest < -29.0
    assert link_nm < 1e-6  # its shaft weighs nothing and goes along


def test_a_course_of_the_arm_against_an_ode_solver_with_its_own_calculation() -> None:
    """Joules in and heat of the winding over a move, by solve_ivp on V I and I^2 R; to 1e-6."""
    integrate = pytest.importorskip("scipy.integrate")
    motor = ActuatorModel("any", friction=0.04, time_constant_ms=12.0).motor()
    arm = Arm(0.0, 100.0, 1e9, motor=motor)
    arm.engage(0)
    arm.aim(40.0, 0)
    books = Books()
    arm.run.book(books, 0, 60 * MS)
    volts, amps, w0 = 8.4, 4.0 - 0.06, 400.0
    drag = 0.29 / amps - 0.04
    emf = w0 / (1 - 0.04 - drag)
    ohm, ripple = 8.4 / (4.0 - 0.012), 0.048

    def turns(_: float, y: list[float]) -> list[float]:
        share = 1 - y[1] / emf
        inertia = 0.012 * 0.96 / w0
        current = share * amps
        return [
            y[1],
            (share - 0.04 - drag * y[1] / w0) / inertia,
            volts * y[1] / emf * current + ohm * (ripple + current) ** 2,
            ohm * (ripple + current) ** 2,
        ]

    solved = integrate.solve_ivp(turns, (0, 0.06), [0.0, 0.0, 0.0, 0.0], rtol=1e-11, atol=1e-12)
    arm.move_to(60 * MS)
    assert arm.position_deg == pytest.approx(solved.y[0][-1], rel=1e-8)
    assert books.supplied == pytest.approx(solved.y[2][-1], rel=1e-6)
    assert books.winding == pytest.approx(solved.y[3][-1], rel=1e-6)


def test_to_speed_up_and_brake_costs_current_and_warms() -> None:
    """4 Hz, +-8 deg, 50 demands a second: the mean of I^2 R by the course's own acceleration tells how warm it gets.

    Outside calculation: the current that inertia, friction and drag take, every 0.25 ms, from places alone.
    """
    model = ActuatorModel("any", time_constant_ms=14.0, added_inertia=2.0, stall_current_ma=4800)
    heat = model.heat()
    arm = Arm(0.0, 100.0, 1000.0, motor=model.motor(), heat=heat)
    heat.start(0)
    arm.engage(0)
    tick_ns, count, told = MS // 4, 8000, 0.0
    places: list[float] = []
    for tick in range(count):
        if tick % 80 == 0:
            arm.aim(8 * math.sin(2 * math.pi * 4 * tick * tick_ns / S), tick * tick_ns)
        arm.move_to(tick * tick_ns)
        places.append(arm.run.course.at(tick * tick_ns)[0])
        told += (arm.current_ma - 12) ** 2 / count
    speeds = [(after - one) / tick_ns * S for one, after in pairwise(places)]
    shares = [
        arm.motor.torque_fraction((one + after) / 2, (after - one) / tick_ns * S) for one, after in pairwise(speeds)
    ]
    outside = sum((48 + 4740 * abs(one)) ** 2 for one in shares) / len(shares)
    assert told == pytest.approx(outside, rel=0.05)
    ends_k = 20 * 8.4 / 4.788 * told / 1e6
    assert heat.degc(2 * S) - 22 == pytest.approx(ends_k * -math.expm1(-2 / 120), rel=0.02)
    assert ends_k > 20  # friction and drag alone would leave it at 2 K


def held_against(load_nm: float, model: ActuatorModel = MODEL, power: float = 1.0) -> tuple[Surface, Arm, list[int]]:
    """A surface that an actuator holds at 0 deg, pushed for 3 s."""
    clock = [0]
    arm = Arm(0.0, 100.0, motor=model.motor(), power=power)
    surface = Surface("s", [Member("a", arm, 2.5, 5.0)], Hinge(inertia_kgm2=0.001), lambda: clock[0])
    arm.engage(0)
    clock[0] = 10 * MS
    surface.push(load_nm)
    clock[0] = 3 * S
    arm.move_to(3 * S)
    return surface, arm, clock


@pytest.mark.parametrize("power", [1.0, 0.88, 0.5])
def test_at_stall_no_more_flows_than_the_supply_over_the_resistance(power: float) -> None:
    """Source: Ohm's law; 8.4 V and 4 A make 2.106 ohm of winding behind 12 mA of electronics."""
    _, arm, _ = held_against(8.0, power=power)
    assert arm.current_ma == pytest.approx(12 + power * 3988, abs=1e-6)


def test_what_a_stalled_one_takes_becomes_heat_altogether() -> None:
    surface, _, clock = held_against(8.0)
    books = surface.keep_books()
    clock[0] += S
    surface.changes(clock[0])
    assert books.supplied == pytest.approx(8.4 * 3.988, rel=1e-6)
    assert books.winding == pytest.approx(books.supplied, rel=1e-6)


def ends(model: ActuatorModel) -> Any:
    """Torque, speed and the power balance of a model at its rated supply."""
    motor = model.motor()
    return motor.torque_fraction(motor.no_load_deg_s, 0.0), motor.stall_nm * motor.no_load_deg_s * RAD, motor.efficiency


def test_the_ratings_are_met() -> None:
    """Moving without load 350 mA at 400 deg/s, by the line of a DC motor (any text on control)."""
    motor = MODEL.motor()
    share, _, efficiency = ends(MODEL)
    assert motor.idle_ma + motor.winding_ma(share) == pytest.approx(350.0)
    assert 1 - motor.no_load_deg_s / motor.emf_deg_s == pytest.approx(share)
    assert 0.5 < efficiency < 1
