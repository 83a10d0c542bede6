"""``busproto plan new`` and ``schema``: what is written, and what is never written over."""

# ruff: noqa: E501 (whole lines of output)

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from busproto.errors import InputError
from busproto.plan import examples
from busproto.plan.files import schema
from busproto.plan.finding import KINDS
from busproto.plan.load import load
from tests.cli.helpers import CommandLine
from tests.cli.plan.lines import as_lines

# --- new -------------------------------------------------------------------------------------------------------


def test_new_writes_a_start_that_fits_together(cli: CommandLine) -> None:
    result = cli("plan new hangar")
    assert (result.code, result.err) == (0, "")
    assert as_lines(result.out) == [
        "written: hangar/airframe.toml",
        "written: hangar/fleet.toml",
        "Put your own figures in their place, then: busproto plan check hangar/airframe.toml",
    ]
    texts = {path.name: path.read_text("utf-8") for path in Path("hangar").iterdir()}
    assert texts == examples.texts("start")
    assert cli("plan check hangar/airframe.toml hangar/fleet.toml").code == 0


@pytest.mark.parametrize("name", examples.names())
def test_every_example_is_written_and_can_be_used(name: str, cli: CommandLine) -> None:
    result = cli(f"plan new deep/below/here --example {name} --json")
    assert (result.code, result.err) == (0, "")
    files = [Path(path) for path in result.json["files"]]
    assert {path.name: path.read_text("utf-8") for path in files} == examples.texts(name)
    assert result.json["next"] == f"busproto plan check {files[0]}"
    assert load(files[0]).roles
    checked = cli("plan", "check", *map(str, files), "--json")
    assert checked.code in {0, 3}
    assert all(one["usable"] for one in checked.json["checked"])


def test_new_never_writes_over_anything(cli: CommandLine) -> None:
    Path("hangar").mkdir()
    Path("hangar/fleet.toml").write_text("mine", "utf-8")
    result = cli("plan new hangar")
    assert result.code == 2
    assert result.error_line == "nothing was written: already there: hangar/fleet.toml; choose another directory"
    assert [path.name for path in Path("hangar").iterdir()] == ["fleet.toml"]
    assert Path("hangar/fleet.toml").read_text("utf-8") == "mine"
    Path("hangar/fleet.toml").unlink()
    Path("hangar/airframe.toml").symlink_to("nowhere")
    assert cli("plan new hangar").code == 2
    assert not Path("hangar/nowhere").exists()


@pytest.mark.parametrize("is_there", [True, False])
def test_new_leaves_nothing_behind_where_it_fails(
    is_there: bool, cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, done = os.replace, []

    def once(source: str, target: Path) -> None:
        if done:
            raise OSError(errno.ENOSPC, "No space left on device")
        done.append(target)
        real(source, target)

    if is_there:
        Path("hangar").mkdir()
    monkeypatch.setattr(os, "replace", once)
    result = cli("plan new hangar/below")
    assert result.code == 2
    assert result.error_line == "'hangar/below/fleet.toml' cannot be written: No space left on device"
    assert len(done) == 1
    assert [path.name for path in Path().iterdir()] == (["hangar"] if is_there else [])
    assert not Path("hangar/below").exists()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("plan new", "a DIRECTORY is wanted, or --list-examples (see 'busproto plan new --help')"),
        ("plan new x --example nothing", "there is no example 'nothing'; there are: " + ", ".join(examples.names())),
        ("plan new x --example ..", "there is no example '..'; there are: " + ", ".join(examples.names())),
        ("plan new taken", "'taken' cannot be made: File exists"),
        ("plan new taken/below", "'taken/below' cannot be made: Not a directory"),
        ("plan check", "Missing argument 'FILES...' (see 'busproto plan check --help')"),
        ("plan check nowhere.toml", "'nowhere.toml' cannot be read: No such file or directory"),
        ("plan check .", "'.' cannot be read: it is a directory"),
        ("plan check latin.toml", "'latin.toml' cannot be read: it is not UTF-8 text (byte 9)"),
        ("plan schema", "Missing argument '{airframe|fleet-map}'. Choose from: airframe, fleet-map (see 'busproto plan schema --help')"),
        ("plan schema record", "Invalid value for '{airframe|fleet-map}': 'record' is not one of 'airframe', 'fleet-map' (see 'busproto plan schema --help')"),
        ("plan fly", "No such command 'fly' (see 'busproto plan --help')"),
    ],
)  # fmt: skip
def test_bad_input_is_one_clear_line(line: str, said: str, cli: CommandLine) -> None:
    Path("taken").write_text("")
    Path("latin.toml").write_bytes("title = 'é'".encode("latin-1"))
    before = sorted(os.listdir())
    result = cli(line)
    assert (result.code, result.out) == (2, "")
    assert " ".join(result.error_line.split()) == said
    assert sorted(os.listdir()) == before
    as_json = cli(f"{line} --json") if "schema" not in line and line != "plan fly" else None
    if as_json is not None:
        assert as_json.code == 2
        assert as_json.json["error"]["exit_code"] == 2


def test_examples_are_listed(cli: CommandLine) -> None:
    result = cli("plan new --list-examples")
    assert (result.code, result.err) == (0, "")
    assert " start    First airframe       airframe.toml, fleet.toml" in as_lines(result.out)
    listed = cli("plan new --list-examples --json").json["examples"]
    assert [row["name"] for row in listed] == examples.names()
    assert {"name": "start", "title": "First airframe", "files": ["airframe.toml", "fleet.toml"]} in listed


# --- schema and help -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["airframe", "fleet-map"])
def test_the_schema_is_printed(kind: str, cli: CommandLine) -> None:
    result = cli(f"plan schema {kind}")
    assert (result.code, result.err) == (0, "")
    assert json.loads(result.out) == schema(kind)
    jsonschema.Draft202012Validator.check_schema(json.loads(result.out))


@pytest.mark.parametrize("line", ["plan --help", "plan new --help", "plan check --help", "plan schema --help"])
def test_help_is_there_and_names_what_it_shows(line: str, cli: CommandLine) -> None:
    result = cli(line)
    assert (result.code, result.err) == (0, "")
    wanted: dict[str, Any] = {
        "plan --help": ["new", "check", "schema"],
        "plan new --help": ["Examples:", "JSON:", "--list-examples"],
        "plan check --help": ["Examples:", "JSON:", "Exit code", *KINDS],
        "plan schema --help": ["Examples:", "airframe", "fleet-map"],
    }
    assert [word for word in wanted[line] if word not in result.out] == []


def test_writing_new_files_by_hand_tells_what_is_there(tmp_path: Path) -> None:
    from busproto.cli.plan.plan_command import write_new

    (tmp_path / "b").write_text("x")
    with pytest.raises(InputError, match="already there"):
        write_new(tmp_path, {"a": "1", "b": "2"})
    assert write_new(tmp_path / "c", {"a": "1"}) == [tmp_path / "c" / "a"]
