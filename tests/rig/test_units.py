"""The trade's units of torque and speed: against the SI's own factors and a library of units."""

from __future__ import annotations

import re

import pytest

from busproto.errors import InputError
from busproto.rig.units import speed_deg_s, torque_nm
from tests.rig.outside import library


def test_speed_from_the_trades_notation() -> None:
    """Transit time for 60 deg, without load, not standardised: common practice, no source."""
    assert speed_deg_s("0.20 s/60 deg") == pytest.approx(300.0, rel=1e-6)
    units = library("pint").UnitRegistry()
    speed = units.Quantity(60, "degree") / units.Quantity(0.20, "second")
    assert speed_deg_s("0.20 s/60 deg") == pytest.approx(speed.to("degree/second").magnitude, rel=1e-12)
    assert speed.to("radian/second").magnitude == pytest.approx(5.235988, rel=1e-6)
    assert speed_deg_s("50 rpm") == pytest.approx(300.0, rel=1e-12)
    assert speed.to("rpm").magnitude == pytest.approx(50.0, rel=1e-9)


def test_torque_units() -> None:
    """Standard gravity 9.80665 m/s^2, SI Brochure."""
    assert torque_nm("1 kgf cm") == 0.0980665
    assert torque_nm("25 kgf cm") == pytest.approx(2.4516625, rel=1e-12)
    assert torque_nm("1 ozf in") == pytest.approx(0.00706155, rel=1e-6)
    units = library("pint").UnitRegistry()
    for text, unit in (("25 kgf cm", "kgf*cm"), ("140 ozf in", "ozf*inch"), ("80 N cm", "N*cm"), ("900 mN m", "mN*m")):
        theirs = units.Quantity(float(text.split()[0]), unit).to("N*m").magnitude
        assert torque_nm(text) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(
    ("given", "nm"),
    [
        (2.5, 2.5),
        ("2.5 N m", 2.5),
        ("2.5Nm", 2.5),
        ("25 kg-cm", 2.4516625),
        ("25kg.cm", 2.4516625),
        ("25 KGF*CM", 2.4516625),
        ("100 oz-in", 0.7061552),
        (".5 N·m", 0.5),
    ],
)
def test_spellings_of_a_torque(given: float | str, nm: float) -> None:
    assert torque_nm(given) == pytest.approx(nm, rel=1e-6)


@pytest.mark.parametrize(
    ("given", "deg_s"),
    [(360, 360.0), ("360 deg/s", 360.0), ("0.15s/60°", 400.0), ("0.15 sec / 60 deg", 400.0), ("0.1 s/45 deg", 450.0)],
)
def test_spellings_of_a_speed(given: float | str, deg_s: float) -> None:
    assert speed_deg_s(given) == pytest.approx(deg_s, rel=1e-12)


@pytest.mark.parametrize(
    ("read", "given", "text"),
    [
        (torque_nm, "25", "'25' is no torque: a number and one of N m, N cm, mN m, kgf cm, ozf in is wanted"),
        (torque_nm, "25 kg", "'25 kg' is no torque"),
        (torque_nm, "kgf cm", "'kgf cm' is no torque"),
        (torque_nm, "-1 N m", "'-1 N m' is no torque"),
        (torque_nm, "0 N m", "the torque is 0 N m; a finite number above 0 is wanted"),
        (torque_nm, "1e5 N m", "'1e5 N m' is no torque"),
        (speed_deg_s, "0.2 s", "'0.2 s' is no speed: a number and one of deg/s, rpm, s/60 deg is wanted"),
        (speed_deg_s, "0 s/60 deg", "the transit time is 0 s"),
        (speed_deg_s, "0.2 s/0 deg", "the angle is 0 deg"),
        (speed_deg_s, 0.0, "the speed is 0 deg/s"),
    ],
)  # fmt: skip
def test_what_is_no_torque_or_speed_is_refused_with_the_units_there_are(read: object, given: object, text: str) -> None:
    assert callable(read)
    with pytest.raises(InputError, match=re.escape(text)):
        read(given)
