"""How fast: slew limit and soft start, to both sides, from several places."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, S, not_checked
from busproto.conformance.suite.effects.arms import (
    DRIVEN,
    NEAR_CDEG,
    SETTLED_NS,
    Act,
    asked,
    driven,
    in_turn,
    led_to_cdeg,
    place,
    put,
    ready,
    wait,
)
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.parameters import LOSS_HOLD, LOSS_PRESET

LATE_NS = 3 * MS
"""An actuator may look at its clock once in a while."""
SIDES = pytest.mark.parametrize("side", [1, -1], ids=["upwards", "downwards"])


def most_way_cdeg(after_ns: int, soft_ms: int, slew: int) -> float:
    """Greatest way of the set-point, 0.01 deg: its speed rises evenly to the slew limit."""
    t, soft_s, speed = after_ns / S, soft_ms / 1000, slew / 10
    way = speed * t * t / (2 * soft_s) if soft_s and t < soft_s else speed * (t - soft_s / 2)
    return way * 100


def check_course(dut: Dut, since: tuple[int, int], start_cdeg: int, soft_ms: int, slew: int, until_ms: int) -> int:
    """Check that it is never further than soft start and slew limit allow; returns its way, 0.01 deg."""
    came = 0
    for seen in dut.watch(since, until_ms * MS, 20 * MS):
        came = abs(seen.status.position_cdeg - start_cdeg)
        allowed = most_way_cdeg(seen.most_ns, soft_ms, slew) * 1.04 + 60
        assert came <= allowed, f"{came / 100} deg after {seen.most_ns / MS:.0f} ms, {allowed / 100:.1f} are allowed"
        if seen.most_ns < soft_ms * MS * 0.9:
            assert seen.status.state is m.State.SOFT_STARTING
    return came


def speed_cdeg_s(dut: Dut, for_ns: int) -> tuple[float, float]:
    """Least and greatest mean speed of the arm over the next `for_ns`, 0.01 deg/s; negative where it falls."""
    since = dut.during(lambda: None)
    first = dut.moment(since)
    dut.pass_time(for_ns)
    last = dut.moment(since)
    way = last.status.position_cdeg - first.status.position_cdeg
    speeds = (
        way * S / max(1, last.least_ns - first.most_ns),
        way * S / max(1, last.most_ns - first.least_ns),
    )
    return min(speeds), max(speeds)


@effect("slew-limit")
@clause("does.slew", "parameters")
@SIDES
@pytest.mark.parametrize("direction", [0, 1], ids=["normal", "reversed"])
@pytest.mark.parametrize("slew", [50, 255, 256, 1000, 3000])
def test_the_arm_turns_as_fast_as_the_slew_limit(dut: Dut, slew: int, direction: int, side: int) -> None:
    ready(dut, direction=direction, travel=18_000)
    made = dut.ask(m.Describe(), m.Description)
    if not dut.is_virtual and made.no_load_speed_deg_s * dut.report().supply_mv < 1.5 * slew / 10 * made.supply_max_mv:
        not_checked("its speed at this supply leaves no room for a surface or other load")
    half_ns = min(600 * MS, round(6 / (slew / 10) * S)) if slew < 1000 else 100 * MS
    reach = min(0.4, slew / 1000 + 0.1)
    dut.settle(-reach * side)
    dut.put({"slew-limit": slew})
    dut.demand(reach * side)
    dut.pass_time(40 * MS)
    least, most = speed_cdeg_s(dut, half_ns)
    turns = (-side if direction else side) * slew * 10
    least, most = sorted((least * (1 if turns > 0 else -1), most * (1 if turns > 0 else -1)))
    assert most >= abs(turns) * 0.95 - 20, f"{slew / 10} deg/s was expected, it turns at {most / 100:.1f} at most"
    assert least <= abs(turns) * 1.05 + 20, f"{slew / 10} deg/s was expected, it turns at {least / 100:.1f} at least"


@effect("slew-limit")
@clause("does.slew", "does.write")
def test_a_slew_limit_that_is_written_acts_on_an_arm_under_way(dut: Dut) -> None:
    ready(dut, travel=18_000)
    dut.settle(-0.4)
    dut.put({"slew-limit": 100})
    dut.demand(0.4)
    dut.pass_time(100 * MS)
    assert speed_cdeg_s(dut, 200 * MS)[0] <= 1100
    dut.put({"slew-limit": 1500})
    dut.pass_time(40 * MS)
    least, most = speed_cdeg_s(dut, 100 * MS)
    assert most >= 14_000, f"150 deg/s was expected, it turns at {most / 100:.1f} at most"
    assert least <= 16_000, f"150 deg/s was expected, it turns at {least / 100:.1f} at least"


@clause("does.slew")
@pytest.mark.parametrize("slew", [300, 1000])
def test_the_slew_limit_is_kept(dut: Dut, slew: int) -> None:
    ready(dut)
    start = dut.settle(-0.25).position_cdeg
    dut.put({"slew-limit": slew})
    since = dut.during(lambda: dut.demand(0.25))
    came = check_course(dut, since, start, 0, slew, 400)
    assert came >= 0.6 * min(3000, slew * 10 * 0.4), "it is much slower than its limit"


# --- soft start -----------------------------------------------------------------------------------------------------


@effect("soft-start")
@clause("does.engages", "parameters.soft-start", "states", "does.soft-start")
@SIDES
@pytest.mark.parametrize("at", [-0.35, 0.0, 0.3])
@pytest.mark.parametrize(("soft_ms", "slew"), [(800, 3000), (400, 1000)])
def test_a_soft_start_limits_the_speed_and_ends_at_full_speed(
    dut: Dut, soft_ms: int, slew: int, at: float, side: int
) -> None:
    ready(dut, travel=18_000)
    start = dut.settle(at).position_cdeg
    dut.restart()
    dut.put({"travel": 18_000, "soft-start": soft_ms, "slew-limit": slew, "loss-time-out": 5000})
    since = dut.during(lambda: dut.demand(side * 0.95))
    came = check_course(dut, since, start, soft_ms, slew, soft_ms * 7 // 10)
    assert came > 200, "it hardly moves"
    dut.pass_time(soft_ms * MS // 2)
    assert dut.report().state is m.State.FOLLOWING
    start = dut.settle(-side * 0.5).position_cdeg
    dut.demand(side * 0.5)
    dut.pass_time(40 * MS)
    least, most = speed_cdeg_s(dut, 60 * MS)
    fastest = max(abs(least), abs(most))
    assert fastest >= slew * 10 * 0.9, f"{slew / 10} deg/s was expected after the soft start, it is {fastest / 100:.1f}"


@clause("does.engages", "parameters.soft-start", "states")
def test_the_first_demand_begins_with_a_soft_start(dut: Dut) -> None:
    ready(dut)
    start = dut.settle(-0.25).position_cdeg
    dut.restart()
    dut.put({"soft-start": 800, "loss-time-out": 5000})
    since = dut.during(lambda: dut.demand(0.4))
    came = check_course(dut, since, start, 800, 3000, 600)
    assert came > 1000, "it hardly moves"
    dut.pass_time(400 * MS)
    status = dut.settle(0.4)
    assert status.position_cdeg == pytest.approx(2400, abs=NEAR_CDEG)
    assert status.state is m.State.FOLLOWING


@clause("does.engages", "parameters.soft-start", "does.again")
def test_the_first_demand_after_a_loss_begins_with_a_soft_start_too(dut: Dut) -> None:
    ready(dut)
    start = dut.settle(-0.25).position_cdeg
    dut.put({"soft-start": 600, "loss-time-out": 60})
    dut.pass_time(150 * MS)
    assert dut.report().state is m.State.LOST_LIMP
    dut.put({"loss-time-out": 5000})
    start = dut.report().position_cdeg
    since = dut.during(lambda: dut.demand(0.4))
    check_course(dut, since, start, 600, 3000, 400)


@clause("does.soft-start", "does.engages", "parameters.soft-start", "op.43")
def test_engaging_begins_a_soft_start_too(dut: Dut) -> None:
    ready(dut)
    start = dut.settle(0.25).position_cdeg
    dut.ask(m.Release(), m.Released)
    dut.put({"soft-start": 600})
    dut.ask(m.Engage(), m.Engaged)
    since = dut.during(lambda: dut.demand(-0.2))
    check_course(dut, (since[0], since[1]), start, 600, 3000, 400)


@clause("does.soft-start", "parameters.soft-start", "op.43")
def test_engage_while_it_follows_begins_a_soft_start_anew(dut: Dut) -> None:
    ready(dut)
    start = dut.settle(0.25).position_cdeg
    dut.put({"soft-start": 600})
    assert dut.ask(m.Engage(), m.Engaged).state is m.State.SOFT_STARTING
    since = dut.during(lambda: dut.demand(-0.2))
    check_course(dut, since, start, 600, 3000, 400)


@effect("soft-start")
@shows(m.Status, "state")
@clause("does.soft-start", "states")
@pytest.mark.parametrize(
    ("by", "soft_ms"),
    [
        *(("demand", soft_ms) for soft_ms in (1, 255, 256, 1000, 5000)),
        *((by, soft_ms) for by in ("engage", "demand all") for soft_ms in (1, 300)),
    ],
)
def test_the_state_tells_how_long_the_soft_start_lasts(dut: Dut, by: str, soft_ms: int) -> None:
    if soft_ms > 1000:
        dut.require_virtual("five seconds are long")
    dut.put({"soft-start": soft_ms, "loss-time-out": 10_000, "channel": 1})
    actions = {
        "demand": lambda: dut.demand(0.01),
        "engage": lambda: dut.ask(m.Engage(), m.Engaged),
        "demand all": lambda: dut.tell(m.DemandAll((100,))),
    }
    since = dut.during(actions[by])
    dut.pass_time(max(0, since[0] + soft_ms * MS * 97 // 100 - 12 * MS - dut.now_ns))
    for _ in range(80):
        seen = dut.moment(since)
        if seen.status.state is m.State.FOLLOWING:
            assert seen.most_ns >= dut.least_ns(soft_ms * MS), f"it is over after {seen.most_ns / MS:.1f} ms at most"
            return
        assert seen.status.state is m.State.SOFT_STARTING
        assert seen.least_ns <= dut.most_ns(soft_ms * MS) + LATE_NS, f"it lasts {seen.least_ns / MS:.1f} ms at least"
    raise AssertionError(f"the soft start of {soft_ms} ms does not end")


@clause("does.soft-start", "parameters.soft-start")
@pytest.mark.parametrize("at_deg", [-80.0, -3.3, 55.0])
def test_a_soft_start_begins_where_the_arm_is(on_bench: Dut, at_deg: float) -> None:
    dut = on_bench
    ready(dut, soft_start=2000, dead_band=0, stiffness=30, minimum_drive=0, damping=0)
    for side in (1, -1):
        place(dut, 0.0)
        dut.ask(m.Release(), m.Released)
        place(dut, at_deg)
        dut.ask(m.Engage(), m.Engaged)
        dut.pass_time(50 * MS)
        assert driven(dut) == 0, "nothing was demanded yet"
        dut.put({"neutral": 0, "travel": 18_000})
        dut.ask(m.Demand(round((at_deg + 5 * side) / 90 * m.MAX_DEMAND)), m.Moving)
        early = []
        for _ in range(5):
            dut.pass_time(20 * MS)
            early.append(side * driven(dut))
        dut.pass_time(2000 * MS)
        late = side * driven(dut)
        assert late > 0
        assert all(one <= late for one in early)
        assert early[0] <= late // 2, f"from {at_deg} deg it drives with {early} of 1000 at first, with {late} later"


BEFORE: dict[str, Act] = {
    "limp": in_turn(),
    "released": in_turn(
        asked(m.Demand(0)), asked(m.Release()), asked(m.Engage()), put(loss_time_out=20), wait(40 * MS)
    ),
    "lost, limp": in_turn(asked(m.Demand(0)), put(loss_time_out=20), wait(40 * MS)),
    "lost, hold": in_turn(asked(m.Demand(0)), put(loss_time_out=20, loss_action=LOSS_HOLD), wait(40 * MS)),
    "lost, preset": in_turn(asked(m.Demand(0)), put(loss_time_out=20, loss_action=LOSS_PRESET), wait(40 * MS)),
}


@clause("does.engages", "does.again", "parameters.soft-start")
@pytest.mark.parametrize("by", ["demand", "demand all"])
@pytest.mark.parametrize("before", BEFORE)
def test_a_demand_takes_hold_where_the_arm_is(on_bench: Dut, before: str, by: str) -> None:
    dut = on_bench
    for at_deg, target_deg in ((60.0, -70.0), (-45.5, 45.0)):
        place(dut, 0.0)
        ready(dut, channel=1, travel=18_000, loss_action=0, dead_band=0, minimum_drive=0, damping=0, stiffness=30)
        BEFORE[before](dut)
        place(dut, at_deg)
        dut.put({"soft-start": 2000, "loss-time-out": 5000})
        demand = round(target_deg / 90 * m.MAX_DEMAND)
        dut.ask(m.Demand(demand), m.Moving) if by == "demand" else dut.tell(m.DemandAll((demand,)))
        dut.pass_time(5 * MS)
        assert dut.report().state is m.State.SOFT_STARTING
        assert abs(driven(dut)) < 50, f"{before}: taken hold of, the arm at {at_deg} deg is driven with {driven(dut)}"
        dut.pass_time(1000 * MS)
        assert driven(dut) * (target_deg - at_deg) > 0
        dut.restart()


@clause("does.slew", "does.motion")
@pytest.mark.parametrize("by", ["demand", "demand all"])
def test_an_arm_follows_a_stream_of_demands(dut: Dut, by: str) -> None:
    dut.require_virtual("a stream of demands needs its times kept")
    ready(dut, channel=1)
    dut.settle(-0.3)
    for step in range(-30, 31):
        demand = 100 * step
        dut.ask(m.Demand(demand), m.Moving) if by == "demand" else dut.tell(m.DemandAll((demand,)))
        dut.pass_time(12 * MS)
        status = dut.report()
        assert status.demand_cdeg == pytest.approx(60 * step, abs=2)
        assert status.position_cdeg == pytest.approx(60 * step, abs=300)
    assert dut.settle(0.3).position_cdeg == pytest.approx(1800, abs=NEAR_CDEG)


@clause("does.soft-start", "parameters.soft-start", "does.engages", "states")
def test_a_soft_start_that_is_over_is_not_begun_anew_by_a_longer_one(dut: Dut) -> None:
    ready(dut)
    dut.demand(-0.3)
    dut.pass_time(50 * MS)
    start = dut.settle(-0.3, within_ns=700 * MS).position_cdeg
    dut.put({"soft-start": 5000})
    since = dut.during(lambda: dut.demand(0.3))
    assert dut.report().state is m.State.FOLLOWING
    came = check_course(dut, since, start, 0, 3000, 300)
    assert came > 1500, "it begins softly again"


@clause("does.soft-start", "parameters.soft-start")
def test_a_shorter_time_ends_a_soft_start_that_runs(dut: Dut) -> None:
    ready(dut, soft_start=5000)
    dut.demand(0.1)
    dut.pass_time(200 * MS)
    assert dut.report().state is m.State.SOFT_STARTING
    dut.put({"soft-start": 100})
    came = dut.report().state
    assert came is m.State.FOLLOWING, f"the soft start of 100 ms is over: FOLLOWING was expected, it is {came.name}"


@clause("does.soft-start", "parameters.soft-start")
def test_a_longer_time_makes_a_soft_start_that_runs_longer(dut: Dut) -> None:
    ready(dut, soft_start=300)
    dut.demand(0.1)
    dut.pass_time(150 * MS)
    dut.put({"soft-start": 5000})
    dut.pass_time(300 * MS)
    assert dut.report().state is m.State.SOFT_STARTING


# --- rest -----------------------------------------------------------------------------------------------------------


@clause("does.angle", "does.slew", "parameters.loop")
@pytest.mark.parametrize("fraction", [1.0, -1.0, 0.62, -0.37, 0.01, -0.01])
def test_with_factory_values_an_arm_rests_near_its_target_from_either_side(dut: Dut, fraction: float) -> None:
    dut.put({"loss-time-out": 5000, "soft-start": 0})
    cdeg = float(led_to_cdeg({}, round(fraction * m.MAX_DEMAND)))
    for start in (-0.8, 0.8):
        dut.settle(start)
        status = dut.settle(fraction)
        assert status.state in DRIVEN
        assert status.position_cdeg == pytest.approx(cdeg, abs=NEAR_CDEG), f"it comes from {start * 60} deg"


@clause("does.slew", "parameters.soft-start")
def test_on_a_bench_the_drive_grows_no_faster_than_the_set_point(on_bench: Dut) -> None:
    dut = on_bench
    for side in (1, -1):
        place(dut, 0.0)
        ready(dut, dead_band=0, minimum_drive=0, damping=0, stiffness=10, neutral=0, slew_limit=50)
        dut.ask(m.Engage(), m.Engaged)
        dut.demand(0.0)
        dut.put({"neutral": 400 * side})  # 4 deg at 5 deg/s: the set-point is there after 0.8 s
        dut.pass_time(200 * MS)
        early = side * driven(dut)
        dut.pass_time(200 * MS)
        half = side * driven(dut)
        dut.pass_time(400 * MS + SETTLED_NS)
        late = side * driven(dut)
        assert 0 < early < half < late, f"{early}, {half}, {late} of 1000 after a quarter, a half, all of the way"
