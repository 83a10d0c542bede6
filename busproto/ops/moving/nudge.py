"""One limp actuator makes itself known by a small swing about its position, and is limp again.

Demands must hold the arm at its position: without them the loss action would begin, which may be a move to a preset
position. So the settings are read first. If no demand can hold the arm where it is, nothing moves and the error gives
the reason. The caller must have shown the cautions (`busproto.cautions`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from busproto.errors import InputError, OperationError
from busproto.ops.moving.demand_units import degrees_to_fraction, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.moving.motion import MS, demand, engage, report, show
from busproto.ops.parameter_access import read_all
from busproto.ops.steps import Pause, Steps, now
from busproto.wire.messages import MAX_DEMAND
from busproto.wire.parameters import LOSS_PRESET, RawValue, parameter_named

SWING_S: Final = 1.6
"""Two swings to each side."""
FEED_NS: Final = 40 * MS
SHORTEST_LOSS_MS: Final = 200
"""ms. An actuator whose loss action is the preset must have a longer loss time-out than this: several demand periods.
"""
NEAR_DEG: Final = 0.5
SEEN_DEG: Final = 0.5
"""deg. A smaller swing counts as none: the arm is blocked, or has no drive."""


@dataclass(frozen=True, slots=True)
class Nudged:
    """The result of a nudge.

    Attributes:
        address: 1..239.
        swing_deg: the reported swing from end to end, deg.
        peak_current_ma: the highest current reported, mA.
        let_go: what was seen after the release.
    """

    address: int
    swing_deg: float
    peak_current_ma: int
    let_go: LetGo

    @property
    def was_seen(self) -> bool:
        """Whether the arm moved at all."""
        return self.swing_deg >= SEEN_DEG

    @property
    def text(self) -> str:
        """The result in a few words."""
        if self.was_seen:
            return f"swung {self.swing_deg:.1f} deg, peak {self.peak_current_ma} mA"
        return f"was asked to swing but did NOT move ({self.swing_deg:.2f} deg): blocked, or no drive"


def nudge(address: int, duration_s: float = SWING_S) -> Steps[Nudged]:
    """Engage one actuator, let it swing about its position, and release it, also if this is interrupted.

    Args:
        address: 1..239.
        duration_s: 0.1..10 s.

    Raises:
        InputError: the duration is outside its range; nothing was sent.
        OperationError: it does not answer, refuses, or cannot be held where it is; nothing moved.
    """
    if not 0.1 <= duration_s <= 10:
        raise InputError(f"{duration_s:g} s: 0.1..10 s are allowed")
    settings = yield from read_all(address)
    before = yield from report(address)
    fraction = fraction_to_stay(address, before.position_cdeg / 100, settings)
    known = OnLine(address, loss_action=parameter_named("loss-action").text(settings["loss-action"]))
    swinging = _swing(address, fraction, before.position_cdeg, duration_s)
    (swing_deg, peak_ma), seen = yield from ending_limp(swinging, (known,), to_all=False)
    return Nudged(address, swing_deg, peak_ma, seen)


def _swing(address: int, fraction: float, from_cdeg: int, duration_s: float) -> Steps[tuple[float, int]]:
    """Returns the swing from end to end, deg, and the highest current, mA."""
    positions, peak_ma = [from_cdeg], 0
    yield from engage(address)
    yield from demand(address, fraction)
    yield from show(address, duration_s)
    ends_ns = (yield from now()) + round(duration_s * 1e9)
    while (yield from now()) < ends_ns:
        yield from demand(address, fraction)
        status = yield from report(address)
        positions.append(status.position_cdeg)
        peak_ma = max(peak_ma, status.current_ma)
        yield Pause(FEED_NS)
    return (max(positions) - min(positions)) / 100, peak_ma


def fraction_to_stay(address: int, position_deg: float, settings: Mapping[str, RawValue]) -> float:
    """The demand, -1..+1, that holds the arm where it is.

    Raises:
        OperationError: there is none, or the loss action would move the arm before the next demand.
    """
    time_out_ms = settings["loss-time-out"]
    assert isinstance(time_out_ms, int)
    if settings["loss-action"] == LOSS_PRESET and time_out_ms < SHORTEST_LOSS_MS:
        raise OperationError(
            address,
            f"address {address}: the actuator would go to its preset position after {time_out_ms} ms without a demand, "
            "which is too short to be fed from here; nothing moved. Move it by hand instead",
        )
    fraction = min(1.0, max(-1.0, degrees_to_fraction(position_deg, settings)))
    fraction = round(fraction * MAX_DEMAND) / MAX_DEMAND
    held_deg = standing_deg(fraction, settings)
    if abs(held_deg - position_deg) > NEAR_DEG:
        raise OperationError(
            address,
            f"address {address}: its arm stands at {position_deg:.2f} deg, and the nearest that a demand reaches is "
            f"{held_deg:.2f} deg; nothing moved. Move it by hand into its travel first",
        )
    return fraction
