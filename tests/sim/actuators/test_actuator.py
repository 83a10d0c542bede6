"""What an actuator does: limp until asked, soft start, release, restart, power.

Demands are 0.01 % of the travel: with the factory travel of 120 deg, 5000 is 30 deg. Factory settings otherwise: soft
start 1000 ms to 300 deg/s, so the way is 150 t^2 deg in the first second."""

from __future__ import annotations

import pytest

from busproto.sim.actuators.model import ActuatorModel
from busproto.wire import Message, encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.parameters import RawValue
from tests.sim.helpers import HOLD, MS, SAMPLES, bench, fields_of, positions, where

# --- limp until asked ------------------------------------------------------------------------------------------


def test_limp_before_the_first_demand() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=-11.04, channel=3)
    assert fields_of(made.status(5)) == {
        "state": m.State.LIMP,
        "faults": 0,
        "position_cdeg": -1105,
        "demand_cdeg": -1105,
        "current_ma": 12,
        "supply_mv": 7400,
        "temperature_cdeg": 2200,
        "demand_age_ms": 65535,
        "good_frames": 1,
        "bad_frames": 0,
        "is_showing": 0,
    }
    assert actuator.arm.hand(20.0, 100 * MS, made.now_ns)
    made.run(100 * MS)
    assert made.status(5).position_cdeg == 2000


def test_without_an_address_it_stays_limp_whatever_is_asked() -> None:
    made = bench()
    actuator = made.add(1, UNADDRESSED, at_deg=7.0, channel=1)
    made.demand(5000)
    made.send(m.Engage())
    assert made.ask(m.Refused, m.Demand(5000), UNADDRESSED).code is m.Outcome.NOT_ADDRESSED
    assert made.ask(m.Refused, m.Engage(), UNADDRESSED).code is m.Outcome.NOT_ADDRESSED
    assert made.ask(m.Showing, m.ShowYourself(10), UNADDRESSED).moves == 0
    made.run(1000 * MS)
    assert (actuator.state, actuator.arm.target_deg, where(made, actuator)) == (m.State.LIMP, None, 7.0)


@pytest.mark.parametrize(
    "request_", [pytest.param(SAMPLES[name], id=name) for name in SAMPLES if name not in {"demand", "engage"}]
)
def test_nothing_but_a_demand_or_engage_makes_it_take_hold(request_: Message) -> None:
    """The demand list is left out by asking channel 0."""
    made = bench()
    actuator = made.add(1, 5, at_deg=7.0, channel=0)
    made.send(request_, 5)
    made.run(200 * MS)
    made.send(request_)
    made.run(200 * MS)
    assert actuator.arm.target_deg is None
    assert where(made, actuator) == 7.0


# --- demand ----------------------------------------------------------------------------------------------------


def test_the_first_demand_begins_a_soft_start_from_where_it_is() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=-20.0, channel=3, loss_time_out=10_000)
    arrived_ns = made.demand(m.NO_DEMAND, -9000, 5000)
    assert (actuator.current_state(), where(made, actuator)) == (m.State.SOFT_STARTING, -20.0)
    assert positions(made, actuator, arrived_ns, 100, 200, 500, 577, 578) == [-18.5, -14.0, 17.5, 29.93935, 30.0]
    made.run_until(arrived_ns + 1000 * MS - 1)
    assert actuator.current_state() is m.State.SOFT_STARTING
    made.run_until(arrived_ns + 1000 * MS)
    assert actuator.current_state() is m.State.FOLLOWING


def test_demands_that_follow_do_not_begin_the_soft_start_anew() -> None:
    """The speed goes on rising: 150 (0.4^2 - 0.2^2) deg between 0.2 s and 0.4 s."""
    made = bench()
    actuator = made.add(1, 5, channel=1)
    arrived_ns = made.demand(10_000)
    for step_ms in range(20, 400, 20):
        made.run_until(arrived_ns + step_ms * MS)
        made.demand(10_000)
    assert positions(made, actuator, arrived_ns, 400) == [24.0]


def test_the_speed_is_the_lower_of_setting_and_model() -> None:
    """The model's 400 deg/s are at 8.4 V: 400 (7.4 / 8.4 - 0.03) / 0.97 = 350.91 deg/s at 7.4 V."""
    for slew_limit, model_deg_s, wanted_deg in ((3000, 400, 30.0), (9000, 400, 35.09082)):
        made = bench()
        model = ActuatorModel("any", no_load_speed_deg_s=model_deg_s, time_constant_ms=0.0)
        actuator = made.add(1, 5, model=model, channel=1, soft_start=0, slew_limit=slew_limit)
        arrived_ns = made.demand(10_000)
        assert positions(made, actuator, arrived_ns, 100) == [wanted_deg]


ANGLES = [
    pytest.param({}, 0, 0.0, id="middle"),
    pytest.param({}, 10_000, 60.0, id="full"),
    pytest.param({}, -2_500, -15.0, id="a quarter to the other side"),
    pytest.param({"travel": 9000}, 10_000, 45.0, id="travel"),
    pytest.param({"neutral": 150}, 5_000, 31.5, id="neutral"),
    pytest.param({"direction": 1}, 5_000, -30.0, id="reversed"),
    pytest.param({"direction": 1, "neutral": 150}, 5_000, -28.5, id="reversed about the neutral"),
    pytest.param({"end-high": 2000}, 5_000, 20.0, id="upper end"),
    pytest.param({"end-low": -2000}, -5_000, -20.0, id="lower end"),
    pytest.param({"correction": (-100, 0, 300)}, 5_000, 31.5, id="correction"),
    pytest.param({"correction": (-100, 0, 300), "direction": 1}, 5_000, -28.5, id="correction goes by the demand"),
    pytest.param({"correction": (0, 0, 300), "end-high": 3100}, 5_000, 31.0, id="ends hold after the correction"),
    pytest.param({"travel": 18000, "neutral": 3000}, 10_000, 90.0, id="factory end"),
]


@pytest.mark.parametrize(("stored", "demand", "angle_deg"), ANGLES)
def test_where_a_demand_leads(stored: dict[str, RawValue], demand: int, angle_deg: float) -> None:
    made = bench()
    actuator = made.plug_in(1, 5, {"channel": 1, "soft-start": 0, "loss-action": HOLD, **stored})
    made.demand(demand)
    made.run(1000 * MS)
    assert where(made, actuator) == angle_deg


def test_a_demand_to_one_is_answered_and_followed_without_a_channel() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=10.0, channel=0, soft_start=0)
    moving = made.ask(m.Moving, m.Demand(5000), 5)
    assert fields_of(moving) == {"state": m.State.FOLLOWING, "position_cdeg": 1000}
    made.run(100 * MS)
    assert where(made, actuator) == 30.0


@pytest.mark.parametrize(
    ("channel", "demands"),
    [
        (0, (5000,) * 32),
        (2, (5000,)),
        (32, (5000,) * 31),
        (2, (5000, m.NO_DEMAND, 5000)),
    ],
    ids=["no channel", "list ends before", "list ends just before", "nothing asked of it"],
)
def test_a_broadcast_that_asks_nothing_of_it_changes_nothing(channel: int, demands: tuple[int, ...]) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=channel)
    made.demand(*demands)
    made.run(100 * MS)
    assert (actuator.state, where(made, actuator)) == (m.State.LIMP, 0.0)


def test_such_a_broadcast_does_not_put_off_the_loss() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=2, loss_time_out=100)
    arrived_ns = made.demand(0, 5000)
    for _ in range(4):
        made.run(18 * MS)
        made.demand(0, m.NO_DEMAND)
        made.demand(0)
    made.run_until(arrived_ns + 100 * MS - 1)
    assert actuator.current_state() is m.State.SOFT_STARTING
    made.run_until(arrived_ns + 100 * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


def test_demands_of_all_sent_to_one_are_refused_and_not_followed() -> None:
    """It follows its channel only from a broadcast."""
    made = bench()
    actuator = made.add(1, 5, channel=1)
    assert made.ask(m.Refused, m.DemandAll((5000,)), 5).code is m.Outcome.BAD_REQUEST
    made.run(100 * MS)
    assert (actuator.state, where(made, actuator)) == (m.State.LIMP, 0.0)


def test_a_demand_of_one_sent_to_all_is_not_followed() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1)
    made.send(m.Demand(5000))
    made.run(100 * MS)
    assert (actuator.state, where(made, actuator)) == (m.State.LIMP, 0.0)


def test_a_broadcast_with_a_bad_check_is_not_followed_wherever_it_is_hit() -> None:
    """Every single bit between the two delimiters of the frame; each leaves one bad frame in the report."""
    whole = encode_frame(request_frame(m.DemandAll((5000,)), BROADCAST_ADDRESS, 9))
    made = bench()
    actuator = made.add(1, 5, channel=1)
    hits = 0
    for bit in range(8, 8 * (len(whole) - 1)):
        broken = bytearray(whole)
        broken[bit // 8] ^= 1 << bit % 8
        made.send_bytes(bytes(broken))
        hits += 1
    assert (actuator.state, actuator.arm.target_deg, where(made, actuator)) == (m.State.LIMP, None, 0.0)
    assert made.status(5).bad_frames >= hits
    made.send_bytes(whole)
    assert actuator.state is m.State.SOFT_STARTING


# --- engage, release -------------------------------------------------------------------------------------------


def test_engage_takes_hold_where_the_arm_is_and_the_loss_time_runs() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=33.0, loss_time_out=200)
    arrived_ns = made.send(m.Engage(), 5)
    assert [fields_of(one.message) for one in made.answers(20 * MS)] == [{"state": m.State.SOFT_STARTING}]
    assert (actuator.arm.target_deg, where(made, actuator)) == (33.0, 33.0)
    assert actuator.arm.hand(0.0, 0, made.now_ns) is False
    made.run_until(arrived_ns + 200 * MS - 1)
    assert actuator.current_state() is m.State.SOFT_STARTING
    made.run_until(arrived_ns + 200 * MS)
    assert (actuator.current_state(), where(made, actuator)) == (m.State.LOST_LIMP, 33.0)


def test_engage_sent_to_all_is_obeyed_by_those_with_an_address_and_answered_by_none() -> None:
    made = bench()
    one, other, fresh = made.add(1, 5), made.add(2, 6), made.add(3, UNADDRESSED)
    assert made.ask_all(m.Engage()) == []
    assert [each.state for each in (one, other, fresh)] == [m.State.SOFT_STARTING, m.State.SOFT_STARTING, m.State.LIMP]


def test_release_latches_until_engage() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, soft_start=0)
    made.demand(5000)
    made.run(50 * MS)
    assert made.ask(m.Released, m.Release(), 5).state is m.State.RELEASED
    stands_deg = where(made, actuator)
    made.demand(5000)
    assert made.ask(m.Refused, m.Demand(5000), 5).code is m.Outcome.NOT_ENGAGED
    made.run(2000 * MS)
    assert (actuator.current_state(), where(made, actuator)) == (m.State.RELEASED, stands_deg)
    assert actuator.arm.hand(-40.0, 0, made.now_ns)
    made.run(MS)
    made.ask(m.Engaged, m.Engage(), 5)
    assert where(made, actuator) == -40.0
    made.demand(5000)
    made.run(300 * MS)
    assert where(made, actuator) == 30.0


@pytest.mark.parametrize("to", [5, BROADCAST_ADDRESS], ids=["to one", "to all"])
def test_release_latches_until_a_restart(to: int) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1)
    made.send(m.Release(), to)
    made.run(20 * MS)
    made.demand(5000)
    assert actuator.current_state() is m.State.RELEASED
    made.send(m.Restart(), to)
    made.run(20 * MS)
    assert actuator.state is m.State.LIMP
    made.demand(5000)
    assert actuator.current_state() is m.State.SOFT_STARTING


def test_a_release_on_the_way_stops_the_arm_where_it_is() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, soft_start=0)
    demanded_ns = made.demand(10_000)
    released_ns = made.send(m.Release())
    wanted_deg = 300.0 * (released_ns - demanded_ns) / 1e9
    made.run(500 * MS)
    assert where(made, actuator) == pytest.approx(wanted_deg, abs=1e-6)
    assert 0.3 < wanted_deg < 0.4


# --- restart, power --------------------------------------------------------------------------------------------


def test_a_restart_is_answered_and_done_after_the_answer() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, at_deg=4.0)
    made.demand(0)
    made.send(m.Restart(), 5)
    assert actuator.state is m.State.SOFT_STARTING
    (answer,) = made.answers(20 * MS)
    assert answer.message == m.Restarting()
    assert (actuator.state, actuator.arm.target_deg) == (m.State.LIMP, None)
    assert made.status(5).good_frames == 1


def test_a_restart_sent_to_all_is_done_by_all_and_answered_by_none() -> None:
    made = bench()
    actuators = [made.add(number, number, channel=1) for number in (1, 2, 3)]
    made.demand(0)
    assert made.ask_all(m.Restart()) == []
    assert [(one.state, one.arm.target_deg) for one in actuators] == [(m.State.LIMP, None)] * 3
    assert [made.status(number).good_frames for number in (1, 2, 3)] == [1, 2, 3]  # they hear what others are asked


def test_a_mute_one_restarts_without_a_word() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1)
    made.demand(0)
    actuator.is_mute = True
    assert made.ask_all(m.Restart(), 5) == []
    assert (actuator.state, actuator.arm.target_deg) == (m.State.LIMP, None)


def test_an_unplugged_one_neither_hears_nor_answers_and_comes_back_limp() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, soft_start=0)
    made.demand(5000)
    made.run(50 * MS)
    actuator.power_off()
    stands_deg = where(made, actuator)
    assert actuator.arm.target_deg is None
    assert made.ask_all(m.Report(), 5) == []
    made.demand(5000)
    made.run(100 * MS)
    actuator.power_on()
    assert (actuator.state, where(made, actuator)) == (m.State.LIMP, stands_deg)
    status = made.status(5)
    assert (status.good_frames, status.demand_age_ms, status.faults) == (1, 65535, 0)


def test_power_lost_between_request_and_reply_means_no_reply() -> None:
    made = bench()
    actuator = made.add(1, 5, reply_delay=2000)
    made.send(m.Report(), 5)
    made.run(1 * MS)
    actuator.power_off()
    actuator.power_on()
    assert made.answers() == []


def test_power_lost_within_a_reply_cuts_it_off() -> None:
    made = bench()
    actuator = made.add(1, 5)
    made.send(m.Report(), 5)
    while not made.bus.line.is_busy:
        made.bus.kernel.step()
    made.run_until(made.now_ns + 4 * 86_805 + 50_000)
    actuator.power_off()
    assert made.answers() == []
    assert made.receptions[-1].data[:1] == b"\x00"
    assert len(made.receptions[-1].data) == 4
    actuator.power_on()
    assert made.status(5).state is m.State.LIMP


def test_switching_twice_is_harmless() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1)
    made.demand(0)
    actuator.power_on()
    assert actuator.state is m.State.SOFT_STARTING
    actuator.power_off()
    actuator.power_off()
    actuator.power_on()
    assert made.status(5).state is m.State.LIMP


def test_a_mute_one_hears_and_does_but_never_answers() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1)
    actuator.is_mute = True
    for message in (m.Report(), m.Describe(), m.LinkTest(b"x"), m.RollCall(1, 2, 4, ()), m.Engage()):
        assert made.ask_all(message, 5) == []
    assert made.ask_all(m.MemberList(1, 2, 0, 0, ())) == []
    assert made.stray == b""
    assert actuator.state is m.State.SOFT_STARTING
    actuator.is_mute = False
    assert made.ask(m.LinkTested, m.LinkTest(b"x"), 5).data == b"x"
