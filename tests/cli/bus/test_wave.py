"""``busproto wave``: what it says, what it writes, and that it never leaves half a file."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import pytest

from tests.cli.helpers import CommandLine

FAULT = """
title = "fault"
[line]
clock-error = 0
[model.m]
[[actuator]]
label = "a b"
model = "m"
address = 1
[[event]]
what = "stuck-low"
at = 0.002
until = 0.003
"""


def changes_of(text: str) -> dict[str, list[tuple[int, str]]]:
    """Every change by the name of its signal, read by the rules of the format: names, then #time and value lines."""
    names: dict[str, str] = {}
    changes: dict[str, list[tuple[int, str]]] = {}
    moment = 0
    for line in text.splitlines():
        words = line.split()
        if line.startswith("$var"):
            names[words[3]] = words[4]
            changes[words[4]] = []
        elif line.startswith("#"):
            moment = int(line[1:])
        elif line[:1] in {"0", "1"}:
            changes[names[line[1:].strip()]].append((moment, line[0]))
    return changes


@pytest.fixture
def fault(tmp_path: Path) -> Path:
    path = tmp_path / "fault.toml"
    path.write_text(FAULT, "utf-8")
    return path


def test_what_it_says(cli: CommandLine, fault: Path, tmp_path: Path) -> None:
    file = tmp_path / "out.vcd"
    result = cli("wave", str(fault), "--vcd", str(file), "--idle", "--for", "0.01")
    assert (result.code, result.err) == (0, "")
    assert result.out == f"{file}: 5 signals, 6 changes in 10.0 ms of virtual time, 0 overlaps\n"
    assert [path.name for path in tmp_path.iterdir() if path != fault] == ["out.vcd"]


def test_the_file_holds_every_signal_and_every_change(cli: CommandLine, fault: Path, tmp_path: Path) -> None:
    file = tmp_path / "out.vcd"
    cli("wave", str(fault), "--vcd", str(file), "--idle", "--for", "0.01")
    text = file.read_text("utf-8")
    assert "$timescale 1 ns $end" in text
    idle, stuck = [(0, "1")], [(0, "1"), (2_000_000, "0"), (3_000_000, "1")]
    assert changes_of(text) == {
        "host_drives": idle,
        "a_b": idle,
        "fault_1": stuck,
        "line": stuck,
        "host_sees": stuck,
    }


def test_as_json(cli: CommandLine, tmp_path: Path) -> None:
    file = tmp_path / "out.vcd"
    result = cli("wave", "bench-four", "--vcd", str(file), "--json", "--seed", "3")
    assert (result.code, result.err) == (0, "")
    body = result.json
    assert list(body) == ["file", "signals", "change_count", "duration_s", "overlap_count"]
    assert body["file"] == str(file)
    assert body["signals"][0] == "host drives"
    assert body["signals"][-2:] == ["line", "host sees"]
    assert len(body["signals"]) == 3 + 4
    written = changes_of(file.read_text("utf-8"))
    assert sum(len(changes) - 1 for changes in written.values()) == body["change_count"]
    assert 0.01 < body["duration_s"] < 1


def test_a_search_is_recorded_and_the_same_for_the_same_seed(cli: CommandLine, tmp_path: Path) -> None:
    texts = []
    for number, seed in enumerate((1, 1, 2)):
        file = tmp_path / f"{number}.vcd"
        assert cli("wave", "bench-four", "--vcd", str(file), "--seed", str(seed)).code == 0
        texts.append(file.read_text("utf-8"))
    assert texts[0] == texts[1] != texts[2]
    changes = changes_of(texts[0])
    assert all(len(one) > 10 for one in changes.values()), "every device sent"
    assert changes["host_drives"][1][0] == 1_000_000, "a millisecond of idle line comes first"


def test_for_goes_on_behind_the_search(cli: CommandLine, tmp_path: Path) -> None:
    result = cli("wave", "bench-four", "--vcd", str(tmp_path / "a"), "--for", "0.5", "--json")
    assert result.json["duration_s"] == 0.5
    assert (tmp_path / "a").read_text("utf-8").rstrip().endswith("#500000000")


def test_idle_without_a_time_is_refused(cli: CommandLine, tmp_path: Path) -> None:
    result = cli("wave", "bench-four", "--vcd", str(tmp_path / "a"), "--idle")
    assert (result.code, result.out) == (2, "")
    assert "--idle needs --for" in result.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("wave", "bench-four"),
        ("wave", "--vcd", "out"),
        ("wave", "no-such", "--vcd", "out"),
        ("wave", "bench-four", "--vcd", "out", "--for", "0"),
        ("wave", "bench-four", "--vcd", "out", "--for", "nan"),
        ("wave", "bench-four", "--vcd", "out", "--seed", "-1"),
    ],
    ids=" ".join,
)
def test_bad_input_writes_nothing(
    cli: CommandLine, arguments: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = cli(*arguments)
    assert (result.code, result.out) == (2, "")
    assert result.err
    assert list(tmp_path.iterdir()) == []


def test_without_the_library_it_says_what_to_install(
    cli: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without_vcd(name: str, *rest: Any, **more: Any) -> Any:
        if name == "vcd":
            raise ModuleNotFoundError("No module named 'vcd'", name="vcd")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_vcd)
    result = cli("wave", "bench-four", "--vcd", str(tmp_path / "a"))
    assert result.code != 0
    assert result.error_line == "writing a waveform needs the library pyvcd: pip install 'busproto[wave]'"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("where", ["missing/out.vcd", "file/out.vcd"])
def test_a_place_that_cannot_be_written(where: str, cli: CommandLine, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder", "utf-8")
    result = cli("wave", "bench-four", "--vcd", str(tmp_path / where))
    assert (result.code, result.out) == (2, "")
    assert result.error_line.startswith(f"'{tmp_path / where}': there is no directory ")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_folder_is_no_file(cli: CommandLine, tmp_path: Path) -> None:
    result = cli("wave", "bench-four", "--vcd", str(tmp_path))
    assert result.code == 2
    assert "is a directory" in result.err
