"""Stored memory of the firmware: power lost at any written byte leaves the old set or the new one whole."""

from __future__ import annotations

import pytest

from busproto.errors import BusError, NodeRefusedError, ReplyTimeoutError
from busproto.ops import assign, commit, describe, read_all, report, write
from busproto.ops.transact import transact
from busproto.sim.native.device import ERASE_US, PROGRAM_US, Device
from busproto.wire import crc24
from busproto.wire import messages as m
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import FACTORY, PARAMETERS
from tests.firmware import needs
from tests.firmware.benches import DeviceBox, device_box
from tests.ops.helpers import MS, US, uid_of

needs.compiler_and_cffi()

OLD = {**FACTORY, "channel": 3, "neutral": 150}
NEW = {**OLD, "neutral": -700, "correction": (-100, 0, 300)}
CHANGES = {"neutral": -700, "correction": (-100, 0, 300)}


def at_five() -> tuple[DeviceBox, Device]:
    made = device_box()
    return made, made.device(1, 5, settings={"channel": 3, "neutral": 150})


def written_by_a_commit() -> int:
    made, device = at_five()
    made.run(write(5, CHANGES))
    made.run(commit(5))
    return device.written_bytes


WRITES = written_by_a_commit()


def back_again(made: DeviceBox, device: Device) -> None:
    made.pass_time(100 * MS)
    assert not device.is_powered
    device.power_on()
    made.pass_time(10 * MS)


def test_a_commit_writes_a_record_and_no_more() -> None:
    """Generation, address, the single values, number of points and three points, check."""
    singles = sum(row.size for row in PARAMETERS.values() if not row.points)
    assert 2 + 1 + singles + 1 + 3 * 2 + 3 == WRITES


@pytest.mark.parametrize("at", range(WRITES))
def test_a_commit_cut_at_any_byte(at: int) -> None:
    made, device = at_five()
    made.run(write(5, CHANGES))
    device.power_off_while_writing(at)
    with pytest.raises(BusError):
        made.run(commit(5))
    back_again(made, device)
    stored = made.run(read_all(5, m.Memory.STORED))
    assert stored == OLD or (stored == NEW and at == WRITES - 1)
    assert made.run(read_all(5)) == stored
    assert made.run(report(5)).faults == 0
    made.run(write(5, CHANGES))
    made.run(commit(5))
    assert made.run(read_all(5, m.Memory.STORED)) == NEW


@pytest.mark.parametrize("at", range(0, WRITES - 3 * 2, 5))
def test_an_assign_cut_at_any_byte(at: int) -> None:
    made, device = at_five()
    device.power_off_while_writing(at)
    with pytest.raises(BusError):
        made.run(assign(uid_of(1), 9))
    back_again(made, device)
    assert device.address == 5
    assert made.run(read_all(5, m.Memory.STORED)) == OLD


@pytest.mark.parametrize("us", [1, 500, ERASE_US // 2, ERASE_US - 1, ERASE_US + 1, ERASE_US + PROGRAM_US])
def test_cut_while_the_page_is_erased(us: int) -> None:
    made, device = at_five()
    made.run(write(5, CHANGES))
    made.run(commit(5))
    made.run(write(5, {"neutral": 0}))
    made.bus.kernel.at(made.now_ns + 14 * 10 * 1_000_000_000 // 115_200 + us * US, device.power_off)
    with pytest.raises(ReplyTimeoutError):
        made.run(transact(m.Commit(), 5, m.Committed, slow=True))
    back_again(made, device)
    assert made.run(read_all(5)) == NEW


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_cut_again_and_again_it_still_has_the_last_whole_one(count: int) -> None:
    made, device = at_five()
    for number in range(count):
        made.run(write(5, {"neutral": 10 * number}))
        made.run(commit(5))
        made.run(write(5, CHANGES))
        device.power_off_while_writing(7 + number)
        with pytest.raises(BusError):
            made.run(commit(5))
        back_again(made, device)
        assert made.run(read_all(5)) == {**OLD, "neutral": 10 * number}


def test_generations_count_round() -> None:
    """65 536 writes are too many for a test: the counter is set in both copies, each with its check."""
    made, device = at_five()
    device.power_off()
    size = WRITES - 3 * 2
    for page, generation in enumerate((0xFFFE, 0xFFFF)):
        record = generation.to_bytes(2, "little") + bytes(device.pages[0][2 : size - 3])
        device.pages[page][:size] = record + crc24(record).to_bytes(3, "little")
    device.power_on()
    made.pass_time(MS)
    assert made.run(describe(5)).generation == 0xFFFF
    made.run(write(5, {"neutral": 1}))
    assert made.run(commit(5)) == 0
    made.run(write(5, {"neutral": 2}))
    assert made.run(commit(5)) == 1
    device.power_off()
    device.power_on()
    made.pass_time(MS)
    assert made.run(describe(5)).generation == 1
    assert made.run(read_all(5)) == {**OLD, "neutral": 2}


def test_neither_copy_whole_is_factory_without_an_address_and_said() -> None:
    made = device_box()
    device = made.device(1, settings=None)
    assert device.address == UNADDRESSED
    status = made.run(transact(m.Report(), UNADDRESSED, m.Status))
    assert status.faults == m.Fault.SETTINGS_LOST
    made.run(assign(uid_of(1), 7))
    assert made.run(read_all(7)) == FACTORY
    assert made.run(describe(7)).generation == 1
    device.power_off()
    device.power_on()
    made.pass_time(1 * MS)
    assert made.run(report(7)).faults == 0


def test_both_copies_damaged_is_the_same() -> None:
    made, device = at_five()
    made.run(commit(5))
    device.power_off()
    for page in device.pages:
        page[4] ^= 0x10
    device.power_on()
    made.pass_time(1 * MS)
    assert device.address == UNADDRESSED


@pytest.mark.parametrize("damaged", [0, 1])
def test_one_copy_damaged_leaves_the_other(damaged: int) -> None:
    made, device = at_five()
    made.run(write(5, CHANGES))
    made.run(commit(5))
    device.power_off()
    device.pages[damaged][2] ^= 0x01
    device.power_on()
    made.pass_time(1 * MS)
    assert made.run(read_all(5)) == (NEW if damaged == 0 else OLD)
    assert made.run(report(5)).faults == 0


def test_memory_that_is_worn_out_is_refused_and_the_old_set_stands() -> None:
    made, device = at_five()
    device.worn = {(page, 10) for page in (0, 1)}
    made.run(write(5, CHANGES))
    with pytest.raises(NodeRefusedError) as refused:
        made.run(commit(5))
    assert refused.value.code == m.Outcome.STORE_FAILED
    assert made.run(read_all(5, m.Memory.STORED)) == OLD


def test_a_restart_is_as_after_power_up() -> None:
    made, device = at_five()
    made.run(write(5, CHANGES))
    made.run(transact(m.Restart(), 5, m.Restarting))
    made.pass_time(10 * MS)
    assert made.run(read_all(5)) == OLD
    status = made.run(report(5))
    assert (status.state, status.good_frames <= 4) == (m.State.LIMP, True)
    assert device.is_powered
