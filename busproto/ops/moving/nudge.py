"""One limp actuator makes itself known by a small swing about where its arm stands, and is limp again.

To hold the arm where it stands it must be fed with a demand: without one its loss action would begin, and that may be
a way to a preset position. So its settings are read first, and where a demand cannot hold the arm where it stands,
nothing moves and the reason is said. Whoever calls this has shown the cautions before (`busproto.cautions`).
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
"""One whose loss action is a way to a preset must wait longer than this for a demand; it is several feeds long."""
NEAR_DEG: Final = 0.5
SEEN_DEG: Final = 0.5
"""A swing smaller than this is none: the arm is blocked, or has no drive."""


@dataclass(frozen=True, slots=True)
class Nudged:
    """What came of it.

    Attributes:
        address: 1..239.
        swing_deg: from end to end as it was reported.
        peak_current_ma: the highest current reported.
        let_go: what was seen when it was let go.
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
        """What came of it, in a few words."""
        if self.was_seen:
            return f"swung {self.swing_deg:.1f} deg, peak {self.peak_current_ma} mA"
        return f"was told to swing but did NOT move ({self.swing_deg:.2f} deg): blocked, or no drive"


def nudge(address: int, duration_s: float = SWING_S) -> Steps[Nudged]:
    """Engage one actuator, let it swing about where it stands, let it go limp; limp also where it is interrupted.

    Args:
        address: 1..239.
        duration_s: 0.1..10 s.

    Raises:
        InputError: the duration is outside its range; nothing was sent.
        OperationError: it does not answer, refuses, or cannot be held where it stands; nothing moved.
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
    """Gives from end to end, deg, and the highest current, mA."""
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
    """The demand, -1..+1, that leaves the arm where it stands.

    Raises:
        OperationError: there is none, or its loss action would take it elsewhere before the next one comes.
    """
    time_out_ms = settings["loss-time-out"]
    assert isinstance(time_out_ms, int)
    if settings["loss-action"] == LOSS_PRESET and time_out_ms < SHORTEST_LOSS_MS:
        raise OperationError(
            address,
            f"address {address}: it would go to its preset position after {time_out_ms} ms without a demand, "
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
