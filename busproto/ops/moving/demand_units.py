"""A demand in the units people use, and where it makes an arm stand. Calculation only.

`standing_deg` calculates where an arm should stand for a demand, from the settings that the actuator reports (neutral,
direction, travel, correction table, end limits, mechanical stops). `degrees_to_fraction` is its inverse within the end
limits. No other module calculates either.

Pulse width: 1500 us is the centre, 1000 and 2000 us the ends of the travel (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Final

from busproto.errors import InputError
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import DIRECTION_REVERSED, RawValue

PULSE_CENTRE_US: Final = 1500.0
PULSE_HALF_SPAN_US: Final = 500.0
MAX_NUMBER: Final = 1e6


def fraction_to_pulse_us(fraction: float) -> float:
    """Pulse width in us for a fraction of the travel, -1..+1."""
    return PULSE_CENTRE_US + fraction * PULSE_HALF_SPAN_US


def pulse_us_to_fraction(pulse_us: float) -> float:
    """Fraction of the travel, -1..+1, for a pulse width of 1000..2000 us."""
    return (pulse_us - PULSE_CENTRE_US) / PULSE_HALF_SPAN_US


def pulse_us_per_degree(travel_deg: float) -> float:
    """Pulse width of one degree, us/deg, for a whole travel in degrees.

    "About 10 us per degree" is common practice and wrong by up to 80 % for a travel of 180 degrees.
    """
    return 2 * PULSE_HALF_SPAN_US / travel_deg


def _geometry(settings: Mapping[str, RawValue]) -> tuple[float, float]:
    """Neutral, and signed half travel, deg."""
    neutral, travel, direction = settings["neutral"], settings["travel"], settings["direction"]
    assert isinstance(neutral, int)
    assert isinstance(travel, int)
    side = -1 if direction == DIRECTION_REVERSED else 1
    return neutral / 100, side * travel / 200


def _correction(settings: Mapping[str, RawValue]) -> tuple[int, ...]:
    """The points of the correction table, 0.01 deg; none where the settings hold no table."""
    table = settings.get("correction", ())
    assert isinstance(table, tuple)
    return table


def correction_deg(fraction: float, table: tuple[int, ...]) -> float:
    """What a correction table (raw) adds at a fraction of the travel, deg: linear between its points, which are spread
    evenly over -1..+1; 0 for an empty table."""
    if not table:
        return 0.0
    place = (min(1.0, max(-1.0, fraction)) + 1) / 2 * (len(table) - 1)
    at = min(int(place), len(table) - 2)
    return (table[at] + (table[at + 1] - table[at]) * (place - at)) / 100


def fraction_to_degrees(fraction: float, settings: Mapping[str, RawValue]) -> float:
    """The angle, deg, to which a fraction of the travel would drive the arm with these raw settings, without any end.
    The correction table is included, the end limits are not: for these see `standing_deg`.
    """
    neutral_deg, half_deg = _geometry(settings)
    return neutral_deg + fraction * half_deg + correction_deg(fraction, _correction(settings))


def degrees_to_fraction(angle_deg: float, settings: Mapping[str, RawValue]) -> float:
    """The fraction of the travel that drives the arm to an angle, deg, with these raw settings: the inverse of
    `fraction_to_degrees`. Outside the travel it is extrapolated linearly."""
    neutral_deg, half_deg = _geometry(settings)
    table = _correction(settings)
    if not table:
        return (angle_deg - neutral_deg) / half_deg
    fractions = [2 * at / (len(table) - 1) - 1 for at in range(len(table))]
    angles = [neutral_deg + fraction * half_deg + point / 100 for fraction, point in zip(fractions, table, strict=True)]
    side = 1 if half_deg > 0 else -1
    if side * (angle_deg - angles[0]) <= 0:
        return -1 + (angle_deg - angles[0]) / half_deg
    for (low, low_deg), (high, high_deg) in pairwise(zip(fractions, angles, strict=True)):
        if side * (angle_deg - high_deg) <= 0 and high_deg != low_deg:
            return low + (high - low) * (angle_deg - low_deg) / (high_deg - low_deg)
    return 1 + (angle_deg - angles[-1]) / half_deg


def limited_deg(angle_deg: float, settings: Mapping[str, RawValue], mechanical_travel_cdeg: int | None = None) -> float:
    """The angle, deg, nearest to a given one within the end limits and the mechanical stops.

    Args:
        mechanical_travel_cdeg: from stop to stop, 0.01 deg, from the actuator's description; None where it is not
            known.
    """
    low, high = settings["end-low"], settings["end-high"]
    assert isinstance(low, int)
    assert isinstance(high, int)
    stop = math.inf if mechanical_travel_cdeg is None else mechanical_travel_cdeg / 2
    return min(high / 100, stop / 100, max(low / 100, -stop / 100, angle_deg))


def standing_deg(fraction: float, settings: Mapping[str, RawValue], mechanical_travel_cdeg: int | None = None) -> float:
    """Where the arm should stand for a fraction of the travel, deg by its own sensor.

    Args:
        fraction: -1..+1.
        settings: raw, by name; with the correction table as the actuator reports it.
        mechanical_travel_cdeg: see `limited_deg`.
    """
    return limited_deg(fraction_to_degrees(fraction, settings), settings, mechanical_travel_cdeg)


def check_target(text: str) -> None:
    """Raise InputError for a text that can be no target of any actuator; called before anything is sent."""
    number, unit = _split_target(text)
    limits = {"%": 100.0, "us": PULSE_HALF_SPAN_US}
    if unit in limits and abs(number - (PULSE_CENTRE_US if unit == "us" else 0.0)) > limits[unit]:
        raise InputError(f"target '{text}' is outside the travel: -100%..100%, or 1000us..2000us")


def _split_target(text: str) -> tuple[float, str]:
    """Number and unit of a target; "centre" is 0 %. Raises InputError."""
    word = text.strip().lower().replace(" ", "")
    if word == "centre":
        return 0.0, "%"
    for unit in ("%", "deg", "us"):
        if word.endswith(unit):
            try:
                number = float(word.removesuffix(unit))
            except ValueError:
                break
            if abs(number) < MAX_NUMBER:
                return number, unit
    raise InputError(
        f"target '{text}': wanted is centre, limp, or a number with its unit: "
        "-100%..100%, 1000us..2000us, or degrees such as 12.5deg"
    )


def parse_target(text: str, settings: Mapping[str, RawValue]) -> float:
    """The fraction of the travel, -1..+1, of a target that a person typed: "40%", "12.5deg", "1700us" or "centre".

    Raises:
        InputError: none of these, or outside the travel; the text tells what is allowed here.
    """
    number, unit = _split_target(text)
    if unit == "deg":
        fraction = degrees_to_fraction(number, settings)
    else:
        fraction = number / 100 if unit == "%" else pulse_us_to_fraction(number)
    if not -1 <= fraction <= 1:
        low, high = sorted(fraction_to_degrees(end, settings) for end in (-1.0, 1.0))
        raise InputError(
            f"target '{text}' is outside the travel: -100%..100%, {low:.2f}deg..{high:.2f}deg or 1000us..2000us"
        )
    return round(fraction * MAX_DEMAND) / MAX_DEMAND
