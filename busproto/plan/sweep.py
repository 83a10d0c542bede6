"""What a planned neutral, travel and end limits leave of the sweep of an arm. Pure arithmetic.

Angles are degrees at the arm, from the middle of the mechanical range. A demand of 0 stands at the neutral; -100 % and
+100 % are half a travel to either side of it, exchanged where the direction is reversed. The arm stops at its end
limits, and at its mechanical stops where they are known. The correction table is left out: it is measured, and small.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import DIRECTION_REVERSED, RawValue


@dataclass(frozen=True, slots=True)
class Sweep:
    """Where the demands from -100 % to +100 % take the arm, and what is lost of it.

    Attributes:
        low_deg, high_deg: ends of the angles that are reached.
        lost_at_minus_deg, lost_at_plus_deg: how much of the half travel to that side of the demand is out of reach,
            0..half the travel.
        symmetric_deg: greatest throw to each side of the neutral that is still reached on both, deg; 0 where the
            neutral itself is out of reach.
        lost_share: share of the whole travel that is lost, 0..1.
        step_deg: how far one step of the demand (0.01 %) moves the arm.
    """

    low_deg: float
    high_deg: float
    lost_at_minus_deg: float
    lost_at_plus_deg: float
    symmetric_deg: float
    lost_share: float
    step_deg: float

    @property
    def lost_deg(self) -> float:
        """What is lost on both sides together."""
        return self.lost_at_minus_deg + self.lost_at_plus_deg


def sweep(
    neutral_deg: float,
    travel_deg: float,
    end_low_deg: float,
    end_high_deg: float,
    *,
    is_reversed: bool = False,
    mechanical_travel_deg: float | None = None,
) -> Sweep:
    """The sweep of an arm.

    Args:
        neutral_deg: where the arm stands at demand 0.
        travel_deg: whole sweep between demand -100 % and +100 %, above 0.
        end_low_deg, end_high_deg: end limits, low <= high.
        is_reversed: a positive demand goes to lower angles.
        mechanical_travel_deg: between the mechanical stops, which stand evenly about 0; None where unknown.
    """
    half_deg = travel_deg / 2
    if mechanical_travel_deg is not None:
        end_low_deg = max(end_low_deg, -mechanical_travel_deg / 2)
        end_high_deg = min(end_high_deg, mechanical_travel_deg / 2)

    def within(angle_deg: float) -> float:
        return min(end_high_deg, max(end_low_deg, angle_deg))

    low_deg, centre_deg, high_deg = within(neutral_deg - half_deg), within(neutral_deg), within(neutral_deg + half_deg)
    kept_below_deg, kept_above_deg = centre_deg - low_deg, high_deg - centre_deg
    lost_below_deg, lost_above_deg = half_deg - kept_below_deg, half_deg - kept_above_deg
    return Sweep(
        low_deg=low_deg,
        high_deg=high_deg,
        lost_at_minus_deg=lost_above_deg if is_reversed else lost_below_deg,
        lost_at_plus_deg=lost_below_deg if is_reversed else lost_above_deg,
        symmetric_deg=min(kept_below_deg, kept_above_deg),
        lost_share=(lost_below_deg + lost_above_deg) / travel_deg,
        step_deg=half_deg / MAX_DEMAND,
    )


def sweep_of(settings: Mapping[str, RawValue], mechanical_travel_deg: float | None = None) -> Sweep:
    """The sweep of an arm with these raw settings; `mechanical_travel_deg` as in `sweep`."""
    neutral, travel, low, high = (_degrees(settings, name) for name in ("neutral", "travel", "end-low", "end-high"))
    is_reversed = settings["direction"] == DIRECTION_REVERSED
    return sweep(neutral, travel, low, high, is_reversed=is_reversed, mechanical_travel_deg=mechanical_travel_deg)


def _degrees(settings: Mapping[str, RawValue], name: str) -> float:
    raw = settings[name]
    assert isinstance(raw, int)
    return raw / 100
