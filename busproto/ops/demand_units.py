"""A demand in the units people use: percent of travel, degrees, pulse width. Calculation only.

Pulse width: 1500 us is the centre, 1000 and 2000 us the ends of the travel (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from busproto.errors import InputError
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import DIRECTION_REVERSED, RawValue

PULSE_CENTRE_US: Final = 1500.0
PULSE_HALF_SPAN_US: Final = 500.0
MAX_NUMBER: Final = 1e6


def share_to_pulse_us(share: float) -> float:
    """Pulse width for a share of the travel, -1..+1, us."""
    return PULSE_CENTRE_US + share * PULSE_HALF_SPAN_US


def pulse_us_to_share(pulse_us: float) -> float:
    """Share of the travel, -1..+1, for a pulse width of 1000..2000 us."""
    return (pulse_us - PULSE_CENTRE_US) / PULSE_HALF_SPAN_US


def pulse_us_per_degree(travel_deg: float) -> float:
    """How much pulse width one degree is, for a whole travel in degrees, us/deg.

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


def share_to_degrees(share: float, settings: Mapping[str, RawValue]) -> float:
    """Where a share of the travel puts the arm with these raw settings, before ends and correction, deg."""
    neutral_deg, half_deg = _geometry(settings)
    return neutral_deg + share * half_deg


def degrees_to_share(angle_deg: float, settings: Mapping[str, RawValue]) -> float:
    """The share of the travel that puts the arm at an angle, deg, with these raw settings."""
    neutral_deg, half_deg = _geometry(settings)
    return (angle_deg - neutral_deg) / half_deg


def check_target(text: str) -> None:
    """Refuse what can be no target for any actuator, before anything is sent. Raises InputError."""
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
    """The share of the travel, -1..+1, of what a person typed: "40%", "12.5deg", "1700us" or "centre".

    Raises:
        InputError: none of these, or outside the travel; the text tells what is allowed here.
    """
    number, unit = _split_target(text)
    if unit == "deg":
        share = degrees_to_share(number, settings)
    else:
        share = number / 100 if unit == "%" else pulse_us_to_share(number)
    if not -1 <= share <= 1:
        low, high = sorted(share_to_degrees(end, settings) for end in (-1.0, 1.0))
        raise InputError(
            f"target '{text}' is outside the travel: -100%..100%, {low:.2f}deg..{high:.2f}deg or 1000us..2000us"
        )
    return round(share * MAX_DEMAND) / MAX_DEMAND
