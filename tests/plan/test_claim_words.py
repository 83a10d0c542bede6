"""How a claim says by what actuators that moved together were told apart."""

from __future__ import annotations

import pytest

from busproto.ops.moving.hand_movement import Moved
from busproto.plan.airframe.claim import Claimed, Task
from busproto.plan.claim_words import claimed_lines

UPPER, LOWER = bytes(8), bytes([*bytes(7), 1])
BY_ORDER = "Nothing tells these apart: they are taken in the order of uid."
BY_SIDE = "Distinguished by the sides to which they turned, as if a positive demand had taken the surface there."


@pytest.mark.parametrize(
    ("by_order", "needs_side", "said"),
    [
        ((), False, []),
        (("upper", "lower"), False, [BY_ORDER]),
        ((), True, [BY_SIDE]),
        (("upper", "lower"), True, [BY_ORDER, BY_SIDE]),
    ],
)
def test_by_what_they_were_told_apart(by_order: tuple[str, ...], needs_side: bool, said: list[str]) -> None:
    task = Task("rudder", ("upper", "lower"), ("upper", "lower"), "", needs_side)
    moved = (Moved(UPPER, 12.04), Moved(LOWER, -9.96))
    told = Claimed(task, {"upper": UPPER, "lower": LOWER}, moved, by_order, ())
    lines = ["upper: ...00, moved +12.0 deg", "lower: ...01, moved -10.0 deg"]
    assert claimed_lines(told, lambda uid: f"...{uid.hex()[-2:]}") == [*lines, *said]
