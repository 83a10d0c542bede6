"""Whole outputs against the files in `golden/`. What a person sees is what stands there.

All in virtual time, with the same salts: whatever differs was changed in the program.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from serial.tools.list_ports_common import ListPortInfo

from busproto.cli.bus import demo_command
from tests.cli.helpers import GOLDEN, CommandLine, assert_golden

BENCH: Final = "--port sim://bench-four?seed=1"
PLANE: Final = "--port sim://tow-plane?seed=1"

PLANS: Final = Path(__file__).parent / "plans"
GLIDER: Final = {
    "rig-glider": "rig glider.toml",
    "rig-glider-json": "rig glider.toml --json",
    "plan-check-glider": "plan check glider.toml",
}

RESULTS: Final = {
    "find-bench": f"find {BENCH}",
    "find-bench-json": f"find --json {BENCH}",
    "find-plane": f"find {PLANE} --seed 5",
    "find-surer": f"find {BENCH} --expect 4 --wanted-error 1e-9",
    "find-full-line": "find --port sim://full-line?seed=3 --baud 1000000",
    "find-twins": "find --port sim://twins?seed=1",
    "find-twins-json": "find --port sim://twins?seed=1 --json",
    "show-one": f"show 3 {BENCH}",
    "show-one-json": f"show 3 {BENCH} --json",
    "show-all-settings": f"show 0x03 --all-settings {BENCH}",
    "show-several": f"show 30 40 {PLANE}",
    "show-all": f"show {BENCH}",
    "show-no-answer": f"show 9 {BENCH}",
    "show-shared": f"show 7 {BENCH}",
    "set-one": f"set 3 neutral=2 {BENCH}",
    "set-store": f"set 3 neutral=2 'loss-action=preset' preset=-12.5deg --store {BENCH}",
    "set-store-json": f"set 3 neutral=2 'loss-action=preset' preset=-12.5deg --store {BENCH} --json",
    "set-already": f"set 3 neutral=1.5 channel=3 {BENCH}",
    "set-table": f"set 3 correction=0,0.2,0.1 {BENCH}",
    "set-table-json": f"set 3 correction=0,0.2,0.1 {BENCH} --json",
    "set-undo-stored": f"set 3 --undo stored {BENCH}",
    "set-undo-factory": f"set 3 slew-limit=200 --undo factory --store {BENCH} --json",
    "set-refused": f"set 7 neutral=2 {BENCH}",
    "address-fresh": f"address b0a7000000000102 4 {BENCH}",
    "address-channel": f"address B0-A7-00-00-00-00-01-02 0x04 --channel 4 {BENCH}",
    "address-json": f"address b0a7000000000102 4 --channel 4 {BENCH} --json",
    "address-none": f"address b0a7000000000101 none {BENCH}",
    "address-none-json": f"address b0a7000000000101 none {BENCH} --json",
    "address-taken": f"address b0a7000000000102 3 {BENCH}",
    "address-taken-json": f"address b0a7000000000102 3 {BENCH} --json",
    "address-unknown-uid": f"address b0a70000000001ff 4 {BENCH}",
    "move-centre": f"move 3 centre --clear {BENCH}",
    "move-percent": f"move 3 25% --clear --hold 2.5 {BENCH}",
    "move-percent-json": f"move 3 25% --clear --hold 2.5 {BENCH} --json",
    "move-pulse": f"move 30 1700us --clear {PLANE}",
    "move-degrees": f"move 3 -12.5deg --clear {BENCH}",
    "move-too-short": f"move 3 100% --hold 0.1 --clear {BENCH}",
    "move-not-cleared": f"move 3 25% {BENCH}",
    "move-limp": f"move 3 limp {BENCH}",
    "move-limp-json": f"move 3 limp {BENCH} --json",
}


@pytest.mark.parametrize("name", RESULTS)
def test_results_as_a_person_or_a_script_reads_them(name: str, cli: CommandLine) -> None:
    result = cli(RESULTS[name])
    assert "\x1b" not in result.out + result.err  # no colour where no terminal is
    if "--json" in RESULTS[name]:
        json.loads(result.out)
    assert_golden(name, result.transcript())


def _two_ports() -> list[ListPortInfo]:
    ports = []
    for device, description in (("/dev/ttyUSB10", "USB adapter [second]"), ("/dev/ttyUSB9", "USB adapter")):
        port = ListPortInfo(device, skip_link_detection=True)
        port.description = description
        ports.append(port)
    return ports


@pytest.mark.parametrize("name", ["ports", "ports-json"])
def test_ports_and_scenarios(name: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", _two_ports)
    assert_golden(name, cli("ports --json" if name == "ports-json" else "ports").transcript())


def test_ports_where_there_are_none(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    assert_golden("ports-none", cli("ports").transcript())


def test_the_demo_on_a_virtual_port(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The job itself; that it does the same behind a real pseudo-terminal is tested in `test_real_processes`."""

    @contextlib.contextmanager
    def airframe(seed: int) -> Iterator[str]:
        yield f"sim://tow-plane?seed={seed}"

    monkeypatch.setattr(demo_command, "virtual_airframe", airframe)
    result = cli("demo")
    assert result.code == 0
    assert_golden("demo", result.transcript())


@pytest.mark.parametrize("name", GLIDER)
def test_a_sailplane_that_is_not_shipped(
    name: str, cli: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its plan has trade units, neutrals and ends in use, a gang of mirrors, a line, other loads on the pack."""
    shutil.copytree(PLANS, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    done = cli(GLIDER[name])
    assert done.code == 3
    assert_golden(name, done.out)


def test_text_from_the_bus_is_shown_as_it_is(cli: CommandLine, tmp_path: Path) -> None:
    """Square brackets in a model's name are no command to the printer."""
    file = tmp_path / "odd.toml"
    model = "a[red]b[/c]"
    text = f"title = 'One'\n[model.'{model}']\n[[actuator]]\nlabel = 'a'\nmodel = '{model}'\naddress = 1\n"
    file.write_text(text, "utf-8")
    shown = cli(f"show 1 --port sim://{file}")
    assert shown.code == 0
    assert f"  {model}, firmware 1.0\n" in shown.out


def test_every_golden_file_is_compared() -> None:
    compared = {*RESULTS, *GLIDER, "ports", "ports-json", "ports-none", "demo"}
    assert {path.stem for path in GOLDEN.iterdir()} == compared
