"""Everything that is timed goes the same way whatever the clock reads."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.clock import HALF, RANGE_US, WRAP
from busproto.conformance.dut import Dut
from busproto.conformance.suite.long_time.timed import difference, due_us, held

QUIET_US = 1_000_000_000
"""A count far from both ends of the range."""


@clause(
    "line.clock", "does.reply", "does.store", "does.soft-start", "does.loss", "does.age", "does.shows", "does.heat",
    "find.first", "find.backoff", "find.sense", "find.position", "op.44",
)  # fmt: skip
@pytest.mark.parametrize("count", [WRAP, HALF], ids=["wrap", "half"])
def test_the_same_is_said_whatever_the_clock_reads(dut_build: Callable[..., Dut], count: int) -> None:
    dut = dut_build(clock_us=QUIET_US)
    first = held(dut)
    assert sum(one.by not in {"", "host"} for one in first) >= 25, "too little was said to compare anything"
    for at_us in due_us(dut, first, exactly=count == WRAP):
        again = held(dut_build(clock_us=(count - at_us) % RANGE_US))
        wrong = difference(again, first)
        assert not wrong, f"with the clock at {count:#x} {at_us} us behind power-up: {wrong}"
