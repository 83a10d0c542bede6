"""Motor, gear, arm and sensors below a firmware: a share of the supply in, an angle, a current and a temperature out.

The motor is a linear torque-speed line with one time constant and Coulomb friction, exact between two changes of the
drive, stops and reversals included. Where the drive is off the arm coasts to rest and a hand can move it.
Not modelled: backlash, what hangs on the arm, surfaces shared with others, electrical inductance.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Final

from sim.kernel import Kernel
from sim.model import ActuatorModel
from sim.motion_sensor import Curve, Sensor

NS_PER_S: Final = 1e9
LEAST_LAG_S: Final = 0.0005
"""Of a model that states none: a firmware's loop needs something to control."""
RUNNING_DEG_S: Final = 20.0
"""From this speed on a moving arm draws its whole current without load."""
SENSOR_STEP_CDEG: Final = 1


class Plant:
    """What a firmware drives.

    Attributes:
        position_deg: of the arm at `time_ns`.
        speed_deg_s: of the arm.
        is_on: whether the bridge drives; a hand moves the arm where it does not.
        stop_deg: mechanical stops at plus and minus this.
    """

    def __init__(
        self, kernel: Kernel, label: str, model: ActuatorModel, position_deg: float, supply_mv: Callable[[], int]
    ) -> None:
        self.position_deg = position_deg
        self.speed_deg_s = 0.0
        self.is_on = False
        self.stop_deg = model.mechanical_travel_deg / 2
        self.time_ns = kernel.now_ns
        self._model = model
        self._supply_mv = supply_mv
        self._lag_s = max(LEAST_LAG_S, model.time_constant_ms / 1000)
        self._drive = 0.0
        self._hand: tuple[int, int, float, float] | None = None
        stream: random.Random = kernel.stream(f"sensor {label}")
        self._curve = Curve.drawn(stream, model.sensor_curve_deg) if model.sensor_curve_deg else None
        self._sensor = Sensor(f"{kernel.seed}/noise {label}", model.sensor_noise_deg, SENSOR_STEP_CDEG)
        self._heat = model.heat()
        self._degc = self._heat.ambient_degc
        self._warm_ma = 0.0
        self._warm_from_ns = kernel.now_ns

    # --- as an arm ------------------------------------------------------------------------------------------

    @property
    def arm_deg(self) -> float:
        """Where the arm is: there is no backlash."""
        return self.position_deg

    @property
    def target_deg(self) -> float | None:
        """None while limp; where a firmware wants it, only the firmware knows."""
        return self.position_deg if self.is_on else None

    @property
    def is_moving(self) -> bool:
        """Whether it moves by its own drive."""
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
            share = min(1.0, (now_ns - start_ns) / (end_ns - start_ns))
            self.position_deg = from_deg + (to_deg - from_deg) * share
            self._hand = None if share == 1.0 else self._hand
            return
        for _ in range(3):  # at most: to a stand, off again the other way, on
            since_s = self._run(since_s)
            if since_s <= 0:
                break

    def _run(self, since_s: float) -> float:
        """Let the motor run until it stands or the time is over. Returns what is left of it, s."""
        model = self._model
        push = self._push()
        side = math.copysign(1.0, self.speed_deg_s or push)
        if not self.speed_deg_s and abs(push) <= model.friction:
            return 0.0
        ends_at = model.no_load_speed_deg_s * (push - model.friction * side)
        speed, lag_s = self.speed_deg_s, self._lag_s
        time_s = since_s
        if side * ends_at < 0 and speed:
            time_s = min(since_s, lag_s * math.log1p(speed / -ends_at))
        missing = (speed - ends_at) * math.exp(-time_s / lag_s)
        deg = self.position_deg + ends_at * time_s + lag_s * (speed - ends_at - missing)
        self.position_deg = self._within_stops(deg)
        stands = time_s < since_s or deg != self.position_deg
        self.speed_deg_s = 0.0 if stands else ends_at + missing
        return since_s - time_s if deg == self.position_deg else 0.0

    def _push(self) -> float:
        """Share of the rated full drive."""
        return self._drive * self._supply_mv() / self._model.supply_mv[1] if self.is_on else 0.0

    def _within_stops(self, deg: float) -> float:
        return min(self.stop_deg, max(-self.stop_deg, deg))

    # --- as hardware ----------------------------------------------------------------------------------------

    def drive(self, is_on: bool, share: float, now_ns: int) -> None:
        """The bridge is switched so from now on; `share` of the supply, -1..1."""
        self.move_to(now_ns)
        if is_on:
            self._hand = None
        self.is_on, self._drive = is_on, share
        self._warm(now_ns)

    def supply_changed(self, now_ns: int) -> None:
        """The supply is about to be another; what was before counts with the old one."""
        self.move_to(now_ns)
        self._warm(now_ns)

    def start_cold(self, now_ns: int) -> None:
        """Power has come: nothing is driven."""
        self.drive(False, 0.0, now_ns)

    def reading_mdeg(self, now_ns: int) -> int:
        """What the sensor says, 0.001 deg, in steps of 0.01 deg."""
        self.move_to(now_ns)
        deg = self.position_deg if self._curve is None else self._curve.reading_deg(self.position_deg)
        return 10 * self._sensor.says_cdeg(deg, now_ns)

    @property
    def reading_deg(self) -> float:
        """What an ideal look at the sensor says at `time_ns`."""
        return self.position_deg if self._curve is None else self._curve.reading_deg(self.position_deg)

    @property
    def current_ma(self) -> float:
        """What it draws at `time_ns`."""
        model = self._model
        if not self.is_on:
            return float(model.idle_current_ma)
        torque = abs(self._push() - self.speed_deg_s / model.no_load_speed_deg_s)
        running = model.moving_current_ma - model.hold_current_ma - model.friction * model.stall_current_ma
        share = min(1.0, abs(self.speed_deg_s) / RUNNING_DEG_S)
        return model.hold_current_ma + max(0.0, running) * share + torque * model.stall_current_ma

    def degc(self, now_ns: int) -> float:
        """Temperature inside."""
        self._warm(now_ns)
        return self._degc

    def warm(self, now_ns: int, degc: float) -> None:
        """So warm from now on, by whatever heats or cools it from outside."""
        self._warm(now_ns)
        self._degc = degc

    def _warm(self, now_ns: int) -> None:
        """The current since the last look has warmed it; the electronics' share warms nothing."""
        since_s = (now_ns - self._warm_from_ns) / NS_PER_S
        if since_s > 0:
            self._degc += (self._degc - self._heat.ends_at_degc(self._warm_ma)) * math.expm1(
                -since_s / self._heat.time_s
            )
        self._warm_from_ns = now_ns
        self._warm_ma = self.current_ma - self._model.idle_current_ma
