"""What an actuator answers, when, and to whom; its refusals, its report, its description."""

from __future__ import annotations

import pytest

from busproto.sim.actuators.model import ActuatorModel
from busproto.wire import Frame, encode_frame
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.hash import device_tag
from busproto.wire.message import BARE_REPLIES, OPERATIONS
from tests.sim.helpers import FRAME_14_NS, HOLD, MS, SAMPLES, US, bench, fields_of, uid_of, where


def test_there_is_a_sample_of_every_operation() -> None:
    assert {operation.name for operation in OPERATIONS.values()} == set(SAMPLES)


# --- replies ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("baud", [115_200, 1_000_000])
@pytest.mark.parametrize("delay_us", [100, 101, 750, 2000])
def test_a_reply_begins_within_thirty_microseconds_after_its_delay(delay_us: int, baud: int) -> None:
    made = bench(seed=delay_us, baud=baud)
    made.add(1, 5, reply_delay=delay_us)
    late_ns = []
    for message in [m.LinkTest(b"1"), m.Report(), m.Describe(), m.DescribeParameter(99)] * 12:
        ended_ns = made.send(message, 5)
        made.run(20 * MS)
        ((start_ns, _),) = made.starts_after(ended_ns)
        late_ns.append(start_ns - ended_ns - delay_us * US)
    assert all(0 <= late <= 30_000 for late in late_ns)
    assert max(late_ns) - min(late_ns) > 20_000


def test_a_reply_echoes_sequence_and_operation_and_says_who_sends_it() -> None:
    made = bench()
    actuator = made.add(1, 5)
    for sequence in (0, 1, 255):
        (answer,) = made.ask_all(m.LinkTest(bytes(range(64))), 5, sequence=sequence)
        assert answer.frame == Frame(0, 5, sequence, 0x50, bytes(65)[:1] + bytes(range(64)), device_tag(actuator.uid))


def test_two_at_one_address_answer_with_different_tags() -> None:
    """Slow enough not to meet on the line: the host sees two replies to one request, alike but for the tag."""
    made = bench(baud=1_000_000)
    made.add(1, 5, reply_delay=100)
    made.add(2, 5, reply_delay=1500)
    answers = made.ask_all(m.LinkTest(b"who"), 5)
    assert [one.frame.tag for one in answers] == [device_tag(uid_of(1)), device_tag(uid_of(2))]
    assert answers[0].frame.tag != answers[1].frame.tag
    assert answers[0].message == answers[1].message
    assert made.bus.line.overlaps == 0


@pytest.mark.parametrize("seed", range(10))
def test_two_at_one_address_that_answer_at_once_are_never_taken_for_one(seed: int) -> None:
    made = bench(seed=seed)
    made.add(1, 5)
    made.add(2, 5)
    answers = made.ask_all(m.LinkTest(b"who"), 5)
    assert made.bus.line.overlaps == 1
    assert answers == []
    assert len(made.stray) > 0


@pytest.mark.parametrize(
    "name",
    [
        name
        for name in SAMPLES
        if name
        not in {"assign", "member list", "address list", "roll call", "prefix query", "slotted call", "report round"}
    ],
)
def test_no_actuator_answers_a_broadcast(name: str) -> None:
    made = bench()
    made.add(1, 5, channel=1)
    made.add(2, UNADDRESSED)
    before = made.bus.line.frames
    assert made.ask_all(SAMPLES[name]) == []
    assert made.bus.line.frames == before + 1


FOR_ALL = [one for one in OPERATIONS.values() if one.audience == "all"]


@pytest.mark.parametrize("name", [one.name for one in FOR_ALL if one.number not in BARE_REPLIES])
def test_what_is_for_all_is_refused_by_one(name: str) -> None:
    made = bench()
    made.add(1, 5, channel=1)
    assert made.ask(m.Refused, SAMPLES[name], 5).code is m.Outcome.BAD_REQUEST


@pytest.mark.parametrize("name", [one.name for one in FOR_ALL if one.number in BARE_REPLIES])
def test_what_cannot_be_refused_is_not_answered(name: str) -> None:
    """Their replies have no outcome byte: a refusal could not be told from an answer."""
    made = bench()
    made.add(1, 5, channel=1)
    assert made.ask_all(SAMPLES[name], 5) == []
    assert made.bus.line.frames == 1


@pytest.mark.parametrize("name", ["write", "commit", "undo", "show yourself"])
def test_what_is_for_one_is_not_done_by_all(name: str) -> None:
    made = bench()
    actuator = made.add(1, 5, dead_band=33)
    made.send(SAMPLES[name])
    made.run(20 * MS)
    assert actuator.settings.raw("dead-band") == 33
    assert actuator.settings.generation == 1
    assert made.status(5).is_showing == 0


def test_others_do_not_answer_what_is_asked_of_one() -> None:
    made = bench()
    made.add(1, 5)
    made.add(2, 6)
    (answer,) = made.ask_all(m.Report(), 6)
    assert answer.frame.source == 6
    assert made.ask_all(m.Report(), 7) == []
    assert made.status(5).good_frames == 3  # it counts them though


def test_an_unknown_operation_is_refused() -> None:
    made = bench()
    made.add(1, 5)
    made.bus.host.write(encode_frame(Frame(5, 0, 1, 0x7E, b"")))
    (answer,) = made.answers()
    assert answer.frame.operation == 0x7E
    assert answer.message == m.Refused(m.Outcome.UNKNOWN_OPERATION, 0, 0)


def test_an_unknown_operation_sent_to_all_is_not_answered() -> None:
    made = bench()
    made.add(1, 5)
    made.bus.host.write(encode_frame(Frame(BROADCAST_ADDRESS, 0, 1, 0x7E, b"")))
    assert made.answers() == []
    assert made.stray == b""


@pytest.mark.parametrize(
    ("operation", "payload"),
    [
        (0x44, b"\x00"),
        (0x41, b""),
        (0x41, b"\x11"),
        (0x41, (10_001).to_bytes(2, "little")),
        (0x41, b"\x00\x00\x00"),
        (0x30, b"\x00"),
        (0x30, b"\x03\x01"),
        (0x30, bytes(1 + 41)),
        (0x31, b""),
        (0x33, b"\x03"),
        (0x45, b"\x65"),
        (0x50, bytes(65)),
    ],
)
def test_a_malformed_payload_is_refused(operation: int, payload: bytes) -> None:
    made = bench()
    actuator = made.add(1, 5)
    made.bus.host.write(encode_frame(Frame(5, 0, 1, operation, payload)))
    (answer,) = made.answers()
    assert answer.message == m.Refused(m.Outcome.BAD_REQUEST, 0, 0)
    assert actuator.state is m.State.LIMP


# --- report ----------------------------------------------------------------------------------------------------


def test_the_report_on_the_way() -> None:
    """Demand at t, report asked at t + 100 ms: 30 deg further at 300 deg/s.

    Without load 350 mA at 400 deg/s: 118.2 for friction of 3 % of 3.94 A, the rest drag, of which 3/4 at 300 deg/s.
    """
    made = bench()
    actuator = made.add(1, 5, at_deg=-20.0, channel=1, soft_start=0)
    made.bus.supply_mv = 6613
    demanded_ns = made.demand(5000)
    made.run_until(demanded_ns + 100 * MS - FRAME_14_NS)
    assert fields_of(made.status(5)) == {
        "state": m.State.FOLLOWING,
        "faults": 0,
        "position_cdeg": 1000,
        "demand_cdeg": 3000,
        "current_ma": 307,
        "supply_mv": 6613,
        "temperature_cdeg": 2200,
        "demand_age_ms": 100,
        "good_frames": 2,
        "bad_frames": 0,
        "is_showing": 0,
    }
    made.run(100 * MS)
    assert (made.status(5).current_ma, where(made, actuator)) == (60, 30.0)


def test_the_warmth_is_that_of_what_it_does_now_and_not_of_the_last_look() -> None:
    """It moved for 0.1 s and has held since, 48 mA of it in the winding: 22 + 0.0968 (1 - exp(-5)) degC after 600 s."""
    made = bench()
    made.add(1, 5, channel=1, soft_start=0, loss_action=HOLD)
    demanded_ns = made.demand(5000)
    made.run_until(demanded_ns + 600_000 * MS - FRAME_14_NS)
    assert made.status(5).temperature_cdeg == 2210


def test_the_position_sensor_has_steps_of_five_hundredths() -> None:
    made = bench()
    for number, at_deg in enumerate((0.0, 0.024, 0.026, -0.074, -0.076, 12.34), start=1):
        made.add(number, number, at_deg=at_deg)
    assert [made.status(number).position_cdeg for number in range(1, 7)] == [0, 0, 5, -5, -10, 1235]


def test_the_age_of_the_demand_ends_at_its_limit() -> None:
    made = bench()
    made.add(1, 5, channel=1)
    demanded_ns = made.demand(0)
    made.run_until(demanded_ns + 65_534 * MS - FRAME_14_NS)
    assert made.status(5).demand_age_ms == 65_534
    made.run_until(demanded_ns + 90_000 * MS - FRAME_14_NS)
    assert made.status(5).demand_age_ms == 65_535


def test_good_and_bad_frames_are_counted() -> None:
    made = bench()
    made.add(1, 5)
    made.add(2, 6)
    made.demand(0)
    made.send_bytes(b"\x00nonsense\x00")
    made.send_bytes(b"\x00more of it\x00")
    assert made.ask(m.LinkTested, m.LinkTest(b""), 5).data == b""
    first, second = made.status(5), made.status(6)
    assert (first.good_frames, first.bad_frames) == (3, 2)
    assert (second.good_frames, second.bad_frames) == (4, 2)


def test_replies_of_others_are_no_bad_frames() -> None:
    """Actuators do not listen to each other, whether the reply is whole or two of them have collided."""
    made = bench()
    made.add(1, 5)
    for number in (2, 3):
        made.add(number, 6)
    made.ask_all(m.LinkTest(b"who"), 6)
    assert made.bus.line.overlaps == 1
    assert made.status(5).bad_frames == 0


def test_a_request_that_noise_has_hit_is_a_bad_frame_where_it_was_hit_only() -> None:
    """One byte in twenty is hit, at each for itself; the record of flips says at whom."""
    cases = set()
    for seed in range(24):
        made = bench(seed=seed)
        made.add(1, 5)
        made.add(2, 6)
        made.bus.line.flip_record = []
        end = made.bus.line.add_noise(0.05)
        made.send(m.Report(), 7)
        end()
        flipped = [ear.owner for ear, _, _ in made.bus.line.flip_record]
        hit = tuple(one.address for one in made.bus.actuators if one in flipped)
        assert tuple(address for address in (5, 6) if made.status(address).bad_frames) == hit
        cases.add(hit)
    assert cases == {(), (5,), (6,), (5, 6)}


def test_a_low_supply_is_reported_below_its_limit_only() -> None:
    made = bench()
    made.add(1, 5, under_voltage=5500)
    made.add(2, 6)
    for supply_mv, faults in ((5500, 0), (5499, 4), (0, 4), (7400, 0)):
        made.bus.supply_mv = supply_mv
        assert made.status(5).faults == faults
        assert made.status(6).faults == 0


def test_a_hot_one_goes_limp_and_says_so_until_it_has_cooled_down() -> None:
    """4.888 A held, in 8.4 / 4.988 ohm, warm it towards 22 + 805 degC with 120 s; 40 degC are passed after 2.71 s.

    It looks four times a second.
    """
    made = bench()
    made.bus.supply_mv = 8400
    model = ActuatorModel("hot", stall_current_ma=5000, hold_current_ma=4900, stall_torque_mnm=10)
    actuator = made.add(1, 5, model=model, channel=1, loss_action=HOLD, over_temperature=40)
    engaged_ns = made.send(m.Engage(), 5)
    made.run_until(engaged_ns + 2_500 * MS - FRAME_14_NS)
    cool = made.status(5)
    assert (cool.state, cool.faults) == (m.State.LOST_HOLD, m.Fault.DEMAND_LOST)
    assert cool.temperature_cdeg == pytest.approx(3859, abs=3)
    made.run_until(engaged_ns + 2_800 * MS - FRAME_14_NS)
    hot = made.status(5)
    assert (hot.state, hot.faults) == (m.State.FAULTED, m.Fault.DEMAND_LOST | m.Fault.OVER_TEMPERATURE)
    assert actuator.arm.target_deg is None
    assert made.ask(m.Refused, m.Demand(1000), 5, wait_ns=5 * MS).code is m.Outcome.FAULT_STANDS
    assert made.ask(m.Refused, m.Engage(), 5, wait_ns=5 * MS).code is m.Outcome.FAULT_STANDS
    made.demand(1000)
    assert actuator.arm.target_deg is None
    made.run(10_000 * MS)
    assert made.status(5).state is m.State.LIMP
    assert made.ask(m.Moving, m.Demand(1000), 5).state is m.State.SOFT_STARTING


def test_neither_power_nor_a_release_cools_it_and_one_that_was_let_go_stays_so() -> None:
    made = bench()
    made.bus.supply_mv = 8400
    model = ActuatorModel("hot", stall_current_ma=5000, hold_current_ma=4900, stall_torque_mnm=10)
    actuator = made.add(1, 5, model=model, channel=1, over_temperature=40, loss_time_out=10_000)
    made.ask(m.Moving, m.Demand(0), 5)
    made.run(4_000 * MS)
    hot = made.status(5)
    assert (hot.state, hot.faults) == (m.State.FAULTED, m.Fault.OVER_TEMPERATURE)
    actuator.power_off()
    made.run(MS)
    actuator.power_on()
    assert made.status(5).temperature_cdeg == pytest.approx(hot.temperature_cdeg, abs=200)  # that cools nothing
    made.demand(1000)
    assert made.status(5).state is m.State.LIMP
    made.ask(m.Released, m.Release(), 5)
    assert made.ask(m.Refused, m.Demand(1000), 5, wait_ns=5 * MS).code is m.Outcome.FAULT_STANDS
    assert made.status(5).state is m.State.RELEASED
    made.run(20_000 * MS)
    assert made.status(5).faults == 0
    assert made.ask(m.Refused, m.Demand(1000), 5).code is m.Outcome.NOT_ENGAGED


def test_one_that_loses_power_while_it_says_that_it_restarts_stays_without() -> None:
    made = bench()
    actuator = made.add(1, 5)
    heard_ns = made.send(m.Restart(), 5)
    made.run_until(heard_ns + MS)
    assert actuator.is_powered
    actuator.power_off()
    made.run(50 * MS)
    assert not actuator.is_powered


# --- description -----------------------------------------------------------------------------------------------


def test_it_describes_itself() -> None:
    made = bench()
    actuator = made.add(1, 5)
    assert fields_of(made.ask(m.Description, m.Describe(), 5)) == {
        "uid": actuator.uid,
        "model": "bench 25",
        "firmware_major": 2,
        "firmware_minor": 4,
        "supply_min_mv": 4800,
        "supply_max_mv": 8400,
        "stall_torque_mnm": 2500,
        "stall_current_ma": 4000,
        "no_load_speed_deg_s": 400,
        "mechanical_travel_cdeg": 20_000,
        "parameter_count": 22,
        "generation": 1,
    }
