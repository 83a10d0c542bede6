"""What stored memory keeps: every value of every parameter, the address, each beside the other; damage of any byte."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.storage import cut_at_byte, kept, spoil, written_bytes
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS, UNADDRESSED
from busproto.wire.parameters import BY_NAME
from busproto.wire.timing import BOOT_NS, STORE_NS


def write_raw(dut: Dut, number: int, raw: bytes) -> None:
    dut.ask(m.Write(number, raw), m.Written)


def commit(dut: Dut) -> int:
    return dut.ask(m.Commit(), m.Committed, slow=True).generation


def assign(dut: Dut, address: int) -> None:
    dut.ask(m.Assign(dut.uid, address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.address = address


def table(dut: Dut, row: m.ParameterDescription, points: int, rng: random.Random) -> bytes:
    """A table of so many points that its travel allows, the points unlike each other where they may be."""
    travel = dut.get("travel") if "travel" in dut.rows else BY_NAME["travel"].low
    assert isinstance(travel, int)
    most = travel // max(1, points - 1)
    value, data = 0, b""
    for _ in range(points):
        value = max(row.low, min(row.high, value + rng.randint(-most, most)))
        data += value.to_bytes(row.size, "little", signed=row.low < 0)
    return data


def settings(dut: Dut, share: float | None, rng: random.Random) -> Iterator[tuple[int, bytes]]:
    """Number and raw value of each parameter: at that share of its range, or anywhere in it; the table last."""
    for row in dut.rows.values():
        if not row.points:
            value = rng.randint(row.low, row.high) if share is None else round(row.low + share * (row.high - row.low))
            yield row.number, value.to_bytes(row.size, "little", signed=row.low < 0)
    for row in dut.rows.values():
        if row.points:
            yield row.number, table(dut, row, rng.randint(2, row.points), rng)


def clear_tables(dut: Dut) -> None:
    for row in dut.rows.values():
        if row.points:
            write_raw(dut, row.number, b"")


@clause("does.commit", "does.copies", "op.32")
@pytest.mark.parametrize("share", [0.0, 1.0, 0.37, 0.61, None], ids=["low", "high", "between", "above", "any"])
def test_each_value_is_kept_over_a_power_cut(dut: Dut, share: float | None) -> None:
    dut.beside("plug", "unplug")
    rng = random.Random(f"kept {share}")
    for _ in range(1 if share is not None else 3):
        clear_tables(dut)
        for number, raw in settings(dut, share, rng):
            write_raw(dut, number, raw)
        working = kept(dut, m.Memory.WORKING).values
        generation = commit(dut)
        assert kept(dut).values == working, "behind a commit stored memory is not what was in working memory"
        dut.power_cut()
        assert kept(dut).values == working, "stored memory is another behind a power cut"
        assert kept(dut, m.Memory.WORKING).values == working, "working memory is not that stored, behind a power cut"
        assert kept(dut).generation == generation


@clause("does.commit", "does.copies", "op.32", "op.30")
@pytest.mark.parametrize("points", [0, 2, 3, 16, 32, 33])
def test_a_table_of_any_size_is_kept(dut: Dut, points: int) -> None:
    dut.beside("plug", "unplug")
    rng = random.Random(f"points {points}")
    for row in dut.rows.values():
        if row.points >= points > 0 or (row.points and not points):
            dut.put({"travel": dut.rows["travel"].high})
            data = table(dut, row, points, rng)
            write_raw(dut, row.number, data)
            commit(dut)
            clear_tables(dut)
            assert dut.ask(m.Read(m.Memory.STORED, bytes([row.number])), m.Values).values == data
            dut.power_cut()
            assert dut.ask(m.Read(m.Memory.WORKING, bytes([row.number])), m.Values).values == data


@clause("does.commit", "does.write", "op.32")
def test_one_changed_value_changes_no_other_in_stored_memory(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    rng = random.Random("one by one")
    before = dut.get_all(m.Memory.STORED)
    for row in dut.rows.values():
        if not row.points:
            value = row.high if before[row.name] != row.high else row.low
            write_raw(dut, row.number, value.to_bytes(row.size, "little", signed=row.low < 0))
        else:
            write_raw(dut, row.number, table(dut, row, 5, rng))
        before[row.name] = dut.get(row.name)
        commit(dut)
        assert dut.get_all(m.Memory.STORED) == before, f"{row.name} was changed and committed, and no other"
    dut.power_cut()
    assert dut.get_all() == before


@clause("does.commit", "does.generation", "op.32")
def test_a_commit_of_what_is_stored_counts_and_changes_nothing(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    dut.put({"neutral": 250})
    commit(dut)
    before = kept(dut)
    for more in (1, 2, 3):
        assert commit(dut) == (before.generation + more) & 0xFFFF
        assert kept(dut).values == before.values
    dut.power_cut()
    assert kept(dut, m.Memory.WORKING).values == before.values


@clause("does.commit", "does.assign", "does.generation", "op.10")
def test_an_assign_keeps_the_settings_and_a_commit_keeps_the_address(dut: Dut) -> None:
    dut.beside("plug", "unplug")
    home = dut.address
    dut.put({"neutral": -150, "channel": 9})
    commit(dut)
    before = kept(dut)
    addresses = [one for one in (1, 239, home + 1) if one not in dut.taken]
    for address in addresses:
        assign(dut, address)
        assert kept(dut).values == kept(dut, m.Memory.WORKING).values == before.values
        dut.power_cut()
        assert kept(dut).values == kept(dut, m.Memory.WORKING).values == before.values
    dut.put({"channel": 12})
    commit(dut)
    dut.power_cut()
    assert (dut.get("channel"), dut.get("neutral")) == (12, -150)
    assert kept(dut).generation == (before.generation + len(addresses) + 1) & 0xFFFF
    assert dut.where((home, home + 1)) == home + 1


@clause("does.assign", "op.10", "does.commit", "frame.unaddressed")
def test_an_address_taken_away_stays_away(dut: Dut) -> None:
    dut.require_alone()
    dut.beside("plug", "unplug")
    dut.put({"neutral": 333})
    commit(dut)
    home = dut.address
    assign(dut, UNADDRESSED)
    dut.power_cut()
    assert dut.where((home, UNADDRESSED)) == UNADDRESSED
    assert dut.get("neutral") == 333
    dut.put({"neutral": 334})
    commit(dut)
    dut.power_cut()
    assert dut.where((home, UNADDRESSED)) == UNADDRESSED
    assert dut.get("neutral") == 334


@clause("does.undo", "op.33", "does.commit")
def test_undo_takes_what_was_committed_last(dut: Dut) -> None:
    rng = random.Random("undo")
    for share in (0.3, 0.7):
        clear_tables(dut)
        for number, raw in settings(dut, share, rng):
            write_raw(dut, number, raw)
        commit(dut)
        wanted = kept(dut)
        clear_tables(dut)
        for number, raw in settings(dut, 1.0 - share, rng):
            write_raw(dut, number, raw)
        assert dut.ask(m.Undo(m.Memory.STORED), m.Undone).memory is m.Memory.STORED
        assert kept(dut, m.Memory.WORKING) == wanted == kept(dut)
        dut.ask(m.Undo(m.Memory.FACTORY), m.Undone)
        assert kept(dut, m.Memory.WORKING).values == kept(dut, m.Memory.FACTORY).values
        assert kept(dut) == wanted, "undo to factory changed stored memory"


@clause("does.undo", "does.assign", "op.33")
def test_undo_leaves_the_address(dut: Dut) -> None:
    address = next(at for at in range(dut.address % 200 + 3, 240) if at not in dut.taken)
    assign(dut, address)
    for memory in (m.Memory.STORED, m.Memory.FACTORY):
        dut.ask(m.Undo(memory), m.Undone)
        dut.alive()
    dut.restart()
    dut.alive()


@clause("does.assign", "does.lost", "does.generation")
def test_an_assign_beside_lost_settings_stores_factory_settings(dut: Dut) -> None:
    dut.beside("unplug", "spoil", "plug")
    dut.put({"neutral": 440})
    commit(dut)
    commit(dut)
    spoil(dut, (0, 1), 6)
    dut.address = UNADDRESSED
    dut.put({"neutral": 123})
    assign(dut, 9)
    assert kept(dut).values == kept(dut, m.Memory.FACTORY).values
    assert dut.get("neutral") == 123, "an assign leaves working memory as it is"
    assert dut.report().faults & m.Fault.SETTINGS_LOST, "the fault stands until a start that finds a whole copy"
    dut.restart()
    assert not dut.report().faults & m.Fault.SETTINGS_LOST
    assert kept(dut, m.Memory.WORKING).values == kept(dut, m.Memory.FACTORY).values


@clause("does.store", "does.commit")
def test_while_it_stores_it_takes_in_requests_and_replies(dut: Dut) -> None:
    dut.put({"neutral": 71})
    data = dut.wire(m.Commit()) + dut.wire(m.Write(BY_NAME["neutral"].number, BY_NAME["neutral"].encode(72)))
    _, frames, _ = dut.frames_after(data, count=1)
    assert [frame.operation for frame in frames] == [m.Write.OPERATION], "a reply to the write was expected"
    for _ in range(3):
        dut.alive()
    dut.pass_time(STORE_NS + (0 if dut.is_virtual else dut.slack_ns))
    assert dut.drain() == b"", "the reply to the commit did not give way"
    assert dut.get("neutral") == 72
    assert dut.get("neutral", m.Memory.STORED) == 71, "the set was copied when the commit was asked for"


@clause("op.51", "does.assign", "does.commit")
def test_a_restart_while_an_address_is_stored_completes_it(dut: Dut) -> None:
    other = dut.address % 200 + 4
    dut.put({"neutral": 91})
    burst = dut.wire(m.Assign(dut.uid, other), BROADCAST_ADDRESS) + dut.wire(m.Restart(), BROADCAST_ADDRESS)
    said = dut.say(burst)
    dut.hear(said.end_ns + max(STORE_NS, BOOT_NS) + 2 * MS + (0 if dut.is_virtual else dut.slack_ns))
    dut.drain()
    dut.address = dut.where((dut.address, other))
    assert dut.address == other
    assert dut.get("neutral") == 0, "an assign stores the settings that were stored, not the working ones"
    dut.restart()
    dut.alive()


def old_and_new(dut: Dut) -> Dut:
    """An actuator with two whole copies that differ in each value and in the address."""
    rng = random.Random("old and new")
    for share in (0.2, 0.8):
        clear_tables(dut)
        for number, raw in settings(dut, share, rng):
            write_raw(dut, number, raw)
        commit(dut)
    return dut


@clause("does.copies", "does.lost", "does.generation")
def test_a_stored_copy_of_which_any_byte_is_damaged_does_not_count(dut: Dut) -> None:
    """Each byte of each copy in turn: what is in use is always one whole set, with its own generation."""
    dut.beside("unplug", "spoil", "plug", "cut", "who")
    dut.require_virtual("each byte of stored memory is spoiled, and mended by being spoiled again")
    old_and_new(dut)
    count = written_bytes(dut, m.Commit(), dut.address)
    new = kept(dut)
    dut.put({"neutral": 0})
    commit(dut)
    newest = kept(dut)
    for copy in (0, 1):
        seen = []
        for at in range(min(count, len_of_copy(dut, copy))):
            spoil(dut, (copy,), at)
            seen.append(kept(dut))
            assert not dut.report().faults & m.Fault.SETTINGS_LOST
            assert kept(dut, m.Memory.WORKING).values == seen[-1].values
            assert seen[-1] in (new, newest), f"byte {at} of copy {copy} was spoiled: {seen[-1]} is in use"
            spoil(dut, (copy,), at)
        assert kept(dut) == newest, "mended, the newest set was expected"
        whole = seen.count(seen[0]) == len(seen)
        assert whole, f"a damage of copy {copy} is noticed in some of its bytes only"


def len_of_copy(dut: Dut, copy: int) -> int:
    """Bytes of a stored copy, as the simulator keeps it."""
    memory = getattr(dut.actuator, "pages", None)
    return len(memory[copy]) if memory is not None else len(dut.actuator.settings.memory.copies[copy])


@clause("does.copies")
@pytest.mark.parametrize("at", [0, 5, 12])
def test_the_copy_in_use_is_never_written(dut_build: Callable[..., Dut], at: int) -> None:
    """With the older copy spoiled beforehand, a write that is cut must leave the one whole copy there is."""
    dut = dut_build()
    dut.beside("unplug", "spoil", "plug", "cut", "who")
    for neutral in (140, 150):
        dut.put({"neutral": neutral})
        commit(dut)
    for copy in (0, 1):
        spoil(dut, (copy,), 6)
        left = kept(dut)
        dut.put({"neutral": 160})
        cut_at_byte(dut, m.Commit(), dut.address, at)
        assert kept(dut) == left, "a write that was cut has touched the only whole copy"
        dut.put({"neutral": 150})
        commit(dut)
        commit(dut)
