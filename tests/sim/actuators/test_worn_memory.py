"""Stored memory of the simulator's actuator with cells that can no longer be written."""

from __future__ import annotations

import pytest

from busproto.sim.actuators.storage import BYTE_WRITE_NS, LAST_CELL, StoredMemory
from busproto.sim.errors import SimError

RECORD = bytes(range(1, 21))


def written(memory: StoredMemory, record: bytes, now_ns: int) -> int:
    """Write a record to its end; returns when that is, ns."""
    end_ns = memory.begin(record, now_ns)
    memory.settle(end_ns)
    return end_ns


@pytest.mark.parametrize("cell", [0, 7, len(RECORD) + 1, len(RECORD) + 4])
def test_a_worn_cell_fails_the_write_and_leaves_the_copy_in_use(cell: int) -> None:
    memory = StoredMemory.holding(RECORD)
    memory.worn = {(1, cell)}
    end_ns = written(memory, RECORD[::-1], 0)
    assert not memory.is_whole
    assert memory.load() == (1, RECORD)
    memory.worn.clear()
    written(memory, RECORD[::-1], end_ns + 5 * BYTE_WRITE_NS)
    assert memory.is_whole
    assert memory.load() == (2, RECORD[::-1])


def test_worn_cells_of_the_other_copy_and_behind_the_record_do_no_harm() -> None:
    memory = StoredMemory.holding(RECORD)
    memory.worn = {(0, cell) for cell in range(LAST_CELL + 1)} | {(1, len(RECORD) + 5)}
    written(memory, RECORD[::-1], 0)
    assert (memory.is_whole, memory.load()) == (True, (2, RECORD[::-1]))


def test_worn_memory_takes_no_other_generation() -> None:
    memory = StoredMemory.holding(RECORD)
    memory.worn = {(0, 3)}
    with pytest.raises(SimError, match="worn"):
        memory.renumber(77)
    assert memory.load() == (1, RECORD)
