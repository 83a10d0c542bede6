"""What kind of actuator one is: name, firmware, rating. Facts of a type, shared by all of that type."""

from __future__ import annotations

from dataclasses import dataclass


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
