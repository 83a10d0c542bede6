"""Fit a correction table to measured points: with as few points as the data need, and without following noise.

Linear between evenly spread points, by least squares with a penalty on bends. How stiff the penalty is, and how many
points, is chosen by generalised cross-validation (Craven & Wahba 1979, from memory): the score estimates the error at
places that were not measured, so that noise is not followed and a real curve is not flattened.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

POINT_COUNTS: Final = (5, 7, 9, 13, 17, 25, 33)
STIFFNESSES: Final = (1e-4, 1e-2, 1.0, 30.0)
WORTH_MORE_POINTS: Final = 1.1
"""A table with fewer points is taken if its score is at most this many times the best one."""


@dataclass(frozen=True, slots=True)
class TableFit:
    """A fitted table.

    Attributes:
        table_deg: one value a point, deg, spread evenly over the demand -1..+1.
        noise_deg: standard deviation of the remaining error, deg, corrected for the fit's degrees of freedom.
        greatest_deg: the greatest remaining error, deg.
        reason: why this number of points, in words.
    """

    table_deg: tuple[float, ...]
    noise_deg: float
    greatest_deg: float
    reason: str


@dataclass(frozen=True, slots=True)
class _Try:
    table_deg: tuple[float, ...]
    score: float
    noise_deg: float
    greatest_deg: float


def fit_table(samples: Sequence[tuple[float, float]]) -> TableFit:
    """The table for samples of (demand -1..+1, deg wanted there). Beyond the outermost samples it continues linearly.

    Raises:
        ValueError: fewer than 12 samples, or they lie on less than half the travel: that is no measurement.
    """
    fractions = [fraction for fraction, _ in samples]
    if len(samples) < 12 or max(fractions) - min(fractions) < 1.0:
        raise ValueError(f"{len(samples)} samples do not make a table")
    tries: dict[int, _Try] = {}
    for count in POINT_COUNTS:
        if count > len(samples) // 2:
            break
        tries[count] = min((_fit(samples, count, stiffness) for stiffness in STIFFNESSES), key=lambda one: one.score)
    best = min(one.score for one in tries.values())
    count = next(count for count, one in tries.items() if one.score <= WORTH_MORE_POINTS * best)
    chosen = tries[count]
    fewer, more = [one for one in tries if one < count], [one for one in tries if one > count]
    reasons = []
    if fewer:
        missed_deg = math.sqrt(max(0.0, tries[fewer[-1]].score - chosen.score))
        reasons.append(f"{fewer[-1]} would miss the curve by about {missed_deg:.3f} deg")
    if more:
        reasons.append(f"more would follow the sensor's noise of {chosen.noise_deg:.3f} deg")
    return TableFit(
        chosen.table_deg,
        chosen.noise_deg,
        chosen.greatest_deg,
        f"{count} points: {', '.join(reasons) or 'all that go'}",
    )


def _fit(samples: Sequence[tuple[float, float]], count: int, stiffness: float) -> _Try:
    rows = [_hats(fraction, count) for fraction, _ in samples]
    normal = [[0.0] * count for _ in range(count)]
    right = [0.0] * count
    for (at, below, above), (_, value) in zip(rows, samples, strict=True):
        for one, weight in ((at, below), (at + 1, above)):
            right[one] += weight * value
            for other, other_weight in ((at, below), (at + 1, above)):
                normal[one][other] += weight * other_weight
    data = [row.copy() for row in normal]
    # the bend per point falls with the square of the spacing; scaled so that one stiffness means one curve
    scale = stiffness * len(samples) * ((count - 1) / 2) ** 3 / 1e4 + 1e-9
    for middle in range(1, count - 1):
        bend = {middle - 1: 1.0, middle: -2.0, middle + 1: 1.0}
        for one, weight in bend.items():
            for other, other_weight in bend.items():
                normal[one][other] += scale * weight * other_weight
    inverse = _inverse(normal)
    table = [sum(inverse[one][other] * right[other] for other in range(count)) for one in range(count)]
    freedom = sum(inverse[one][other] * data[other][one] for one in range(count) for other in range(count))
    left = [
        value - (below * table[at] + above * table[at + 1])
        for (at, below, above), (_, value) in zip(rows, samples, strict=True)
    ]
    squares = sum(one * one for one in left)
    spare = max(1.0, len(samples) - freedom)
    score = len(samples) * squares / spare**2 + 1e-12
    return _Try(tuple(table), score, math.sqrt(squares / spare), max(abs(one) for one in left))


def _hats(fraction: float, count: int) -> tuple[int, float, float]:
    """The point below a demand, and the weights of it and of the next."""
    place = (min(1.0, max(-1.0, fraction)) + 1) / 2 * (count - 1)
    at = min(int(place), count - 2)
    return at, 1 - (place - at), place - at


def _inverse(matrix: list[list[float]]) -> list[list[float]]:
    """The inverse by Gauss-Jordan with pivots; at most 33 rows, so no library is needed."""
    size = len(matrix)
    work = [[*row, *(float(one == at) for one in range(size))] for at, row in enumerate(matrix)]
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(work[row][column]))
        work[column], work[pivot] = work[pivot], work[column]
        divisor = work[column][column]
        work[column] = [value / divisor for value in work[column]]
        for row in range(size):
            factor = work[row][column]
            if row != column and factor:
                work[row] = [value - factor * other for value, other in zip(work[row], work[column], strict=True)]
    return [row[size:] for row in work]
