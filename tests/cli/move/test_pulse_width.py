"""Pulse widths and angles against values from outside, and against gpiozero on mock pins as an independent judge.

1000, 1500 and 2000 us for the ends and the middle of the travel: common practice, no source. All other values are
computed from the stated definition (a straight line through these three).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.ops.moving.demand_units import (
    degrees_to_fraction,
    fraction_to_degrees,
    fraction_to_pulse_us,
    parse_target,
    pulse_us_per_degree,
    pulse_us_to_fraction,
)
from busproto.wire.messages import MAX_DEMAND
from tests.cli.helpers import CommandLine

FRAME_US: Final = 20_000
COUNT_US: Final = 500 / MAX_DEMAND
"""One count of a demand on the wire."""

ANGLES: Final = (
    # whole travel deg, angle deg, pulse us
    (180, -90, 1000.0),
    (180, -45, 1250.0),
    (180, 0, 1500.0),
    (180, 30, 1666.667),
    (180, 90, 2000.0),
    (120, 30, 1750.0),
    (90, 10, 1611.111),
)

US_PER_DEGREE: Final[tuple[tuple[int, float], ...]] = (
    (90, 11.1111),
    (100, 10.0),
    (120, 8.3333),
    (150, 6.6667),
    (180, 5.5556),
)
"""Whole travel, deg, and pulse width of one degree over a span of 1000 us: computed from the stated definition."""


def settings(travel_deg: float, neutral_deg: float = 0, *, reversed_: bool = False) -> dict[str, int | tuple[int, ...]]:
    return {"travel": round(travel_deg * 100), "neutral": round(neutral_deg * 100), "direction": int(reversed_)}


@pytest.mark.parametrize(("travel_deg", "angle_deg", "pulse_us"), ANGLES)
def test_pulse_width_of_an_angle(travel_deg: float, angle_deg: float, pulse_us: float) -> None:
    fraction = degrees_to_fraction(angle_deg, settings(travel_deg))
    assert fraction_to_pulse_us(fraction) == pytest.approx(pulse_us, abs=1e-3)
    assert fraction_to_degrees(pulse_us_to_fraction(pulse_us), settings(travel_deg)) == pytest.approx(
        angle_deg, abs=1e-3
    )


@pytest.mark.parametrize(("travel_deg", "us_per_degree"), US_PER_DEGREE)
def test_pulse_width_of_one_degree(travel_deg: float, us_per_degree: float) -> None:
    assert pulse_us_per_degree(travel_deg) == pytest.approx(us_per_degree, abs=1e-4)


def test_about_10_us_per_degree_is_wrong_by_up_to_80_per_cent() -> None:
    """Common practice, no source; computed from the stated definition for a travel of 180 degrees."""
    assert 10 / pulse_us_per_degree(180) == pytest.approx(1.8, abs=1e-9)


def test_dead_band_of_a_pulse_as_an_angle() -> None:
    """2 us at a travel of 90 degrees: computed from the stated definition."""
    assert 2 / pulse_us_per_degree(90) == pytest.approx(0.18, abs=1e-9)


@pytest.fixture
def servo() -> Iterator[Callable[[float], Any]]:
    """Makes a servo of gpiozero of a whole travel, on a mock pin."""
    gpiozero = pytest.importorskip("gpiozero")
    mock = pytest.importorskip("gpiozero.pins.mock")
    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = mock.MockFactory(pin_class=mock.MockPWMPin)
    servos: list[Any] = []

    def make(travel_deg: float) -> Any:
        half = travel_deg / 2
        servos.append(gpiozero.AngularServo(2 + len(servos), initial_angle=0, min_angle=-half, max_angle=half))
        return servos[-1]

    yield make
    for one in servos:
        one.close()
    gpiozero.Device.pin_factory.close()
    gpiozero.Device.pin_factory = before


@pytest.mark.parametrize("travel_deg", [60, 90, 100, 120, 150, 180])
def test_gpiozero_gives_the_same_pulse(travel_deg: int, servo: Callable[[float], Any]) -> None:
    theirs = servo(travel_deg)
    for angle_deg in range(-travel_deg // 2, travel_deg // 2 + 1, 5):
        theirs.angle = angle_deg
        on_pin_us = theirs.pwm_device.pin.state * FRAME_US
        ours = fraction_to_pulse_us(degrees_to_fraction(angle_deg, settings(travel_deg)))
        assert ours == pytest.approx(on_pin_us, abs=1e-6)


@pytest.mark.parametrize(
    ("low_us", "high_us", "us_per_degree", "middle_us"),
    [(544, 2400, 10.3111, 1472.0), (750, 2250, 8.3333, 1500.0)],
    ids=["Servo.h", "adafruit_motor"],
)
def test_what_drives_other_pulse_ranges_is_put_into_travel_and_neutral(
    low_us: int, high_us: int, us_per_degree: float, middle_us: float
) -> None:
    """180 deg over 544 to 2400 us (MIN_PULSE_WIDTH, MAX_PULSE_WIDTH of Arduino's Servo.h, read) and over 750 to 2250 us
    (defaults of adafruit_motor's servo.Servo, run: 749.83, 1499.66, 2249.79 us for 0, 90, 180: it counts in 16 bits).

    With the travel and neutral that follow, a pulse stands for the angle that it has there; 1500 us of the first is
    92.716 deg from its low end.
    """
    slope = (high_us - low_us) / 180
    here = settings(1000 / slope, (1500 - (low_us + high_us) / 2) / slope)
    travel_deg = here["travel"]
    assert isinstance(travel_deg, int)
    assert pulse_us_per_degree(travel_deg / 100) == pytest.approx(us_per_degree, rel=1e-4)
    assert degrees_to_fraction(0.0, here) == pytest.approx(pulse_us_to_fraction(middle_us), abs=2e-4)
    for pulse_us in (1000, 1250, 1500, 1750, 2000):
        angle_deg = fraction_to_degrees(pulse_us_to_fraction(pulse_us), here)
        assert angle_deg == pytest.approx((pulse_us - low_us) / slope - 90, abs=0.01)  # settings have 0.01 deg
    if low_us == 544:
        assert fraction_to_degrees(0.0, here) + 90 == pytest.approx(92.716, abs=0.005)


@pytest.mark.parametrize(
    ("text", "given", "fraction"),
    [
        ("centre", settings(120), 0.0),
        ("Centre", settings(120, 10), 0.0),
        ("25%", settings(120, 10), 0.25),
        ("-100 %", settings(120), -1.0),
        ("1500us", settings(90, 5), 0.0),
        ("1000 US", settings(90), -1.0),
        ("2000us", settings(90, reversed_=True), 1.0),
        ("30deg", settings(120), 0.5),
        ("30deg", settings(120, reversed_=True), -0.5),
        ("10deg", settings(120, 10), 0.0),
        ("-50deg", settings(120, 10, reversed_=True), 1.0),
        ("10deg", settings(90), 0.2222),  # to the nearest count of a demand
    ],
)
def test_a_target_in_each_of_its_units(text: str, given: dict[str, int | tuple[int, ...]], fraction: float) -> None:
    assert parse_target(text, given) == fraction


def scenario_file(tmp_path: Path, travel_deg: float) -> str:
    file = tmp_path / "one.toml"
    file.write_text(
        'title = "One"\n[model."m"]\n[[actuator]]\nlabel = "a"\nmodel = "m"\naddress = 1\n'
        f"settings = {{ travel = {travel_deg} }}\n",
        "utf-8",
    )
    return f"sim://{file}"


@pytest.mark.parametrize(("travel_deg", "angle_deg", "pulse_us"), [row for row in ANGLES if abs(row[1]) <= 45])
def test_the_command_line_says_the_pulse_of_an_angle(
    travel_deg: float, angle_deg: float, pulse_us: float, cli: CommandLine, tmp_path: Path
) -> None:
    port = scenario_file(tmp_path, travel_deg)
    result = cli(f"move 1 {angle_deg}deg --clear --json --port {port}")
    assert result.code == 0
    target = result.json["target"]
    assert target["pulse_us"] == pytest.approx(pulse_us, abs=COUNT_US / 2 + 1e-3)
    assert target["wanted_deg"] == pytest.approx(angle_deg, abs=travel_deg / 2 / MAX_DEMAND)
    assert result.json["report_held"]["position_deg"] == pytest.approx(angle_deg, abs=0.15)  # dead band and sensor step


@pytest.mark.parametrize(("travel_deg", "us_per_degree"), [row for row in US_PER_DEGREE if row[0] != 120])
def test_the_command_line_says_how_much_one_degree_is(
    travel_deg: float, us_per_degree: float, cli: CommandLine, tmp_path: Path
) -> None:
    shown = cli(f"show 1 --port {scenario_file(tmp_path, travel_deg)}")
    assert shown.code == 0
    assert f"{travel_deg:.2f} deg ({us_per_degree:.2f} us/deg)" in shown.out
