"""A cell of stored memory that can no longer be written: the write is refused, and nothing else has changed."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.clock import renumber
from busproto.conformance.dut import Dut
from busproto.conformance.storage import COPIES, kept, spoil, worn, written_bytes
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, UNADDRESSED, Frame
from busproto.wire.parameters import RawValue

OLD: dict[str, RawValue] = {"neutral": 170, "dead-band": 90}
NEW: dict[str, RawValue] = {"neutral": -640, "dead-band": 12}


def with_old(dut: Dut) -> None:
    """OLD is stored in both copies."""
    dut.beside("wear", "mend", "plug", "unplug")
    dut.put(OLD)
    for _ in range(COPIES):
        dut.ask(m.Commit(), m.Committed, slow=True)


def reply_to(dut: Dut, wire: bytes) -> Frame:
    """The one reply to a request that writes stored memory."""
    _, frames, heard = dut.frames_after(wire, count=1, slow=True)
    assert len(frames) == 1, f"one reply was expected, {heard.hex(' ') or 'nothing'} came"
    return frames[0]


def require_store_failed(frame: Frame, to_what: str) -> None:
    assert frame.payload == bytes([m.Outcome.STORE_FAILED, *bytes(8)]), (
        f"{to_what} with stored memory that cannot be written was answered with {frame.payload.hex(' ')}; it belongs "
        "refused with 7, store failed, without bounds"
    )


@clause("op.32", "refusal.order", "does.copies")
def test_a_commit_that_cannot_be_written_is_refused_and_changes_nothing(dut: Dut) -> None:
    with_old(dut)
    before = kept(dut)
    dut.put(NEW)
    with worn(dut):
        require_store_failed(reply_to(dut, dut.wire(m.Commit())), "a commit")
        assert kept(dut) == before, "a commit that was refused has changed what is stored, or its number"
        assert {name: dut.get(name) for name in NEW} == NEW, "a commit that was refused changed working memory"
        dut.restart()
    assert kept(dut) == before, "after a commit that was refused and a restart other values are stored"
    assert {name: dut.get(name) for name in OLD} == OLD
    assert not dut.ask(m.Report(), m.Status).faults & m.Fault.SETTINGS_LOST


@clause("op.32", "does.copies", "does.generation")
def test_the_write_after_a_failed_one_has_the_next_number(dut: Dut) -> None:
    with_old(dut)
    before = kept(dut)
    dut.put(NEW)
    with worn(dut):
        require_store_failed(reply_to(dut, dut.wire(m.Commit())), "a commit")
    done = dut.ask(m.Commit(), m.Committed, slow=True)
    after = kept(dut)
    assert done.generation == after.generation == (before.generation + 1) % 0x10000
    assert {name: dut.get(name, m.Memory.STORED) for name in NEW} == NEW
    dut.restart()
    assert kept(dut) == after


@clause("op.32", "does.copies")
def test_no_single_worn_cell_is_taken_for_written(dut: Dut) -> None:
    """Whichever cell it is: the commit is whole or refused, and what is stored tells which."""
    with_old(dut)
    dut.require_virtual("each cell of stored memory is worn")
    is_new, refused = False, 0
    for cell in range(written_bytes(dut, m.Commit(), dut.address)):
        is_new = not is_new
        values = NEW if is_new else OLD
        before = kept(dut)
        dut.put(values)
        with worn(dut, str(cell)):
            frame = reply_to(dut, dut.wire(m.Commit()))
            if frame.payload[0]:
                require_store_failed(frame, f"a commit that meets the worn cell {cell}")
                refused += 1
                assert kept(dut) == before, f"cell {cell} was worn, the commit refused, and the stored set is another"
                is_new = not is_new
            else:
                stored = {name: dut.get(name, m.Memory.STORED) for name in values}
                assert stored == values, f"cell {cell} was worn, the commit taken, and {stored} is stored"
            dut.put(values)
    assert refused, "no cell of stored memory was missed"


@clause("op.10", "refusal.order", "does.assign")
def test_an_address_that_cannot_be_written_is_refused_and_not_taken(dut: Dut) -> None:
    with_old(dut)
    before, address = kept(dut), dut.address
    other = address % MAX_ADDRESS + 1
    dut.demand(0.0)
    with worn(dut):
        frame = reply_to(dut, dut.wire(m.Assign(dut.uid, other), BROADCAST_ADDRESS))
        assert frame.source == address, f"the refusal came from address {frame.source}, not from {address}"
        require_store_failed(frame, "an assign")
        status = dut.ask(m.Report(), m.Status)
        assert status.state in {m.State.SOFT_STARTING, m.State.FOLLOWING}, (
            f"after an assign that was refused the state is {status.state.name.lower()}"
        )
        assert status.demand_age_ms < 0xFFFF, "an assign that was refused forgot the age of the demand"
    dut.restart()
    assert kept(dut) == before, "after an assign that was refused and a restart other values are stored"
    dut.alive()


@clause("op.32", "does.lost")
def test_memory_that_never_could_be_written_stays_lost(dut: Dut) -> None:
    """With no whole copy and none that can be written, factory settings stay in use and the fault stands."""
    dut.beside("spoil")
    with_old(dut)
    spoil(dut, tuple(range(COPIES)), 4)
    home, dut.address = dut.address, UNADDRESSED
    with worn(dut):
        wire = dut.wire(m.Assign(dut.uid, home), BROADCAST_ADDRESS)
        require_store_failed(reply_to(dut, wire), "an assign")
        assert dut.ask(m.Describe(), m.Description).generation == 0, "a write that failed was counted"
        dut.refused(m.Demand(0), m.Outcome.NOT_ADDRESSED)
        dut.restart()
        assert dut.report().faults == m.Fault.SETTINGS_LOST


@clause("does.generation")
@pytest.mark.parametrize("generation", [0, 0xFFFF])
def test_the_generation_of_no_copy_is_not_set(dut: Dut, generation: int) -> None:
    """Of the interface of the harness: without a whole copy there is nothing to number, and it says so."""
    dut.beside("generation", "spoil", "unplug", "plug")
    with_old(dut)
    home = dut.address
    spoil(dut, tuple(range(COPIES)), 4)
    with pytest.raises(AssertionError, match="was not given generation"):
        renumber(dut, generation)
    assert dut.ask(m.Describe(), m.Description, to=UNADDRESSED).generation == 0
    dut.ask(m.Assign(dut.uid, home), m.Assigned, to=BROADCAST_ADDRESS, slow=True)


@clause("does.generation")
def test_the_generation_is_not_set_where_it_cannot_be_written(dut: Dut) -> None:
    """As above: the memory is worn, and the copy in use stays as it is."""
    dut.beside("generation")
    with_old(dut)
    before = kept(dut)
    with worn(dut), pytest.raises(AssertionError, match="was not given generation"):
        renumber(dut, before.generation + 1000)
    assert kept(dut) == before
