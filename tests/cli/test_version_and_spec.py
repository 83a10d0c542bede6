"""What this build is, and the format page: the same words from the code, the page in the repository and the command."""

from __future__ import annotations

import importlib
import json
import sys
from typing import Any, Final

import pytest

from busproto import __main__, __version__
from busproto.wire import OPERATIONS, PARAMETERS, decode_frame, message_of
from busproto.wire.messages import FAULT_TEXTS, OUTCOME_TEXTS, STATE_TEXTS, Fault, Outcome, State
from tests.cli.helpers import ROOT, CommandLine, run_process

PAGE: Final = ROOT / "busproto" / "wire" / "FORMAT.md"

COMPILED: Final = {
    True: f"busproto {__version__} (crcmod: C extension loaded)\n",
    False: f"busproto {__version__} (crcmod: pure Python: install a compiler and crcmod again for speed)\n",
}


@pytest.mark.parametrize("is_compiled", COMPILED)
def test_the_version_says_whether_the_crc_is_compiled(
    is_compiled: bool, cli: CommandLine, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    importlib.import_module("crcmod.crcmod")  # the package has another thing of that name
    monkeypatch.setattr(sys.modules["crcmod.crcmod"], "_usingExtension", is_compiled)
    result = cli("--version")
    assert (result.code, result.out, result.err) == (0, COMPILED[is_compiled], "")

    monkeypatch.setattr(sys, "argv", ["busproto", "--version"])  # the way that imports nothing heavy
    __main__.main()
    assert capsys.readouterr().out == COMPILED[is_compiled]


def test_the_main_function_leaves_with_the_exit_code(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "argv", ["busproto", "find", "--port", "sim://nosuch"])
    with pytest.raises(SystemExit) as left:
        __main__.main()
    assert left.value.code == 2
    assert capsys.readouterr().err.startswith("busproto: scenario 'nosuch'")


def test_the_page_in_the_repository_is_what_the_command_prints_byte_for_byte(cli: CommandLine) -> None:
    assert cli("spec").out.encode() == PAGE.read_bytes()
    done = run_process(["spec"])
    assert (done.returncode, done.stdout.encode()) == (0, PAGE.read_bytes())


@pytest.fixture
def spec(cli: CommandLine) -> dict[str, Any]:
    result = cli("spec --json")
    assert (result.code, result.err) == (0, "")
    loaded: dict[str, Any] = json.loads(result.out)
    return loaded


def rows_of(title: str) -> list[list[str]]:
    """The rows of the table under a heading of the page."""
    section = PAGE.read_text("utf-8").split(f"\n## {title}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[1:]]


def test_every_operation_stands_in_both_forms(spec: dict[str, Any]) -> None:
    page = PAGE.read_text("utf-8")
    assert [row["number"] for row in spec["operations"]] == sorted(OPERATIONS)
    for row in spec["operations"]:
        operation = OPERATIONS[row["number"]]
        assert row["name"] == operation.name
        assert f"\n### {row['number']:02X} {operation.name} (to {operation.audience})\n" in page
        for message in (row["request"], row["reply"]):
            assert all(
                f"| `{field['name']}` | {field['kind']} |" in page for field in (message or {"fields": ()})["fields"]
            )


def test_every_parameter_stands_in_both_forms(spec: dict[str, Any]) -> None:
    assert [row["number"] for row in spec["parameters"]] == list(PARAMETERS)
    on_page = {row[1]: row for row in rows_of("Parameters") if row[0].isdecimal()}
    assert list(on_page) == [f"`{row.name}`" for row in PARAMETERS.values()]
    for row in spec["parameters"]:
        parameter = PARAMETERS[row["number"]]
        assert (row["name"], row["unit"], row["counts_per_unit"]) == (
            parameter.name,
            parameter.unit,
            parameter.counts_per_unit,
        )
        assert parameter.from_value(row["default"]) == parameter.default
        cells = on_page[f"`{parameter.name}`"]
        assert cells[0] == str(parameter.number)
        assert cells[3] == parameter.unit
        assert cells[5] == parameter.range_text().removesuffix(f" {parameter.unit}")
        assert cells[7] == row["meaning"] == parameter.doc


@pytest.mark.parametrize(
    ("key", "title", "members", "texts"),
    [
        ("outcomes", "Outcomes", list(Outcome), OUTCOME_TEXTS),
        ("states", "States", list(State), STATE_TEXTS),
        ("faults", "Faults", list(Fault), FAULT_TEXTS),
    ],
)
def test_every_code_stands_in_both_forms(
    key: str, title: str, members: list[Any], texts: dict[Any, str], spec: dict[str, Any]
) -> None:
    number = "bit" if key == "faults" else "code"
    told = [(row[number], row["name"], row["meaning"]) for row in spec[key]]
    assert told == [(int(one), one.name.lower().replace("_", " "), texts[one]) for one in members]
    on_page = [tuple(row) for row in rows_of(title) if row[0].isdecimal()]
    assert on_page == [(str(code), name, meaning) for code, name, meaning in told]


def test_the_worked_examples_decode(spec: dict[str, Any]) -> None:
    page = PAGE.read_text("utf-8")
    assert spec["examples"]
    operations = set()
    for example in spec["examples"]:
        wire = bytes.fromhex(example["wire"])
        frame = decode_frame(wire)
        assert frame.payload.hex() == example["payload"]
        assert example["body"] == example["header"] + example["payload"]
        assert example["wire"] == f"00{example['encoded']}{example['check']}00"
        assert message_of(frame).payload() == frame.payload
        assert wire.hex(" ") in page
        operations.add((frame.operation, frame.is_reply))
    assert len(operations) >= 5
    assert {is_reply for _, is_reply in operations} == {True, False}
