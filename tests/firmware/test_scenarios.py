"""A scenario that names a firmware for some of its actuators, and what a person does with it on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from busproto.sim.control import obey
from busproto.sim.errors import ScenarioError
from busproto.sim.native.device import Device
from busproto.sim.native.device_build import compile_files, firmware_texts
from busproto.sim.scene.scenario import load, parse
from busproto.wire.messages import State
from tests.cli.helpers import CommandLine
from tests.firmware import needs

needs.compiler_and_cffi()

MS: Final = 1_000_000
HEAD: Final = """
title = "Four actuators, two of them in C"
[model."bench 25"]
firmware = "2.4"
stall-current = 3200
no-load-speed = 375
"""
ROW: Final = """
[[actuator]]
label = "{label}"
model = "bench 25"
uid = "b0a700000000010{number}"
address = {address}
{more}
"""
BOX: Final = HEAD + "".join(
    (
        ROW.format(
            label="one", number=1, address=3, more='device = "reference"\nsettings = { channel = 1 }\narm-at = 4'
        ),
        ROW.format(label="two", number=2, address=4, more="settings = { channel = 2 }"),
        ROW.format(label="three", number=3, address=7, more='device = "reference"'),
        ROW.format(label="four", number=4, address=7, more=""),
    )
)


def test_it_is_built_with_devices_where_it_says_so() -> None:
    bus = parse(BOX).build(3)
    assert [isinstance(one, Device) for one in bus.actuators] == [True, False, True, False]
    assert [one.address for one in bus.actuators] == [3, 4, 7, 7]
    assert bus.labelled("one").arm.position_deg == 4.0


def test_events_and_a_person_reach_a_device_too() -> None:
    events = """
[[event]]
what = "unplug"
at = 0.010
actuator = "one"
until = 0.020
[[event]]
what = "supply"
at = 0.030
volts = 6.0
[[event]]
what = "mute"
at = 0.010
actuator = "three"
until = 0.100
[[event]]
what = "hand"
at = 0.100
actuator = "one"
to = 10.0
over = 0.1
"""
    bus = parse(BOX + events).build(1)
    one, three = bus.labelled("one"), bus.labelled("three")
    bus.kernel.run_until(15 * MS)
    assert (one.is_powered, three.is_mute) == (False, True)
    bus.kernel.run_until(40 * MS)
    assert (one.is_powered, bus.supply_mv) == (True, 6000)
    bus.kernel.run_until(300 * MS)
    one.arm.move_to(bus.kernel.now_ns)
    assert one.arm.position_deg == pytest.approx(10.0)
    assert not three.is_mute
    assert obey(bus, "hand one -5") == "one is moved by hand to -5 deg"
    assert obey(bus, "unplug one") == "one is unplugged"
    bus.kernel.run_until(1000 * MS)
    assert obey(bus, "plug one") == "one is plugged in"
    assert one.state is State.LIMP


def test_a_library_stands_beside_the_scenario_file(tmp_path: Path) -> None:
    compile_files(firmware_texts(), tmp_path / "own.so")
    path = tmp_path / "box.toml"
    path.write_text(BOX.replace('"reference"', '"own.so"'), "utf-8")
    bus = load(str(path), native=True).build(0)
    assert [one.address for one in bus.actuators] == [3, 4, 7, 7]


def test_a_library_that_is_not_there_is_told_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "box.toml"
    path.write_text(BOX.replace('"reference"', '"gone.so"', 1), "utf-8")
    with pytest.raises(ScenarioError) as told:
        load(str(path), native=True)
    where = tmp_path / "gone.so"
    assert told.value.problems == (
        f"line 13: actuator[0].device: there is no library '{where}' ('reference' names the firmware that is shipped)",
    )


def test_a_device_on_a_surface_is_refused() -> None:
    surface = """
[[surface]]
name = "rudder"
members = [{ actuator = "one", stiffness = 3.0 }, { actuator = "two", stiffness = 3.0 }]
"""
    with pytest.raises(ScenarioError, match=r"actuator\[0\].device: the arm of a firmware"):
        parse(BOX + surface)


def test_a_person_at_the_bench(tmp_path: Path, cli: CommandLine) -> None:
    path = tmp_path / "box.toml"
    path.write_text(BOX, "utf-8")
    port = f"sim://{path}?seed=1"
    found = cli("find", "--port", port, "--json").json
    assert found["proven"] is True
    assert [one["address"] for one in found["actuators"]] == [3, 4, 7, 7]
    shown = cli("show", "3", "--port", port)
    assert shown.code == 0
    assert "limp, no demand yet since power-up; at 4.00 deg, 7.40 V, 12 mA, 22.0 degC" in shown.out
    moved = cli("move", "3", "50%", "--port", port, "--clear")
    assert moved.code == 0
    assert moved.out.startswith("address 3: arrived at ")


def test_without_a_compiler_it_is_said(tmp_path: Path, cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    from busproto.sim.native import device_build, device_library

    path = tmp_path / "box.toml"
    path.write_text(BOX, "utf-8")
    device_library._reference.cache_clear()
    device_build.reference_library.cache_clear()
    monkeypatch.setenv("CC", "no-such-compiler")
    try:
        result = cli("find", "--port", f"sim://{path}")
        assert result.code != 0
        assert "no C compiler was found (CC names 'no-such-compiler', which is not there)" in result.error_line
    finally:
        device_library._reference.cache_clear()
