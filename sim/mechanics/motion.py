"""One arm: driven along a course, at rest, or limp and moved by a hand. Closed form between two moments.

The result does not depend on how often the position is read: a reading only evaluates. A change (a new target, other
limits, a hand, another supply) continues from the position at that moment. Angles are degrees from the middle of the
mechanical range.

What is modelled:
- the motor as a linear torque-speed line (`busproto.sim.mechanics.motor`); what friction leaves of it scales with the
supply and with a thermal cut-back. Its current follows from acceleration, speed and load (`motion_run`).
Its inertia,
  the gear's and the load's are one time constant at the output. At full drive the speed is an exact exponential
  (`motion_course`); slew limit, acceleration limit and soft start hold it below that;
- the position loop. At rest it is a spring of `stiffness` full drives per degree; the drive sets in when the error
  exceeds the dead band and ends when there is none. Where friction is more than the minimum drive, the arm stops short
  by what is left of it over the stiffness, on the side it came from. With a load inertia that the firmware does not
  know of, the arm swings about its set-point (`motion_ring`); `damping` quietens that;
- backlash between gear and arm: the arm moves when the gear has gone through it; the sensor sits on the gear;
- the sensor's own curve (`motion_sensor`): what the loop holds at the target is the reading.

What is not modelled, and why that is good enough: coasting after the drive is switched off (the arm stands at once);
electrical inductance (1 ms at most); friction as anything but Coulomb (stiction, Stribeck: they matter below 1 deg/s)
and viscous; the loop's own sampling; a stop is hard and met at no speed. tests/sim/mechanics/test_motion_model.py gives
the errors against the full differential equations.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from busproto.sim.mechanics.heat import Heat
from busproto.sim.mechanics.motion_course import NS_PER_S, Course, Limits
from busproto.sim.mechanics.motion_ring import Loop, Ring
from busproto.sim.mechanics.motion_run import Run
from busproto.sim.mechanics.motion_sensor import Curve
from busproto.sim.mechanics.motor import IDEAL, Motor
from busproto.sim.mechanics.supply import Draw, full_or_not


class Mount(Protocol):
    """A part that several arms are linked to, such as a surface."""

    def look(self, now_ns: int) -> None:
        """Move every arm on it on to `now_ns`."""

    def changes(self, now_ns: int) -> None:
        """Something about an arm on it is about to change."""

    def changed(self, now_ns: int) -> None:
        """Something about an arm on it has changed."""

    def hand(self, arm: Arm, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """Move it by hand until this arm is at `to_deg`. Returns False where another arm holds it."""


@dataclass(slots=True, eq=False)
class Arm:
    """State and settings of one arm: its position, its target, its motor and its loads.

    Attributes:
        position_deg: of the gear's output shaft at `time_ns`; the arm itself may lie off by the backlash.
        stop_deg: mechanical stops at plus and minus this.
        speed_deg_s: highest speed of the set-point.
        soft_start_ns: after `engage`, the highest speed rises from 0 to its limit over this time.
        dead_band_deg: an arm nearer to its target than this is not driven.
        target_deg: where it is driven to (in sensor readings), None while limp.
        motor: ratings of motor and gear.
        stiffness: of the loop, full drives per degree.
        damping: 0..1.
        minimum_drive: fraction of full drive.
        power: supply over rated supply, times the fraction that a thermal cut-back leaves.
        load: torque of the linked parts over the rated stall torque, positive where it pushes towards minus.
        effort: fraction of the rated stall torque that the drive itself gives at rest, never negative.
        curve: error of the sensor, None for an ideal one.
        heat: temperature model that takes the current, None for none.
        mount: the part that it shares with other arms, None for a free arm.
        watts: power into its winding, set by the mount; a free arm calculates its own.
        is_full: the drive is at the limit of the supply; set by the mount.
        on_draw: called when its current may change from now on; the supply uses it.
    """

    position_deg: float
    stop_deg: float
    speed_deg_s: float = 300.0
    soft_start_ns: int = 0
    dead_band_deg: float = 0.0
    target_deg: float | None = None
    time_ns: int = 0
    motor: Motor = IDEAL
    stiffness: float = 0.6
    damping: float = 0.3
    minimum_drive: float = 0.05
    power: float = 1.0
    load: float = 0.0
    effort: float = 0.0
    curve: Curve | None = None
    heat: Heat | None = None
    mount: Mount | None = None
    watts: float = 0.0
    is_full: bool = False
    on_draw: Callable[[], None] | None = None
    _engaged_ns: int = 0
    _is_soft_started: bool = False
    _course: Course = Course.rest(0.0, 0)  # noqa: RUF009 - replaced, never changed in place, once an arm is driven
    _at: tuple[float, float] = (0.0, 0.0)
    _is_plain: bool = False
    _ring: Ring | None = None
    _from_deg: float = 0.0
    _arm_deg: float = 0.0
    _arm_from_deg: float = 0.0
    _short_deg: float = 0.0
    _hand: tuple[int, int, float, float, float] | None = None

    def __post_init__(self) -> None:
        self._arm_deg = self.position_deg

    # --- position ---------------------------------------------------------------------------------------------

    def move_to(self, now_ns: int) -> None:
        """Let time pass up to `now_ns`."""
        if now_ns <= self.time_ns:
            return
        if self._is_plain:  # by far the most frequent
            self._at = at = self._course.at(now_ns)
            self.position_deg = self._arm_deg = at[0]
        elif self.mount is not None:
            self.mount.look(now_ns)
        elif self.target_deg is not None:
            self._drive_on(now_ns)
        elif self._hand is not None:
            self._hand_on(now_ns)
        self.time_ns = now_ns

    def _drive_on(self, now_ns: int) -> None:
        reading_deg, arm_deg = self._driven(now_ns)
        curve = self.curve
        self.position_deg = reading_deg if curve is None else self._within_stops(curve.true_deg(reading_deg))
        self._arm_deg = self.position_deg if not self.motor.lash_deg else arm_deg

    def _driven(self, now_ns: int) -> tuple[float, float]:
        """Reading of the driven shaft, and angle of the arm behind the backlash, deg; changes nothing."""
        course, short_deg, lash_deg = self._course, self._short_deg, self.motor.lash_deg
        at_deg = course.at(now_ns)[0]
        if self._ring is not None:
            at_deg -= self._ring.at(now_ns)[0]
        if not short_deg and not lash_deg:
            return at_deg, at_deg
        shaft_deg, arm_deg = self._from_deg, self._arm_from_deg
        ways = (course.turn_deg, at_deg) if course.turn_deg is not None and course.has_turned(now_ns) else (at_deg,)
        for way_deg in ways:
            shaft_deg = _dragged(shaft_deg, way_deg, short_deg)
            arm_deg = _dragged(arm_deg, shaft_deg, lash_deg / 2)
        return shaft_deg, arm_deg

    def _hand_on(self, now_ns: int) -> None:
        assert self._hand is not None
        start_ns, end_ns, from_deg, to_deg, shaft_deg = self._hand
        fraction = 1.0 if now_ns >= end_ns else max(0.0, (now_ns - start_ns) / (end_ns - start_ns))
        self._arm_deg = from_deg + (to_deg - from_deg) * fraction
        self.position_deg = self._within_stops(_dragged(shaft_deg, self._arm_deg, self.motor.lash_deg / 2))
        if fraction == 1.0:
            self._hand = None

    def _within_stops(self, deg: float) -> float:
        return min(self.stop_deg, max(-self.stop_deg, deg))

    @property
    def arm_deg(self) -> float:
        """Angle of the arm itself at `time_ns`, behind the backlash."""
        return _dragged(self._arm_deg, self.position_deg, self.motor.lash_deg / 2)

    @property
    def reading_deg(self) -> float:
        """The sensor's reading without noise at `time_ns`, deg."""
        return self.position_deg if self.curve is None else self.curve.reading_deg(self.position_deg)

    @property
    def is_moving(self) -> bool:
        """Whether the drive is on its way to the target."""
        return self.target_deg is not None and not self._course.is_over(self.time_ns)

    @property
    def current_ma(self) -> float:
        """Supply current at `time_ns`, mA."""
        motor = self.motor
        if self.target_deg is None:
            return motor.idle_ma
        fraction = self.effort
        if self.mount is None and not self._course.is_over(self.time_ns):
            _, speed, acceleration = self._course.motion(self.time_ns)
            fraction = motor.torque_fraction(speed or math.copysign(1e-9, acceleration), acceleration, self.load)
        return motor.idle_ma + motor.winding_ma(fraction, self.power)

    @property
    def strain(self) -> float:
        """Load torque as a fraction of the stall torque at this supply; 0 while limp."""
        if self.target_deg is None or not self.power:
            return 0.0
        return (abs(self.load) if self.is_moving else self.effort) / self.power

    def draw(self, supply_v: float) -> Draw:
        """Its supply current at `time_ns` as a function of the voltage, near `supply_v`."""
        motor = self.motor
        idle, fraction, watts, is_full = motor.idle_ma / 1000, self.effort, self.watts, self.is_full
        if self.target_deg is None:
            return Draw(idle)
        changes = self.is_on_its_way(self.time_ns)
        if self.mount is None:
            _, speed, acceleration = self._course.motion(self.time_ns)
            fraction = (
                motor.torque_fraction(speed or math.copysign(1e-9, acceleration), acceleration, self.load)
                if changes
                else 0.0
            )
            watts = motor.electrical_w(fraction, speed, self.power)
            is_full = fraction * speed >= 0 and abs(fraction + speed / motor.emf_deg_s) > 0.999 * self.power
            fraction = abs(fraction)
        return full_or_not(motor, idle, fraction, watts, self.power if is_full else None, supply_v, changes=changes)

    @property
    def run(self) -> Run:
        """Current and energies of the present course, or of the last one."""
        return Run(self._course, self.motor, self.load, self.power)

    def is_soft_starting(self, now_ns: int) -> bool:
        """Whether the soft start still runs."""
        return (
            self.target_deg is not None and not self._is_soft_started and now_ns - self._engaged_ns < self.soft_start_ns
        )

    # --- changes ----------------------------------------------------------------------------------------------

    def engage(self, now_ns: int) -> None:
        """Take hold where the arm is; the soft start begins."""
        self._before(now_ns)
        self._hand = self._ring = None
        self._engaged_ns = now_ns
        self._is_soft_started = False
        self.target_deg = self._from_deg = self.reading_deg
        self._arm_from_deg = self.arm_deg
        self._short_deg = 0.0
        self._course = Course.rest(self.target_deg, now_ns)
        self._is_plain = False
        self._warm(now_ns)
        self._after(now_ns)

    def aim(self, target_deg: float, now_ns: int) -> None:
        """Drive to `target_deg` from now on; nothing while limp."""
        if self.target_deg is None:
            self.move_to(now_ns)
            return
        if not -self.stop_deg <= target_deg <= self.stop_deg:
            target_deg = self._within_stops(target_deg)
        self.move_to(now_ns)
        if target_deg == self.target_deg:
            return
        if self._is_plain and self._course.extended(target_deg, now_ns, self._at):
            self.target_deg = target_deg
        else:
            self._before(now_ns)
            self.target_deg = target_deg
            self._set_out(now_ns)
            self._after(now_ns)

    def refit(self, now_ns: int) -> None:
        """Plan the course anew after a change of limits, power or load; `move_to(now_ns)` has to be called first."""
        if self.target_deg is not None:
            self._set_out(now_ns)
            self._after(now_ns)

    def fit(
        self,
        now_ns: int,
        *,
        speed_deg_s: float,
        soft_start_ns: int,
        dead_band_deg: float,
        stiffness: float,
        damping: float,
        minimum_drive: float,
    ) -> None:
        """These settings act from now on; see the attributes."""
        asked = (speed_deg_s, soft_start_ns, dead_band_deg, stiffness, damping, minimum_drive)
        if asked != (
            self.speed_deg_s,
            self.soft_start_ns,
            self.dead_band_deg,
            self.stiffness,
            self.damping,
            self.minimum_drive,
        ):
            self._before(now_ns)
            self._is_soft_started = not self.is_soft_starting(
                now_ns
            )  # a soft start that has ended does not begin again when its time is made longer
            self.speed_deg_s, self.soft_start_ns, self.dead_band_deg = speed_deg_s, soft_start_ns, dead_band_deg
            self.stiffness, self.damping, self.minimum_drive = stiffness, damping, minimum_drive
            self.refit(now_ns)

    def feed(self, power: float, now_ns: int) -> None:
        """Set `power` (see the attributes) from now on."""
        if power != self.power:
            self._before(now_ns)
            self.power = power
            self.refit(now_ns)

    def _set_out(self, now_ns: int) -> None:
        """Begin a course from the present position and speed to the target; none within the dead band."""
        assert self.target_deg is not None
        was = self._course
        is_under_way = not was.is_over(now_ns)
        if self._is_plain and self.time_ns == now_ns:
            at = self._at
            self._from_deg = self._arm_from_deg = at[0]
        else:
            at = was.at(now_ns)
            self._from_deg, self._arm_from_deg = self._driven(now_ns)
        if not is_under_way and abs(self.target_deg - self._from_deg) <= self.dead_band_deg:
            return
        swing = self._ring.at(now_ns) if self._ring is not None else (0.0, 0.0)
        limits = self.limits()
        self._course = Course(at, self.target_deg, now_ns, (now_ns - self._engaged_ns) / NS_PER_S, limits)
        self._short_deg = 0.0 if self.mount is not None else self.short_deg()  # a surface handles all that itself
        motor = self.motor
        if limits.lag_s and self.mount is None and (motor.added_inertia or swing != (0.0, 0.0)):
            # the swing needs to know when it brakes
            unfed = motor.added_inertia / (1 + motor.added_inertia)
            self._ring = Ring(self.loop(), unfed, self._course.phases, now_ns, swing)
        else:
            self._ring = None
        self._at = at
        self._is_plain = (
            self.mount is None
            and self._ring is None
            and self.curve is None
            and not self._short_deg
            and not motor.lash_deg
            and self._from_deg == at[0]
        )
        self._warm(now_ns)

    def limits(self) -> Limits:
        """Limits of its next course."""
        motor = self.motor
        up, down = motor.free_deg_s(self.power - self.load), motor.free_deg_s(self.power + self.load)
        return Limits(
            self.speed_deg_s,
            up if motor.lag_s or up > 0 else 0.0,  # without a lag no load can slow it down
            down if motor.lag_s or down > 0 else 0.0,
            motor.lag_s * (1 + motor.added_inertia),
            motor.acceleration_deg_s2,
            0.0 if self._is_soft_started else self.soft_start_ns / NS_PER_S,
        )

    def loop(self) -> Loop:
        """The position loop with the arm's load inertia."""
        motor = self.motor
        return Loop.of(
            full_deg_s=motor.no_load_deg_s * self.power,
            lag_s=motor.lag_s * (1 + motor.added_inertia),
            stiffness=self.stiffness,
            damping=self.damping,
        )

    def short_deg(self) -> float:
        """By how many degrees friction lets it stop short of its target."""
        power = self.power
        if power <= 0:
            return 0.0
        return max(0.0, self.motor.friction / power - self.minimum_drive) / self.stiffness

    def _warm(self, now_ns: int) -> None:
        """Pass the winding current to the temperature model; the current of the electronics warms nothing."""
        if self.on_draw is not None:
            self.on_draw()
        if self.heat is None:
            return
        if self.target_deg is None:
            self.heat.draws(now_ns, 0.0)
            return
        then_ma = self.motor.winding_ma(self.effort, self.power)
        self.heat.draws(now_ns, then_ma, None if self.mount is not None or self._course.is_over(now_ns) else self.run)

    def release(self, now_ns: int) -> None:
        """Switch the drive off; the arm stays where it is."""
        self._before(now_ns)
        self.target_deg = None
        self._ring = None
        self._is_plain = False
        self.load = self.effort = 0.0
        self._warm(now_ns)
        self._after(now_ns)

    def hand(self, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """A hand moves the limp arm to `to_deg` within `over_ns`. Returns False where the drive holds it."""
        self._before(now_ns)
        if self.target_deg is not None:
            return False
        to_deg = self._within_stops(to_deg)
        if self.mount is not None:
            return self.mount.hand(self, to_deg, over_ns, now_ns)
        self._hand = (now_ns, now_ns + max(1, over_ns), self.arm_deg, to_deg, self.position_deg)
        return True

    def _before(self, now_ns: int) -> None:
        if self.mount is not None:
            self.mount.changes(now_ns)
        self.move_to(now_ns)

    def _after(self, now_ns: int) -> None:
        if self.mount is not None:
            self.mount.changed(now_ns)

    # --- called by the mount ----------------------------------------------------------------------------------

    def reference(self, now_ns: int) -> tuple[float, float]:
        """True angle (not the reading) and speed of the driven shaft if it had no load, deg and deg/s."""
        reading_deg, speed = self._course.at(now_ns)
        return reading_deg if self.curve is None else self.curve.true_deg(reading_deg), speed

    def is_on_its_way(self, now_ns: int) -> bool:
        """Whether its set-point moves, or the arm still swings."""
        ring = self._ring
        return self.target_deg is not None and (
            not self._course.is_over(now_ns) or (ring is not None and not ring.is_gone(now_ns))
        )

    def loaded(self, load: float, effort: float, now_ns: int, *, watts: float = 0.0, is_full: bool = False) -> None:
        """Set its load and effort from now on; a course under way is planned anew where that matters."""
        self.watts, self.is_full = watts, is_full
        matters = abs(load - self.load) > LOAD_STEP and not self._course.is_over(now_ns)
        if matters or abs(effort - self.effort) > 1e-6 or abs(load - self.load) > 1e-6:
            self.load, self.effort = load, effort
            if matters:
                self._set_out(now_ns)
            else:
                self._warm(now_ns)

    def place(self, position_deg: float, arm_deg: float, now_ns: int) -> None:
        """Set the angles of the shaft and of the arm behind the backlash, deg."""
        self.position_deg, self._arm_deg, self.time_ns = position_deg, arm_deg, now_ns


LOAD_STEP: Final = 0.002
"""A change of load below this fraction of the stall torque does not change a course under way."""


def _dragged(deg: float, by_deg: float, play_deg: float) -> float:
    """Position of a part that is dragged along with play to either side."""
    return min(by_deg + play_deg, max(by_deg - play_deg, deg))


def corrected_deg(table_deg: tuple[float, ...], fraction: float) -> float:
    """Linear interpolation in a table of 2 or more points spread evenly over fractions -1..+1; 0 for an empty table."""
    if not table_deg:
        return 0.0
    place = (min(1.0, max(-1.0, fraction)) + 1) / 2 * (len(table_deg) - 1)
    below = min(int(place), len(table_deg) - 2)
    return table_deg[below] + (table_deg[below + 1] - table_deg[below]) * (place - below)
