"""Where a demand leads and how fast; whose demands count; release and engage."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, S, not_checked
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.parameters import BY_NAME, RawValue

QUICK: dict[str, RawValue] = {"soft-start": 0, "loss-time-out": 5000}
NEAR_CDEG = 150
"""An arm that carries nothing rests so near to its demand."""
DRIVEN = {m.State.SOFT_STARTING, m.State.FOLLOWING}


def ready(dut: Dut, **settings: RawValue) -> None:
    """Settings that a case needs; names with _ for -."""
    dut.put({**QUICK, **{name.replace("_", "-"): value for name, value in settings.items()}})


def to_all(dut: Dut, *demands: int) -> None:
    dut.tell(m.DemandAll(demands))


# --- where --------------------------------------------------------------------------------------------------------


@clause("does.angle", "does.ends", "op.41", "parameters")
@pytest.mark.parametrize(
    ("settings", "fraction", "cdeg"),
    [
        ({}, 0.25, 1500),
        ({}, -0.25, -1500),
        ({"travel": 8000}, 0.25, 1000),
        ({"neutral": 400}, 0.0, 400),
        ({"neutral": -400}, 0.25, 1100),
        ({"direction": 1}, 0.25, -1500),
        ({"direction": 1, "neutral": 400}, 0.25, -1100),
        ({"end-high": 900}, 0.25, 900),
        ({"end-low": -900}, -0.25, -900),
        ({"end-high": 900, "direction": 1}, -0.25, 900),
        ({"travel": 8000, "neutral": 300, "direction": 1}, -0.5, 2300),
    ],
    ids=str,
)
def test_a_demand_leads_where_the_page_says(
    dut: Dut, settings: dict[str, RawValue], fraction: float, cdeg: int
) -> None:
    ready(dut, **settings)
    status = dut.settle(fraction)
    assert status.demand_cdeg == pytest.approx(cdeg, abs=2)
    assert status.position_cdeg == pytest.approx(cdeg, abs=NEAR_CDEG)
    assert status.state is m.State.FOLLOWING


@clause("does.correction", "does.angle")
@pytest.mark.parametrize(
    ("table", "fraction", "cdeg"),
    [
        ((-100, 0, 300), 0.5, 150),
        ((-100, 0, 300), -0.5, -50),
        ((200, 200), 0.25, 200),
        ((0, 100, 0, -100, 0), -0.25, 50),
        ((0, 100, 0, -100, 0), 0.75, -50),
        ((0, 100, 0, -100, 0), 0.5, -100),
    ],
)
def test_the_correction_is_added(dut: Dut, table: tuple[int, ...], fraction: float, cdeg: int) -> None:
    ready(dut, travel=4000, correction=table)
    dut.demand(fraction)
    assert dut.report().demand_cdeg == pytest.approx(2000 * fraction + cdeg, abs=2)
    dut.put({"direction": 1})
    dut.demand(fraction)
    assert dut.report().demand_cdeg == pytest.approx(-2000 * fraction + cdeg, abs=2)


def shape(points: int, size: int, at: int) -> bytes:
    """A table that changes by `size` between the points `at` and `at` + 1, and nowhere else."""
    values = [-(size // 2)] * (at + 1) + [size - size // 2] * (points - at - 1)
    return BY_NAME["correction"].encode(tuple(values))


@clause("does.monotone", "does.unchanged", "op.31")
@pytest.mark.parametrize("side", [1, -1], ids=["rising", "falling"])
@pytest.mark.parametrize(("points", "at"), [(2, 0), (3, 1), (9, 0), (33, 31)])
def test_a_correction_that_would_turn_the_arm_back_is_refused(dut: Dut, points: int, at: int, side: int) -> None:
    row = BY_NAME["correction"]
    spans = points - 1
    travel = -(-BY_NAME["travel"].low // spans) * spans  # the narrowest that has a whole number of counts in each span
    steepest = travel // spans
    for direction in (0, 1):
        dut.put({"correction": (), "direction": direction, "travel": travel})
        good = shape(points, side * steepest, at)
        assert dut.ask(m.Write(row.number, good), m.Written).value == good
        answer = dut.refused(m.Write(row.number, shape(points, side * (steepest + 1), at)), m.Outcome.OUT_OF_RANGE)
        assert (answer.low, answer.high) == (dut.rows[row.name].low, dut.rows[row.name].high)
        assert dut.ask(m.Read(m.Memory.WORKING, bytes([row.number])), m.Values).values == good


@clause("does.monotone", "refusal.range", "does.unchanged")
def test_a_travel_that_is_too_narrow_for_the_table_is_refused_and_the_least_is_told(dut: Dut) -> None:
    row = BY_NAME["travel"]
    high = dut.rows[row.name].high
    dut.put({"travel": high, "correction": (0, 0, 900, 300, 300)})
    answer = dut.refused(m.Write(row.number, row.encode(3599)), m.Outcome.OUT_OF_RANGE)
    assert (answer.low, answer.high) == (3600, high)
    assert dut.get("travel") == high
    dut.put({"travel": 3600})
    dut.put({"correction": ()})
    dut.put({"travel": row.low})
    assert dut.get("travel") == row.low


@clause("does.write", "does.settings", "does.angle")
def test_a_setting_acts_at_once_on_an_arm_that_follows(dut: Dut) -> None:
    ready(dut)
    dut.demand(0.25)
    dut.put({"neutral": 300})
    assert dut.report().demand_cdeg == pytest.approx(1800, abs=2)
    dut.ask(m.Undo(m.Memory.STORED), m.Undone)
    assert dut.report().demand_cdeg == pytest.approx(1500, abs=2)


@clause("does.settings", "does.write", "op.43")
def test_a_setting_moves_no_arm_that_is_held_where_it_was_taken(dut: Dut) -> None:
    ready(dut)
    dut.ask(m.Engage(), m.Engaged)
    before = dut.report().demand_cdeg
    dut.put({"neutral": 300})
    assert dut.report().demand_cdeg == before


@clause("op.41", "does.refuse", "does.unchanged")
@pytest.mark.parametrize("demand", [10_001, -10_001, 32_767, -32_768])
def test_a_demand_out_of_range_is_refused(dut: Dut, demand: int) -> None:
    dut.refused_wire(m.Demand.OPERATION, demand.to_bytes(2, "little", signed=True), m.Outcome.BAD_REQUEST)
    assert dut.report().state is m.State.LIMP


# --- limp until first demand ----------------------------------------------------------------------------------------


@clause("does.limp", "does.motion")
def test_it_is_limp_until_the_first_demand(dut: Dut) -> None:
    dut.put({"channel": 2, "soft-start": 0})
    before = dut.report()
    assert before.state is m.State.LIMP
    dut.pass_time(700 * MS)
    dut.tell(m.Suppress(1, bytes(8)))
    dut.put({"neutral": 500})
    status = dut.report()
    assert status.state is m.State.LIMP
    assert abs(status.position_cdeg - before.position_cdeg) <= 20
    if dut.is_virtual:
        assert not dut.actuator.arm.is_on if hasattr(dut.actuator.arm, "is_on") else dut.actuator.arm.target_deg is None


@clause("does.engages", "op.41", "states", "does.motion")
def test_the_first_demand_engages_it(dut: Dut) -> None:
    dut.put({"soft-start": 300, "loss-time-out": 5000})
    assert dut.demand(0.1).state is m.State.SOFT_STARTING
    assert dut.report().state is m.State.SOFT_STARTING


# --- for whom -------------------------------------------------------------------------------------------------------


@clause("does.channel", "op.40", "does.engages")
@pytest.mark.parametrize("channel", [1, 2, 17, 32])
def test_it_follows_its_channel(dut: Dut, channel: int) -> None:
    ready(dut, channel=channel)
    demands = [(-1) ** at * 100 * at for at in range(1, 33)]
    to_all(dut, *demands)
    status = dut.report()
    assert status.state in DRIVEN
    assert status.demand_cdeg == pytest.approx(demands[channel - 1] * 0.6, abs=2)


@clause("does.channel", "op.40")
def test_it_follows_no_other(dut: Dut) -> None:
    ready(dut, channel=3)
    to_all(dut, 4000, 4000)
    to_all(dut, 4000, 4000, m.NO_DEMAND, 4000)
    assert dut.report().state is m.State.LIMP
    to_all(dut, 0, 0, 1000)
    to_all(dut, 4000, 4000, m.NO_DEMAND, 4000)
    to_all(dut, 4000, 4000)
    assert dut.report().demand_cdeg == pytest.approx(600, abs=2)


@clause("does.channel", "op.40")
def test_without_a_channel_it_follows_none(dut: Dut) -> None:
    ready(dut, channel=0)
    to_all(dut, *[4000] * 32)
    assert dut.report().state is m.State.LIMP


@clause("does.channel", "frame.check")
def test_a_demand_with_a_bad_check_is_none(dut: Dut) -> None:
    ready(dut, channel=1)
    wire = bytearray(dut.wire(m.DemandAll((4000,)), BROADCAST_ADDRESS))
    for at in (2, 9, len(wire) - 3):
        bad = bytearray(wire)
        bad[at] ^= 0x04
        dut.silent(bytes(bad))
    assert dut.report().state is m.State.LIMP


@clause("op.40", "does.drop")
def test_a_list_with_a_value_that_cannot_be_is_none(dut: Dut) -> None:
    from busproto.wire.codec import encode_frame
    from busproto.wire.frame import Frame

    ready(dut, channel=1)
    for payload in (b"", b"\x11\x27", b"\x00\x00\xef\xd8", b"\x00", bytes(66)):
        dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, 0, 1, m.DemandAll.OPERATION, payload)))
    assert dut.report().state is m.State.LIMP


@clause("op.46", "does.channel")
def test_a_report_round_carries_demands(dut: Dut) -> None:
    dut.require_alone()
    ready(dut, channel=2)
    round_ = m.ReportRound(dut.address, 1, (0, 2000))
    _, frames, _ = dut.frames_after(dut.wire(round_, BROADCAST_ADDRESS), window_ns=10 * MS, count=1)
    assert frames, "an answer to the report round was expected, none came"
    assert dut.report().demand_cdeg == pytest.approx(1200, abs=2)


@clause("does.age", "op.44", "op.41")
def test_the_age_of_the_demand_is_told(dut: Dut) -> None:
    ready(dut)
    since = dut.during(lambda: dut.demand(0.0))
    dut.pass_time(250 * MS)
    seen = dut.moment(since)
    assert seen.least_ns // MS * 0.97 - 2 <= seen.status.demand_age_ms <= seen.most_ns // MS * 1.03 + 2


@clause("does.age", "op.44", "op.43")
def test_engage_is_no_demand_and_leaves_its_age(dut: Dut) -> None:
    ready(dut)
    dut.ask(m.Engage(), m.Engaged)
    assert dut.report().demand_age_ms == 0xFFFF
    dut.demand(0.0)
    dut.pass_time(250 * MS)
    dut.ask(m.Engage(), m.Engaged)
    assert 250 * 0.97 - 2 <= dut.report().demand_age_ms < 0xFFFF


# --- how fast -------------------------------------------------------------------------------------------------------


def most_way_cdeg(after_ns: int, soft_ms: int, slew: int) -> float:
    """How far the set-point may have come: the speed rises evenly to the slew limit."""
    t, soft_s, speed = after_ns / S, soft_ms / 1000, slew / 10
    way = speed * t * t / (2 * soft_s) if soft_s and t < soft_s else speed * (t - soft_s / 2)
    return way * 100


def check_course(dut: Dut, since: tuple[int, int], start_cdeg: int, soft_ms: int, slew: int, until_ms: int) -> int:
    """It is never further than soft start and slew limit allow; returns how far it came."""
    came = 0
    for seen in dut.watch(since, until_ms * MS, 20 * MS):
        came = abs(seen.status.position_cdeg - start_cdeg)
        allowed = most_way_cdeg(seen.most_ns, soft_ms, slew) * 1.1 + 120
        assert came <= allowed, f"{came / 100} deg after {seen.most_ns / MS:.0f} ms, {allowed / 100:.1f} are allowed"
        if seen.most_ns < soft_ms * MS * 0.9:
            assert seen.status.state is m.State.SOFT_STARTING
    return came


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


@clause("does.soft_starting", "does.engages", "parameters.soft-start", "op.43")
def test_engaging_begins_a_soft_start_too(dut: Dut) -> None:
    ready(dut)
    start = dut.settle(0.25).position_cdeg
    dut.ask(m.Release(), m.Released)
    dut.put({"soft-start": 600})
    dut.ask(m.Engage(), m.Engaged)
    since = dut.during(lambda: dut.demand(-0.2))
    check_course(dut, (since[0], since[1]), start, 600, 3000, 400)


@clause("does.soft_starting", "parameters.soft-start", "does.engages", "states")
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


@clause("does.soft_starting", "parameters.soft-start")
def test_a_shorter_time_ends_a_soft_start_that_runs(dut: Dut) -> None:
    ready(dut, soft_start=5000)
    dut.demand(0.1)
    dut.pass_time(200 * MS)
    assert dut.report().state is m.State.SOFT_STARTING
    dut.put({"soft-start": 100})
    came = dut.report().state
    assert came is m.State.FOLLOWING, f"the soft start of 100 ms is over: FOLLOWING was expected, it is {came.name}"


@clause("does.slew")
@pytest.mark.parametrize("slew", [300, 1000])
def test_the_slew_limit_is_kept(dut: Dut, slew: int) -> None:
    ready(dut)
    start = dut.settle(-0.25).position_cdeg
    dut.put({"slew-limit": slew})
    since = dut.during(lambda: dut.demand(0.25))
    came = check_course(dut, since, start, 0, slew, 400)
    assert came >= 0.6 * min(3000, slew * 10 * 0.4), "it is much slower than its limit"


# --- release and engage ---------------------------------------------------------------------------------------------


def assert_released(dut: Dut) -> None:
    status = dut.report()
    assert status.state is m.State.RELEASED
    assert status.demand_cdeg == status.position_cdeg


@clause("does.release", "op.42", "states")
@pytest.mark.parametrize("is_broadcast", [False, True], ids=["to one", "to all"])
def test_release_latches(dut: Dut, is_broadcast: bool) -> None:
    ready(dut, channel=1)
    dut.demand(0.1)
    if is_broadcast:
        dut.tell(m.Release())
    else:
        assert dut.ask(m.Release(), m.Released).state is m.State.RELEASED
    assert_released(dut)
    for _ in range(3):
        to_all(dut, 3000)
        dut.refused(m.Demand(3000), m.Outcome.NOT_ENGAGED)
        dut.pass_time(50 * MS)
    assert_released(dut)
    if dut.is_virtual:
        assert dut.actuator.arm.target_deg is None


@clause("does.release", "op.43")
def test_engage_ends_a_release(dut: Dut) -> None:
    ready(dut)
    dut.ask(m.Release(), m.Released)
    assert dut.ask(m.Engage(), m.Engaged).state in DRIVEN
    assert dut.demand(0.0).state in DRIVEN


@clause("does.release", "op.51")
def test_a_restart_ends_a_release(dut: Dut) -> None:
    dut.ask(m.Release(), m.Released)
    dut.restart()
    assert dut.report().state is m.State.LIMP
    assert dut.demand(0.0).state in DRIVEN


@clause("does.release", "op.42")
def test_a_release_is_not_undone_by_time_or_settings(dut: Dut) -> None:
    ready(dut, loss_time_out=40)
    dut.put({"loss-action": 1})
    dut.demand(0.0)
    dut.tell(m.Release())
    dut.pass_time(120 * MS)
    dut.ask(m.Undo(m.Memory.FACTORY), m.Undone)
    assert_released(dut)


@clause("op.43", "does.motion")
@pytest.mark.parametrize("is_broadcast", [False, True], ids=["to one", "to all"])
def test_engage_holds_the_arm_where_it_is(dut: Dut, is_broadcast: bool) -> None:
    ready(dut)
    dut.settle(0.25)
    dut.ask(m.Release(), m.Released)
    at = dut.report().position_cdeg
    if is_broadcast:
        dut.tell(m.Engage())
    else:
        dut.ask(m.Engage(), m.Engaged)
    dut.pass_time(300 * MS)
    status = dut.report()
    assert status.state in DRIVEN
    assert status.position_cdeg == pytest.approx(at, abs=40)
    assert status.demand_cdeg == pytest.approx(at, abs=40)


@clause("op.45", "does.shows", "does.motion")
def test_engaged_it_shows_itself_by_a_motion(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 10_000})
    at = dut.settle(0.1).position_cdeg
    assert dut.ask(m.ShowYourself(10), m.Showing).moves == 1
    seen = [one.status for one in dut.watch(dut.during(lambda: None), 900 * MS, 30 * MS)]
    assert all(one.is_showing for one in seen)
    swing = max(one.position_cdeg for one in seen) - min(one.position_cdeg for one in seen)
    assert 50 <= swing <= 2000, f"it swings by {swing / 100} deg"
    dut.pass_time(500 * MS)
    status = dut.report()
    assert not status.is_showing
    assert status.position_cdeg == pytest.approx(at, abs=60)


@clause("parameters.under-voltage", "faults")
def test_a_low_supply_is_reported(dut: Dut) -> None:
    supply_mv = dut.report().supply_mv
    row = BY_NAME["under-voltage"]
    if supply_mv + 500 > row.high:
        not_checked("the supply is too high to be called low")
    dut.put({"under-voltage": supply_mv + 500})
    assert dut.report().faults & m.Fault.UNDER_VOLTAGE
    dut.put({"under-voltage": max(0, supply_mv - 500)})
    assert not dut.report().faults & m.Fault.UNDER_VOLTAGE
