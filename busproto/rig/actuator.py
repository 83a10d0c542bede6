"""One actuator as the rigging calculation sees it: the maker's ratings, reduced by its settings."""

from __future__ import annotations

from dataclasses import dataclass

from busproto.errors import InputError
from busproto.rig.checks import not_negative, positive, within


@dataclass(frozen=True, slots=True)
class Actuator:
    """The data of one actuator, from its maker and from its settings.

    Attributes:
        stall_nm, stall_ma: at the highest rated supply, above 0; the current None where not known.
        supply_v: lowest and highest rated supply.
        travel_deg: set between demand -100 % and +100 %, above 0..180.
        no_load_deg_s: at the highest rated supply; None where not known.
        room_deg: how far the arm can go from its neutral, as sizes, to the side of demand -100 % and of +100 %, between
            its end limits and mechanical stops.
        dead_band_deg: as set, at the arm, not below 0.
        sensor_deg: one count of its sensor, at the arm; 0 where not known.
        throw_deg: wanted at the surface at demand -100 % and +100 %; None where not said.
        slew_deg_s: highest speed of the demand that it follows; None where not known.

    Raises:
        InputError: outside that.
    """

    stall_nm: float
    supply_v: tuple[float, float]
    travel_deg: float
    stall_ma: float | None = None
    no_load_deg_s: float | None = None
    room_deg: tuple[float, float] = (90.0, 90.0)
    dead_band_deg: float = 0.0
    sensor_deg: float = 0.0
    throw_deg: tuple[float, float] | None = None
    slew_deg_s: float | None = None

    def __post_init__(self) -> None:
        positive("the stall torque", self.stall_nm, "N m")
        lowest_v, highest_v = self.supply_v
        if positive("the highest rated supply", highest_v, "V") < positive("the lowest rated supply", lowest_v, "V"):
            raise InputError(
                f"a rating goes from a lower to a higher voltage, not from {lowest_v:g} to {highest_v:g} V"
            )
        positive("the travel", within("the travel", self.travel_deg, 0.0, 180.0, "deg"), "deg")
        for name, value in (
            ("stall current", self.stall_ma),
            ("no-load speed", self.no_load_deg_s),
            ("slew limit", self.slew_deg_s),
        ):
            if value is not None:
                positive(f"the {name}", value)
        for side in self.room_deg:
            not_negative("the room beside the neutral", side, "deg")
        not_negative("the dead band", self.dead_band_deg, "deg")
        not_negative("the sensor's step", self.sensor_deg, "deg")
