"""The position sensor of one actuator: a smooth curve of its own, noise, and steps.

The loop holds the sensor's reading at the target, so the arm itself is off by the curve, and a report does not show
that. The curve is a sum of the first two harmonics over 180 deg with phases of the unit, as an eccentric magnet or a
worn track gives. Noise is drawn anew for every tick of 1 ms from seed and tick, so it does not depend on how often it
is read. Not modelled: drift with temperature, a dead spot.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Final

SENSOR_STEP_CDEG: Final = 5
TICK_NS: Final = 1_000_000
_PERIOD_DEG: Final = 180.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Error of a sensor over its reading: `first_deg` sin(2 a + phase) + `second_deg` sin(4 a + phase)."""

    first_deg: float = 0.0
    first_phase: float = 0.0
    second_deg: float = 0.0
    second_phase: float = 0.0

    @classmethod
    def drawn(cls, stream: random.Random, amplitude_deg: float) -> Curve:
        """A random curve; its two harmonics together never exceed the amplitude."""
        fraction = stream.uniform(0.6, 0.9)
        return cls(
            amplitude_deg * fraction,
            stream.uniform(0, 2 * math.pi),
            amplitude_deg * (1 - fraction),
            stream.uniform(0, 2 * math.pi),
        )

    def error_deg(self, reading_deg: float) -> float:
        """Reading minus true angle, deg, at that reading."""
        turn = 2 * math.pi * reading_deg / _PERIOD_DEG
        return self.first_deg * math.sin(turn + self.first_phase) + self.second_deg * math.sin(
            2 * turn + self.second_phase
        )

    def true_deg(self, reading_deg: float) -> float:
        """True angle of the shaft at that reading, deg."""
        return reading_deg - self.error_deg(reading_deg)

    def reading_deg(self, true_deg: float) -> float:
        """The reading at that true angle, deg; to 1e-9 deg for amplitudes up to 5 deg."""
        reading_deg = true_deg
        for _ in range(16):
            reading_deg = true_deg + self.error_deg(reading_deg)
        return reading_deg


@dataclass(frozen=True, slots=True)
class Sensor:
    """Turns an ideal reading into the reported one, with noise and steps.

    Attributes:
        seed: seed of the noise.
        noise_deg: standard deviation, deg.
        step_cdeg: resolution, 0.01 deg.
    """

    seed: str = ""
    noise_deg: float = 0.0
    step_cdeg: int = field(default=SENSOR_STEP_CDEG)

    def says_cdeg(self, reading_deg: float, now_ns: int) -> int:
        """The position in 0.01 deg, as it is reported at that moment."""
        if self.noise_deg:
            reading_deg += random.Random(f"{self.seed}/{now_ns // TICK_NS}").gauss(0.0, self.noise_deg)
        return round(reading_deg * 100 / self.step_cdeg) * self.step_cdeg
