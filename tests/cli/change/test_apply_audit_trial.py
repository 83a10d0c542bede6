"""audit, apply and trial on the command line: what is printed, asked, kept, and the exit codes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from busproto.cli import exit_codes
from tests.cli.helpers import CommandLine
from tests.plan.airframes import EXAMPLE, hauler

PORT = "sim://hauler?seed=1"


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """The mended plan, with every function claimed."""
    from busproto.plan.assignment import save_assignment

    air = hauler(tmp_path)
    save_assignment(air.plan, air.assignment)
    return air.plan.path


def as_json(text: str) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(text)
    return body


def test_audit_says_what_differs_and_what_to_do_next(cli: CommandLine, plan: Path) -> None:
    done = cli("audit", str(plan), "--port", PORT)
    assert done.code == exit_codes.NOT_AS_WANTED
    assert "address: 3, planned 2" in done.out
    assert "clash at address 1: 70a9000000004300, 70a9000000004305, 70a9000000004306" in done.out
    assert "'busproto apply' does what can be set." in done.out
    body = as_json(cli("audit", str(plan), "--port", PORT, "--json").out)
    assert body["airframe"] == "Hauler, 4 m"
    assert len(body["functions"]) == 13
    assert body["as_planned"] is False


def test_apply_shows_asks_and_does_nothing_without_an_answer(cli: CommandLine, plan: Path) -> None:
    done = cli("apply", str(plan), "--port", PORT, "--wrong-hardware", "leave")
    assert done.code == exit_codes.NOT_CLEARED
    assert "address none -> 2" in done.out
    assert (
        "the question cannot be answered without a terminal (--yes answers beforehand); nothing was changed" in done.err
    )
    assert not plan.with_name("hauler-mended.journal.jsonl").exists()


def test_apply_does_all_that_can_be_done_and_names_the_rest(cli: CommandLine, plan: Path) -> None:
    done = cli("apply", str(plan), "--port", PORT, "--yes", "--wrong-hardware", "write", "--json")
    assert done.code == exit_codes.NOT_AS_WANTED
    body = as_json(done.out)
    assert body["proven"] is True
    assert {(one["function"], one["name"]) for one in body["left"]} == {
        ("rudder, upper", "gang"),
        ("rudder, middle", "firmware"),
        ("rudder, lower", "gang"),
        ("airbrake", "model"),
        ("airbrake", "rating"),
        ("airbrake", "supply"),
    }
    lines = [json.loads(line) for line in plan.with_name("hauler-mended.journal.jsonl").read_text().splitlines()]
    assert [lines[0]["step"], lines[-1]["step"]] == ["run", "end"]
    begun = [(one["uid"], one["text"]) for one in lines if one["step"] == "begin"]
    done_too = [(one["uid"], one["text"]) for one in lines if one["step"] == "done"]
    assert begun == done_too
    assert len(begun) == body["step_count"] > 60


def test_a_plan_with_errors_is_not_applied(cli: CommandLine, tmp_path: Path) -> None:
    for file in EXAMPLE.iterdir():
        shutil.copy(file, tmp_path / file.name)
    done = cli("apply", str(tmp_path / "hauler.toml"), "--port", PORT, "--yes")
    assert done.code == exit_codes.USAGE
    assert "neutral" in done.err
    assert "nothing was sent" in done.err


@pytest.mark.parametrize("command", ["audit", "apply", "trial"])
@pytest.mark.parametrize("text", ["", "airframe = 2", "airframe = 1\ntitle = 3", "\x00", "[[[", "airframe = 1\n" * 2])
def test_a_file_that_is_no_plan_is_one_clear_line(cli: CommandLine, tmp_path: Path, command: str, text: str) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(text)
    done = cli(command, str(path), "--port", PORT)
    assert (done.code, done.out) == (exit_codes.USAGE, "")
    assert done.err.startswith("busproto: ")
    assert done.err.count("\n") == 1


@pytest.mark.parametrize("command", ["audit", "apply", "trial"])
def test_a_file_that_is_not_there_is_one_clear_line(cli: CommandLine, tmp_path: Path, command: str) -> None:
    done = cli(command, str(tmp_path / "none.toml"), "--port", PORT)
    assert (done.code, done.err.count("\n")) == (exit_codes.USAGE, 1)
    assert "cannot be read: No such file or directory" in done.err


def test_a_assignment_that_was_torn_is_refused_and_left_as_it_is(cli: CommandLine, plan: Path) -> None:
    kept = plan.with_name("hauler-mended.assignment.json")
    kept.write_text('{"assignment-of": "Hauler')
    done = cli("audit", str(plan), "--port", PORT)
    assert done.code == exit_codes.USAGE
    assert kept.read_text() == '{"assignment-of": "Hauler'


def test_a_trial_is_refused_while_addresses_are_shared(cli: CommandLine, plan: Path) -> None:
    done = cli("trial", str(plan), "--port", PORT, "--clear")
    assert done.code == exit_codes.USAGE
    assert "several actuators share an address (1, 2, 40)" in done.err
    assert not plan.with_name("hauler-mended.trial.json").exists()
