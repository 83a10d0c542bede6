"""The one-wire line as a load: against the published equations."""

from __future__ import annotations

import math

import pytest

from busproto.errors import InputError
from busproto.rig.wiring.pull_up import greatest_pull_up_ohm, least_pull_up_ohm, rise_s


def test_the_rise_against_the_figures_of_the_published_equation() -> None:
    """UM10204 (I2C-bus specification) section 7.1: 0.3566749 R C to 30 %, 1.2039729 R C to 70 %, 0.8473 between."""
    time_constant = 2200.0 * 200e-12
    low, high = rise_s(2200.0, 200e-12, 0.3), rise_s(2200.0, 200e-12, 0.7)
    assert low == pytest.approx(0.3566749 * time_constant)
    assert high == pytest.approx(1.2039729 * time_constant)
    assert high - low == pytest.approx(0.8473 * time_constant, rel=1e-4)


def test_the_least_pull_up_is_that_of_the_published_equation() -> None:
    """UM10204 section 7.1, equation 2: (V_DD - V_OL) / I_OL; 3 mA on 5 V and on 3.3 V."""
    assert least_pull_up_ohm(5.0, 3e-3) == pytest.approx(1533.3, abs=0.1)
    assert least_pull_up_ohm(3.3, 3e-3) == pytest.approx(966.7, abs=0.1)


def test_the_longer_and_the_faster_the_line_the_smaller_its_pull_up() -> None:
    assert greatest_pull_up_ohm(1_000_000, 200e-12) == pytest.approx(greatest_pull_up_ohm(500_000, 400e-12))
    assert math.isclose(greatest_pull_up_ohm(115_200, 200e-12, 0.2), 2 * greatest_pull_up_ohm(115_200, 200e-12))


@pytest.mark.parametrize(
    "call",
    [
        lambda: rise_s(0.0, 1e-12),
        lambda: rise_s(1.0, 0.0),
        lambda: rise_s(1.0, 1e-12, 1.0),
        lambda: greatest_pull_up_ohm(0.0, 1e-12),
        lambda: least_pull_up_ohm(0.3, 3e-3),
        lambda: least_pull_up_ohm(5.0, 0.0),
    ],
)
def test_what_cannot_be_is_refused(call: object) -> None:
    with pytest.raises(InputError):
        call()  # type: ignore[operator]
