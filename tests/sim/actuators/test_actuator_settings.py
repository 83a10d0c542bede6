"""An actuator's address and parameters: set, commit, undo, assign, and power lost at every byte of a write.

A settings record without a correction table has 33 bytes, 38 with generation and check; a byte takes 30 us to write,
so a commit or an assign is whole after 1140 us. Two bytes more for each point of the table.
"""

from __future__ import annotations

import struct

import pytest

from busproto.sim.actuators.actuator import Actuator
from busproto.wire import EncodeError
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.parameters import BY_NAME, FACTORY, PARAMETERS, Parameter, RawValue
from tests.sim.helpers import MS, US, Bench, S, bench, uid_of

BYTES_WRITTEN = 38
DEAD_BAND, LOSS_TIME_OUT, CORRECTION = 10, 17, 22
FITTING = {"B": (0, 255), "h": (-32768, 32767), "H": (0, 65535)}
"""What fits on the wire, by the letter of the format."""


def one(**stored: RawValue) -> tuple[Bench, Actuator]:
    """One actuator at address 5; raw settings with _ for -."""
    made = bench()
    return made, made.plug_in(1, 5, {name.replace("_", "-"): value for name, value in stored.items()})


def values(made: Bench, memory: m.Memory, *names: str, address: int = 5) -> bytes:
    numbers = bytes(BY_NAME[name].number for name in names)
    return made.ask(m.Values, m.Read(memory, numbers), address).values


# --- list of parameters ----------------------------------------------------------------------------------------


def test_the_list_of_parameters_is_the_table() -> None:
    made, _ = one()
    rows = [made.ask(m.ParameterDescription, m.DescribeParameter(index), 5) for index in range(22)]
    assert [(row.number, row.name, row.size, row.points, row.low, row.high, row.default, row.unit) for row in rows] == [
        (1, "channel", 1, 0, 0, 32, 0, ""),
        (2, "gang", 1, 0, 0, 32, 0, ""),
        (3, "place", 1, 0, 0, 3, 0, ""),
        (4, "direction", 1, 0, 0, 1, 0, ""),
        (5, "neutral", 2, 0, -3000, 3000, 0, "0.01 deg"),
        (6, "travel", 2, 0, 1000, 18000, 12000, "0.01 deg"),
        (7, "end-low", 2, 0, -9000, 0, -9000, "0.01 deg"),
        (8, "end-high", 2, 0, 0, 9000, 9000, "0.01 deg"),
        (9, "soft-start", 2, 0, 0, 5000, 1000, "1 ms"),
        (10, "dead-band", 2, 0, 0, 500, 10, "0.01 deg"),
        (11, "slew-limit", 2, 0, 50, 20000, 3000, "0.1 deg/s"),
        (12, "stiffness", 1, 0, 1, 100, 60, "1 %"),
        (13, "damping", 1, 0, 0, 100, 30, "1 %"),
        (14, "minimum-drive", 1, 0, 0, 30, 5, "1 %"),
        (15, "loss-action", 1, 0, 0, 2, 0, ""),
        (16, "preset", 2, 0, -9000, 9000, 0, "0.01 deg"),
        (17, "loss-time-out", 2, 0, 20, 10000, 500, "1 ms"),
        (18, "overload-limit", 1, 0, 10, 100, 80, "1 %"),
        (19, "over-temperature", 1, 0, 40, 120, 85, "1 degC"),
        (20, "under-voltage", 2, 0, 0, 30000, 0, "0.001 V"),
        (21, "reply-delay", 2, 0, 100, 2000, 100, "1 us"),
        (22, "correction", 2, 33, -1000, 1000, 0, "0.01 deg"),
    ]
    assert made.ask(m.Description, m.Describe(), 5).parameter_count == len(PARAMETERS) == 22
    assert made.ask(m.Refused, m.DescribeParameter(22), 5).code is m.Outcome.UNKNOWN_PARAMETER


# --- read ------------------------------------------------------------------------------------------------------


def test_values_come_in_the_order_asked_for_and_low_byte_first() -> None:
    made, _ = one(travel=9000, neutral=-150, correction=(-100, 0, 300))
    assert values(made, m.Memory.WORKING, "travel", "channel", "neutral", "correction") == (
        bytes.fromhex("2823 00 6aff 9cff 0000 2c01")
    )


def test_each_memory_has_its_own_values() -> None:
    made, _ = one(dead_band=300)
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    assert [values(made, memory, "dead-band") for memory in m.Memory] == [b"\x14\x00", b"\x2c\x01", b"\x0a\x00"]


@pytest.mark.parametrize("row", PARAMETERS.values(), ids=lambda row: row.name)
def test_every_parameter_can_be_read_from_every_memory(row: Parameter) -> None:
    made, _ = one()
    wanted = b"" if isinstance(row.default, tuple) else row.default.to_bytes(row.size, "little", signed=row.low < 0)
    assert [values(made, memory, row.name) for memory in m.Memory] == [wanted] * 3


def test_reading_what_it_does_not_have_is_refused() -> None:
    made, _ = one()
    assert made.ask(m.Refused, m.Read(m.Memory.WORKING, bytes([1, 99])), 5).code is m.Outcome.UNKNOWN_PARAMETER


def test_a_table_must_be_the_last_that_is_read() -> None:
    made, _ = one()
    assert made.ask(m.Refused, m.Read(m.Memory.WORKING, bytes([CORRECTION, 1])), 5).code is m.Outcome.BAD_REQUEST


def test_more_than_fits_in_a_reply_is_refused() -> None:
    """A table of 33 points and 23 values of two bytes are 112 bytes, one too many."""
    made, _ = one(correction=tuple(range(33)))
    assert len(made.ask(m.Values, m.Read(m.Memory.WORKING, bytes([5] * 22 + [1, CORRECTION])), 5).values) == 111
    refused = made.ask(m.Refused, m.Read(m.Memory.WORKING, bytes([5] * 23 + [CORRECTION])), 5)
    assert refused.code is m.Outcome.BAD_REQUEST


# --- write -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", [row for row in PARAMETERS.values() if not row.points], ids=lambda row: row.name)
def test_the_limits_can_be_set_and_what_lies_beyond_changes_nothing(row: Parameter) -> None:
    made, actuator = one()
    for raw in (row.low, row.high):
        data = struct.pack(f"<{row.format}", raw)
        assert made.ask(m.Written, m.Write(row.number, data), 5) == m.Written(row.number, data)
        assert values(made, m.Memory.WORKING, row.name) == data
    before = dict(actuator.settings.working)
    least, most = FITTING[row.format]
    beyond = [raw for raw in (row.low - 1, row.high + 1, least, most) if least <= raw <= most]
    assert [raw for raw in beyond if not row.low <= raw <= row.high]
    for raw in beyond:
        if row.low <= raw <= row.high:
            continue
        refused = made.ask(m.Refused, m.Write(row.number, struct.pack(f"<{row.format}", raw)), 5)
        assert refused == m.Refused(m.Outcome.OUT_OF_RANGE, row.low, row.high)
        assert actuator.settings.working == before


@pytest.mark.parametrize("points", [0, 2, 33])
def test_a_table_of_none_or_2_to_33_points_can_be_set(points: int) -> None:
    made, actuator = one(correction=(5, 6))
    data = struct.pack(f"<{points}h", *range(points))
    assert made.ask(m.Written, m.Write(CORRECTION, data), 5).value == data
    assert actuator.settings.working["correction"] == tuple(range(points))


@pytest.mark.parametrize(
    ("number", "data", "refused"),
    [
        (99, b"\x00", m.Refused(m.Outcome.UNKNOWN_PARAMETER, 0, 0)),
        (0, b"\x00", m.Refused(m.Outcome.UNKNOWN_PARAMETER, 0, 0)),
        (DEAD_BAND, b"", m.Refused(m.Outcome.BAD_REQUEST, 0, 0)),
        (DEAD_BAND, b"\x14", m.Refused(m.Outcome.BAD_REQUEST, 0, 0)),
        (DEAD_BAND, b"\x14\x00\x00", m.Refused(m.Outcome.BAD_REQUEST, 0, 0)),
        (DEAD_BAND, b"\x14\x00\x14\x00", m.Refused(m.Outcome.BAD_REQUEST, 0, 0)),
        (CORRECTION, b"\x01\x00\x02", m.Refused(m.Outcome.BAD_REQUEST, 0, 0)),
        (CORRECTION, b"\x01\x00", m.Refused(m.Outcome.OUT_OF_RANGE, -1000, 1000)),
        (CORRECTION, b"\x01\x00\xe9\x03", m.Refused(m.Outcome.OUT_OF_RANGE, -1000, 1000)),
    ],
)
def test_what_cannot_be_set_is_refused_and_changes_nothing(number: int, data: bytes, refused: m.Refused) -> None:
    made, actuator = one(correction=(5, 6))
    before = dict(actuator.settings.working)
    assert made.ask(m.Refused, m.Write(number, data), 5) == refused
    assert actuator.settings.working == before


def test_a_setting_acts_at_once_also_on_where_the_arm_is_driven_to() -> None:
    made, actuator = one(soft_start=0, loss_action=1)
    made.ask(m.Moving, m.Demand(5000), 5)
    made.run(500 * MS)
    made.ask(m.Written, m.Write(5, struct.pack("<h", 500)), 5)
    made.run(500 * MS)
    actuator.arm.move_to(made.now_ns)
    assert actuator.arm.position_deg == 35.0
    made.ask(m.Written, m.Write(11, struct.pack("<H", 100)), 5)
    arrived_ns = made.send(m.Demand(10_000), 5)
    made.run_until(arrived_ns + 100 * MS)
    actuator.arm.move_to(made.now_ns)
    assert actuator.arm.position_deg == pytest.approx(36.0, abs=1e-9)


def test_a_new_speed_does_not_change_the_way_already_made() -> None:
    """300 deg/s until the write arrives, 10 deg/s from then on."""
    made, actuator = one(soft_start=0, loss_time_out=10_000)
    demanded_ns = made.send(m.Demand(10_000), 5)
    made.run(90 * MS)
    written_ns = made.send(m.Write(11, struct.pack("<H", 100)), 5)
    made.run_until(written_ns + 200 * MS)
    actuator.arm.move_to(made.now_ns)
    wanted_deg = 300.0 * (written_ns - demanded_ns) / S + 10.0 * 0.2
    assert actuator.arm.position_deg == pytest.approx(wanted_deg, abs=1e-9)
    assert 29.0 < wanted_deg < 31.0


def test_no_value_out_of_range_gets_into_the_working_set_by_any_way() -> None:
    _, actuator = one(dead_band=300)
    with pytest.raises(EncodeError, match=r"dead-band: 5\.01 deg is outside 0\.00\.\.5\.00 deg"):
        actuator.settings.set_working("dead-band", 501)
    assert actuator.settings.raw("dead-band") == 300


def test_a_new_reply_delay_holds_from_its_own_reply_on() -> None:
    made, _ = one()
    ended_ns = made.send(m.Write(21, struct.pack("<H", 1000)), 5)
    made.run(20 * MS)
    ((start_ns, _),) = made.starts_after(ended_ns)
    assert 0 <= start_ns - ended_ns - 1000 * US <= 30_000


def test_an_actuator_without_an_address_can_be_asked_and_set_too() -> None:
    made = bench()
    made.add(1, UNADDRESSED)
    (answer,) = made.ask_all(m.Write(DEAD_BAND, b"\x14\x00"), UNADDRESSED)
    assert answer.frame.source == UNADDRESSED
    assert values(made, m.Memory.WORKING, "dead-band", address=UNADDRESSED) == b"\x14\x00"


# --- commit, undo, restart -------------------------------------------------------------------------------------


def test_what_is_not_committed_is_gone_after_a_restart() -> None:
    made, _ = one(dead_band=300)
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.ask(m.Restarting, m.Restart(), 5)
    assert values(made, m.Memory.WORKING, "dead-band") == b"\x2c\x01"


def test_what_is_committed_is_there_after_a_power_cut() -> None:
    made, actuator = one()
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.ask(m.Written, m.Write(CORRECTION, b"\x01\x00\x02\x00"), 5)
    assert made.ask(m.Committed, m.Commit(), 5).generation == 2
    assert values(made, m.Memory.STORED, "dead-band", "correction") == bytes.fromhex("1400 0100 0200")
    actuator.power_off()
    actuator.power_on()
    assert values(made, m.Memory.WORKING, "dead-band", "correction") == bytes.fromhex("1400 0100 0200")
    assert made.ask(m.Description, m.Describe(), 5).generation == 2
    assert made.ask(m.Committed, m.Commit(), 5).generation == 3


@pytest.mark.parametrize(("points", "bytes_written"), [(0, 38), (2, 42), (33, 104)])
def test_the_answer_to_a_commit_comes_when_the_set_is_whole(points: int, bytes_written: int) -> None:
    made, actuator = one(correction=tuple(range(points)))
    ended_ns = made.send(m.Commit(), 5)
    whole_ns = ended_ns + bytes_written * 30_000
    made.run_until(whole_ns - 1)
    assert actuator.settings.generation == 1
    made.run_until(whole_ns)
    assert actuator.settings.generation == 2
    made.run(20 * MS)
    ((start_ns, _),) = made.starts_after(ended_ns)
    assert 0 <= start_ns - whole_ns - 100 * US <= 30_000


def test_undo_takes_the_stored_or_the_factory_set() -> None:
    made, actuator = one(dead_band=300, correction=(5, 6), channel=7)
    changed = m.Write(DEAD_BAND, b"\x14\x00")
    made.ask(m.Written, changed, 5)
    assert made.ask(m.Undone, m.Undo(m.Memory.STORED), 5).memory is m.Memory.STORED
    assert values(made, m.Memory.WORKING, "dead-band", "channel", "correction") == bytes.fromhex("2c01 07 0500 0600")
    made.ask(m.Written, changed, 5)
    assert made.ask(m.Undone, m.Undo(m.Memory.FACTORY), 5).memory is m.Memory.FACTORY
    assert actuator.settings.working == dict(FACTORY)
    assert values(made, m.Memory.STORED, "dead-band", "channel", "correction") == bytes.fromhex("2c01 07 0500 0600")
    assert (actuator.address, actuator.settings.generation) == (5, 1)


def test_undo_to_working_makes_no_sense() -> None:
    made, actuator = one()
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    assert made.ask(m.Refused, m.Undo(m.Memory.WORKING), 5) == m.Refused(m.Outcome.OUT_OF_RANGE, 1, 2)
    assert actuator.settings.raw("dead-band") == 20


def test_changes_after_an_undo_do_not_reach_the_stored_set_or_the_factory() -> None:
    made, actuator = one(dead_band=300)
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        made.ask(m.Undone, m.Undo(memory), 5)
        made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    assert actuator.settings.stored()["dead-band"] == 300
    assert values(made, m.Memory.FACTORY, "dead-band") == b"\x0a\x00"


@pytest.mark.parametrize("written", range(BYTES_WRITTEN + 1))
def test_power_lost_at_any_byte_of_a_commit_leaves_the_old_or_the_new_set(written: int) -> None:
    made, actuator = one(dead_band=300, travel=9000)
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.ask(m.Written, m.Write(6, struct.pack("<H", 10_000)), 5)
    ended_ns = made.send(m.Commit(), 5)
    made.run_until(ended_ns + written * 30_000)
    actuator.power_off()
    made.run(50 * MS)
    actuator.power_on()
    wanted = (20, 10_000, 2) if written == BYTES_WRITTEN else (300, 9000, 1)
    settings = actuator.settings
    assert (settings.raw("dead-band"), settings.raw("travel"), settings.generation) == wanted
    assert (actuator.address, settings.are_lost) == (5, False)
    assert made.status(5).faults == 0


def test_a_commit_within_a_commit_is_refused_and_the_first_one_counts() -> None:
    """At 1 MBd the second request arrives 140 us after the first, which takes 1140 us."""
    made = bench(baud=1_000_000)
    actuator = made.add(1, 5, reply_delay=2000)
    made.send(m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.run(20 * MS)
    made.bus.host.take()
    made.send(m.Commit(), 5, sequence=1)
    made.send(m.Commit(), 5, sequence=2)
    answers = {one.frame.sequence: one.message for one in made.answers()}
    assert answers == {2: m.Refused(m.Outcome.STORE_FAILED, 0, 0)}  # which takes the place of the first one's
    assert (actuator.settings.generation, actuator.settings.stored()["dead-band"]) == (2, 20)


# --- address ---------------------------------------------------------------------------------------------------


def test_assign_gives_the_address_and_only_the_one_named_answers() -> None:
    made = bench()
    first, second = made.add(1, UNADDRESSED), made.add(2, UNADDRESSED)
    (answer,) = made.ask_all(m.Assign(uid_of(2), 9))
    assert (answer.frame.source, answer.message) == (9, m.Assigned(uid_of(2), 9))
    assert (first.address, second.address) == (UNADDRESSED, 9)
    assert made.ask(m.Description, m.Describe(), 9).uid == uid_of(2)


def test_the_answer_to_assign_comes_when_the_address_is_stored() -> None:
    made, actuator = one()
    ended_ns = made.send(m.Assign(uid_of(1), 9))
    whole_ns = ended_ns + BYTES_WRITTEN * 30_000
    made.run_until(whole_ns - 1)
    assert actuator.address == 5
    made.run_until(whole_ns)
    assert actuator.address == 9
    made.run(20 * MS)
    ((start_ns, _),) = made.starts_after(ended_ns)
    assert 0 <= start_ns - whole_ns - 100 * US <= 30_000


def test_an_assigned_address_survives_a_power_cut_and_uncommitted_parameters_do_not() -> None:
    made, actuator = one(dead_band=300)
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.ask(m.Assigned, m.Assign(uid_of(1), 9), BROADCAST_ADDRESS)
    assert values(made, m.Memory.WORKING, "dead-band", address=9) == b"\x14\x00"
    assert values(made, m.Memory.STORED, "dead-band", address=9) == b"\x2c\x01"
    actuator.power_off()
    actuator.power_on()
    assert values(made, m.Memory.WORKING, "dead-band", address=9) == b"\x2c\x01"
    assert made.ask_all(m.Report(), 5) == []


def test_the_address_can_be_taken_away() -> None:
    made, actuator = one(channel=1)
    (answer,) = made.ask_all(m.Assign(uid_of(1), UNADDRESSED))
    assert (answer.frame.source, answer.message) == (UNADDRESSED, m.Assigned(uid_of(1), UNADDRESSED))
    made.demand(5000)
    assert actuator.state is m.State.LIMP
    made.ask(m.Restarting, m.Restart(), UNADDRESSED)
    assert actuator.address == UNADDRESSED


def test_one_that_gets_an_address_goes_limp() -> None:
    made, actuator = one(channel=1, soft_start=0)
    made.demand(5000)
    made.ask(m.Assigned, m.Assign(uid_of(1), 9), BROADCAST_ADDRESS)
    assert (actuator.state, actuator.arm.target_deg) == (m.State.LIMP, None)
    assert made.status(9).demand_age_ms == 65535
    made.demand(5000)
    assert actuator.state is m.State.SOFT_STARTING


def test_a_replacement_takes_over_the_address_of_a_dead_one() -> None:
    made = bench()
    dead, new = made.add(1, 5), made.add(2, UNADDRESSED)
    dead.power_off()
    made.ask(m.Assigned, m.Assign(uid_of(2), 5), BROADCAST_ADDRESS)
    assert made.ask(m.Description, m.Describe(), 5).uid == new.uid


def test_undo_and_commit_leave_the_address_alone() -> None:
    made, actuator = one(dead_band=300)
    made.ask(m.Assigned, m.Assign(uid_of(1), 9), BROADCAST_ADDRESS)
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        made.ask(m.Undone, m.Undo(memory), 9)
        made.ask(m.Committed, m.Commit(), 9)
        made.ask(m.Restarting, m.Restart(), 9)
        assert actuator.address == 9
    assert actuator.settings.raw("dead-band") == 10


@pytest.mark.parametrize("written", range(BYTES_WRITTEN + 1))
def test_power_lost_at_any_byte_of_an_assign_leaves_the_old_or_the_new_address(written: int) -> None:
    made, actuator = one(dead_band=300)
    ended_ns = made.send(m.Assign(uid_of(1), 9))
    made.run_until(ended_ns + written * 30_000 + (29_999 if written < BYTES_WRITTEN else 0))
    actuator.power_off()
    made.run(50 * MS)
    actuator.power_on()
    address = 9 if written == BYTES_WRITTEN else 5
    assert (actuator.address, actuator.settings.raw("dead-band"), actuator.settings.are_lost) == (address, 300, False)
    assert made.status(address).faults == 0
    assert made.ask_all(m.Report(), 14 - address) == []


def test_power_back_within_the_time_of_a_write_does_not_finish_it() -> None:
    made, actuator = one()
    ended_ns = made.send(m.Assign(uid_of(1), 9))
    made.run_until(ended_ns + 500 * US)
    actuator.power_off()
    actuator.power_on()
    assert made.answers() == []
    assert actuator.address == 5
    assert made.status(5).state is m.State.LIMP


def test_power_lost_before_the_answer_still_leaves_the_new_address() -> None:
    made, actuator = one(reply_delay=2000)
    ended_ns = made.send(m.Assign(uid_of(1), 9))
    made.run_until(ended_ns + BYTES_WRITTEN * 30_000 + 1000 * US)
    actuator.power_off()
    actuator.power_on()
    assert made.answers() == []
    assert actuator.address == 9


def test_an_assign_within_a_commit_waits_for_another_time() -> None:
    """It is refused, in the place of the answer that waits; the set that is being written is not spoiled."""
    made = bench(baud=1_000_000)
    actuator = made.add(1, 5, reply_delay=2000)
    made.send(m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.run(20 * MS)
    made.bus.host.take()
    made.send(m.Commit(), 5)
    made.send(m.Assign(uid_of(1), 9))
    assert [answer.message for answer in made.answers()] == [m.Refused(m.Outcome.STORE_FAILED, 0, 0)]
    assert (actuator.address, actuator.settings.stored()["dead-band"]) == (5, 20)
    made.ask(m.Restarting, m.Restart(), 5)
    assert actuator.address == 5


# --- settings lost ---------------------------------------------------------------------------------------------


def test_with_both_stored_copies_broken_it_starts_with_factory_settings_and_says_so() -> None:
    made, actuator = one(dead_band=300, channel=1)
    actuator.power_off()
    actuator.settings.memory.copies = [b"", bytes(38)]
    actuator.power_on()
    assert actuator.settings.working == dict(FACTORY)
    assert made.ask_all(m.Report(), 5) == []
    status = made.status(UNADDRESSED)
    assert (status.faults, status.state) == (m.Fault.SETTINGS_LOST, m.State.LIMP)
    assert made.ask(m.Description, m.Describe(), UNADDRESSED).generation == 0
    made.demand(5000)
    assert actuator.state is m.State.LIMP
    made.ask(m.Assigned, m.Assign(uid_of(1), 5), BROADCAST_ADDRESS)
    made.ask(m.Restarting, m.Restart(), 5)
    assert made.status(5).faults == 0
    assert made.ask(m.Description, m.Describe(), 5).generation == 1


@pytest.mark.parametrize(("broken", "dead_band"), [(0, 20), (1, 300)], ids=["older copy", "newer copy"])
def test_with_one_stored_copy_broken_it_starts_with_the_other(broken: int, dead_band: int) -> None:
    made, actuator = one(dead_band=300)
    made.ask(m.Written, m.Write(DEAD_BAND, b"\x14\x00"), 5)
    made.ask(m.Committed, m.Commit(), 5)
    copies = actuator.settings.memory.copies
    copies[broken] = copies[broken][:-1] + bytes([copies[broken][-1] ^ 1])
    actuator.power_off()
    actuator.power_on()
    assert (actuator.settings.raw("dead-band"), actuator.settings.are_lost) == (dead_band, False)
    assert made.status(5).faults == 0
