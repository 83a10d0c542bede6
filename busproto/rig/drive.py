"""The actuator under load, in closed form: how fast it gets where, how it follows, what a limp surface does.

The drive is taken as a DC motor behind a gear: its speed falls in a straight line from no-load speed to zero at stall
torque (any text on control). Angles at the actuator's output, deg; torques at the output, N m; inertias at the output,
kg m^2; times in s. Not modelled: current limits, heat, friction, elasticity of the gear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import finite, not_negative, positive, within

FULLY_LIMITED: Final = math.sqrt(1.0 + math.pi * math.pi / 4.0)
"""Frequency over the onset of rate limiting above which the answer to a sine is a triangle."""


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive with a straight torque-speed line.

    Attributes:
        no_load_deg_s: speed without load, above 0.
        stall_nm: torque at which it stands, above 0.
        inertia_kg_m2: of everything it turns, seen at its output, not below 0.

    Raises:
        InputError: outside that.
    """

    no_load_deg_s: float
    stall_nm: float
    inertia_kg_m2: float = 0.0

    def __post_init__(self) -> None:
        positive("the no-load speed", self.no_load_deg_s, "deg/s")
        positive("the stall torque", self.stall_nm, "N m")
        not_negative("the inertia", self.inertia_kg_m2, "kg m^2")

    @property
    def time_constant_s(self) -> float:
        """J w0 / stall torque: how fast it comes up to speed, under any constant load."""
        return self.inertia_kg_m2 * math.radians(self.no_load_deg_s) / self.stall_nm

    @property
    def peak_w(self) -> float:
        """Greatest mechanical power, W: on a straight line that is at half the stall torque and half the speed."""
        return self.stall_nm * math.radians(self.no_load_deg_s) / 4.0

    def steady_deg_s(self, load_nm: float = 0.0) -> float:
        """Steady speed, deg/s, against a load; below 0 the load helps.

        Raises:
            InputError: the load is not below the stall torque: it does not move.
        """
        if finite("the load", load_nm, "N m") >= self.stall_nm:
            raise InputError(f"a load of {load_nm:g} N m holds a drive with {self.stall_nm:g} N m: it does not move")
        return self.no_load_deg_s * (1.0 - load_nm / self.stall_nm)

    def time_s(self, angle_deg: float, load_nm: float = 0.0) -> float:
        """Time for an angle >= 0 from rest at full drive against a constant load, s.

        The drive does not brake for its target here; with braking it takes longer.

        Raises:
            InputError: the angle is below 0, or the load holds it.
        """
        at_speed_s = not_negative("the angle", angle_deg, "deg") / self.steady_deg_s(load_nm)
        lag_s = self.time_constant_s
        if at_speed_s >= 40.0 * lag_s or not at_speed_s:  # e^-40 is below the last digit
            return at_speed_s + (lag_s if at_speed_s else 0.0)
        # x - (1 - e^-x) = y is convex and rises: Newton's steps from above never overshoot.
        wanted = at_speed_s / lag_s
        guess = min(wanted + 1.0, math.sqrt(2.0 * wanted) + wanted)
        for _ in range(60):
            step = (guess + math.expm1(-guess) - wanted) / -math.expm1(-guess)
            guess -= step
            if abs(step) <= 1e-15 * guess:
                break
        return guess * lag_s

    def at_supply(self, supply_v: float, rated_v: float) -> Drive:
        """The same drive at another supply: speed and stall torque go with the voltage. Drives that regulate do not.

        Raises:
            InputError: one of the voltages is not above 0.
        """
        share = positive("the supply", supply_v, "V") / positive("the rated supply", rated_v, "V")
        return Drive(self.no_load_deg_s * share, self.stall_nm * share, self.inertia_kg_m2)


def rating_share(drive: Drive, supply_v: float, stall_a: float) -> float:
    """Stall torque times no-load speed, over supply times stall current: how plausible a rating is.

    An ideal DC motor has exactly 1, behind any gear without loss: its torque is k I and its speed V / k. Friction and
    the current without load make it less. Above 1 a drive must draw more from the supply when it moves than when it
    stalls, as one does that limits the current of its motor. Above 4 no drive can be: the peak on the straight line
    (`Drive.peak_w`, a quarter of torque times speed) would be more than the greatest current brings in.

    Args:
        drive: its ratings.
        supply_v, stall_a: that they hold for, above 0.
    Raises:
        InputError: outside that.
    """
    volt_amps = positive("the supply", supply_v, "V") * positive("the stall current", stall_a, "A")
    return 4.0 * drive.peak_w / volt_amps


def rate_limited_s(angle_deg: float, limit_deg_s: float) -> float:
    """Time for an angle at a limited speed and nothing else, s. Raises InputError where one is out of range."""
    return not_negative("the angle", angle_deg, "deg") / positive("the speed limit", limit_deg_s, "deg/s")


def profile_s(angle_deg: float, limit_deg_s: float, limit_deg_s2: float) -> float:
    """Time from rest to rest over an angle with limited speed and acceleration, s: a trapeze, or a triangle if short.

    Args:
        angle_deg: not below 0.
        limit_deg_s, limit_deg_s2: above 0.
    Raises:
        InputError: outside that.
    Source: Lynch & Park, Modern Robotics, chapter 9, from memory.
    """
    not_negative("the angle", angle_deg, "deg")
    if angle_deg < profile_crossover_deg(limit_deg_s, limit_deg_s2):
        return 2.0 * math.sqrt(angle_deg / limit_deg_s2)
    return angle_deg / limit_deg_s + limit_deg_s / limit_deg_s2


def profile_crossover_deg(limit_deg_s: float, limit_deg_s2: float) -> float:
    """The angle above which a move reaches the speed limit, deg; as `profile_s`. Raises InputError."""
    speed = positive("the speed limit", limit_deg_s, "deg/s")
    return speed * speed / positive("the acceleration limit", limit_deg_s2, "deg/s^2")


@dataclass(frozen=True, slots=True)
class SineAnswer:
    """How a speed-limited drive follows a sine, once it has settled.

    Attributes:
        gain: of its fundamental, over the demand.
        phase_deg: of its fundamental; below 0 it lags.
        peak_deg: the greatest angle it reaches.
    """

    gain: float
    phase_deg: float
    peak_deg: float


def limiting_onset_hz(amplitude_deg: float, limit_deg_s: float) -> float:
    """The frequency above which a sine of this amplitude is faster than the speed limit, Hz. Raises InputError."""
    return positive("the speed limit", limit_deg_s, "deg/s") / (
        2.0 * math.pi * positive("the amplitude", amplitude_deg, "deg")
    )


def sine_answer(amplitude_deg: float, limit_deg_s: float, frequency_hz: float) -> SineAnswer:
    """How a drive with a speed limit and no other lag follows a sine.

    Below the onset it follows exactly. Above `FULLY_LIMITED` times the onset its answer is a triangle. Between, it
    leaves the sine where that gets too steep, and meets it again later; the fundamental is integrated in closed form.

    Args:
        amplitude_deg, limit_deg_s, frequency_hz: above 0.
    Raises:
        InputError: outside that.
    Source: describing function; Duda, J. Guidance 20(3) 1997, from memory.
    """
    positive("the frequency", frequency_hz, "Hz")
    steep = frequency_hz / limiting_onset_hz(amplitude_deg, limit_deg_s)
    if steep <= 1.0:
        return SineAnswer(1.0, 0.0, amplitude_deg)
    if steep >= FULLY_LIMITED:
        peak_deg = limit_deg_s / (4.0 * frequency_hz)
        return SineAnswer(4.0 / (math.pi * steep), -math.degrees(math.acos(math.pi / (2.0 * steep))), peak_deg)
    # One half period of sin(p), from where the sine falls faster than 1/steep per rad, to half a turn later.
    leaves = math.pi - math.acos(1.0 / steep)
    start = math.sin(leaves)
    low, high = leaves + 1e-9, leaves + math.pi
    for _ in range(100):  # where the ramp meets the sine again: it is above the sine until then
        middle = (low + high) / 2.0
        above = start - (middle - leaves) / steep > math.sin(middle)
        low, high = (middle, high) if above else (low, middle)
    meets, end = high, leaves + math.pi
    offset = start + leaves / steep
    in_phase = (
        _ramp_sine(meets, offset, steep)
        - _ramp_sine(leaves, offset, steep)
        + (end - meets) / 2.0
        - (math.sin(2.0 * end) - math.sin(2.0 * meets)) / 4.0
    )
    across = (
        _ramp_cosine(meets, offset, steep)
        - _ramp_cosine(leaves, offset, steep)
        + (math.sin(end) ** 2 - math.sin(meets) ** 2) / 2.0
    )
    peak = 1.0 if meets <= 1.5 * math.pi else -math.sin(meets)
    return SineAnswer(
        gain=2.0 / math.pi * math.hypot(in_phase, across),
        phase_deg=math.degrees(math.atan2(across, in_phase)),
        peak_deg=amplitude_deg * peak,
    )


def _ramp_sine(at: float, offset: float, steep: float) -> float:
    """Antiderivative of (offset - p / steep) sin(p)."""
    return -offset * math.cos(at) - (math.sin(at) - at * math.cos(at)) / steep


def _ramp_cosine(at: float, offset: float, steep: float) -> float:
    """Antiderivative of (offset - p / steep) cos(p)."""
    return offset * math.sin(at) - (math.cos(at) + at * math.sin(at)) / steep


def dead_zone_gain(amplitude: float, half_width: float) -> float:
    """Gain of the fundamental behind a dead zone, 0..1; both in one unit.

    Args:
        amplitude: of the sine, above 0.
        half_width: of the zone to each side, not below 0.
    Raises:
        InputError: outside that.
    Source: Gelb & Vander Velde; Slotine & Li, chapter 5; from memory.
    """
    share = not_negative("the half width", half_width) / positive("the amplitude", amplitude)
    if share >= 1.0:
        return 0.0
    return 1.0 - 2.0 / math.pi * (math.asin(share) + share * math.sqrt(1.0 - share * share))


@dataclass(frozen=True, slots=True)
class Step:
    """Answer of a second-order system to a step: overshoot as a share of the step, and when it peaks, s."""

    overshoot: float
    peak_s: float


def second_order_step(damping_ratio: float, natural_rad_s: float) -> Step:
    """Overshoot and peak time of a second-order system.

    Args:
        damping_ratio: 0 up to below 1; from 1 on there is no peak.
        natural_rad_s: undamped natural frequency, above 0.
    Raises:
        InputError: outside that.
    Source: Ogata; Franklin; from memory.
    """
    within("the damping ratio", damping_ratio, 0.0, 1.0)
    if damping_ratio == 1.0:
        raise InputError("with a damping ratio of 1 a step has no overshoot and no peak; a value below 1 is wanted")
    root = math.sqrt(1.0 - damping_ratio * damping_ratio)
    return Step(
        overshoot=math.exp(-math.pi * damping_ratio / root),
        peak_s=math.pi / (positive("the natural frequency", natural_rad_s, "rad/s") * root),
    )


@dataclass(frozen=True, slots=True)
class LimpSurface:
    """A limp surface that the air pulls back, released from rest.

    Attributes:
        inertia_kg_m2: about its hinge, with everything that turns with it, above 0.
        damping_nm_s: N m per rad/s, not below 0.
        stiffness_nm_rad: by the air, above 0 (`hinge.Surface.stiffness_nm_rad`).

    Raises:
        InputError: outside that.
    """

    inertia_kg_m2: float
    damping_nm_s: float
    stiffness_nm_rad: float

    def __post_init__(self) -> None:
        positive("the inertia", self.inertia_kg_m2, "kg m^2")
        not_negative("the damping", self.damping_nm_s, "N m s")
        positive("the stiffness", self.stiffness_nm_rad, "N m/rad")

    @property
    def natural_rad_s(self) -> float:
        """Natural frequency without damping, rad/s."""
        return math.sqrt(self.stiffness_nm_rad / self.inertia_kg_m2)

    @property
    def damping_ratio(self) -> float:
        """Damping over that at which it no longer swings."""
        return self.damping_nm_s / (2.0 * math.sqrt(self.stiffness_nm_rad * self.inertia_kg_m2))

    @property
    def swings_hz(self) -> float:
        """Frequency at which it swings, Hz; 0 where the damping lets it creep back."""
        return self.natural_rad_s * math.sqrt(max(0.0, 1.0 - self.damping_ratio**2)) / (2.0 * math.pi)

    def extremes(self, released_deg: float, count: int) -> tuple[tuple[float, float], ...]:
        """The next `count` >= 0 turning angles after the release, as (time in s, angle in deg); none if it creeps.

        Raises:
            InputError: the angle is not finite, or the count below 0.
        """
        start = finite("the angle at release", released_deg, "deg")
        not_negative("the count", count)
        if not self.swings_hz:
            return ()
        step = second_order_step(self.damping_ratio, self.natural_rad_s)
        return tuple((step.peak_s * turn, start * (-step.overshoot) ** turn) for turn in range(1, count + 1))


@dataclass(frozen=True, slots=True)
class LossWindow:
    """When a loss action begins, ms: earliest and latest after the last good frame, and after the loss itself."""

    after_frame_ms: tuple[float, float]
    after_loss_ms: tuple[float, float]


def loss_window(time_out_ms: float, period_ms: float) -> LossWindow:
    """When a loss action begins, where frames came every `period_ms` and are lost from some moment on.

    After the last good frame the time-out has to pass, and up to one period more where an actuator only looks once a
    period. Seen from the loss, which falls anywhere between two frames, it is up to one period less.

    Args:
        time_out_ms: above 0.
        period_ms: above 0, not above the time-out, or every frame would be late.
    Raises:
        InputError: outside that.
    Common practice, no source.
    """
    positive("the time-out", time_out_ms, "ms")
    positive("the period of the frames", period_ms, "ms")
    if period_ms > time_out_ms:
        raise InputError(
            f"a time-out of {time_out_ms:g} ms is shorter than the {period_ms:g} ms between frames: the action would "
            "begin between good frames; take a longer one"
        )
    return LossWindow((time_out_ms, time_out_ms + period_ms), (time_out_ms - period_ms, time_out_ms + period_ms))
