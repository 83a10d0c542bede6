"""Ratings as the trade writes them, as N m and deg/s: "25 kgf cm", "140 oz in", "0.20 s/60 deg".

The trade's kilogram and ounce in a torque are forces. A time for 60 deg is a transit time without load; how it is
measured is not standardised. Both are common practice, no source. Exact factors: standard gravity 9.80665 m/s^2 (SI
Brochure), international pound and inch.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from busproto.errors import InputError
from busproto.rig.checks import positive

KGF_CM_NM: Final = 0.0980665
"""1 kgf cm in N m, exact by standard gravity."""
OZF_IN_NM: Final = 0.45359237 / 16.0 * 9.80665 * 0.0254
"""1 ozf in in N m, exact by the international pound and inch."""
TORQUES_NM: Final[Mapping[str, float]] = MappingProxyType(
    {"N m": 1.0, "N cm": 0.01, "mN m": 0.001, "kgf cm": KGF_CM_NM, "ozf in": OZF_IN_NM}
)
"""Units of torque that are read, in N m."""
SPEEDS: Final = ("deg/s", "rpm", "s/60 deg")
"""Units of speed that are read."""

_SPELLINGS: Final = {"kgcm": "kgfcm", "ozin": "ozfin"}
_NUMBER: Final = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(.*\S)\s*")
_TRANSIT: Final = re.compile(r"s(?:ec)?/(\d+)(?:deg|°)")


def torque_nm(given: float | str) -> float:
    """A torque as N m: a number is N m already, a text tells its unit, such as "25 kgf cm".

    Between the two words of a unit a space, a point, a hyphen or a star may stand, or nothing; "kg cm" and "oz in" are
    read as the forces that they stand for.

    Raises:
        InputError: not a number above 0 with such a unit; the text tells the units there are.
    """
    if not isinstance(given, str):
        return positive("the torque", given, "N m")
    number, unit = _parts(given)
    squeezed = re.sub(r"[\s.*·-]+", "", unit.lower())
    for name, factor_nm in TORQUES_NM.items():
        if _SPELLINGS.get(squeezed, squeezed) == name.replace(" ", "").lower():
            return positive("the torque", number, name) * factor_nm
    raise InputError(f"'{given}' is no torque: a number and one of {', '.join(TORQUES_NM)} is wanted")


def speed_deg_s(given: float | str) -> float:
    """A speed as deg/s: a number is deg/s already, a text tells its unit, such as "0.20 s/60 deg".

    Raises:
        InputError: not a number above 0 with such a unit; the text tells the units there are.
    """
    if not isinstance(given, str):
        return positive("the speed", given, "deg/s")
    number, unit = _parts(given)
    squeezed = re.sub(r"\s+", "", unit.lower())
    if squeezed in {"deg/s", "°/s"}:
        return positive("the speed", number, "deg/s")
    if squeezed == "rpm":
        return positive("the speed", number, "rpm") * 6.0
    if (found := _TRANSIT.fullmatch(squeezed)) is not None:
        return positive("the angle", float(found[1]), "deg") / positive("the transit time", number, "s")
    raise InputError(f"'{given}' is no speed: a number and one of {', '.join(SPEEDS)} is wanted")


def _parts(given: str) -> tuple[float, str]:
    """Number and unit of a text; nan and "" where it is something else."""
    found = _NUMBER.fullmatch(given)
    return (float("nan"), "") if found is None else (float(found[1]), found[2])
