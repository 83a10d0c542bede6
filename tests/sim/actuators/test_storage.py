"""Stored memory: wherever power is lost, the old or the new set is whole."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.sim.actuators.storage import BYTE_WRITE_NS, ERASED, StoredMemory
from busproto.wire import crc24

OLD, NEW, NEXT = b"the old set", b"the new one", b"a third set"
SEALED_BYTES = 2 + len(OLD) + 3
START_NS = 1_000_000


def sealed(generation: int, record: bytes) -> bytes:
    """A whole copy: generation in two bytes, record, CRC-24 in three, low byte first."""
    data = generation.to_bytes(2, "little") + record
    return data + crc24(data).to_bytes(3, "little")


def memory_at(generation: int, record: bytes = OLD) -> StoredMemory:
    """Both copies whole, the newer one with this generation and record."""
    return StoredMemory([sealed(generation, record), sealed((generation - 1) % 0x10000, b"older still")])


def test_a_byte_takes_thirty_microseconds() -> None:
    assert (BYTE_WRITE_NS, ERASED) == (30_000, 0xFF)
    memory = StoredMemory.holding(OLD)
    assert memory.begin(NEW, START_NS) == START_NS + SEALED_BYTES * 30_000


def test_a_new_memory_holds_generation_one() -> None:
    assert StoredMemory.holding(OLD).load() == (1, OLD)


def test_a_finished_write_is_loaded_and_the_other_copy_is_as_it_was() -> None:
    memory = memory_at(9)
    ready_ns = memory.begin(NEW, START_NS)
    memory.settle(ready_ns)
    assert memory.load() == (10, NEW)
    assert memory.copies == [sealed(9, OLD), sealed(10, NEW)]


def test_an_unfinished_write_leaves_the_old_set_and_erased_cells() -> None:
    memory = memory_at(9)
    memory.begin(NEW, START_NS)
    memory.settle(START_NS + 5 * 30_000 + 29_999)
    assert memory.load() == (9, OLD)
    assert memory.copies == [sealed(9, OLD), sealed(10, NEW)[:5] + b"\xff" * (SEALED_BYTES - 5)]


def test_the_bytes_written_count_while_they_are_being_written_and_over_all_writes() -> None:
    memory = memory_at(9)
    assert memory.written(START_NS) == 0
    ready_ns = memory.begin(NEW, START_NS)
    assert [memory.written(time_ns) for time_ns in (START_NS + 5 * 30_000, ready_ns)] == [5, SEALED_BYTES]
    memory.settle(ready_ns)
    memory.begin(NEXT, ready_ns)
    assert memory.written(ready_ns + 3 * 30_000) == SEALED_BYTES + 3


def test_writing_goes_on_until_it_is_whole() -> None:
    memory = memory_at(9)
    ready_ns = memory.begin(NEW, START_NS)
    looks = [(memory.is_writing(time_ns), memory.load()) for time_ns in (START_NS, ready_ns - 1, ready_ns)]
    assert looks == [(True, (9, OLD)), (True, (9, OLD)), (False, (10, NEW))]


@pytest.mark.parametrize("generation", [1, 2, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF, 0])
@pytest.mark.parametrize("swapped", [False, True], ids=["newer copy first", "newer copy second"])
def test_power_lost_at_any_byte_leaves_the_old_or_the_new_set(generation: int, swapped: bool) -> None:
    after = (generation + 1) % 0x10000
    found = {}
    for written in range(SEALED_BYTES + 1):
        for share_ns in (0, 1, 29_999):
            memory = memory_at(generation)
            if swapped:
                memory.copies.reverse()
            in_use = memory.copies.index(sealed(generation, OLD))
            memory.begin(NEW, START_NS)
            memory.cut(START_NS + written * 30_000 + share_ns)
            found[written, share_ns] = memory.load()
            assert memory.copies[in_use] == sealed(generation, OLD)
            memory.settle(START_NS + 10**9)
            assert memory.load() == found[written, share_ns]
    assert found == {
        (written, share_ns): (after, NEW) if written == SEALED_BYTES else (generation, OLD)
        for written, share_ns in found
    }


def test_power_lost_before_or_long_after_a_write() -> None:
    memory = memory_at(9)
    memory.cut(START_NS)
    assert memory.load() == (9, OLD)
    memory.begin(NEW, START_NS)
    memory.cut(START_NS + 10**12)
    assert memory.load() == (10, NEW)


def test_after_a_cut_the_next_write_succeeds() -> None:
    for written in range(SEALED_BYTES + 1):
        memory = memory_at(9)
        memory.begin(NEW, START_NS)
        memory.cut(START_NS + written * 30_000)
        generation = 10 if written < SEALED_BYTES else 11
        memory.settle(memory.begin(NEXT, 2 * START_NS))
        assert memory.load() == (generation, NEXT)


def test_a_write_begun_within_another_takes_its_place() -> None:
    memory = memory_at(9)
    memory.begin(NEW, START_NS)
    ready_ns = memory.begin(NEXT, START_NS + 3 * 30_000)
    memory.settle(ready_ns - 1)
    assert memory.load() == (9, OLD)
    memory.settle(ready_ns)
    assert memory.load() == (10, NEXT)


def test_generations_count_round() -> None:
    """65,540 writes, past 0xFFFF: the newest is found after each."""
    memory, now_ns = StoredMemory.holding(b"\x00\x00"), 0
    for number in range(2, 65_542):
        record = (number % 0x10000).to_bytes(2, "big")
        now_ns = memory.begin(record, now_ns)
        memory.settle(now_ns)
        if number > 65_530 or number < 8:
            assert memory.load() == (number % 0x10000, record)
    assert memory.load() == (5, (5).to_bytes(2, "big"))


def test_with_both_copies_broken_there_is_nothing() -> None:
    memory = memory_at(9)
    memory.copies = [copy[:-1] + bytes([copy[-1] ^ 1]) for copy in memory.copies]
    assert memory.load() is None


@pytest.mark.parametrize(
    "cells", [b"", b"\xff" * 16, b"\x00" * 16, sealed(1, b"")], ids=["none", "erased", "0", "empty"]
)
def test_cells_without_a_record_are_nothing(cells: bytes) -> None:
    assert StoredMemory([cells, b""]).load() is None
    assert StoredMemory([b"", cells]).load() is None


def test_erased_cells_are_nothing_at_any_length_of_a_record() -> None:
    """A settings record has 33 to 99 bytes. (A CRC that begins with ones takes six erased bytes for a whole copy.)"""
    assert [size for size in range(5, 200) if StoredMemory([b"\xff" * size, b""]).load() is not None] == [6]


def test_with_both_copies_broken_a_write_begins_anew() -> None:
    memory = StoredMemory([b"", b""])
    memory.settle(memory.begin(NEW, 0))
    assert memory.load() == (1, NEW)
    memory.settle(memory.begin(NEXT, START_NS))
    assert memory.load() == (2, NEXT)
    assert memory.copies == [sealed(1, NEW), sealed(2, NEXT)]


def test_with_one_copy_broken_the_other_one_counts() -> None:
    """Any single bit of the newer copy may flip: the older set is whole."""
    whole = sealed(9, OLD)
    for bit in range(8 * len(whole)):
        broken = bytearray(whole)
        broken[bit // 8] ^= 1 << bit % 8
        memory = StoredMemory([bytes(broken), sealed(8, NEW)])
        assert memory.load() == (8, NEW)


def test_a_write_spares_the_only_whole_copy_wherever_it_stands() -> None:
    for copies in ([sealed(9, OLD), b"broken copy"], [b"broken copy", sealed(9, OLD)]):
        memory = StoredMemory(list(copies))
        memory.begin(NEW, 0)
        memory.cut(5 * 30_000)
        assert memory.load() == (9, OLD)
        assert sealed(9, OLD) in memory.copies


@given(
    st.integers(0, 0xFFFF),
    st.binary(min_size=2, max_size=40),
    st.lists(st.tuples(st.binary(min_size=2, max_size=40), st.integers(0, 50), st.integers(0, 29_999)), max_size=12),
)
def test_any_row_of_writes_and_power_cuts_leaves_the_last_whole_set(
    generation: int, first: bytes, writes: list[tuple[bytes, int, int]]
) -> None:
    memory, expected, now_ns = memory_at(generation, first), (generation, first), 0
    for record, written, share_ns in writes:
        now_ns += START_NS
        memory.begin(record, now_ns)
        now_ns += written * 30_000 + share_ns
        memory.cut(now_ns)
        if written >= 2 + len(record) + 3:
            expected = ((expected[0] + 1) % 0x10000, record)
        assert memory.load() == expected
