"""Checks of given numbers, and the search for a greatest value; shared by the other modules of this room."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from busproto.errors import InputError

Function = Callable[[float], float]

SAMPLES: Final = 360
"""Intervals into which a range is cut to find the neighbourhood of its greatest value."""
SECTIONS: Final = 60
"""Golden sections by which it is closed in: to the last digits."""
_GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0


def within(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """`value`, if it is a finite number in low..high, both allowed. Raises InputError with the range otherwise."""
    if not (math.isfinite(value) and low <= value <= high):
        tail = f" {unit}" if unit else ""
        raise InputError(f"{name} is {value:g}{tail}; {low:g} to {high:g}{tail} is allowed")
    return value


def positive(name: str, value: float, unit: str = "") -> float:
    """`value`, if it is finite and above 0. Raises InputError otherwise."""
    if not (math.isfinite(value) and value > 0.0):
        tail = f" {unit}" if unit else ""
        raise InputError(f"{name} is {value:g}{tail}; a finite number above 0 is wanted")
    return value


def not_negative(name: str, value: float, unit: str = "") -> float:
    """`value`, if it is finite and not below 0. Raises InputError otherwise."""
    if not (math.isfinite(value) and value >= 0.0):
        tail = f" {unit}" if unit else ""
        raise InputError(f"{name} is {value:g}{tail}; 0 or a finite number above is wanted")
    return value


def finite(name: str, value: float, unit: str = "") -> float:
    """`value`, if it is finite. Raises InputError otherwise."""
    if not math.isfinite(value):
        raise InputError(f"{name} is {value:g}{f' {unit}' if unit else ''}; a finite number is wanted")
    return value


def greatest(
    function: Function, low: float, high: float, *, samples: int = SAMPLES, sections: int = SECTIONS
) -> tuple[float, float]:
    """Where in low..high a continuous function is greatest, and how great it is there.

    Samples evenly, ends included, then closes in on the best by golden sections. A peak narrower than a sample
    interval may be missed; a kink is found.
    """
    if high <= low:
        return low, function(low)
    step = (high - low) / samples
    places = [low + step * count for count in range(samples)] + [high]
    values = [function(place) for place in places]
    best = max(range(len(values)), key=values.__getitem__)
    left, right = places[max(0, best - 1)], places[min(samples, best + 1)]
    near, far = right - _GOLDEN * (right - left), left + _GOLDEN * (right - left)
    at_near, at_far = function(near), function(far)
    for _ in range(sections):
        if at_near >= at_far:
            right, far, at_far = far, near, at_near
            near = right - _GOLDEN * (right - left)
            at_near = function(near)
        else:
            left, near, at_near = near, far, at_far
            far = left + _GOLDEN * (right - left)
            at_far = function(far)
    found = max([(values[best], places[best]), (at_near, near), (at_far, far)])
    return found[1], found[0]
