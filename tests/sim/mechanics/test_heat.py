"""Heat: I^2 R, one time constant, against values worked out by hand and an ODE solver."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.mechanics.heat import AMBIENT_DEGC, Heat, cut_back
from tests.sim.helpers import MS, S


class Until:
    """One current until then."""

    def __init__(self, end_ns: int, ma: float) -> None:
        self.end_ns = end_ns
        self.ma = ma

    def parts(self, from_ns: int, until_ns: int) -> list[tuple[float, float]]:
        return [((until_ns - from_ns) / S, self.ma)]

    def is_over(self, now_ns: int) -> bool:
        return now_ns >= self.end_ns


def heat() -> Heat:
    """2 ohm, 20 K/W, 100 s: 1 A ends 40 K above the air."""
    return Heat(2.0, 20.0, 100.0)


def test_one_time_constant_makes_63_percent() -> None:
    """40 K (1 - 1/e) above 22 degC. Source: calc."""
    one = heat()
    one.draws(0, 1000.0)
    assert one.degc(100 * S) == pytest.approx(AMBIENT_DEGC + 40 * (1 - math.exp(-1)), abs=1e-9)
    assert one.degc(10_000 * S) == pytest.approx(AMBIENT_DEGC + 40, abs=1e-9)
    assert one.ends_at_degc(1000.0) == pytest.approx(62.0)


def test_twice_the_current_warms_four_times_as_much() -> None:
    found = []
    for ma in (500.0, 1000.0):
        one = heat()
        one.draws(0, ma)
        found.append(one.degc(30 * S) - AMBIENT_DEGC)
    assert found[1] == pytest.approx(4 * found[0])


def test_a_move_and_then_a_hold_against_an_ode_solver() -> None:
    integrate = pytest.importorskip("scipy.integrate")
    one = heat()
    one.draws(0, 200.0, Until(5 * S, 3000.0))

    def warms(t: float, y: list[float]) -> list[float]:
        amps = 3.0 if t < 5 else 0.2
        return [(22.0 + 20 * 2.0 * amps**2 - y[0]) / 100]

    solved = integrate.solve_ivp(warms, (0, 60), [22.0], t_eval=[2, 5, 20, 60], rtol=1e-10, atol=1e-10, max_step=0.05)
    assert [one.degc(t * S) for t in (2, 5, 20, 60)] == pytest.approx(list(solved.y[0]), abs=2e-3)


@given(
    st.lists(st.tuples(st.integers(0, 60_000), st.integers(0, 5000), st.integers(0, 5000)), max_size=8),
    st.lists(st.integers(0, 400_000), max_size=20),
)
def test_looks_change_nothing(changes: list[tuple[int, int, int]], looks_ms: list[int]) -> None:
    def played(looks: list[int]) -> float:
        one, now_ms = heat(), 0
        for pause_ms, ma, then_ma in changes:
            for look in sorted(looks):
                if now_ms <= look <= now_ms + pause_ms:
                    one.degc(look * MS)
            now_ms += pause_ms
            one.draws(now_ms * MS, then_ma, Until((now_ms + 500) * MS, ma))
        return one.degc(500_000 * MS)

    assert played(looks_ms) == played([])


@pytest.mark.parametrize(("degc", "share"), [(20.0, 1.0), (75.0, 1.0), (80.0, 0.75), (85.0, 0.5), (120.0, 0.5)])
def test_it_takes_back_half_of_its_drive_over_the_last_ten_degrees(degc: float, share: float) -> None:
    assert cut_back(degc, 85.0) == pytest.approx(share)
