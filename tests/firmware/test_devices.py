"""The adapter: libraries of one's own, a missing compiler, faults of a device, its clock, scenarios that name one."""

from __future__ import annotations

import random
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from busproto.ops import demand, find, report
from busproto.sim.bus import VirtualBus
from busproto.sim.errors import LimitError
from busproto.sim.kernel import Kernel
from busproto.sim.mechanics.surface import Hinge, Link
from busproto.sim.native import device_build
from busproto.sim.native.device import Device
from busproto.sim.native.device_build import NoCompilerError, compile_files, find_compiler, firmware_texts
from busproto.sim.native.device_library import (
    FUNCTIONS,
    REFERENCE,
    RENUMBER,
    DeviceError,
    open_library,
    port_declarations,
)
from busproto.wire import Decoder, Frame, encode_frame, request_frame
from busproto.wire import messages as m
from tests.firmware import needs
from tests.firmware.benches import DeviceBox, device_box
from tests.ops.helpers import MODEL, MS, US, S, once, uid_of

needs.compiler_and_cffi()


def with_one(**named: Any) -> tuple[DeviceBox, Device]:
    made = device_box(named.pop("seed", 0))
    return made, made.device(1, 5, **named)


def starts(made: DeviceBox, sender: object) -> list[int]:
    assert made.bus.line.record is not None
    return [one.start_ns for one in made.bus.line.record if one.sender is sender]


# --- libraries -------------------------------------------------------------------------------------------------


def library_from(tmp_path: Path, changed: dict[str, str]) -> Path:
    return compile_files({**firmware_texts(), **changed}, tmp_path / "own.so")


def device_from(library: str) -> tuple[DeviceBox, Device]:
    made = device_box()
    bus = made.bus
    device = Device(
        bus.kernel,
        bus.line,
        label="own",
        uid=uid_of(1),
        model=MODEL,
        address=5,
        stored={},
        position_deg=0.0,
        supply_mv=lambda: bus.supply_mv,
        library=library,
    )
    bus.add(device)
    return made, device


def test_a_library_of_ones_own(tmp_path: Path) -> None:
    """One whose fault can be seen: it reports a supply that is always the same."""
    text = firmware_texts()["bp_motion.c"]
    wanted = "status->supply_mv = drive->hardware->supply_mv(drive->hardware->context);"
    assert wanted in text
    path = library_from(tmp_path, {"bp_motion.c": text.replace(wanted, "status->supply_mv = 1234;")})
    made, _ = device_from(str(path))
    assert made.run(report(5)).supply_mv == 1234
    assert open_library(str(path)).source == str(path)


def test_a_firmware_with_static_variables_can_be_there_more_than_once(tmp_path: Path) -> None:
    """Each instance has a copy of the library: a counter that is static counts the reports of one only."""
    text = firmware_texts()["bp_motion.c"]
    wanted = "status->supply_mv = drive->hardware->supply_mv(drive->hardware->context);"
    counting = text.replace(wanted, "{ static uint16_t said; status->supply_mv = ++said; }")
    path = library_from(tmp_path, {"bp_motion.c": counting})
    said = []
    for _ in range(2):
        made, _ = device_from(str(path))
        said.append([made.run(report(5)).supply_mv for _ in range(3)])
    assert said == [[1, 2, 3], [1, 2, 3]]


def test_no_such_library() -> None:
    with pytest.raises(DeviceError, match=r"there is no library 'nowhere.so' \(and 'reference' names"):
        open_library("nowhere.so")


def test_a_file_that_is_no_library(tmp_path: Path) -> None:
    (tmp_path / "text.so").write_text("no library")
    with pytest.raises(DeviceError, match="cannot be loaded as a shared library"):
        open_library(str(tmp_path / "text.so"))


def test_a_library_that_lacks_something(tmp_path: Path) -> None:
    path = compile_files(
        {"less.c": "int bp_device_size(void);\nint bp_device_size(void)\n{\n    return 1;\n}\n"},
        tmp_path / "less.so",
    )
    with pytest.raises(DeviceError, match=r"does not offer bp_device_start, .*bp_device_tick"):
        open_library(str(path))


def test_a_device_without_a_compiler_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(NoCompilerError, match=r"no C compiler was found \(looked for cc, gcc, clang\); install one"):
        find_compiler()
    monkeypatch.setenv("CC", "no-such-compiler")
    with pytest.raises(NoCompilerError, match="CC names 'no-such-compiler', which is not there"):
        find_compiler()


def test_what_the_compiler_refuses_is_told(tmp_path: Path) -> None:
    with pytest.raises(NoCompilerError, match=r"the C compiler refused: .*nonsense"):
        compile_files({"bad.c": "nonsense;\n"}, tmp_path / "bad.so")


def test_every_function_of_the_port_is_known() -> None:
    declared = port_declarations()
    assert all(f" {name}(" in declared for name in (*FUNCTIONS, RENUMBER))
    code = re.sub(r"/\*.*?\*/", "", declared, flags=re.DOTALL)
    assert code.count("bp_device_") == len(FUNCTIONS) + 1


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_the_firmware_passes_a_strict_compiler(compiler: str, tmp_path: Path) -> None:
    import shutil

    if shutil.which(compiler) is None:
        pytest.skip(f"there is no {compiler} here")
    assert compile_files(firmware_texts(), tmp_path / "fw.so", compiler=compiler).exists()


def test_the_firmware_uses_no_heap_and_no_variables_of_its_own(tmp_path: Path) -> None:
    """By the object files themselves: nothing of the library but memory functions, nothing that can be written."""
    import shutil

    nm = shutil.which("nm")
    if nm is None:
        pytest.skip("there is no nm here")
    assert nm is not None
    texts = firmware_texts()
    for name, text in texts.items():
        (tmp_path / name).write_text(text, "utf-8")
    for name in texts:
        if not name.endswith(".c"):
            continue
        command = [find_compiler(), "-std=c99", "-O1", "-fno-pic", "-c", name, "-o", f"{name}.o"]
        subprocess.run(command, cwd=tmp_path, check=True)
        listed = subprocess.run([nm, f"{name}.o"], cwd=tmp_path, capture_output=True, text=True, check=True).stdout
        kinds = [(line.split()[-2], line.split()[-1]) for line in listed.splitlines()]
        outside = {symbol for kind, symbol in kinds if kind == "U" and not symbol.startswith("bp_")}
        assert outside <= {"memcpy", "memset", "memcmp", "__stack_chk_fail"}
        assert {symbol for kind, symbol in kinds if kind in "dDbBcC"} == set()


# --- on the line -----------------------------------------------------------------------------------------------


def test_it_keeps_the_turnaround_and_its_jitter() -> None:
    """Whatever its clock: the reply begins 100 us behind the request, and up to 30 us later, by its own clock."""
    for ppm in (-10_000, 0, 10_000):
        made, device = with_one(clock_ppm=ppm)
        made.bus.line.record = []
        delays = []
        for number in range(60):
            made.bus.line.record.clear()
            made.bus.host.write(encode_frame(request_frame(m.Report(), 5, number)))
            end_ns = made.bus.host.sent_at_ns
            made.pass_time(20 * MS)
            delays += [start - end_ns for start in starts(made, device)]
        assert len(delays) == 60
        scale = 1_000_000 / (1_000_000 + ppm)
        assert min(delays) >= 100 * US * scale
        assert max(delays) <= 130 * US * scale + 1 * US
        assert max(delays) - min(delays) > 15 * US


def test_its_clock_counts_round() -> None:
    """The clock begins anywhere; a run over the moment at which it counts round is as any other."""
    made, device = with_one(settings={"soft-start": 0, "loss-time-out": 10_000})
    ahead_ns = ((1 << 32) - device._now_us() % (1 << 32)) * 1000
    made.pass_time(ahead_ns - 300 * MS)
    made.run(demand(5, 0.5))
    made.pass_time(S)
    status = made.run(report(5))
    assert (status.state, status.demand_cdeg) == (m.State.FOLLOWING, 3000)
    assert status.position_cdeg == pytest.approx(3000, abs=12)
    assert status.demand_age_ms == pytest.approx(1000, abs=30)


def test_hours_later_the_age_of_a_demand_is_still_long_ago() -> None:
    made, _ = with_one()
    made.run(demand(5, 0.0))
    for _ in range(6):
        made.pass_time(1200 * S)
        status = made.run(report(5))
        assert (status.state, status.demand_age_ms, status.is_showing) == (m.State.LOST_LIMP, 65535, 0)


def test_mute_it_does_as_asked_and_says_nothing() -> None:
    made, device = with_one()
    device.is_mute = True
    made.bus.host.write(encode_frame(request_frame(m.Engage(), 5, 1)))
    made.pass_time(30 * MS)
    assert Decoder().feed(made.bus.host.take())[1:] == []
    assert device.state is m.State.SOFT_STARTING


def test_late_it_answers_so_much_later() -> None:
    made, device = with_one()
    device.late_ns = 3 * MS
    made.bus.line.record = []
    made.bus.host.write(encode_frame(request_frame(m.Report(), 5, 1)))
    end_ns = made.bus.host.sent_at_ns
    made.pass_time(30 * MS)
    (start,) = starts(made, device)
    assert 3100 * US <= start - end_ns <= 3131 * US


def test_a_brown_out_while_sending_cuts_the_answer_and_it_comes_back_limp() -> None:
    made, device = with_one(settings={"loss-time-out": 10_000})
    made.bus.host.write(encode_frame(request_frame(m.Engage(), 5, 1)))
    made.pass_time(30 * MS)
    made.bus.host.take()
    device.brown_out_while_sending(6, 50 * MS)
    made.bus.host.write(encode_frame(request_frame(m.Report(), 5, 2)))
    made.pass_time(20 * MS)
    echo, *rest = Decoder().feed(made.bus.host.take())
    assert isinstance(echo, Frame)
    assert rest == []
    assert not device.is_powered
    made.pass_time(60 * MS)
    assert device.is_powered
    assert made.run(report(5)).state is m.State.LIMP


def test_unplugged_and_plugged_in_while_others_talk() -> None:
    made, device = with_one()
    other = made.device(2, 6)
    device.power_off()
    assert made.run(report(6)).state is m.State.LIMP
    made.bus.host.write(encode_frame(request_frame(m.LinkTest(bytes(64)), 6, 1)))
    made.pass_time(3 * MS)
    device.power_on()
    made.pass_time(30 * MS)
    assert made.run(report(5)).state is m.State.LIMP
    assert other.is_powered


def test_a_rate_of_its_own_understands_no_request() -> None:
    made = device_box()
    bus = made.bus
    device = Device(
        bus.kernel, bus.line, label="odd", uid=uid_of(1), model=MODEL, address=5, stored={}, position_deg=0.0,
        supply_mv=lambda: bus.supply_mv, own_baud=57_600,
    )  # fmt: skip
    bus.add(device)
    made.device(2, 6)
    roster = made.run(find(rng=random.Random(1)))
    assert [one.uid for one in roster.found] == [uid_of(2)]
    bus.set_baud(230_400)
    assert device.ears[0].receiver.rate == 57_600 * 1_000_000
    assert made.run(report(6)).state is m.State.LIMP


def test_a_failure_of_the_bus_in_the_middle_of_a_call_comes_out() -> None:
    bus = VirtualBus(Kernel(0), max_frames=1)
    device = Device(
        bus.kernel, bus.line, label="one", uid=uid_of(1), model=MODEL, address=5, stored={}, position_deg=0.0,
        supply_mv=lambda: bus.supply_mv,
    )  # fmt: skip
    bus.add(device)
    bus.host.write(encode_frame(request_frame(m.Report(), 5, 1)))
    with pytest.raises(LimitError):
        bus.kernel.run_until(30 * MS)


def test_first_settings_that_may_not_be_are_refused() -> None:
    made = device_box()
    with pytest.raises(DeviceError, match="did not take its first settings"):
        made.device(1, 241)


def test_it_cannot_be_linked_to_a_surface() -> None:
    made, device = with_one()
    with pytest.raises(DeviceError, match="cannot be linked to a surface"):
        made.bus.link("rudder", Hinge(), {device.label: Link(1.0)})


def test_the_same_seed_gives_the_same_run_to_the_nanosecond() -> None:
    def once_more() -> list[tuple[int, bytes]]:
        made = device_box(9)
        made.bus.line.record = []
        for number in range(5):
            made.device(number + 1, clock_ppm=900 * number)
        made.run(find(rng=random.Random(2)))
        return [(one.start_ns, one.data) for one in made.bus.line.record]

    assert once_more() == once_more()


def test_the_reference_is_loaded_once() -> None:
    assert open_library(REFERENCE) is open_library(REFERENCE)
    assert device_build.reference_library() == device_build.reference_library()


def test_a_request_that_is_lost_in_a_reset_is_said_again() -> None:
    """The host's own retry: power goes while the request is on its way, and comes back."""
    made, device = with_one()

    def reset() -> None:
        made.bus.kernel.at(made.now_ns + 200 * US, device.power_off)
        made.bus.kernel.at(made.now_ns + 3 * MS, device.power_on)

    made.hooked(once(m.Report, reset))
    assert made.run(report(5)).state is m.State.LIMP
