"""Stored memory: what is kept, and that power lost at any byte leaves the old set or the new one whole."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, US, Dut
from busproto.conformance.storage import cut_at_byte, spoil, written_bytes
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, UNADDRESSED
from busproto.wire.parameters import RawValue
from busproto.wire.timing import STORE_NS

OLD: dict[str, RawValue] = {"neutral": 150, "channel": 3}
NEW: dict[str, RawValue] = {"neutral": -700, "channel": 4}


def with_old(dut: Dut) -> Dut:
    """An actuator that has OLD stored twice, so that both copies are in use."""
    dut.beside("plug", "unplug")
    dut.put(OLD)
    for _ in range(2):
        dut.ask(m.Commit(), m.Committed, slow=True)
    return dut


def stored(dut: Dut) -> dict[str, RawValue]:
    return {name: dut.get(name, m.Memory.STORED) for name in OLD}


@clause("does.commit", "op.32", "op.51")
def test_what_is_committed_is_there_after_a_restart(dut: Dut) -> None:
    dut.put(NEW)
    dut.ask(m.Commit(), m.Committed, slow=True)
    before = dut.get_all()
    dut.restart()
    assert dut.get_all() == before
    assert {name: dut.get(name) for name in NEW} == NEW


@clause("op.51", "does.commit")
def test_a_restart_while_it_stores_lets_the_write_go_on(dut: Dut) -> None:
    dut.put(NEW)
    said = dut.say(dut.wire(m.Commit()) + dut.wire(m.Restart(), BROADCAST_ADDRESS))
    dut.hear(said.end_ns + STORE_NS + (0 if dut.is_virtual else dut.slack_ns))
    dut.drain()
    assert stored(dut) == NEW
    dut.restart()
    assert {name: dut.get(name) for name in NEW} == NEW


@clause("op.10", "refusal.order", "does.latest")
def test_an_assign_while_it_stores_is_refused(dut: Dut) -> None:
    dut.require_virtual("how long it stores is its own")
    address = dut.address
    said = dut.wire(m.Commit()) + dut.wire(m.Assign(dut.uid, address % 239 + 1), BROADCAST_ADDRESS)
    _, frames, heard = dut.frames_after(said, window_ns=5 * MS, count=1)
    assert frames, f"a refusal of the assign was expected, {heard.hex(' ') or 'nothing'} came"
    first = frames[0]
    assert (first.operation, first.source) == (m.Assign.OPERATION, address)
    assert first.payload[0] == m.Outcome.STORE_FAILED
    dut.pass_time(STORE_NS)
    assert dut.drain() == b"", "the reply that waited for the store did not give way"
    dut.alive()


@clause("does.write", "does.commit")
def test_what_is_not_committed_is_gone_after_a_restart(dut: Dut) -> None:
    before = dut.get_all()
    dut.put(NEW)
    dut.restart()
    assert dut.get_all() == before


@clause("does.commit", "does.copies")
def test_every_value_is_kept(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    for at in ("low", "high"):
        for row in dut.rows.values():
            if row.points:
                size = row.points if at == "high" else 2
                dut.ask(m.Write(row.number, bytes(row.size * size)), m.Written)
            else:
                value = row.low if at == "low" else row.high
                raw = value.to_bytes(row.size, "little", signed=value < 0)
                dut.ask(m.Write(row.number, raw), m.Written)
        before = dut.get_all()
        dut.ask(m.Commit(), m.Committed, slow=True)
        dut.power_cut()
        assert dut.get_all() == dut.get_all(m.Memory.STORED) == before


@clause("does.copies", "op.32", "does.commit")
def test_power_cut_at_every_byte_of_a_commit(dut_build: Callable[..., Dut]) -> None:
    dut = with_old(dut_build())
    dut.put(NEW)
    count = written_bytes(dut, m.Commit(), dut.address)
    assert count >= 8, f"only {count} bytes are written"
    for at in range(count):
        dut = with_old(dut_build())
        dut.put(NEW)
        cut_at_byte(dut, m.Commit(), dut.address, at)
        left = stored(dut)
        assert left == OLD or (left == NEW and at == count - 1), f"cut at byte {at} of {count}: {left} is left"
        assert {name: dut.get(name) for name in OLD} == left
        assert not dut.report().faults & m.Fault.SETTINGS_LOST, f"cut at byte {at} of {count}: settings lost"


@clause("does.copies", "op.10", "does.assign")
def test_power_cut_at_every_byte_of_an_assign(dut_build: Callable[..., Dut]) -> None:
    dut = with_old(dut_build())
    home, other = dut.address, dut.address % MAX_ADDRESS + 1
    message = m.Assign(dut.uid, other)
    count = written_bytes(dut, message, BROADCAST_ADDRESS)
    for at in range(0, count, 3):
        dut = with_old(dut_build())
        cut_at_byte(dut, message, BROADCAST_ADDRESS, at)
        dut.address = dut.where((home, other))
        assert dut.address == home or at >= count - 1, f"cut at byte {at} of {count}: it is at {dut.address}"
        assert stored(dut) == OLD


@clause("does.copies", "does.commit")
def test_power_cut_at_any_moment_of_a_commit(dut: Dut) -> None:
    with_old(dut)
    for step in range(16):
        dut.put(NEW)
        dut.say(dut.wire(m.Commit()))
        dut.pass_time(step * STORE_NS // 16)
        dut.power_cut()
        dut.drain()
        left = stored(dut)
        assert left in (OLD, NEW), f"power was lost {step} sixteenths of the longest store later: {left} is left"
        assert not dut.report().faults & m.Fault.SETTINGS_LOST
        dut.put(OLD)
        dut.ask(m.Commit(), m.Committed, slow=True)


@clause("does.copies")
@pytest.mark.parametrize("page", [0, 1])
def test_one_spoiled_copy_leaves_the_other(dut_build: Callable[..., Dut], page: int) -> None:
    for at in (0, 4, 9, 20):
        dut = with_old(dut_build())
        dut.put(NEW)
        dut.ask(m.Commit(), m.Committed, slow=True)
        spoil(dut, (page,), at)
        assert stored(dut) in (OLD, NEW), f"byte {at} of copy {page} was spoiled: {stored(dut)}"
        assert not dut.report().faults & m.Fault.SETTINGS_LOST


@clause("does.lost", "does.generation", "does.limp", "faults")
def test_where_neither_copy_is_whole_it_has_factory_settings_and_no_address(dut_build: Callable[..., Dut]) -> None:
    dut = with_old(dut_build())
    spoil(dut, (0, 1), 4)
    dut.address = UNADDRESSED
    assert dut.report().faults & m.Fault.SETTINGS_LOST
    assert dut.report().state is m.State.LIMP
    assert dut.get_all() == dut.get_all(m.Memory.FACTORY)
    generation = dut.ask(m.Describe(), m.Description).generation
    assert generation == 0, f"generation 0 was expected while no copy is whole, it is {generation}"
    dut.ask(m.Assign(dut.uid, 9), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.address = 9
    assert dut.ask(m.Describe(), m.Description).generation == 1
    dut.power_cut()
    assert not dut.report().faults & m.Fault.SETTINGS_LOST


@clause("does.assign", "op.10")
def test_an_address_outlasts_a_power_cut(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    dut.put(NEW)
    dut.ask(m.Assign(dut.uid, 77), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.power_cut()
    dut.address = 77
    assert dut.get("neutral") == 0, "an assign stores the settings that were stored, not the working ones"


@clause("does.copies", "does.limp")
@pytest.mark.parametrize("off_us", [1, 300, 5_000, 25_000])
def test_power_cut_while_it_answers_or_moves(dut: Dut, off_us: int) -> None:
    with_old(dut)
    dut.put({"soft-start": 0})
    dut.demand(0.25)
    dut.say(dut.wire(m.Report()))
    dut.pass_time(1500 * US)
    dut.power_cut(off_us * US)
    dut.pass_time(20 * MS)
    assert dut.report().state is m.State.LIMP
    assert stored(dut) == OLD


@clause("does.commit", "does.generation", "does.copies", "line.boot", "op.20")
def test_many_commits_count_on(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    before = dut.ask(m.Describe(), m.Description).generation
    for number in range(1, 12):
        dut.put({"neutral": number})
        assert dut.ask(m.Commit(), m.Committed, slow=True).generation == (before + number) & 0xFFFF
        dut.power_cut()
        assert dut.get("neutral") == number
