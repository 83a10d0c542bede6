"""The actuator under load: published values, other libraries, held against closed forms, and their inverses."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.rig import drive
from busproto.rig.drive import FULLY_LIMITED, Drive, LimpSurface, sine_answer
from busproto.rig.units import speed_deg_s
from tests.rig.outside import library

STRONG = Drive(no_load_deg_s=300.0, stall_nm=2.4516625, inertia_kg_m2=0.01)
LIMP = LimpSurface(inertia_kg_m2=0.002, damping_nm_s=0.02, stiffness_nm_rad=3.528)
drives = st.builds(Drive, st.floats(50.0, 1500.0), st.floats(0.1, 40.0), st.floats(0.0, 0.2))
loads = st.floats(-0.5, 0.95)


def test_pure_rate_limit() -> None:
    assert drive.rate_limited_s(90.0, 300.0) == pytest.approx(0.300, rel=1e-12)


def test_speed_and_acceleration_limit() -> None:
    """Trapezoidal profile; Lynch & Park, Modern Robotics, chapter 9, from memory."""
    assert drive.profile_s(90.0, 300.0, 3000.0) == pytest.approx(0.400, rel=1e-4)
    assert drive.profile_s(20.0, 300.0, 3000.0) == pytest.approx(0.163299, rel=1e-4)
    assert drive.profile_crossover_deg(300.0, 3000.0) == 30.0


@given(st.floats(0.1, 1000.0), st.floats(0.1, 1000.0))
def test_both_shapes_meet_at_the_crossover(limit: float, acceleration: float) -> None:
    crossover = drive.profile_crossover_deg(limit, acceleration)
    below, above = (drive.profile_s(crossover * share, limit, acceleration) for share in (1 - 1e-9, 1.0))
    assert below == pytest.approx(above, rel=1e-7)
    assert drive.profile_s(crossover * 3, limit, acceleration) > drive.rate_limited_s(crossover * 3, limit)


def test_onset_of_rate_limiting() -> None:
    assert drive.limiting_onset_hz(30.0, 300.0) == pytest.approx(1.59155, rel=1e-5)
    assert pytest.approx(1.86210, rel=1e-5) == FULLY_LIMITED
    below = sine_answer(30.0, 300.0, 1.59)
    assert (below.gain, below.phase_deg, below.peak_deg) == (1.0, 0.0, 30.0)


def test_fully_limited_sine() -> None:
    """Describing function; Duda, J. Guidance 20(3) 1997, from memory."""
    answer = sine_answer(30.0, 300.0, 2 * drive.limiting_onset_hz(30.0, 300.0))
    assert answer.gain == pytest.approx(0.63662, rel=2e-3)
    assert answer.phase_deg == pytest.approx(-38.242, abs=0.1)
    assert answer.peak_deg == pytest.approx(23.562, rel=2e-3)


@pytest.mark.parametrize("steep", [1.0, 1.05, 1.2, 1.5, 1.8, 1.86, 1.87, 2.0, 3.5])
def test_a_limited_sine_against_a_follower_stepped_through_time(steep: float) -> None:
    """A follower that goes towards the sine by at most its limit a step, its fundamental summed: no formula of ours."""
    count, cycles = 20_000, 6
    limit = 1.0 / steep * 2 * math.pi / count  # amplitude 1: the sine's steepest step is 2 pi / count
    at, in_phase, across, peak = 0.0, 0.0, 0.0, 0.0
    for index in range(count * cycles):
        phase = 2 * math.pi * index / count
        at += min(limit, max(-limit, math.sin(phase) - at))
        if index >= count * (cycles - 1):
            in_phase += at * math.sin(phase) * 2 / count
            across += at * math.cos(phase) * 2 / count
            peak = max(peak, at)
    answer = sine_answer(1.0, 1.0, steep / (2 * math.pi))
    assert answer.gain == pytest.approx(math.hypot(in_phase, across), rel=2e-3)
    assert answer.phase_deg == pytest.approx(math.degrees(math.atan2(across, in_phase)), abs=0.1)
    assert answer.peak_deg == pytest.approx(peak, rel=2e-3)


def test_no_jump_where_the_answer_becomes_a_triangle() -> None:
    below, above = (sine_answer(1.0, 1.0, FULLY_LIMITED * share / (2 * math.pi)) for share in (1 - 1e-7, 1 + 1e-7))
    assert below.gain == pytest.approx(above.gain, rel=1e-5)
    assert below.phase_deg == pytest.approx(above.phase_deg, abs=1e-3)
    assert below.peak_deg == pytest.approx(above.peak_deg, rel=1e-5)


def test_dead_zone() -> None:
    """Gelb & Vander Velde; Slotine & Li chapter 5; from memory."""
    assert drive.dead_zone_gain(2.0, 1.0) == pytest.approx(0.391002, abs=1e-6)
    assert drive.dead_zone_gain(1.0, 1.0) == 0.0
    assert drive.dead_zone_gain(1.0, 0.0) == 1.0


@pytest.mark.parametrize("half_width", [0.05, 0.25, 0.5, 0.9, 0.999])
def test_dead_zone_against_the_integral(half_width: float) -> None:
    def behind(phase: float) -> float:
        return max(0.0, math.sin(phase) - half_width) * math.sin(phase)

    edge = math.asin(half_width)
    half, _ = library("scipy.integrate").quad(behind, edge, math.pi - edge, epsabs=1e-13)
    assert drive.dead_zone_gain(1.0, half_width) == pytest.approx(2 * half / math.pi, abs=1e-6)


def test_dc_motor_under_load() -> None:
    """Linear torque-speed line, any text on control."""
    assert STRONG.time_constant_s == pytest.approx(0.0213569, rel=1e-4)
    assert STRONG.steady_deg_s(1.0) == pytest.approx(177.634, rel=1e-4)
    assert STRONG.time_s(60.0, 1.0) == pytest.approx(0.359130, rel=1e-4)


@pytest.mark.parametrize(("angle_deg", "load_nm"), [(60.0, 1.0), (5.0, 0.0), (120.0, 2.4), (30.0, -1.0)])
def test_dc_motor_against_the_differential_equation_integrated(angle_deg: float, load_nm: float) -> None:
    def slope(_: float, state: list[float]) -> list[float]:
        torque = STRONG.stall_nm * (1 - state[1] / math.radians(STRONG.no_load_deg_s)) - load_nm
        return [state[1], torque / STRONG.inertia_kg_m2]

    def there(_: float, state: list[float]) -> float:
        return float(state[0]) - math.radians(angle_deg)

    there.terminal = True  # type: ignore[attr-defined]
    done = library("scipy.integrate").solve_ivp(slope, (0, 100), [0, 0], events=there, rtol=1e-10, atol=1e-12)
    assert STRONG.time_s(angle_deg, load_nm) == pytest.approx(float(done.t_events[0][0]), rel=1e-6)


def test_second_order_step() -> None:
    """Ogata; Franklin; from memory."""
    step = drive.second_order_step(0.5, 10.0)
    assert step.overshoot == pytest.approx(0.163034, rel=1e-3)
    assert step.peak_s == pytest.approx(0.362760, rel=1e-3)


def test_a_step_against_a_control_library() -> None:
    control = library("control")
    found = control.step_info(control.tf([100], [1, 10, 100]))
    step = drive.second_order_step(0.5, 10.0)
    assert step.overshoot * 100 == pytest.approx(found["Overshoot"], rel=1e-3)
    assert step.peak_s == pytest.approx(found["PeakTime"], rel=1e-3)


def test_supply_scaling() -> None:
    """Linear model; drives that regulate do not follow it."""
    slow = Drive(speed_deg_s("0.10 s/60 deg"), 1.0).at_supply(6.0, 7.4)
    assert slow.time_s(60.0) == pytest.approx(0.12333, rel=1e-4)
    assert slow.stall_nm == pytest.approx(0.81081, rel=1e-4)


def test_limp_surface() -> None:
    """Logarithmic decrement."""
    assert LIMP.swings_hz == pytest.approx(6.63697, rel=1e-4)
    assert LIMP.damping_ratio == pytest.approx(0.119048, rel=1e-4)
    extremes = LIMP.extremes(20.0, 3)
    assert [angle for _, angle in extremes] == pytest.approx([-13.7227, 9.4157, -6.4603], rel=1e-4)
    assert [time for time, _ in extremes] == pytest.approx([0.075336 * turn for turn in (1, 2, 3)], rel=1e-4)


@pytest.mark.parametrize("damping", [0.0, 0.02, 0.1, 0.15])
def test_extremes_against_the_differential_equation_integrated(damping: float) -> None:
    limp = LimpSurface(0.002, damping, 3.528)

    def slope(_: float, state: list[float]) -> list[float]:
        return [state[1], -(damping * state[1] + 3.528 * state[0]) / 0.002]

    def turns(_: float, state: list[float]) -> float:
        return float(state[1])

    extremes = limp.extremes(20.0, 3)
    end_s = extremes[-1][0] * 1.1
    done = library("scipy.integrate").solve_ivp(slope, (1e-6, end_s), [20.0, 0.0], events=turns, rtol=1e-10, atol=1e-10)
    found = [(time, state[0]) for time, state in zip(done.t_events[0], done.y_events[0], strict=True) if time > 1e-3]
    assert [time for time, _ in extremes] == pytest.approx([time for time, _ in found], rel=1e-4)
    assert [angle for _, angle in extremes] == pytest.approx([angle for _, angle in found], rel=1e-3)


def test_with_much_damping_it_creeps() -> None:
    assert LimpSurface(0.002, 1.0, 3.528).extremes(20.0, 3) == ()
    critical = 2 * math.sqrt(0.002 * 3.528)
    assert LimpSurface(0.002, critical * (1 - 1e-6), 3.528).swings_hz > 0.0
    assert LimpSurface(0.002, critical * (1 + 1e-6), 3.528).swings_hz == 0.0


def test_loss_detection() -> None:
    """Common practice, no source: time-out T, frames every P; T to T + P after the last wanted frame."""
    window = drive.loss_window(500.0, 20.0)
    assert window.after_frame_ms == (500.0, 520.0)
    assert window.after_loss_ms == (480.0, 520.0)


@given(drives, st.floats(0.01, 400.0), loads, loads)
def test_more_load_takes_longer_and_inertia_too(one: Drive, angle_deg: float, first: float, second: float) -> None:
    low, high = sorted((first * one.stall_nm, second * one.stall_nm))
    assert one.time_s(angle_deg, low) <= one.time_s(angle_deg, high) * (1 + 1e-12)
    light = Drive(one.no_load_deg_s, one.stall_nm)
    assert light.time_s(angle_deg, low) <= one.time_s(angle_deg, low) * (1 + 1e-12)


@given(st.floats(1.0, 10.0), st.floats(1.0, 10.0))
def test_a_faster_sine_is_followed_less_and_later(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assume(high - low > 1e-6)
    slow, fast = (sine_answer(7.0, 90.0, steep * drive.limiting_onset_hz(7.0, 90.0)) for steep in (low, high))
    assert fast.gain <= slow.gain + 1e-9
    assert fast.phase_deg <= slow.phase_deg + 1e-6
    assert fast.peak_deg <= slow.peak_deg + 1e-9


@pytest.mark.parametrize(("constant", "ohm"), [(0.01, 1.0), (0.02, 0.3)])
def test_an_ideal_motor_has_as_much_torque_times_speed_as_volts_times_amps(constant: float, ohm: float) -> None:
    """The two laws of a DC motor: torque k I, voltage k w + R I; any text on drives. Peak power at half the stall."""
    volts, gear = 8.4, 250.0
    stall_nm, free_rad_s = gear * constant * volts / ohm, volts / constant / gear
    one = Drive(math.degrees(free_rad_s), stall_nm)
    assert drive.rating_share(one, volts, volts / ohm) == pytest.approx(1.0)
    powers = [stall_nm * (1 - at / 1000) * free_rad_s * at / 1000 for at in range(1001)]
    assert one.peak_w == pytest.approx(max(powers))
    assert one.peak_w == pytest.approx(volts * volts / ohm / 4)  # at the point of most power half of it is heat
    assert drive.rating_share(one, volts, volts / ohm / 4) == pytest.approx(4.0)
    assert one.peak_w == pytest.approx(volts * (volts / ohm / 4))  # above that it gives more than it takes


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: STRONG.steady_deg_s(3.0), "a load of 3 N m holds a drive with 2.45166 N m: it does not move"),
        (lambda: STRONG.time_s(-1.0), "the angle is -1 deg"),
        (lambda: Drive(0.0, 1.0), "the no-load speed is 0 deg/s"),
        (lambda: Drive(1.0, 1.0, math.inf), "the inertia is inf kg m^2"),
        (lambda: drive.second_order_step(1.0, 10.0), "no overshoot and no peak"),
        (lambda: drive.second_order_step(-0.1, 10.0), "the damping ratio is -0.1; 0 to 1 is allowed"),
        (lambda: drive.loss_window(50.0, 100.0), "begin between good frames"),
        (lambda: LimpSurface(0.002, 0.0, 0.0), "the stiffness is 0 N m/rad"),
        (lambda: sine_answer(1.0, 1.0, 0.0), "the frequency is 0 Hz"),
    ],
)
def test_what_cannot_be_is_refused(call: object, text: str) -> None:
    assert callable(call)
    with pytest.raises(InputError, match=re.escape(text)):
        call()
