"""Every field of a report and of the answer to a report round: value, scale, sign, width, and the moment it is of."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, US, Dut, S, replies_in
from busproto.conformance.suite.effects.arms import SETTLED_NS, place, ready, turn
from busproto.conformance.suite.effects.cover import shows
from busproto.wire import messages as m
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP, LOSS_PRESET, RawValue
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_NS

FAR = 230
"""An address whose turn in a round from 1 on comes after some 11 ms."""
TURN_NS = FIRST_SLOT_NS + (FAR - 1) * ORDERED_SLOT_NS
READINGS = [
    # deg, mA, mV, degC
    (0.0, 12, 7400, 25.0),
    (0.01, 1, 1, 0.01),
    (-0.01, 0, 0, -0.01),
    (2.55, 255, 255, 2.55),
    (-2.56, 256, 256, -2.56),
    (1.28, 4000, 5000, 1.28),
    (-89.87, 32_767, 32_767, -39.5),
    (99.99, 32_768, 32_768, 127.99),
    (-100.0, 65_535, 65_535, 163.84),
    (45.67, 513, 12_345, -0.5),
]


def set_readings(dut: Dut, deg: float, ma: int, mv: int, degc: float) -> None:
    """What the sensors on the bench read."""
    place(dut, deg)
    dut.bench.set_ma = ma
    dut.bus.supply_mv = mv
    dut.bench.warm(dut.now_ns, degc)


def brief(dut: Dut) -> m.BriefStatus:
    """Its answer to a report round."""
    round_ = m.ReportRound(dut.address, 1, ())
    _, frames, _ = dut.frames_after(dut.wire(round_, BROADCAST_ADDRESS), window_ns=10 * MS, count=1)
    assert len(frames) == 1, f"one answer to the report round was expected, {len(frames)} came"
    answer = message_of(frames[0])
    assert isinstance(answer, m.BriefStatus)
    assert (frames[0].source, frames[0].destination) == (dut.address, 0)
    return answer


@shows(m.Status, "position_cdeg", "demand_cdeg", "current_ma", "supply_mv", "temperature_cdeg")
@clause("op.44", "does.limp")
def test_limp_a_report_tells_what_the_sensors_read(on_bench: Dut) -> None:
    for deg, ma, mv, degc in READINGS:
        set_readings(on_bench, deg, ma, mv, degc)
        status = on_bench.report()
        assert status.position_cdeg == pytest.approx(deg * 100, abs=1)
        assert status.demand_cdeg == status.position_cdeg
        assert status.current_ma == pytest.approx(ma, abs=2)
        assert status.supply_mv == pytest.approx(mv, abs=1)
        assert status.temperature_cdeg == pytest.approx(degc * 100, abs=1)


@shows(m.Status, "position_cdeg", "demand_cdeg", "current_ma", "supply_mv", "temperature_cdeg")
@shows(m.Moving, "position_cdeg")
@clause("op.44", "op.41", "op.46")
def test_driven_too_it_tells_what_the_sensors_read(on_bench: Dut) -> None:
    dut = on_bench
    ready(dut, over_temperature=120)
    for deg, ma, volts, heat in READINGS:
        mv, degc = max(volts, 1000), min(heat, 110.0)
        set_readings(dut, deg, ma, mv, degc)
        moving = dut.demand(0.2)
        assert moving.position_cdeg == pytest.approx(deg * 100, abs=1)
        dut.pass_time(SETTLED_NS)
        dut.demand(0.2)
        dut.pass_time(SETTLED_NS)
        status = dut.report()
        assert status.position_cdeg == pytest.approx(deg * 100, abs=1)
        assert status.demand_cdeg == pytest.approx(1200, abs=2)
        assert status.current_ma == pytest.approx(ma, rel=0.01, abs=4)
        assert status.supply_mv == pytest.approx(mv, abs=1)
        assert status.temperature_cdeg == pytest.approx(degc * 100, abs=1)
        told = brief(dut)
        assert told.state is m.State.FOLLOWING
        assert told.position_cdeg == pytest.approx(deg * 100, abs=1)
        assert told.current_cma == pytest.approx(min(255, ma / 20), abs=0.6 + min(255, ma / 20) / 100)


@shows(m.BriefStatus, "current_cma", "position_cdeg", "state")
@clause("op.46")
def test_the_answer_to_a_round_tells_the_nearest_count_of_20_milliamperes(on_bench: Dut) -> None:
    dut = on_bench
    for ma in (0, 1, 9, 11, 29, 31, 255, 2549, 2551, 2571, 5069, 5089, 5091, 5109, 5111, 5131, 10_240, 32_768, 65_535):
        set_readings(dut, -ma / 1000, ma, 7400, 25.0)
        told = brief(dut)
        assert told.current_cma == min(255, round(ma / 20)), f"{ma} mA"
        assert told.position_cdeg == pytest.approx(-ma / 10, abs=1)
        assert told.state is m.State.LIMP


@shows(m.Status, "position_cdeg")
@shows(m.BriefStatus, "position_cdeg")
@shows(m.Moving, "position_cdeg")
@clause("op.44", "op.46", "op.41", "does.limp")
def test_it_tells_where_a_hand_has_put_the_arm(dut: Dut) -> None:
    side = dut.beside("hand")
    dut.require_alone()
    ready(dut)
    for deg in (30.0, -0.7, -45.0, 2.6):
        dut.ask(m.Release(), m.Released)
        side.order("hand", f"{deg:g}")
        dut.pass_time(600 * MS)
        status = dut.report()
        assert status.position_cdeg == pytest.approx(deg * 100, abs=50)
        assert status.demand_cdeg == status.position_cdeg
        assert brief(dut).position_cdeg == pytest.approx(deg * 100, abs=50)
        dut.ask(m.Engage(), m.Engaged)
        moving = dut.demand(-deg / 60)
        assert moving.position_cdeg == pytest.approx(deg * 100, abs=100)


@shows(m.Status, "supply_mv")
@clause("op.44")
def test_it_tells_the_supply(dut: Dut) -> None:
    side = dut.beside("supply")
    before = dut.report().supply_mv
    try:
        for mv in (4900, 8300, 6543) if dut.is_virtual else (before - 500, before + 500):
            side.order_all("supply", f"{mv / 1000:g}")
            assert dut.report().supply_mv == pytest.approx(mv, rel=0.02, abs=20)
    finally:
        side.order_all("supply", f"{before / 1000:g}")


@shows(m.Status, "temperature_cdeg")
@clause("op.44", "does.heat", "parameters.loop")
def test_it_tells_the_temperature(dut: Dut) -> None:
    side = dut.beside("warm")
    exact = 0.5 if dut.is_virtual else 10.0
    for degc in (-20.0, 25.0, 2.0, 84.0, 150.0, 25.0):
        side.order("warm", f"{degc:g}")
        assert dut.report().temperature_cdeg / 100 == pytest.approx(degc, abs=exact)


# --- the moment -------------------------------------------------------------------------------------------------------


def far_away(dut_build: Callable[..., Dut], **named: object) -> Dut:
    """At an address whose turn comes late."""
    return dut_build(address=FAR, **named)


def answered_late(dut: Dut, meanwhile: Callable[[], object]) -> m.BriefStatus:
    """Its answer to a round from 1 on; half the time before its turn `meanwhile` is run."""
    dut.drain()
    said = dut.say(dut.wire(m.ReportRound(1, 239, ()), BROADCAST_ADDRESS))
    dut.hear(said.end_ns + TURN_NS // 2)
    meanwhile()
    frames = replies_in(dut.hear(said.end_ns + TURN_NS + 10 * MS))
    assert len(frames) == 1, f"one answer to the report round was expected, {len(frames)} came"
    answer = message_of(frames[0])
    assert isinstance(answer, m.BriefStatus)
    return answer


@shows(m.BriefStatus, "position_cdeg", "current_cma")
@clause("op.46", "states")
def test_a_round_tells_position_and_current_of_the_moment_of_sending(dut_build: Callable[..., Dut]) -> None:
    dut = far_away(dut_build, on_bench=True)
    set_readings(dut, 10.0, 100, 7400, 25.0)

    def change() -> None:
        place(dut, -20.0)
        dut.bench.set_ma = 4000

    told = answered_late(dut, change)
    assert told.position_cdeg == -2000, "the position of the moment of the request was told"
    assert told.current_cma == 200, "the current of the moment of the request was told"


@shows(m.BriefStatus, "position_cdeg")
@clause("op.46", "states")
@pytest.mark.parametrize("deg_s", [90.0, -150.0])
def test_an_arm_that_turns_is_told_where_it_is_when_it_is_told(dut_build: Callable[..., Dut], deg_s: float) -> None:
    dut = far_away(dut_build, on_bench=True)
    place(dut, 5.0)
    since_ns, line_ns = dut.now_ns, dut.line_ns()
    turn(dut, deg_s)
    told = answered_late(dut, lambda: None)
    (own,) = dut.spoken(line_ns)
    cdeg = 500 + deg_s * 100 * (own.start_ns - since_ns) / S
    assert told.position_cdeg == pytest.approx(cdeg, abs=3)


@shows(m.BriefStatus, "position_cdeg")
@clause("op.46", "states")
def test_an_arm_that_a_hand_turns_is_told_where_it_is_when_it_is_told(dut_build: Callable[..., Dut]) -> None:
    dut = far_away(dut_build)
    since_ns, line_ns = dut.now_ns, dut.line_ns()
    dut.beside("hand", "heard").order("hand", "90")
    told = answered_late(dut, lambda: None)
    (own,) = dut.spoken(line_ns)
    cdeg = 9000 * (own.start_ns - since_ns) / (500 * MS)
    assert told.position_cdeg == pytest.approx(cdeg, abs=15)


@shows(m.BriefStatus, "state")
@clause("op.46", "states", "does.loss", "does.soft-start")
@pytest.mark.parametrize(
    ("settings", "state"),
    [
        ({"soft-start": 25}, m.State.FOLLOWING),
        ({"soft-start": 5000}, m.State.SOFT_STARTING),
        ({"loss-time-out": 25, "loss-action": LOSS_LIMP}, m.State.LOST_LIMP),
        ({"loss-time-out": 25, "loss-action": LOSS_HOLD}, m.State.LOST_HOLD),
        ({"loss-time-out": 25, "loss-action": LOSS_PRESET}, m.State.LOST_PRESET),
    ],
    ids=["soft start over", "soft start", "lost, limp", "lost, hold", "lost, preset"],
)
def test_a_round_tells_the_state_of_the_moment_of_sending(
    dut_build: Callable[..., Dut], settings: dict[str, RawValue], state: m.State
) -> None:
    dut = far_away(dut_build)
    dut.put({"soft-start": 5000, "loss-time-out": 5000, **settings})
    data = dut.wire(m.ReportRound(1, 239, ()), BROADCAST_ADDRESS)
    dut.ask(m.Engage(), m.Engaged)
    engaged_ns = dut.now_ns
    dut.pass_time(max(0, engaged_ns + 18 * MS - dut.airtime_ns(len(data)) - dut.now_ns))
    told = answered_late(dut, lambda: None)
    assert told.state is state, f"{state.name} was expected when it was sent, {told.state.name} was told"


@shows(m.BriefStatus, "state")
@clause("op.46", "states", "does.engages")
def test_the_demands_of_a_round_act_before_it_is_answered(dut: Dut) -> None:
    dut.require_alone()
    ready(dut, channel=2, soft_start=5000)
    round_ = m.ReportRound(dut.address, 1, (0, 500))
    _, frames, _ = dut.frames_after(dut.wire(round_, BROADCAST_ADDRESS), window_ns=10 * MS, count=1)
    answer = message_of(frames[0])
    assert isinstance(answer, m.BriefStatus)
    assert answer.state is m.State.SOFT_STARTING


@shows(m.Status, "position_cdeg")
@shows(m.Moving, "position_cdeg")
@clause("op.44", "op.41", "does.reply")
@pytest.mark.parametrize("deg_s", [120.0, -300.0])
def test_a_reply_tells_a_position_between_request_and_reply(on_bench: Dut, deg_s: float) -> None:
    dut = on_bench
    ready(dut, reply_delay=2000)
    for message in (m.Report(), m.Demand(0)):
        place(dut, 0.0)
        line_ns = dut.line_ns()
        since_ns = dut.now_ns
        turn(dut, deg_s)
        answer = message_of(dut.ask_frame(message))
        assert isinstance(answer, m.Status | m.Moving)
        (own,) = dut.spoken(line_ns)
        asked_ns = own.start_ns - 2000 * US - 40 * US
        low, high = sorted(deg_s * 100 * (at - since_ns) / S for at in (asked_ns, own.start_ns))
        assert low - 2 <= answer.position_cdeg <= high + 2


# --- counts -----------------------------------------------------------------------------------------------------------


@shows(m.Status, "good_frames", "bad_frames")
@clause("op.44", "frame.counts")
def test_the_counts_of_frames_have_two_bytes(dut: Dut) -> None:
    dut.require_alone()
    count = 300 if dut.is_virtual else 30
    before = dut.report()
    good = dut.wire(m.LinkTest(b""), dut.address % 239 + 1)
    dut.silent(good * count)
    status = dut.report()
    assert status.good_frames == (before.good_frames + count + 1) & 0xFFFF
    assert status.bad_frames == before.bad_frames
    dut.silent(b"\0\x01\x02" * count + b"\0")
    later = dut.report()
    assert later.good_frames == (status.good_frames + 1) & 0xFFFF
    assert later.bad_frames == (status.bad_frames + count) & 0xFFFF or not dut.is_virtual
