"""Every field of the other replies: descriptions, values, what was written, stored, undone, assigned."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.calls import EPOCH, called
from busproto.conformance.clauses import clause
from busproto.conformance.dut import Dut
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import fields_of
from busproto.wire.parameters import BY_NAME, PARAMETERS

MODELS: list[dict[str, object]] = [
    {},
    {
        "name": "sixteen letters!",
        "firmware": (200, 255),
        "supply_mv": (33_333, 40_001),
        "stall_torque_mnm": 40_002,
        "stall_current_ma": 50_003,
        "no_load_speed_deg_s": 258,
        "mechanical_travel_deg": 359.99,
    },
    {
        "name": "Q",
        "firmware": (0, 1),
        "supply_mv": (257, 59_999),
        "stall_torque_mnm": 259,
        "stall_current_ma": 65_535,
        "no_load_speed_deg_s": 40_004,
        "mechanical_travel_deg": 181.27,
    },
]
"""Ratings whose fields differ from each other, and need all their bytes."""


@shows(m.Description, *(field.name for field in fields_of(m.Description)))
@clause("op.20", "does.uid")
@pytest.mark.parametrize("rating", MODELS, ids=["as it is", "large", "small and fast"])
def test_it_describes_itself_as_it_was_made(dut_build: Callable[..., Dut], rating: dict[str, object]) -> None:
    dut = dut_build(rating=rating)
    made = dut.actuator.model
    one = dut.ask(m.Describe(), m.Description)
    assert one == m.Description(
        uid=dut.uid,
        model=made.name,
        firmware_major=made.firmware[0],
        firmware_minor=made.firmware[1],
        supply_min_mv=made.supply_mv[0],
        supply_max_mv=made.supply_mv[1],
        stall_torque_mnm=made.stall_torque_mnm,
        stall_current_ma=made.stall_current_ma,
        no_load_speed_deg_s=made.no_load_speed_deg_s,
        mechanical_travel_cdeg=round(made.mechanical_travel_deg * 100),
        parameter_count=len(dut.rows),
        generation=one.generation,
    )
    dut.put({"neutral": 1})
    committed = dut.ask(m.Commit(), m.Committed, slow=True)
    later = dut.ask(m.Describe(), m.Description)
    assert later.generation == committed.generation == (one.generation + 1) & 0xFFFF


@shows(m.ParameterDescription, *(field.name for field in fields_of(m.ParameterDescription)))
@clause("op.21", "op.30", "op.31", "parameters", "refusal.range")
def test_each_row_of_its_list_is_as_the_page_and_as_it_acts(dut: Dut) -> None:
    count = dut.ask(m.Describe(), m.Description).parameter_count
    seen = set()
    for index in range(count):
        row = dut.ask(m.DescribeParameter(index), m.ParameterDescription)
        assert row.number in PARAMETERS
        assert row.number not in seen
        seen.add(row.number)
        page = PARAMETERS[row.number]
        assert (row.name, row.unit, row.size, row.points) == (page.name, page.count_unit, page.size, page.points)
        assert page.low <= row.low <= row.default <= row.high <= page.high or row.points
        factory = dut.ask(m.Read(m.Memory.FACTORY, bytes([row.number])), m.Values).values
        if row.points:
            assert factory == b""
            continue
        signed = page.low < 0
        assert factory == row.default.to_bytes(row.size, "little", signed=signed)
        for value, is_taken in ((row.low, True), (row.high, True), (row.low - 1, False), (row.high + 1, False)):
            try:
                raw = value.to_bytes(row.size, "little", signed=signed)
            except OverflowError:
                continue
            if is_taken:
                assert dut.ask(m.Write(row.number, raw), m.Written) == m.Written(row.number, raw)
            else:
                answer = dut.refused(m.Write(row.number, raw), m.Outcome.OUT_OF_RANGE)
                assert (answer.low, answer.high) == (row.low, row.high), row.name


@shows(m.Values, "values")
@shows(m.Written, "number", "value")
@clause("op.30", "op.31", "op.33", "does.write", "does.undo", "parameters")
def test_each_parameter_is_kept_apart_from_every_other(dut: Dut) -> None:
    """A value of its own is written to each, one after another; all are read back whole, and one by one."""
    rows = [row for row in dut.rows.values() if not row.points]
    tables = [row for row in dut.rows.values() if row.points]
    wanted = {}
    for row in rows:
        value = min(row.high, max(row.low, row.low + (row.high - row.low) * (row.number + 3) // 31))
        raw = value.to_bytes(row.size, "little", signed=PARAMETERS[row.number].low < 0)
        assert dut.ask(m.Write(row.number, raw), m.Written) == m.Written(row.number, raw)
        wanted[row.number] = raw
    for row in tables:
        raw = b"".join((7 * at - 40).to_bytes(row.size, "little", signed=True) for at in range(row.points))
        assert dut.ask(m.Write(row.number, raw), m.Written) == m.Written(row.number, raw)
        wanted[row.number] = raw
    numbers = bytes(row.number for row in (*rows, *tables[:1]))
    for asked in (numbers, numbers[: len(rows)][::-1], *(bytes([number]) for number in wanted)):
        came = dut.ask(m.Read(m.Memory.WORKING, asked), m.Values).values
        assert came == b"".join(wanted[number] for number in asked)
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        for row in rows:
            raw = row.default.to_bytes(row.size, "little", signed=PARAMETERS[row.number].low < 0)
            assert dut.ask(m.Read(memory, bytes([row.number])), m.Values).values == raw, row.name
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        assert dut.ask(m.Undo(memory), m.Undone) == m.Undone(memory)
        assert dut.get_all() == dut.get_all(m.Memory.FACTORY)


@shows(m.Undone, "memory")
@shows(m.Committed, "generation")
@clause("op.32", "op.33", "does.commit", "does.generation", "does.undo")
def test_what_was_stored_and_what_was_undone_is_told(dut: Dut) -> None:
    before = dut.ask(m.Describe(), m.Description).generation
    for count in range(1, 4):
        dut.put({"neutral": 100 * count})
        assert dut.ask(m.Commit(), m.Committed, slow=True).generation == (before + count) & 0xFFFF
        assert dut.get("neutral", m.Memory.STORED) == 100 * count
    dut.put({"neutral": -5})
    assert dut.ask(m.Undo(m.Memory.FACTORY), m.Undone).memory is m.Memory.FACTORY
    assert dut.get("neutral") == 0
    assert dut.ask(m.Undo(m.Memory.STORED), m.Undone).memory is m.Memory.STORED
    assert dut.get("neutral") == 300


@shows(m.Present, "uid")
@shows(m.Assigned, "uid", "address")
@clause("op.01", "op.10", "frame.tag")
def test_uid_and_address_are_told(dut: Dut) -> None:
    dut.require_alone()
    assert called(dut, m.RollCall(EPOCH, 1, 16, ())) == m.Present(dut.uid)
    for address in (1, 0xEF, 0x80):
        answer = dut.ask(m.Assign(dut.uid, address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
        assert answer == m.Assigned(dut.uid, address)
        dut.address = address
        dut.alive()


@shows(m.LinkTested, "data")
@clause("op.50")
def test_every_byte_of_a_link_test_comes_back(dut: Dut) -> None:
    for first in range(0, 256, 64):
        data = bytes(range(first, first + 64))
        assert dut.ask(m.LinkTest(data), m.LinkTested).data == data
    for data in (b"", b"\0", bytes(64), b"\xff" * 64):
        assert dut.ask(m.LinkTest(data), m.LinkTested).data == data


@effect("reply-delay")
@clause("parameters.reply-delay", "does.reply")
@pytest.mark.parametrize("delay_us", [100, 255, 256, 1000, 2000])
def test_the_reply_delay_is_that_of_every_reply(dut: Dut, delay_us: int) -> None:
    dut.beside("heard")
    dut.require_room({"reply-delay": delay_us})
    for message in (
        m.Write(BY_NAME["reply-delay"].number, BY_NAME["reply-delay"].encode(delay_us)),
        m.Report(),
        m.Describe(),
        m.Demand(0),
        m.Release(),
        m.Write(0xFF, b""),  # refused
    ):
        since_ns = dut.line_ns()
        dut.ask_frame(message)
        seen_us = dut.behind(since_ns) / 1000
        assert dut.least_ns(delay_us * 1000) <= seen_us * 1000 <= dut.most_ns((delay_us + 30) * 1000) + 2000, (
            f"{message}: a reply delay of {delay_us} us is set, its reply came {seen_us:.1f} us behind the request"
        )
