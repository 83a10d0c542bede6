"""Every unicast operation: its answers, its refusals, and the requests that it does not answer."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, US, Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, UNADDRESSED, Frame
from busproto.wire.message import BARE_REPLIES, OPERATIONS, Message
from busproto.wire.page.fields import part_of
from busproto.wire.page.rules import CORE
from busproto.wire.parameters import PARAMETERS
from busproto.wire.timing import BOOT_NS

ONES = [number for number, operation in OPERATIONS.items() if operation.audience == "one"]
ALLS = [number for number, operation in OPERATIONS.items() if operation.audience == "all" and part_of(number) == CORE]


@clause("op.20", "does.uid")
def test_it_describes_itself(dut: Dut) -> None:
    one = dut.ask(m.Describe(), m.Description)
    assert one.uid == dut.uid
    assert any(one.uid), "its uid is all zeros"
    assert one.model
    assert 0 < one.supply_min_mv < one.supply_max_mv
    assert 1000 <= one.mechanical_travel_cdeg <= 36_000
    assert one.no_load_speed_deg_s > 0
    assert one.parameter_count > 0
    assert dut.ask(m.Describe(), m.Description) == one


@clause("op.21")
def test_its_list_ends_where_it_says(dut: Dut) -> None:
    count = dut.ask(m.Describe(), m.Description).parameter_count
    assert len(dut.rows) == count
    for index in (count, 0xFF):
        dut.refused(m.DescribeParameter(index), m.Outcome.UNKNOWN_PARAMETER)


@clause("op.44", "states", "does.age", "does.limp")
def test_a_report_after_power_up(dut: Dut) -> None:
    status = dut.report()
    assert status.state is m.State.LIMP
    assert status.demand_cdeg == status.position_cdeg
    assert status.demand_age_ms == 0xFFFF
    assert status.is_showing == 0
    assert not status.faults & m.Fault.DEMAND_LOST
    assert status.supply_mv > 0


@clause("op.50")
@pytest.mark.parametrize("size", [0, 1, 63, 64])
def test_a_link_test_comes_back(dut: Dut, size: int) -> None:
    data = bytes((7 * at) & 0xFF for at in range(size))
    assert dut.ask(m.LinkTest(data), m.LinkTested).data == data


@clause("op.50", "does.refuse")
def test_a_link_test_too_long_is_refused(dut: Dut) -> None:
    dut.refused_wire(m.LinkTest.OPERATION, bytes(65), m.Outcome.BAD_REQUEST)


@clause("does.refuse", "refusal")
@pytest.mark.parametrize(
    "number", sorted({0x00, 0x07, 0x0F, 0x11, 0x22, 0x34, 0x47, 0x52, 0x80, 0xFF} - set(OPERATIONS))
)
def test_an_unknown_operation_is_refused(dut: Dut, number: int) -> None:
    dut.refused_wire(number, b"", m.Outcome.UNKNOWN_OPERATION)
    dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 1, number, b"")))


@clause("does.refuse", "refusal")
@pytest.mark.parametrize("number", ONES)
def test_a_payload_that_does_not_belong_is_refused(dut: Dut, number: int) -> None:
    dut.refused_wire(number, bytes(100), m.Outcome.BAD_REQUEST)
    if OPERATIONS[number].request.LAYOUT.parse is not None and number not in {0x20, 0x32, 0x44, 0x50}:
        dut.refused_wire(number, b"", m.Outcome.BAD_REQUEST)


@clause("does.refuse", "does.bare", "does.asked")
@pytest.mark.parametrize("number", ALLS)
def test_what_is_for_all_is_refused_by_one(dut: Dut, number: int) -> None:
    payload = _plain(number)
    if number in BARE_REPLIES:
        wire = encode_frame(Frame(dut.address, HOST_ADDRESS, 3, number, payload))
        dut.silent(wire, window_ns=20 * MS)
    else:
        dut.refused_wire(number, payload, m.Outcome.BAD_REQUEST)


@clause("does.asked")
@pytest.mark.parametrize("number", ONES)
def test_what_is_for_one_is_not_answered_where_it_goes_to_all(dut: Dut, number: int) -> None:
    before = dut.get_all() if number == m.Write.OPERATION else None
    dut.silent(encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 3, number, _plain(number))), window_ns=20 * MS)
    status = dut.report()
    assert status.state is m.State.LIMP
    assert not status.is_showing
    if before is not None:
        assert dut.get_all() == before


_PLAIN: dict[int, Message] = {
    0x02: m.MemberList(1, 2, 0, 1, (5,)),
    0x03: m.AddressList(1, 2, bytes(30)),
    0x10: m.Assign(bytes(8), 9),
    0x20: m.Describe(),
    0x21: m.DescribeParameter(0),
    0x30: m.Read(m.Memory.WORKING, b"\x01"),
    0x31: m.Write(1, b"\x07"),
    0x32: m.Commit(),
    0x33: m.Undo(m.Memory.FACTORY),
    0x40: m.DemandAll((0,) * 32),
    0x41: m.Demand(0),
    0x44: m.Report(),
    0x45: m.ShowYourself(20),
    0x46: m.ReportRound(1, 239, ()),
    0x50: m.LinkTest(b"all"),
}


def _plain(number: int) -> bytes:
    return _PLAIN[number].payload()


@clause("does.asked")
@pytest.mark.parametrize(
    "message", [m.Release(), m.Engage(), m.DemandAll((0,) * 32)], ids=["release", "engage", "demand"]
)
def test_what_goes_to_all_is_not_answered(dut: Dut, message: Message) -> None:
    dut.silent(dut.wire(message, BROADCAST_ADDRESS), window_ns=10 * MS)


@clause("op.30")
def test_reading_several(dut: Dut) -> None:
    singles = [row for row in dut.rows.values() if not row.points]
    numbers = bytes(row.number for row in singles)
    for memory in m.Memory:
        data = dut.ask(m.Read(memory, numbers), m.Values).values
        assert len(data) == sum(row.size for row in singles)
        one_by_one = [dut.ask(m.Read(memory, bytes([number])), m.Values).values for number in numbers]
        assert data == b"".join(one_by_one)
    twice = dut.ask(m.Read(m.Memory.WORKING, numbers[:1] * 2), m.Values).values
    assert twice[: len(twice) // 2] == twice[len(twice) // 2 :]


@clause("op.30", "refusal")
def test_reading_what_is_not_there(dut: Dut) -> None:
    there = {row.number for row in dut.rows.values()}
    for number in {0, 0xFF, max(there) + 1} - there:
        dut.refused(m.Read(m.Memory.WORKING, bytes([number])), m.Outcome.UNKNOWN_PARAMETER)
        dut.refused(m.Read(m.Memory.WORKING, bytes([min(there), number])), m.Outcome.UNKNOWN_PARAMETER)
    dut.refused_wire(m.Read.OPERATION, b"\x03\x01", m.Outcome.BAD_REQUEST)


@clause("op.30")
def test_a_table_comes_last(dut: Dut) -> None:
    tables = [row.number for row in dut.rows.values() if row.points]
    singles = [row.number for row in dut.rows.values() if not row.points]
    for table in tables:
        dut.refused(m.Read(m.Memory.WORKING, bytes([table, singles[0]])), m.Outcome.BAD_REQUEST)
        dut.ask(m.Read(m.Memory.WORKING, bytes([singles[0], table])), m.Values)


@clause("op.31", "refusal")
def test_writing_what_is_not_there(dut: Dut) -> None:
    there = {row.number for row in dut.rows.values()}
    for number in {0, 0xFF, max(there) + 1} - there:
        dut.refused(m.Write(number, b"\x00"), m.Outcome.UNKNOWN_PARAMETER)


@clause("op.45", "does.shows", "op.44")
def test_limp_it_shows_itself_by_a_flag(dut: Dut) -> None:
    assert dut.ask(m.ShowYourself(3), m.Showing).moves == 0
    assert dut.report().is_showing == 1
    dut.pass_time(310 * MS)
    assert dut.report().is_showing == 0
    dut.ask(m.ShowYourself(100), m.Showing)
    assert dut.ask(m.ShowYourself(0), m.Showing).moves == 0
    assert dut.report().is_showing == 0
    assert dut.report().state is m.State.LIMP


@clause("op.51", "does.limp", "does.write")
def test_a_restart_is_as_after_power_up(dut: Dut) -> None:
    dut.put({"neutral": 100})
    dut.demand(0.0)
    dut.restart()
    status = dut.report()
    assert status.state is m.State.LIMP
    assert status.demand_age_ms == 0xFFFF
    assert dut.get("neutral") == 0


@clause("line.boot", "op.51")
@pytest.mark.parametrize("to_all", [False, True], ids=["to one", "to all"])
def test_after_the_time_to_boot_it_takes_in_the_first_request(dut: Dut, to_all: bool) -> None:
    for _ in range(3):
        if to_all:
            dut.tell(m.Restart())
        else:
            dut.ask(m.Restart(), m.Restarting)
        dut.pass_time(BOOT_NS)
        dut.alive()


@clause("op.51", "does.asked")
def test_a_restart_of_all_is_not_answered(dut: Dut) -> None:
    dut.put({"neutral": 100})
    dut.silent(dut.wire(m.Restart(), BROADCAST_ADDRESS), window_ns=BOOT_NS)
    assert dut.get("neutral") == 0
    assert dut.report().state is m.State.LIMP


@clause("op.10", "does.assign")
def test_an_address_is_given_by_uid(dut: Dut) -> None:
    dut.require_alone()
    old, new = dut.address, dut.address ^ 0x40
    answer = dut.ask(m.Assign(dut.uid, new), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    assert (answer.uid, answer.address) == (dut.uid, new)
    dut.silent(dut.wire(m.Describe(), old))
    dut.address = new
    dut.alive()
    dut.restart()
    dut.alive()


@clause("op.10", "frame.tag")
def test_the_answer_to_an_assign_comes_from_the_new_address(dut: Dut) -> None:
    frame = dut.ask_frame(m.Assign(dut.uid, dut.address ^ 0x40), to=BROADCAST_ADDRESS, slow=True)
    assert frame.source == dut.address ^ 0x40


@clause("op.10", "does.asked")
def test_an_assign_for_another_uid_is_not_followed(dut: Dut) -> None:
    for at in (0, 7):
        dut.silent(dut.wire(m.Assign(dut.absent_uid(at), 77), BROADCAST_ADDRESS), window_ns=60 * MS)
    dut.silent(dut.wire(m.Assign(bytes(8), 77), BROADCAST_ADDRESS), window_ns=60 * MS)
    dut.alive()


@clause("op.10", "does.assign", "does.generation", "does.write")
def test_an_assign_leaves_the_parameters(dut: Dut) -> None:
    before = dut.ask(m.Describe(), m.Description).generation
    dut.put({"neutral": 100})
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    assert dut.get("neutral") == 100
    assert dut.get("neutral", m.Memory.STORED) == 0
    after = dut.ask(m.Describe(), m.Description).generation
    assert after == (before + 1) & 0xFFFF, f"generation {before + 1} was expected behind the assign, it is {after}"


@clause("op.10", "does.assign", "does.age", "does.limp")
def test_an_assign_makes_it_limp(dut: Dut) -> None:
    dut.put({"loss-time-out": 5000})
    dut.demand(0.0)
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    status = dut.report()
    assert status.state is m.State.LIMP
    assert status.demand_age_ms == 0xFFFF, "the age of the demand was expected to be forgotten"


@clause("op.10", "frame.unaddressed", "does.limp")
def test_its_address_can_be_taken_away(dut: Dut) -> None:
    dut.require_alone()
    dut.put({"channel": 1})
    old = dut.address
    answer = dut.ask(m.Assign(dut.uid, UNADDRESSED), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    assert answer.address == UNADDRESSED
    dut.silent(dut.wire(m.Describe(), old))
    dut.address = UNADDRESSED
    dut.alive()
    dut.refused(m.Demand(0), m.Outcome.NOT_ADDRESSED)
    dut.refused(m.Engage(), m.Outcome.NOT_ADDRESSED)
    dut.tell(m.DemandAll((5000,) * 32))
    dut.tell(m.Engage())
    dut.pass_time(5 * MS)
    assert dut.report().state is m.State.LIMP


@clause("op.10", "does.refuse")
def test_an_address_that_cannot_be_is_not_taken(dut: Dut) -> None:
    for address in (0, 0xF1, 0xFF):
        payload = dut.uid + bytes([address])
        wire = encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 4, m.Assign.OPERATION, payload))
        dut.silent(wire, window_ns=60 * MS)
    dut.alive()


@clause("does.refuse", "frame.resync")
def test_two_in_a_row_are_two(dut: Dut) -> None:
    for at in range(20):
        assert dut.ask(m.LinkTest(bytes([at])), m.LinkTested).data == bytes([at])
        dut.pass_time(at * 50 * US)


@clause("op.21", "parameters")
def test_the_list_is_the_pages(dut: Dut) -> None:
    numbers = [row.number for row in dut.rows.values()]
    assert len(set(numbers)) == len(numbers)
    for name, row in dut.rows.items():
        page = PARAMETERS.get(row.number)
        assert page is not None, f"parameter {row.number} ({name}) is not on the page"
        assert (name, row.size, row.points, row.unit) == (page.name, page.size, page.points, page.count_unit)
        assert page.low <= row.low <= row.high <= page.high, f"{name}: {row.low}..{row.high} is wider than on the page"
        assert row.points or row.low <= row.default <= row.high
