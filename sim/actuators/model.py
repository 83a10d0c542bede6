"""A type of actuator: name, firmware, rating. All actuators of one type share it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from busproto.sim.mechanics.heat import Heat
from busproto.sim.mechanics.motor import Motor


@dataclass(frozen=True, slots=True)
class ActuatorModel:
    """Rating of one type of actuator; supply and current at the actuator's own terminals.

    Attributes:
        name: at most 16 letters.
        firmware: (before the point, after the point), each 0..255.
        supply_mv: lowest and highest rated supply, mV.
        stall_torque_mnm: at the highest rated supply, mN m.
        stall_current_ma: at the highest rated supply, mA.
        no_load_speed_deg_s: at the highest rated supply, deg/s.
        mechanical_travel_deg: between the stops.
        idle_current_ma, hold_current_ma, moving_current_ma: limp, holding, moving without load.
        time_constant_ms: of motor and gear without anything on the arm; 63 % of the speed is reached in it.
        acceleration_deg_s2: the firmware's own limit; None for none but the motor's.
        friction: Coulomb friction of motor and gear seen at the arm, as a fraction of the stall torque.
        backlash_deg: between gear and arm, whole width.
        added_inertia: load inertia on the arm, as a multiple of motor's and gear's own inertia.
        sensor_curve_deg: largest error of any unit's sensor, deg; the curve of each unit is drawn by the seed.
        sensor_noise_deg: standard deviation of one reading.
        heat_k_per_w, heat_time_s: case to air, and the time constant.
    """

    name: str
    firmware: tuple[int, int] = (1, 0)
    supply_mv: tuple[int, int] = (4800, 8400)
    stall_torque_mnm: int = 2500
    stall_current_ma: int = 4000
    no_load_speed_deg_s: int = 400
    mechanical_travel_deg: float = 200.0
    idle_current_ma: int = 12
    hold_current_ma: int = 60
    moving_current_ma: int = 350
    time_constant_ms: float = 10.0
    acceleration_deg_s2: float | None = None
    friction: float = 0.03
    backlash_deg: float = 0.0
    added_inertia: float = 0.0
    sensor_curve_deg: float = 0.0
    sensor_noise_deg: float = 0.0
    heat_k_per_w: float = 20.0
    heat_time_s: float = 120.0

    def __post_init__(self) -> None:
        """Raises ValueError where the rating gives out more power than it takes in."""
        if (efficiency := self.motor().efficiency) > 1:
            raise ValueError(
                f"'{self.name}': stall torque x no-load speed is {efficiency:.2f} times what volts x amps leave for it"
            )

    def motor(self) -> Motor:
        """Motor and gear of an actuator of this type."""
        return Motor(
            no_load_deg_s=float(self.no_load_speed_deg_s),
            lag_s=self.time_constant_ms / 1000,
            acceleration_deg_s2=math.inf if self.acceleration_deg_s2 is None else self.acceleration_deg_s2,
            friction=self.friction,
            lash_deg=self.backlash_deg,
            added_inertia=self.added_inertia,
            idle_ma=self.idle_current_ma,
            hold_ma=self.hold_current_ma,
            moving_ma=self.moving_current_ma,
            stall_ma=self.stall_current_ma,
            stall_nm=self.stall_torque_mnm / 1000,
            rated_v=self.supply_mv[1] / 1000,
        )

    def heat(self) -> Heat:
        """Temperature model, cold; the winding's resistance follows from rated supply and stall current."""
        return Heat(self.motor().ohm, self.heat_k_per_w, self.heat_time_s)
