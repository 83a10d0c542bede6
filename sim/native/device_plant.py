"""Motor, gear, arm and sensors below a firmware: a fraction of the supply in; angle, current and temperature out.

The motor is that of `busproto.sim.mechanics.motor`, exact between two changes of the drive, stops and reversals
included. Where the drive is off the bridge shorts the winding, which brings the arm to rest; a hand moves it all the
same. Nothing limits the current of a firmware that drives against the speed: it may then take more than at stall, as
such a motor does. Not modelled: backlash, load inertia, surfaces shared with other actuators, electrical inductance.
"""

from __future__ import annotations

import dataclasses
import math
import random
from collections.abc import Callable
from typing import Final

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.motion_run import book_lag, moving_j
from busproto.sim.mechanics.motion_sensor import Curve, Sensor
from busproto.sim.mechanics.motor import Books
from busproto.sim.mechanics.supply import Draw, full_or_not

NS_PER_S: Final = 1e9
LEAST_LAG_S: Final = 0.0005
"""Time constant for a model that states none: a firmware's loop needs a lag to control."""
SENSOR_STEP_CDEG: Final = 1


class Plant:
    """State and ratings of the arm that a firmware drives.

    Attributes:
        position_deg: of the arm at `time_ns`.
        speed_deg_s: of the arm.
        is_on: whether the bridge drives; a hand moves the arm where it does not.
        stop_deg: mechanical stops at plus and minus this.
        motor: motor and gear.
        books: energy account, where one was set; else None.
        on_draw: called when its current may change from now on; the supply uses it.
    """

    def __init__(
        self, kernel: Kernel, label: str, model: ActuatorModel, position_deg: float, supply_mv: Callable[[], int]
    ) -> None:
        self.position_deg = position_deg
        self.speed_deg_s = 0.0
        self.is_on = False
        self.stop_deg = model.mechanical_travel_deg / 2
        self.time_ns = kernel.now_ns
        self._rated_mv = model.supply_mv[1]
        self._supply_mv = supply_mv
        motor = model.motor()
        self.motor = dataclasses.replace(motor, lag_s=max(LEAST_LAG_S, motor.lag_s), added_inertia=0.0)
        self.books: Books | None = None
        self.on_draw: Callable[[], None] | None = None
        self._square_s = 0.0
        self._drive = 0.0
        self._hand: tuple[int, int, float, float] | None = None
        stream: random.Random = kernel.stream(f"sensor {label}")
        self._curve = Curve.drawn(stream, model.sensor_curve_deg) if model.sensor_curve_deg else None
        self._sensor = Sensor(f"{kernel.seed}/noise {label}", model.sensor_noise_deg, SENSOR_STEP_CDEG)
        self._heat = model.heat()
        self._degc = self._heat.ambient_degc
        self._warm_from_ns = kernel.now_ns

    # --- the interface of an arm ----------------------------------------------------------------------------

    @property
    def arm_deg(self) -> float:
        """Angle of the arm, deg; backlash is not modelled."""
        return self.position_deg

    @property
    def target_deg(self) -> float | None:
        """None while limp; else the present angle, as only the firmware knows its target."""
        return self.position_deg if self.is_on else None

    @property
    def is_moving(self) -> bool:
        """Whether it moves under its own drive."""
        return self.is_on and self.speed_deg_s != 0.0

    def hand(self, to_deg: float, over_ns: int, now_ns: int) -> bool:
        """A hand moves the limp arm to `to_deg` within `over_ns`. Returns False where the drive holds it."""
        self.move_to(now_ns)
        if self.is_on:
            return False
        self.speed_deg_s = 0.0
        self._hand = (now_ns, now_ns + max(1, over_ns), self.position_deg, self._within_stops(to_deg))
        return True

    def move_to(self, now_ns: int) -> None:
        """Let time pass up to `now_ns`."""
        if now_ns <= self.time_ns:
            return
        since_s = (now_ns - self.time_ns) / NS_PER_S
        self.time_ns = now_ns
        if self._hand is not None and not self.is_on:
            start_ns, end_ns, from_deg, to_deg = self._hand
            fraction = min(1.0, (now_ns - start_ns) / (end_ns - start_ns))
            self.position_deg = from_deg + (to_deg - from_deg) * fraction
            self._hand = None if fraction == 1.0 else self._hand
            return
        for _ in range(3):  # at most three pieces: to a standstill, off the other way, on to a stop
            since_s = self._run(since_s)
            if since_s <= 0:
                break

    def _run(self, since_s: float) -> float:
        """Let the motor run until it stands or the time is over. Returns the time left, s."""
        motor, push, speed = self.motor, self._push(), self.speed_deg_s
        side = math.copysign(1.0, speed or push)
        if not speed and abs(push) <= motor.friction:
            self._flows(push, 0.0, 0.0, since_s)
            return 0.0
        ends_at = side * motor.free_deg_s(side * push)
        lag_s, time_s = motor.lag_s, since_s
        if side * ends_at < 0 and speed:
            time_s = min(since_s, lag_s * math.log1p(speed / -ends_at))
        fading = math.exp(-time_s / lag_s)
        missing = (speed - ends_at) * fading
        deg = self.position_deg + ends_at * time_s + lag_s * (speed - ends_at - missing)
        within_deg = self._within_stops(deg)
        if deg != within_deg:
            time_s = self._reaches(within_deg, ends_at, time_s)
            missing = (speed - ends_at) * math.exp(-time_s / lag_s)
        self.position_deg = within_deg
        self._flows(push, ends_at, speed - ends_at, time_s)
        stands = time_s < since_s
        if stands and self.books is not None:
            self.books.stopped += moving_j(motor, ends_at + missing)
        self.speed_deg_s = 0.0 if stands else ends_at + missing
        if deg != within_deg and push * within_deg > 0:  # pressed against the stop for the rest of the time
            self._flows(push, 0.0, 0.0, since_s - time_s)
            return 0.0
        return since_s - time_s

    def _reaches(self, deg: float, ends_at: float, within_s: float) -> float:
        """When it reaches `deg` on a course that is known to pass it, s."""
        speed, lag_s, low_s, high_s = self.speed_deg_s, self.motor.lag_s, 0.0, within_s
        side = 1.0 if deg > 0 else -1.0
        for _ in range(60):
            middle_s = (low_s + high_s) / 2
            gone = -math.expm1(-middle_s / lag_s)
            is_beyond = side * (self.position_deg + ends_at * middle_s + lag_s * (speed - ends_at) * gone - deg) > 0
            low_s, high_s = (low_s, middle_s) if is_beyond else (middle_s, high_s)
        return high_s

    def _flows(self, push: float, ends_at: float, fading: float, lasting_s: float) -> None:
        """Account for a current over `lasting_s`, while the speed goes from `ends_at` + `fading` towards `ends_at`."""
        if lasting_s <= 0:
            return
        motor = self.motor
        still, changes = push - ends_at / motor.emf_deg_s, -fading / motor.emf_deg_s
        if not self.is_on:  # shorted: the gear's losses take their part first
            still, changes = (one * math.sqrt(motor.efficiency) for one in (still, changes))
        spans = lasting_s / motor.lag_s
        gone = -math.expm1(-spans)
        square = still * still + (2 * still * gone + changes * gone * (2 - gone) / 2) * changes / spans
        fraction = math.sqrt(max(0.0, square))
        ma = motor.winding_ma(fraction) if self.is_on else motor.motor_ma * fraction
        self._square_s += ma * ma * lasting_s
        if self.books is not None:
            book_lag(self.books, motor, push if self.is_on else None, ends_at, fading, lasting_s)

    def _push(self) -> float:
        """Drive as a fraction of the rated full drive."""
        return self._drive * self._supply_mv() / self._rated_mv if self.is_on else 0.0

    def _within_stops(self, deg: float) -> float:
        return min(self.stop_deg, max(-self.stop_deg, deg))

    # --- the hardware of a firmware -------------------------------------------------------------------------

    def drive(self, is_on: bool, fraction: float, now_ns: int) -> None:
        """Set the bridge from now on; `fraction` of the supply, -1..1."""
        self.move_to(now_ns)
        if is_on:
            self._hand = None
        self.is_on, self._drive = is_on, fraction
        if self.on_draw is not None:
            self.on_draw()

    def supply_changed(self, now_ns: int) -> None:
        """Called before the supply changes: time up to now counts with the old supply."""
        self.move_to(now_ns)

    def reading_mdeg(self, now_ns: int) -> int:
        """Reading of the sensor, 0.001 deg, in steps of 0.01 deg."""
        self.move_to(now_ns)
        deg = self.position_deg if self._curve is None else self._curve.reading_deg(self.position_deg)
        return 10 * self._sensor.says_cdeg(deg, now_ns)

    @property
    def reading_deg(self) -> float:
        """The sensor's reading without noise at `time_ns`, deg."""
        return self.position_deg if self._curve is None else self._curve.reading_deg(self.position_deg)

    @property
    def current_ma(self) -> float:
        """Supply current at `time_ns`, mA."""
        motor = self.motor
        if not self.is_on:
            return motor.idle_ma
        return motor.idle_ma + motor.winding_ma(self._push() - self.speed_deg_s / motor.emf_deg_s)

    def draw(self, supply_v: float) -> Draw:
        """Its supply current at `time_ns` as a function of the voltage, near `supply_v`."""
        motor, push = self.motor, self._push()
        if not self.is_on:
            return Draw(motor.idle_ma / 1000)
        fraction = push - self.speed_deg_s / motor.emf_deg_s
        watts = motor.electrical_w(fraction, self.speed_deg_s)
        is_full = abs(self._drive) > 0.999 and fraction * push > 0
        idle, power = motor.idle_ma / 1000, abs(push) if is_full else None
        return full_or_not(motor, idle, abs(fraction), watts, power, supply_v, changes=self.is_moving)

    def degc(self, now_ns: int) -> float:
        """Temperature of the winding at `now_ns`, degC."""
        self._warm(now_ns)
        return self._degc

    def warm(self, now_ns: int, degc: float) -> None:
        """Set the temperature to `degc`, as heating or cooling from outside would."""
        self._warm(now_ns)
        self._degc = degc

    def _warm(self, now_ns: int) -> None:
        """Warm the winding by the current since the last call; the current of the electronics warms nothing."""
        self.move_to(now_ns)
        since_s = (now_ns - self._warm_from_ns) / NS_PER_S
        if since_s > 0:
            ends_degc = self._heat.ends_at_degc(math.sqrt(self._square_s / since_s))
            self._degc += (self._degc - ends_degc) * math.expm1(-since_s / self._heat.time_s)
            self._warm_from_ns, self._square_s = now_ns, 0.0
