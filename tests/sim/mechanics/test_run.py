"""Current and energies of a course, against sums in fine steps of the motor's own equations.

The sums are made here from the ratings, by formulas of their own: none of what the motor calculates is used.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from itertools import pairwise

import pytest

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.mechanics.motion_course import Course, Limits
from busproto.sim.mechanics.motion_run import Run, book_lag, moving_j
from busproto.sim.mechanics.motor import Books, Motor
from tests.sim.helpers import MS, S

RAD = math.pi / 180
MODEL = ActuatorModel("any", friction=0.05, added_inertia=0.6, time_constant_ms=12.0, moving_current_ma=500)
FREE_DEG_S, STALL_NM, VOLTS = 400.0, 2.5, 8.4
IDLE_A, RIPPLE_A, MOTOR_A = 0.012, 0.048, 3.94
OHM = VOLTS / (MOTOR_A + RIPPLE_A)
FRICTION = 0.05
DRAG = 0.44 / 3.94 - FRICTION
EMF_DEG_S = FREE_DEG_S / (1 - FRICTION - DRAG)
INERTIA = 0.012 * (1 - FRICTION) / FREE_DEG_S
"""Fraction of the stall torque per deg/s^2, of motor and gear alone."""
EFFICIENCY = STALL_NM * EMF_DEG_S * RAD / (VOLTS * MOTOR_A)


def winding_a(fraction: float, power: float) -> float:
    """Current for a torque, which also ripples; the supply gives no more than U / R."""
    return min(RIPPLE_A + MOTOR_A * abs(fraction), power * VOLTS / OHM)


def powers_w(fraction: float, speed: float, load: float, power: float) -> dict[str, float]:
    """What each force and loss takes at a moment, by the names of the books."""
    amps, shaft_w = winding_a(fraction, power), fraction * STALL_NM * speed * RAD
    drives = shaft_w > 0
    supplied = OHM * amps**2 + (VOLTS * speed / EMF_DEG_S * fraction * MOTOR_A if drives else shaft_w)
    return {
        "supplied": supplied,
        "turned": abs(supplied),
        "winding": OHM * amps**2,
        "lost": shaft_w * (1 / EFFICIENCY - 1) if drives else 0.0,
        "friction": FRICTION * STALL_NM * abs(speed) * RAD,
        "drag": DRAG * STALL_NM * speed * RAD * speed / FREE_DEG_S,
        "brought": -load * STALL_NM * speed * RAD,
    }


def held(speed: float) -> float:
    return math.copysign(FRICTION, speed) if speed else 0.0


def torque(run: Run, at_ns: float) -> tuple[float, float]:
    """Torque as a fraction of the stall torque, and speed, at a moment, by how the course moves around it."""
    _, speed, acceleration = run.course.motion(round(at_ns))
    return 1.6 * INERTIA * acceleration + held(speed) + DRAG * speed / FREE_DEG_S + run.load, speed


RUNS: dict[str, tuple[tuple[float, float], float, Limits, float, float]] = {
    "rated": ((0.0, 0.0), 40.0, Limits(250.0, 400.0, 400.0, 0.0192), 0.0, 1.0),
    "full speed": ((0.0, 0.0), 90.0, Limits(1000.0, 400.0, 400.0, 0.0192), 0.0, 1.0),
    "to minus": ((10.0, 0.0), -30.0, Limits(250.0, 400.0, 400.0, 0.0192, 6000.0), 0.0, 1.0),
    "turning": ((0.0, -200.0), 30.0, Limits(300.0, 400.0, 400.0, 0.0192, 4000.0), 0.0, 1.0),
    "loaded": ((0.0, 0.0), 40.0, Limits(300.0, 280.0, 520.0, 0.0192), 0.29, 1.0),
    "pulled": ((0.0, 0.0), 40.0, Limits(300.0, 500.0, 300.0, 0.0192), -0.24, 1.0),
    "pulled fast": ((0.0, 0.0), 90.0, Limits(1000.0, 526.0, 273.0, 0.0192), -0.3, 1.0),
    "gently": ((0.0, 0.0), 60.0, Limits(250.0, 400.0, 400.0, 0.0192, 1600.0), 0.0, 1.0),
    "cut back": ((0.0, 0.0), 40.0, Limits(300.0, 189.47, 189.47, 0.0192), 0.0, 0.5),
    "soft": ((0.0, 0.0), 40.0, Limits(300.0, 400.0, 400.0, 0.0192, math.inf, 0.3), 0.0, 1.0),
    "without a lag": ((0.0, 0.0), 40.0, Limits(300.0, 400.0, 400.0, 0.0, 3000.0), 0.0, 1.0),
}


def run_of(name: str, begin_ns: int = 0) -> Run:
    at, target_deg, limits, load, power = RUNS[name]
    return Run(Course(at, target_deg, begin_ns, 0.0, limits), MODEL.motor(), load, power)


def joints_ns(course: Course, from_ns: int, until_ns: int) -> list[int]:
    """The moments between which nothing has a jump."""
    inner = {course.start_ns + round(one.at_s * S) for one in course.phases}
    return [from_ns, *sorted(one for one in inner if from_ns < one < until_ns), until_ns]


def summed(run: Run, from_ns: int, until_ns: int, what: Callable[[float, float], float], steps: int = 300) -> float:
    """A value that depends on torque and speed, summed up over the time by the midpoint rule, phase by phase."""
    total = 0.0
    for low_ns, high_ns in pairwise(joints_ns(run.course, from_ns, until_ns)):
        step_ns = (high_ns - low_ns) / steps
        total += sum(what(*torque(run, low_ns + (k + 0.5) * step_ns)) for k in range(steps)) * step_ns / S
    return total


@pytest.mark.parametrize("name", RUNS)
def test_each_entry_of_the_books_is_the_work_of_its_own_force(name: str) -> None:
    """Over the whole way, and from some moment of it to another: to 1e-4 of what was turned over."""
    end_ns = run_of(name).end_ns
    for from_ns, until_ns in ((0, end_ns), (end_ns // 5, end_ns * 3 // 5)):
        run, books = run_of(name, S), Books()
        run.book(books, S + from_ns, S + until_ns)
        found = dataclasses.asdict(books)
        for entry in powers_w(0.0, 0.0, 0.0, 1.0):

            def what(fraction: float, speed: float, run: Run = run, entry: str = entry) -> float:
                return powers_w(fraction, speed, run.load, run.power)[entry]

            near = 1e-4 if entry != "turned" else 5e-3  # only a measure: where its sign changes is not looked for
            wanted = summed(run, S + from_ns, S + until_ns, what)
            assert found.pop(entry) == pytest.approx(wanted, abs=near * books.turned), entry
        assert set(found.values()) == {0.0}  # nothing stops it, and nothing is linked to it


@pytest.mark.parametrize("name", RUNS)
def test_what_goes_in_comes_out_or_moves(name: str) -> None:
    """The balance at any moment of the way: to 1e-9 of what was turned over."""
    run = run_of(name)
    before = moving_j(run.motor, run.course.motion(0)[1])
    for part in range(1, 12):
        books, now_ns = Books(), run.end_ns * part // 10
        run.book(books, 0, now_ns)
        assert books.error(moving_j(run.motor, run.course.motion(now_ns)[1]) - before) < 1e-9


@pytest.mark.parametrize("name", RUNS)
def test_the_books_do_not_depend_on_where_they_are_added_to(name: str) -> None:
    """At once or in eleven parts: to 1e-9. The torque turns, or comes to its limit, somewhere within a part."""
    run, whole, parts = run_of(name), Books(), Books()
    run.book(whole, 0, run.end_ns)
    edges_ns = [run.end_ns * k // 11 for k in range(12)]
    for from_ns, until_ns in pairwise(edges_ns):
        run.book(parts, from_ns, until_ns)
    for entry, joules in dataclasses.asdict(whole).items():
        near = 1e-2 if entry == "turned" else 1e-9
        assert getattr(parts, entry) == pytest.approx(joules, abs=near * whole.turned), entry


@pytest.mark.parametrize("name", RUNS)
def test_the_mean_square_of_the_current_is_that_of_the_torque_that_the_motion_takes(name: str) -> None:
    """The ripple counts with the mean of the torque itself, so it is compared without."""
    motor = dataclasses.replace(MODEL.motor(), hold_ma=12.0, moving_ma=452.0, stall_ma=3952.0)
    assert (motor.motor_ma, motor.idle_ma) == (1000 * MOTOR_A, 12.0)
    assert motor.drag == pytest.approx(DRAG)
    run = run_of(name, S)._replace(motor=motor, power=math.inf)
    lasting_ns = run.end_ns - S
    for from_ns, until_ns in ((S, run.end_ns), (S + lasting_ns // 50, S + lasting_ns * 9 // 10)):
        parts = [*run.parts(from_ns, until_ns)]
        assert sum(lasting_s for lasting_s, _ in parts) == pytest.approx((until_ns - from_ns) / S)
        found = sum(lasting_s * (ma / 1000) ** 2 for lasting_s, ma in parts)
        wanted = summed(run, from_ns, until_ns, lambda fraction, _: (MOTOR_A * fraction) ** 2)
        assert found == pytest.approx(wanted, rel=3e-4)


def test_a_current_that_ripples_warms_by_that_too() -> None:
    """Where the torque is the same all over a part: 48 mA and 3.94 A for each fraction of the stall torque."""
    run = run_of("rated")._replace(load=0.1)
    (part,) = run.parts(run.end_ns * 5 // 10, run.end_ns * 6 // 10)
    fraction = FRICTION + DRAG * 250.0 / FREE_DEG_S + 0.1
    assert part == pytest.approx((run.end_ns / S / 10, 48.0 + 3940.0 * fraction), rel=1e-6)


def test_no_more_current_than_the_supply_gives_warms_it() -> None:
    """It would take nearly all of the stall current to speed up like that."""
    run = run_of("full speed")._replace(power=0.3)
    assert [ma for _, ma in run.parts(0, MS)] == [pytest.approx(300 * (MOTOR_A + RIPPLE_A))]


def test_a_run_ends_with_its_course() -> None:
    run = run_of("rated", S)
    assert run.end_ns == run.course.end_ns > S
    assert [run.is_over(run.end_ns + one) for one in (-1, 0, 1)] == [False, True, True]
    assert [*run.parts(run.end_ns, run.end_ns + S)] == []


def test_books_are_added_entry_by_entry() -> None:
    names = [one.name for one in dataclasses.fields(Books)]
    one, other = (Books(**{name: float(k * k + more) for k, name in enumerate(names)}) for more in (1, 100))
    one.add(other)
    assert dataclasses.asdict(one) == {name: 2.0 * k * k + 101.0 for k, name in enumerate(names)}
    assert other.supplied == 100.0


# --- a drive that stays as it is ---------------------------------------------------------------------------------


def lag_powers_w(speed: float, push: float | None) -> dict[str, float]:
    """As `powers_w`, by the drive's voltage: a fraction of the rated supply, None for a shorted winding."""
    work_w = STALL_NM * RAD
    drags = {"friction": FRICTION * abs(speed) * work_w, "drag": DRAG * speed * speed / FREE_DEG_S * work_w}
    if push is None:  # its own back EMF brakes it, and all of that becomes heat of the winding
        return {**drags, "winding": speed * speed / EMF_DEG_S * work_w}
    return {k: v for k, v in powers_w(push - speed / EMF_DEG_S, speed, 0.0, math.inf).items() if k != "brought"}


@pytest.mark.parametrize("push", [1.0, 0.4, 0.0, -0.7, None])
@pytest.mark.parametrize(("ends_at", "fading"), [(300.0, -300.0), (100.0, 250.0), (-50.0, 300.0), (0.0, 200.0)])
def test_books_of_a_steady_drive(push: float | None, ends_at: float, fading: float) -> None:
    """The speed fades from one to the other with the motor's own lag; the sums are made over 8 000 steps."""
    books, lasting_s, steps = Books(), 0.05, 8000
    motor = MODEL.motor()
    book_lag(books, motor, push, ends_at, fading, lasting_s)
    wanted: dict[str, float] = dict.fromkeys(dataclasses.asdict(books), 0.0)
    for k in range(steps):
        speed = ends_at + fading * math.exp(-(k + 0.5) * lasting_s / steps / 0.012)
        for entry, watts in lag_powers_w(speed, push).items():
            wanted[entry] += watts * lasting_s / steps
    turned = wanted.pop("turned")
    assert books.turned == pytest.approx(turned, rel=5e-3)
    size = max(turned, wanted["winding"])
    for entry, joules in wanted.items():
        # the friction's own turn, where the speed changes its sign, is not looked for
        near = 2e-3 if entry == "friction" and ends_at * (ends_at + fading) < 0 else 1e-5
        assert getattr(books, entry) == pytest.approx(joules, abs=near * size), entry


@pytest.mark.parametrize("push", [1.0, 0.4, 0.0, -0.7])
@pytest.mark.parametrize(("ends_at", "fading"), [(300.0, -200.0), (100.0, 250.0), (390.0, -300.0)])
def test_books_of_a_steady_drive_do_not_depend_on_where_they_are_added_to(
    push: float, ends_at: float, fading: float
) -> None:
    whole, parts = Books(), Books()
    motor = MODEL.motor()
    book_lag(whole, motor, push, ends_at, fading, 0.05)
    for k in range(7):
        book_lag(parts, motor, push, ends_at, fading * math.exp(-k * 0.05 / 7 / motor.lag_s), 0.05 / 7)
    for entry, joules in dataclasses.asdict(whole).items():
        near = 1e-2 if entry == "turned" else 1e-9
        assert getattr(parts, entry) == pytest.approx(joules, abs=near * whole.turned), entry


def test_what_moves_has_the_energy_of_its_inertia() -> None:
    """Half of inertia times speed squared; the inertia is stall torque over the acceleration that it alone gives."""
    kgm2 = STALL_NM / (1 / INERTIA * RAD) * 1.6
    assert moving_j(MODEL.motor(), 120.0) == pytest.approx(kgm2 * (120.0 * RAD) ** 2 / 2)
    assert moving_j(MODEL.motor(), -120.0) == moving_j(MODEL.motor(), 120.0)


# --- the motor's own values --------------------------------------------------------------------------------------


def test_a_motor_has_what_its_ratings_say() -> None:
    """Free speed, back EMF, resistance, efficiency: each worked out from the ratings by hand."""
    motor = MODEL.motor()
    assert motor.free_deg_s(1.0) == pytest.approx(FREE_DEG_S)
    assert motor.free_deg_s(0.5) == pytest.approx(FREE_DEG_S * 0.45 / 0.95)
    assert motor.free_deg_s(FRICTION) == pytest.approx(0.0)
    assert motor.emf_deg_s == pytest.approx(EMF_DEG_S)
    assert motor.ohm == pytest.approx(OHM)
    assert motor.efficiency == pytest.approx(EFFICIENCY)
    assert motor.fraction_s2_deg == pytest.approx(INERTIA)
    assert [motor.winding_ma(one) for one in (0.0, 0.5, -0.5)] == [48.0, 48.0 + 1970.0, 48.0 + 1970.0]
    assert motor.winding_ma(0.9, 0.5) == pytest.approx(500 * VOLTS / OHM)
    for speed, acceleration, load in ((100.0, 2000.0, 0.1), (-100.0, 0.0, 0.0), (0.0, 500.0, -0.2)):
        wanted = 1.6 * INERTIA * acceleration + held(speed) + DRAG * speed / FREE_DEG_S + load
        assert motor.torque_fraction(speed, acceleration, load) == pytest.approx(wanted)


@pytest.mark.parametrize(("fraction", "speed"), [(0.5, 200.0), (-0.5, -200.0), (0.5, -200.0), (-0.3, 90.0), (0.2, 0.0)])
def test_power_in_is_winding_shaft_and_losses(fraction: float, speed: float) -> None:
    motor, wanted = MODEL.motor(), powers_w(fraction, speed, 0.0, 1.0)
    assert motor.electrical_w(fraction, speed, 1.0) == pytest.approx(wanted["supplied"])
    assert motor.lost_w(fraction, speed) == pytest.approx(wanted["lost"])
    shaft_w = fraction * STALL_NM * speed * RAD
    assert wanted["supplied"] == pytest.approx(wanted["winding"] + shaft_w + motor.lost_w(fraction, speed))


def test_a_motor_without_ratings_has_no_resistance_that_could_warm_it() -> None:
    plain = Motor(no_load_deg_s=300.0)
    assert plain.ohm == math.inf
    assert plain.efficiency == 1.0
    assert Motor(no_load_deg_s=300.0, stall_nm=1.0).efficiency == math.inf
    assert plain.winding_ma(0.7) == 0.0


def test_a_motor_whose_supply_is_not_stated_counts_no_energy_and_no_drag() -> None:
    plain = Motor(no_load_deg_s=300.0, stall_ma=1000.0)
    assert (plain.drag, plain.ohm, plain.motor_ma) == (0.0, 0.0, 1000.0)
    assert plain.winding_ma(0.5) == 500.0
    assert plain.electrical_w(0.5, 100.0) == plain.electrical_w(-0.5, 100.0) == plain.lost_w(-0.5, 100.0) == 0.0


def test_drag_is_never_below_zero_nor_all_that_friction_leaves() -> None:
    """Ratings that contradict each other: little current while moving, or much."""
    few, many = (
        Motor(no_load_deg_s=300.0, friction=0.2, hold_ma=50.0, moving_ma=ma, stall_ma=1050.0) for ma in (60.0, 1040.0)
    )
    assert few.drag == 0.0
    assert many.drag == pytest.approx(0.9 * 0.8)
    assert Motor(no_load_deg_s=300.0, moving_ma=100.0, hold_ma=50.0, stall_ma=20.0).drag == 0.0
