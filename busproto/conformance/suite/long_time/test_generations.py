"""The count of the writes of stored memory, also around its wrap: the newer of two whole copies is the one in use."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.clock import renumber
from busproto.conformance.dut import Dut
from busproto.conformance.storage import Kept, cut_at_byte, kept, spoil, written_bytes
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED

RANGE = 1 << 16
AROUND = pytest.mark.parametrize("generation", [0, 1, 0x7FFE, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF], ids=hex)


def committed(dut: Dut, neutral: int) -> int:
    """Store another neutral; returns the generation that it tells."""
    dut.put({"neutral": neutral})
    return dut.ask(m.Commit(), m.Committed, slow=True).generation


def generation_of(dut: Dut) -> int:
    return dut.ask(m.Describe(), m.Description).generation


@clause("does.generation", "does.copies", "does.commit", "op.20", "op.32")
@AROUND
def test_the_generation_goes_on_over_its_wrap(dut: Dut, generation: int) -> None:
    dut.beside("generation", "plug", "unplug")
    committed(dut, 77)
    renumber(dut, generation)
    assert generation_of(dut) == generation
    assert dut.get("neutral") == 77, "other writes were counted, and the set is another"
    for more in range(1, 4):
        wanted = (generation + more) % RANGE
        told = committed(dut, more)
        assert told == wanted, f"generation {wanted} was expected behind {generation}, it tells {told}"
        dut.power_cut()
        assert generation_of(dut) == wanted
        assert dut.get("neutral") == more, f"behind power-up the set of generation {wanted} was expected"
    assert not dut.report().faults & m.Fault.SETTINGS_LOST


@clause("does.generation", "does.assign", "op.10")
@AROUND
def test_an_assign_counts_over_the_wrap_too(dut: Dut, generation: int) -> None:
    dut.beside("generation", "plug", "unplug")
    renumber(dut, generation)
    for more, address in enumerate((21, 22, 23), 1):
        dut.ask(m.Assign(dut.uid, address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
        dut.address = address
        assert generation_of(dut) == (generation + more) % RANGE
        dut.power_cut()
        assert generation_of(dut) == (generation + more) % RANGE


@clause("does.copies", "does.generation")
@pytest.mark.parametrize("generation", [1, 0x7FFF, 0xFFFE, 0xFFFF], ids=hex)
def test_whichever_copy_is_spoiled_the_other_is_in_use(dut: Dut, generation: int) -> None:
    dut.beside("generation", "unplug", "spoil", "plug")
    renumber(dut, generation)
    committed(dut, 11)
    old = kept(dut)
    committed(dut, 22)
    new = kept(dut)
    assert (new.generation - old.generation) % RANGE == 1
    found: list[Kept] = []
    for copy in (0, 1):
        spoil(dut, (copy,), 6)
        found.append(kept(dut))
        spoil(dut, (copy,), 6)  # the same bit once more: the copy is whole again
        assert kept(dut) == new
    assert found in ([old, new], [new, old]), f"{found} was in use with one copy spoiled, of {old} and {new}"


@clause("does.copies", "does.generation", "does.commit")
@pytest.mark.parametrize("generation", [0x7FFF, 0xFFFE, 0xFFFF], ids=hex)
def test_a_write_that_was_cut_leaves_the_set_before_also_around_the_wrap(
    dut_build: Callable[..., Dut], generation: int
) -> None:
    dut = dut_build()
    dut.beside("generation", "cut", "plug", "unplug")
    count = written_bytes(dut, m.Commit(), dut.address)
    for at in (0, 1, 3, count // 2, count - 2):
        dut = dut_build()
        renumber(dut, generation)
        committed(dut, 44)
        dut.put({"neutral": 55})
        cut_at_byte(dut, m.Commit(), dut.address, at)
        assert (generation_of(dut), dut.get("neutral")) == ((generation + 1) % RANGE, 44)
        assert committed(dut, 66) == (generation + 2) % RANGE
        dut.power_cut()
        assert dut.get("neutral") == 66


@clause("does.generation", "does.lost", "does.copies")
def test_behind_lost_settings_it_counts_from_one(dut: Dut) -> None:
    dut.beside("generation", "unplug", "spoil", "plug")
    renumber(dut, 0xFFFF)
    spoil(dut, (0, 1), 6)
    dut.address = UNADDRESSED
    assert generation_of(dut) == 0
    assert committed(dut, 5) == 1
    assert dut.report().faults & m.Fault.SETTINGS_LOST, "the fault stands until a start that finds a whole copy"
    assert committed(dut, 6) == 2
    dut.power_cut()
    assert generation_of(dut) == 2
    assert dut.get("neutral") == 6
    assert not dut.report().faults & m.Fault.SETTINGS_LOST
