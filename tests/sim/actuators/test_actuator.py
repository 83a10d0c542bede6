"""What an actuator does: limp until asked, soft start, loss of demand, release, power, making itself known.

Demands are 0.01 % of the travel: with the factory travel of 120 deg, 5000 is 30 deg. Factory settings otherwise: soft
start 1000 ms to 300 deg/s, so the way is 150 t^2 deg in the first second.
"""

from __future__ import annotations

import random

import pytest

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.wire import Message, encode_frame, request_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.parameters import RawValue
from tests.sim.helpers import FRAME_14_NS, HOLD, LIMP, MS, PRESET, SAMPLES, Bench, bench, fields_of, where


def positions(made: Bench, actuator: Actuator, from_ns: int, *after_ms: int) -> list[float]:
    """Positions so many ms after that moment."""
    found = []
    for ms in after_ms:
        made.run_until(from_ns + ms * MS)
        found.append(where(made, actuator))
    return found


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


# --- loss of demand --------------------------------------------------------------------------------------------

LOSSES = [
    pytest.param(LIMP, m.State.LOST_LIMP, None, id="limp"),
    pytest.param(HOLD, m.State.LOST_HOLD, 30.0, id="hold"),
    pytest.param(PRESET, m.State.LOST_PRESET, -10.0, id="preset"),
]


@pytest.mark.parametrize(("action", "state", "target_deg"), LOSSES)
def test_the_loss_action_begins_when_the_time_out_has_passed(
    action: int, state: m.State, target_deg: float | None
) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, soft_start=0, loss_action=action, preset=-1000, loss_time_out=500)
    arrived_ns = made.demand(5000)
    assert positions(made, actuator, arrived_ns, 499) == [30.0]
    made.run_until(arrived_ns + 500 * MS - 1)
    assert (actuator.current_state(), actuator.arm.target_deg) == (m.State.FOLLOWING, 30.0)
    made.run_until(arrived_ns + 500 * MS)
    assert (actuator.current_state(), actuator.arm.target_deg) == (state, target_deg)
    made.run(1000 * MS)
    assert where(made, actuator) == (-10.0 if action == PRESET else 30.0)
    assert actuator.arm.hand(50.0, 0, made.now_ns) is (action == LIMP)
    assert made.status(5).faults == m.Fault.DEMAND_LOST


@pytest.mark.parametrize(("action", "state", "target_deg"), LOSSES)
def test_a_new_demand_after_a_loss_begins_a_soft_start(action: int, state: m.State, target_deg: float | None) -> None:
    """From rest: 150 t^2 deg in the direction of the demand, 1.5 deg after 0.1 s."""
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_action=action, preset=-1000, loss_time_out=100)
    made.demand(0)
    made.run(2000 * MS)
    assert actuator.current_state() is state
    before_deg = where(made, actuator)
    arrived_ns = made.demand(10_000)
    assert actuator.current_state() is m.State.SOFT_STARTING
    assert where(made, actuator) == before_deg
    assert positions(made, actuator, arrived_ns, 50, 90) == [before_deg + 0.375, before_deg + 1.215]
    made.run_until(arrived_ns + 99 * MS)
    made.demand(10_000)
    assert actuator.current_state() is m.State.SOFT_STARTING


@pytest.mark.parametrize("preset_raw", [-9000, 9000])
def test_the_preset_position_lies_within_the_end_limits(preset_raw: int) -> None:
    made = bench()
    actuator = made.add(
        1, 5, channel=1, loss_action=PRESET, preset=preset_raw, end_low=-2000, end_high=4500, loss_time_out=100
    )
    made.demand(0)
    made.run(3000 * MS)
    assert where(made, actuator) == (-20.0 if preset_raw < 0 else 45.0)


@pytest.mark.parametrize("seed", range(8))
def test_loss_with_frames_lost_at_random(seed: int) -> None:
    """Time-out T = 50 ms, frames every P = 20 ms, three of four hit: loss T to T + P after the last wanted frame.

    Common practice, no source; tolerance one tick, here 1 ms. A frame is wanted when it asks something of the
    channel and its check is good.
    """
    made, chance = bench(seed=seed), random.Random(seed)
    actuator = made.add(1, 5, channel=2, loss_time_out=50)
    wanted_ns: list[int] = []
    losses_ns: list[int] = []
    for frame in range(100):
        whole = encode_frame(request_frame(m.DemandAll((0, 1000)), BROADCAST_ADDRESS, frame))
        if chance.random() < 0.75:
            made.send_bytes(whole[:7] + bytes([whole[7] ^ 4]) + whole[8:])
        else:
            wanted_ns.append(made.send_bytes(whole))
            assert actuator.current_state() in {m.State.SOFT_STARTING, m.State.FOLLOWING}
        while made.now_ns < (frame + 1) * 20 * MS:
            was_lost = actuator.current_state() is m.State.LOST_LIMP
            made.run_until(min(made.now_ns + MS, (frame + 1) * 20 * MS))
            if actuator.current_state() is m.State.LOST_LIMP and not was_lost:
                losses_ns.append(made.now_ns - wanted_ns[-1])
    assert len(losses_ns) >= 5
    assert all(50 * MS <= loss_ns <= 70 * MS for loss_ns in losses_ns)
    assert max(losses_ns) <= 51 * MS, "it counts from the wanted frame itself, so it is at T within a tick"


def test_a_demand_to_one_puts_off_the_loss_too() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=100)
    made.demand(0)
    made.run(90 * MS)
    arrived_ns = made.send(m.Demand(0), 5)
    made.run_until(arrived_ns + 100 * MS - 1)
    assert actuator.current_state() is m.State.SOFT_STARTING
    made.run_until(arrived_ns + 100 * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


@pytest.mark.parametrize(("before_ms", "after_ms"), [(10_000, 50), (50, 10_000)], ids=["shorter", "longer"])
def test_a_new_time_out_holds_at_once(before_ms: int, after_ms: int) -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=before_ms)
    arrived_ns = made.demand(0)
    made.ask(m.Written, m.Write(17, after_ms.to_bytes(2, "little")), 5, wait_ns=10 * MS)
    made.run_until(arrived_ns + after_ms * MS - 1)
    assert actuator.current_state() in {m.State.SOFT_STARTING, m.State.FOLLOWING}
    made.run_until(arrived_ns + after_ms * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


def test_a_time_out_made_shorter_than_the_wait_so_far_is_a_loss_now() -> None:
    made = bench()
    actuator = made.add(1, 5, channel=1, loss_time_out=10_000)
    made.demand(0)
    made.run(500 * MS)
    made.ask(m.Written, m.Write(17, (100).to_bytes(2, "little")), 5, wait_ns=5 * MS)
    assert actuator.current_state() is m.State.LOST_LIMP


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


# --- making itself known ---------------------------------------------------------------------------------------


def holding(**more: int) -> tuple[Bench, Actuator]:
    """One that holds at 10 deg since long ago, at address 5, without soft start; raw settings with _ for -."""
    made = bench()
    stored = {"channel": 1, "soft-start": 0, "loss-action": HOLD}
    stored |= {name.replace("_", "-"): value for name, value in more.items()}
    actuator = made.plug_in(1, 5, stored, at_deg=10.0)
    made.send(m.Engage(), 5)
    made.run(2000 * MS)
    made.bus.host.take()
    return made, actuator


def test_limp_it_shows_itself_by_the_flag_only() -> None:
    made = bench()
    actuator = made.add(1, 5, at_deg=10.0)
    arrived_ns = made.send(m.ShowYourself(8), 5)
    assert [one.message for one in made.answers(10 * MS)] == [m.Showing(0)]
    assert made.status(5).is_showing == 1
    assert positions(made, actuator, arrived_ns, 100, 350, 700) == [10.0, 10.0, 10.0]
    made.run_until(arrived_ns + 800 * MS - FRAME_14_NS)
    assert made.status(5).is_showing == 0


def test_engaged_it_shows_itself_by_a_small_motion_to_and_fro() -> None:
    """3 deg to one side, 0.4 s later to the other, and back where it was at the end."""
    made, actuator = holding()
    arrived_ns = made.send(m.ShowYourself(9), 5)
    assert positions(made, actuator, arrived_ns, 5, 350, 750, 850, 950, 2000) == [11.5, 13.0, 7.0, 13.0, 10.0, 10.0]
    assert [one.message for one in made.answers(0)] == [m.Showing(1)]
    assert actuator.current_state() is m.State.LOST_HOLD


def test_a_duration_of_zero_ends_it_where_it_was() -> None:
    made, actuator = holding()
    made.send(m.ShowYourself(100), 5)
    made.run(100 * MS)
    assert where(made, actuator) == 13.0
    made.bus.host.take()
    assert made.ask(m.Showing, m.ShowYourself(0), 5).moves == 0
    assert made.status(5).is_showing == 0
    made.run(1000 * MS)
    assert where(made, actuator) == 10.0


def test_asked_again_on_a_swing_it_ends_where_it_was_at_first() -> None:
    made, actuator = holding()
    for _ in range(4):
        made.send(m.ShowYourself(3), 5)
        made.run(150 * MS)
    made.run(1000 * MS)
    assert where(made, actuator) == 10.0


def test_it_swings_about_what_is_demanded_meanwhile() -> None:
    made, actuator = holding(loss_time_out=10_000)
    shown_ns = made.send(m.ShowYourself(20), 5)
    made.run(100 * MS)
    made.demand(5000)
    assert positions(made, actuator, shown_ns, 350, 750, 1150, 2500) == [33.0, 27.0, 33.0, 30.0]


def test_a_swing_does_not_leave_the_end_limits() -> None:
    made, actuator = holding(end_high=1100)
    shown_ns = made.send(m.ShowYourself(8), 5)
    assert positions(made, actuator, shown_ns, 350, 750, 1000) == [11.0, 7.0, 10.0]


def test_released_and_moved_by_hand_it_does_not_swing_back() -> None:
    """Motion only from a demand or an explicit engage: the old middle is forgotten."""
    made, actuator = holding()
    shown_ns = made.send(m.ShowYourself(50), 5)
    made.run(100 * MS)
    made.send(m.Release(), 5)
    made.run(10 * MS)
    assert actuator.arm.hand(60.0, 0, made.now_ns)
    made.run(MS)
    made.send(m.Engage(), 5)
    assert positions(made, actuator, shown_ns, 350, 450, 850, 5000, 6000) == [60.0] * 5
    assert made.status(5).is_showing == 0
