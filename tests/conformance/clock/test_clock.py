"""Helpers of the cases about the clock: it passes a count when it was wanted, an idle hour is cheap, and looked at."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from busproto.conformance.clock import HALF, MINUTE_NS, MOST_WAKES, RANGE_US, WRAP, idle, passes, renumber, starts_at
from busproto.conformance.dut import MS, US, Dut, S
from busproto.conformance.targets import InProcess
from busproto.sim.native.device import Device
from busproto.sim.native.device_build import compile_files, firmware_texts
from busproto.wire import messages as m
from busproto.wire.parameters import LOSS_HOLD
from busproto.wire.timing import BOOT_NS


def device_of(dut: Dut) -> Device:
    device = dut.actuator
    assert isinstance(device, Device)
    return device


@pytest.mark.parametrize("clock_us", [0, 77, HALF, RANGE_US - 1])
def test_a_clock_stands_at_power_up_where_it_was_wanted(clock_us: int) -> None:
    """A case begins when the time to boot is over; the clock has counted that much more by then."""
    dut = InProcess("reference").build("clock", clock_us=clock_us)
    assert dut.now_ns == BOOT_NS
    assert device_of(dut).clock_us == (clock_us + BOOT_NS // US) % RANGE_US


def test_without_a_count_it_is_drawn_by_the_seed() -> None:
    seen = {device_of(InProcess("reference", seed).build("clock")).clock_us for seed in range(4)}
    assert len(seen) == 4
    assert device_of(InProcess("reference", 3).build("clock")).clock_us in seen


@pytest.mark.parametrize("count", [WRAP, HALF])
def test_it_passes_a_count_at_the_moment_that_was_said(count: int) -> None:
    dut = InProcess("reference").fresh("clock")
    at_ns = passes(dut, count, 123 * MS)
    dut.pass_time(at_ns - 1 * US - dut.now_ns)
    assert device_of(dut).clock_us == (count - 1) % RANGE_US
    dut.pass_time(1 * US)
    assert device_of(dut).clock_us == count
    assert dut.now_ns == at_ns


def test_an_actuator_of_the_simulator_only_loses_power() -> None:
    dut = InProcess("python").fresh("clock")
    dut.put({"neutral": 5})
    begin_ns = dut.now_ns
    starts_at(dut, HALF)
    assert dut.now_ns - begin_ns == BOOT_NS
    assert dut.get("neutral") == 0


@pytest.mark.parametrize("target", ["python", "reference"])
def test_idle_lets_the_whole_time_pass(target: str) -> None:
    dut = InProcess(target).fresh("clock")
    begin_ns = dut.now_ns
    idle(dut, 72 * MINUTE_NS)
    assert dut.now_ns - begin_ns == 72 * MINUTE_NS
    dut.alive()


def test_what_is_said_unasked_in_an_idle_hour_is_a_failure() -> None:
    dut = InProcess("python").fresh("clock")
    dut.bus.kernel.at(dut.now_ns + 50 * MINUTE_NS, lambda: dut.bus.line.transmit(object(), b"\x55"))
    with pytest.raises(AssertionError, match="no request was sent for 4320 s, and 55 came"):
        idle(dut, 72 * MINUTE_NS)


def test_what_is_said_in_the_first_second_of_it_is_a_failure_too() -> None:
    dut = InProcess("python").fresh("clock")
    dut.bus.kernel.at(dut.now_ns + S // 2, lambda: dut.bus.line.transmit(object(), b"\x55"))
    with pytest.raises(AssertionError, match="and 55 came"):
        idle(dut, 72 * MINUTE_NS)


def test_one_that_wakes_all_the_time_is_not_checked() -> None:
    dut = InProcess("reference").fresh("clock")
    dut.put({"loss-time-out": 100, "loss-action": LOSS_HOLD})
    dut.demand(0.0)
    with pytest.raises(pytest.skip.Exception, match="it wakes 1000 times a second while nothing happens"):
        idle(dut, 72 * MINUTE_NS)
    assert MOST_WAKES < 1000 * 72 * 60


def test_a_firmware_that_cannot_be_renumbered_still_runs_and_lacks_the_word(tmp_path: Path) -> None:
    texts = firmware_texts()
    texts["bp_store.c"] = re.sub(r"int bp_device_renumber\(.*\Z", "", texts["bp_store.c"], flags=re.DOTALL)
    library = compile_files(texts, tmp_path / "other.so")
    dut = InProcess(str(library)).fresh("clock")
    dut.alive()
    assert not dut.can("generation")
    assert dut.can("clock", "spoil")
    with pytest.raises(pytest.skip.Exception, match="the side channel does not follow: generation"):
        renumber(dut, 7)


def test_a_firmware_that_fails_to_be_renumbered_fails_the_case(tmp_path: Path) -> None:
    texts = firmware_texts()
    body = "int bp_device_renumber(const bp_hardware *hardware, uint16_t generation)\n{\n"
    assert body in texts["bp_store.c"]
    texts["bp_store.c"] = re.sub(
        re.escape(body) + r".*\Z",
        body + "    return hardware == 0 && generation;\n}\n",
        texts["bp_store.c"],
        flags=re.DOTALL,
    )
    dut = InProcess(str(compile_files(texts, tmp_path / "failing.so"))).fresh("clock")
    with pytest.raises(AssertionError, match="its stored memory was not given generation 7"):
        renumber(dut, 7)
    assert dut.ask(m.Describe(), m.Description).generation == 1, "it has its power again"
