"""Correction tables from measured points: as many points as the curve asks for, no more than the noise allows."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproto.plan.calibration.table_fit import POINT_COUNTS, TableFit, fit_table


def samples(curve: Callable[[float], float], noise_deg: float, count: int, seed: int) -> list[tuple[float, float]]:
    draw = random.Random(seed)
    return [(fraction := draw.uniform(-0.95, 0.95), curve(fraction) + draw.gauss(0, noise_deg)) for _ in range(count)]


def at(fit: TableFit, fraction: float) -> float:
    """Linear between the points, as an actuator reads its table."""
    place = (fraction + 1) / 2 * (len(fit.table_deg) - 1)
    below = min(int(place), len(fit.table_deg) - 2)
    return fit.table_deg[below] + (fit.table_deg[below + 1] - fit.table_deg[below]) * (place - below)


def worst(fit: TableFit, curve: Callable[[float], float]) -> float:
    return max(abs(at(fit, step / 200) - curve(step / 200)) for step in range(-190, 191))


def bow(fraction: float) -> float:
    """2 sin(2x) over +-45 deg."""
    return 2 * math.sin(2 * math.radians(45 * fraction))


@settings(max_examples=20)
@given(st.floats(-3, 3), st.floats(-3, 3), st.integers(0, 99))
def test_a_straight_line_takes_the_fewest_points_and_is_met(offset: float, slope: float, seed: int) -> None:
    fit = fit_table(samples(lambda fraction: offset + slope * fraction, 0.0, 60, seed))
    assert len(fit.table_deg) == POINT_COUNTS[0]
    assert worst(fit, lambda fraction: offset + slope * fraction) < 1e-4


def test_without_noise_a_bow_takes_all_the_points_there_are() -> None:
    fit = fit_table(samples(bow, 0.0, 200, 1))
    assert len(fit.table_deg) == 33
    # linear interpolation with 33 points cannot be better than (h^2 / 8) max e'' = 0.0024 deg; de Boor, from memory
    assert worst(fit, bow) < 2.5 * 0.0024
    assert fit.reason.startswith("33 points: 25 would miss the curve")
    assert "more would" not in fit.reason, "there are none with more"


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("noise_deg", [0.02, 0.05, 0.15])
def test_noise_is_averaged_out_and_not_followed(noise_deg: float, seed: int) -> None:
    fit = fit_table(samples(bow, noise_deg, 200, seed))
    assert worst(fit, bow) < 1.6 * noise_deg
    assert fit.noise_deg == pytest.approx(noise_deg, rel=0.2)
    assert "would follow the sensor's noise" in fit.reason


@pytest.mark.parametrize(
    ("count", "most"), [(12, 5), (13, 5), (14, 7), (17, 7), (18, 9), (26, 13), (49, 17), (50, 25), (66, 33)]
)
def test_there_are_two_measurements_a_point_at_least(count: int, most: int) -> None:
    """Without noise a bow takes all the points that it may have."""
    evenly = [(fraction, bow(fraction)) for fraction in (2 * at / (count - 1) - 1 for at in range(count))]
    assert len(fit_table(evenly).table_deg) == most


def test_more_noise_asks_for_fewer_points() -> None:
    counts = [len(fit_table(samples(bow, noise, 200, 3)).table_deg) for noise in (0.001, 0.02, 0.2)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


@pytest.mark.parametrize("points", [[], [(0.0, 1.0)] * 50, [(step / 100, 0.0) for step in range(50)]])
def test_what_is_no_measurement_is_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="do not make a table"):
        fit_table(points)
