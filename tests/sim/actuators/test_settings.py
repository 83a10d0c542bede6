"""An actuator's settings and where they put its arm, and its stored memory as a bench gets at it, each by itself."""

from __future__ import annotations

import pytest

from busproto.errors import EncodeError
from busproto.sim.actuators.answers import faults_of
from busproto.sim.actuators.settings import RecordLayout, Settings
from busproto.sim.actuators.storage import COPIES, StoredMemory
from busproto.sim.errors import SimError
from busproto.sim.scene.own_table import OwnTable, rows_of
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.parameter_list import STANDARD, list_of_rows
from busproto.wire.parameters import FACTORY, PARAMETERS
from tests.sim.helpers import MS, PRESET, S, bench, uid_of, where

OWN = (
    OwnTable(name="notch", high=90_000, bytes=4, factory=12),
    OwnTable(name="curve", low=-100, high=100, bytes=1, points=9),
    OwnTable(name="map", high=60_000, points=5),
)
LACKS = ("damping", "under-voltage")


# --- what it holds -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("address", [1, 239, UNADDRESSED])
def test_a_list_of_its_own_is_kept_whole_in_a_record(address: int) -> None:
    """Parameters in addition, of other sizes, three tables in all, and two that are missing."""
    rows = rows_of(LACKS, OWN)
    layout = RecordLayout(list_of_rows(rows))
    values = {row.name: row.default for row in rows} | {
        "notch": 70_000,
        "curve": (-5, 6, -7),
        "correction": (1, -2, 3, -4),
        "map": (60_000, 1),
        "travel": 9_000,
    }
    for more in ({}, {"curve": ()}, {"map": ()}, {"correction": ()}, {"curve": (), "map": (), "correction": ()}):
        record = layout.pack(address, {**values, **more})
        assert record[0] == address
        assert layout.unpack(record) == (address, {**values, **more})


def test_settings_with_a_list_of_their_own_are_stored_and_start_as_they_were() -> None:
    rows = rows_of(LACKS, OWN)
    settings = Settings(7, {"notch": 800, "curve": (1, 2, 3), "travel": 9_000}, rows)
    assert settings.rows == rows
    assert [*settings.factory] == [*settings.parameters.rows] == [row.name for row in rows]
    settings.set_working("map", (3, 4, 5))
    assert settings.stored()["map"] == ()
    settings.memory.settle(settings.begin_commit(0))
    settings.working = dict(settings.factory)
    assert settings.working["notch"] == 12
    settings.start()
    assert (settings.working["notch"], settings.working["curve"], settings.working["map"]) == (
        800,
        (1, 2, 3),
        (3, 4, 5),
    )
    assert (settings.address, settings.are_lost, settings.generation) == (7, False, 2)
    assert settings.raw("damping") == FACTORY["damping"]  # it lacks that
    assert {row.number: row.name for row in rows} == {at: row.name for at, row in settings.by_number.items()}


def test_the_table_of_all_actuators_is_laid_out_as_any_other_list() -> None:
    settings = Settings(7, {"travel": 9_000})
    assert settings.rows == tuple(PARAMETERS.values())
    assert settings.parameters is STANDARD
    assert settings.memory.copies == [*StoredMemory.holding(RecordLayout(STANDARD).pack(7, settings.working)).copies]


def test_what_contradicts_is_refused_and_names_what() -> None:
    """A correction that falls by more than its points are apart; a value out of its row's range."""
    turns_back = {"correction": (300, -300, 300), "travel": 1000}
    with pytest.raises(EncodeError) as caught:
        Settings(5, turns_back)
    assert caught.value.field == "settings"
    assert str(caught.value).startswith("settings: correction: from point 1 to 2 it changes by ")
    settings = Settings(5, {"travel": 1000})
    for name, value, field in (
        ("correction", turns_back["correction"], "settings"),
        ("stiffness", 10_000, "stiffness"),
    ):
        before = dict(settings.working)
        with pytest.raises(EncodeError) as caught:
            settings.set_working(name, value)
        assert caught.value.field == field
        assert settings.working == before


def test_without_a_whole_copy_it_is_as_from_the_factory_and_has_no_address() -> None:
    settings = Settings(5, {"travel": 1000})
    settings.memory.copies = [b"", b""]
    assert settings.address == 5
    settings.start()
    assert (settings.address, settings.are_lost, settings.generation) == (UNADDRESSED, True, 0)
    assert settings.working == settings.stored() == settings.factory
    settings.set_working("travel", 2000)
    assert settings.factory["travel"] == settings.stored()["travel"] == FACTORY["travel"]


def test_an_address_is_stored_with_the_stored_set() -> None:
    settings = Settings(5, {"travel": 1000})
    settings.set_working("travel", 2000)
    for address in (239, 1, UNADDRESSED):
        settings.memory.settle(settings.begin_assign(address, 0))
        settings.start()
        assert (settings.address, settings.working["travel"]) == (address, 1000)


# --- where demands put the arm ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("demand", "stored", "wanted"),
    [
        (10_000, {}, 60.0),
        (-5_000, {}, -30.0),
        (5_000, {"travel": 9_000, "neutral": 450}, 27.0),
        (5_000, {"travel": 9_000, "neutral": 450, "direction": 1}, -18.0),
        (10_000, {"travel": 9_000, "end-high": 3_050}, 30.5),
        (-10_000, {"travel": 9_000, "end-low": -1_025}, -10.25),
        (5_000, {"correction": (0, 0, 400)}, 32.0),
        (5_000, {"correction": (0, 0, 400), "direction": 1}, -28.0),  # a table is over the demand, not over the angle
        (10_000, {"correction": (0, 0, 400), "end-high": 6_200}, 62.0),
    ],
)
def test_where_a_demand_puts_the_arm(demand: int, stored: dict[str, int | tuple[int, ...]], wanted: float) -> None:
    """Neutral, and of half of the travel the demand's share, to the side of the direction, and the correction there; no
    further than the end limits."""
    settings = Settings(5, stored)
    assert settings.travel.angle_deg(demand) == pytest.approx(wanted)


def test_where_demands_put_the_arm_follows_each_change_of_the_settings() -> None:
    settings = Settings(5, {})
    assert settings.travel.angle_deg(10_000) == 60.0
    assert settings.travel is settings.travel
    settings.set_working("travel", 9_000)
    assert settings.travel.angle_deg(10_000) == 45.0
    settings.working = dict(settings.factory)
    assert settings.travel.angle_deg(10_000) == 60.0
    assert [settings.travel.limited_deg(deg) for deg in (-500.0, 12.0, 500.0)] == [
        settings.travel.low_deg,
        12.0,
        settings.travel.high_deg,
    ]


# --- faults ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply_mv", "degc", "strain", "was_lost", "wanted"),
    [
        (5_500, 70.0, 0.599, False, m.Fault(0)),
        (5_499, 70.0, 0.0, False, m.Fault.UNDER_VOLTAGE),
        (9_000, 70.01, 0.0, False, m.Fault.OVER_TEMPERATURE),
        (9_000, 20.0, 0.6, False, m.Fault.OVERLOAD),
        (9_000, 20.0, 0.0, True, m.Fault.DEMAND_LOST),
        (0, 99.0, 2.0, True, ~m.Fault.SETTINGS_LOST),
    ],
)
def test_a_fault_is_reported_beyond_its_limit(
    supply_mv: int, degc: float, strain: float, was_lost: bool, wanted: m.Fault
) -> None:
    settings = Settings(5, {"under-voltage": 5_500, "over-temperature": 70, "overload-limit": 60})
    assert faults_of(settings, supply_mv, degc, strain, was_lost=was_lost) == wanted
    settings.are_lost = True
    assert faults_of(settings, supply_mv, degc, strain, was_lost=was_lost) == wanted | m.Fault.SETTINGS_LOST


# --- stored memory as a bench gets at it -----------------------------------------------------------------------------


def test_there_are_two_copies_and_a_spoilt_byte_has_one_bit_turned() -> None:
    memory = StoredMemory.holding(b"a record")
    assert len(memory.copies) == len(StoredMemory().copies) == COPIES
    before = memory.copies[0]
    for byte in range(len(before)):
        memory.spoil(0, byte)
        assert memory.load() is None
        turned = [one ^ other for one, other in zip(before, memory.copies[0], strict=True)]
        assert [one.bit_count() for one in turned] == [int(at == byte) for at in range(len(before))]
        memory.spoil(0, byte)
        assert memory.copies[0] == before  # turned back
    for copy, byte in ((0, len(before)), (1, 0), (2, 0)):
        with pytest.raises(IndexError):
            memory.spoil(copy, byte)


@pytest.mark.parametrize("byte", [0, 3, 12, 13, 25])
def test_power_is_cut_in_the_middle_of_the_byte_that_was_named(byte: int) -> None:
    """13 bytes a write, 30 us each: byte 13 is the first of the second write."""
    memory, cuts_ns = StoredMemory.holding(b"a record"), list[int]()
    memory.plan_cut(byte, cuts_ns.append)
    begun_ns = [MS, 50 * MS, 90 * MS]
    for now_ns in begun_ns:
        assert memory.begin(b"a record", now_ns) == now_ns + 13 * 30_000
        memory.settle(now_ns + 13 * 30_000)
    assert cuts_ns == [begun_ns[byte // 13] + byte % 13 * 30_000 + 15_000]


@pytest.mark.parametrize("generation", [0, 1, 0x8000, 0xFFFF])
def test_memory_can_be_made_that_of_any_number_of_writes(generation: int) -> None:
    """The record in use stands in both copies, the last in copy 1; the next write goes to copy 0."""
    memory = StoredMemory.holding(b"a record")
    memory.renumber(generation)
    assert memory.load() == (generation, b"a record")
    first = memory.copies[0]
    assert StoredMemory([first, b""]).load() == ((generation - 1) % 0x10000, b"a record")
    memory.settle(memory.begin(b"another", 0))
    assert memory.load() == ((generation + 1) % 0x10000, b"another")
    assert StoredMemory([b"", memory.copies[1]]).load() == (generation, b"a record")


def test_memory_without_a_whole_copy_has_no_number() -> None:
    memory = StoredMemory()
    with pytest.raises(SimError, match="no copy of its stored memory is whole"):
        memory.renumber(3)


def test_an_actuator_hands_on_what_a_bench_does_to_its_memory() -> None:
    made = bench()
    actuator = made.add(1, 5, travel=9_000)
    assert actuator.can_renumber
    assert actuator.written_bytes == 0
    actuator.renumber(41)
    assert actuator.settings.generation == 41
    assert made.ask(m.Committed, m.Commit(), 5).generation == 42
    assert actuator.written_bytes == len(actuator.settings.memory.copies[0]) > 0
    actuator.spoil(0, 4)
    assert actuator.settings.generation == 41
    actuator.spoil(1, 4)
    assert actuator.settings.generation == 0
    for copy, byte in ((0, 999), (2, 0)):
        with pytest.raises(IndexError):
            actuator.spoil(copy, byte)
    with pytest.raises(SimError):
        actuator.renumber(1)


@pytest.mark.parametrize(
    "asked",
    [m.Demand(5_000), m.Engage(), m.Report(), m.Commit(), m.ShowYourself(50), m.Restart(), m.Assign(uid_of(1), 9)],
)
def test_nothing_happens_any_more_to_one_that_has_lost_its_power(asked: Message) -> None:
    """No reply, no loss of its demand, no look at its heat, no swing: it is as it was then, until power comes back."""
    made = bench()
    actuator = made.add(1, 5, loss_time_out=300, loss_action=PRESET)
    made.ask(m.Moving, m.Demand(1_000), 5)
    made.run(20 * MS)
    made.send(asked, 5)
    made.bus.host.take()
    actuator.power_off()
    state, at_deg, replies = actuator.state, where(made, actuator), made.bus.host.take()
    made.run(9 * S)
    assert (actuator.state, where(made, actuator), made.bus.host.take()) == (state, at_deg, replies)
    assert (actuator.is_powered, actuator.arm.target_deg) == (False, None)
    actuator.power_on()
    assert made.status(5).faults == 0
    assert actuator.current_state() is m.State.LIMP


@pytest.mark.parametrize(
    "asked",
    [
        m.Demand(5_000),
        m.Engage(),
        m.Report(),
        m.Restart(),
        m.RollCall(1, 2, 64, ()),
        m.MemberList(1, 2, 0, 0, ()),
        m.ReportRound(1, 8, ()),
        m.PrefixQuery(1, 0, 0, uid_of(1)),
        m.SlottedCall(1, 2, 4, 3_000),
    ],
)
@pytest.mark.parametrize("is_back", [False, True])
def test_nothing_waits_any_more_for_one_that_has_lost_its_power(asked: Message, is_back: bool) -> None:
    """Neither an answer nor a look at its heat nor a time-out, also where power comes back at once: with the end of the
    next slot the clock has nothing left to do."""
    made = bench()
    actuator = made.add(1, 5)
    made.ask(m.Moving, m.Demand(1_000), 5)
    made.send(asked, BROADCAST_ADDRESS if OPERATIONS[asked.OPERATION].audience == "all" else 5)
    assert made.bus.kernel.next_ns() is not None
    actuator.power_off()
    if is_back:
        actuator.power_on()
    off_ns = made.now_ns
    made.run(20 * MS)
    assert made.bus.kernel.next_ns() is None
    assert made.starts_after(off_ns) == []


def test_an_actuator_loses_power_in_the_middle_of_a_byte_that_it_writes() -> None:
    made = bench()
    actuator = made.add(1, 5)
    actuator.power_off_while_writing(7)
    heard_ns = made.send(m.Commit(), 5)
    made.run_until(heard_ns + 7 * 30_000 + 14_999)
    assert actuator.is_powered
    made.run_until(heard_ns + 7 * 30_000 + 15_000)
    assert not actuator.is_powered
    assert actuator.written_bytes == 7
    made.run(100 * MS)
    actuator.power_on()
    assert actuator.settings.generation == 1
