"""All that an actuator times goes by its own clock, in Python and in C alike: 1 % fast is 1 % early."""

from __future__ import annotations

from typing import Any

import pytest

from busproto.ops import engage, report
from busproto.wire import Decoder, encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from tests.firmware import needs
from tests.firmware.benches import DeviceBox, device_box
from tests.ops.helpers import MS, US

needs.compiler_and_cffi()

HOLD = 1
each_kind = pytest.mark.parametrize("in_c", [False, True], ids=["python", "c"])
each_clock = pytest.mark.parametrize("ppm", [-10_000, 0, 10_000])


def made_with(in_c: bool, ppm: int, **stored: int) -> tuple[DeviceBox, Any]:
    made = device_box(echo=False)
    settings = {"channel": 1, "loss-action": HOLD, **{name.replace("_", "-"): raw for name, raw in stored.items()}}
    return made, made.either(in_c, 1, 5, settings=settings, clock_ppm=ppm)


def demand(made: DeviceBox, share: int) -> int:
    """A demand of all; returns when it has arrived."""
    made.bus.host.write(encode_frame(request_frame(m.DemandAll((share,)), BROADCAST_ADDRESS, 1)))
    made.pass_time(made.bus.host.sent_at_ns - made.now_ns)
    return made.now_ns


def when(made: DeviceBox, one: Any, state: m.State, within_ns: int) -> int:
    """When it comes to that state, to 1 ms."""
    end_ns = made.now_ns + within_ns
    while made.now_ns < end_ns and one.current_state() is not state:
        made.pass_time(MS)
    return made.now_ns


@each_kind
@each_clock
def test_time_out_and_soft_start_and_age_go_by_its_clock(in_c: bool, ppm: int) -> None:
    """2000 ms each: 20 ms earlier with a clock that is 1 % fast. Source: calc."""
    made, one = made_with(in_c, ppm, soft_start=2000, loss_time_out=2500)
    begin_ns = demand(made, 2000)
    share = 1 + ppm / 1e6
    soft_started_ms = (when(made, one, m.State.FOLLOWING, 3000 * MS) - begin_ns) / MS
    assert soft_started_ms == pytest.approx(2000 / share, abs=4)
    lost_ms = (when(made, one, m.State.LOST_HOLD, 3000 * MS) - begin_ns) / MS
    assert lost_ms == pytest.approx(2500 / share, abs=4)
    asked_ms = (made.now_ns - begin_ns) / MS
    aged_ms = made.run(report(5)).demand_age_ms
    assert aged_ms == pytest.approx(asked_ms * share, abs=5)


@each_kind
@each_clock
def test_the_reply_delay_goes_by_its_clock(in_c: bool, ppm: int) -> None:
    """2000 us: 20 us earlier with a clock that is 1 % fast, and up to 30 us of jitter later."""
    made, _ = made_with(in_c, ppm, reply_delay=2000)
    begun: list[int] = []
    made.bus.line.record = record = []
    asked_ns = 0
    for sequence in range(1, 9):
        record.clear()
        made.bus.host.write(encode_frame(request_frame(m.LinkTest(b"x"), 5, sequence)))
        asked_ns = made.bus.host.sent_at_ns
        made.pass_time(asked_ns - made.now_ns + 8 * MS)
        begun.append(record[-1].start_ns - asked_ns)
        assert Decoder().feed(made.bus.host.take())
    share = 1 + ppm / 1e6
    assert min(begun) >= 2000 * US / share - 2 * US
    assert max(begun) <= 2030 * US / share + 3 * US


@each_kind
def test_a_fast_clock_makes_a_fast_arm(in_c: bool) -> None:
    """The set-point runs at 50 deg/s by its own clock: 2 % between two of +-1 %. Source: calc."""
    ways = []
    for ppm in (-10_000, 10_000):
        made, one = made_with(in_c, ppm, soft_start=0, slew_limit=500, travel=18_000, loss_time_out=10_000)
        made.run(engage(5))
        demand(made, 10_000)
        made.pass_time(500 * MS)
        one.arm.move_to(made.now_ns)
        before = one.arm.position_deg
        made.pass_time(1000 * MS)
        one.arm.move_to(made.now_ns)
        ways.append(one.arm.position_deg - before)
    assert ways[1] / ways[0] == pytest.approx(1.01 / 0.99, rel=2e-3)
