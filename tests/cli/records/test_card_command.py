"""`card`: what it writes from a record, beside an airframe, with and without a trial, and what it leaves alone."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from busproto.plan.airframe.record_file import (
    record_text,
)
from busproto.plan.card import card_html
from tests.cli.helpers import CommandLine
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import entry, record
from tests.plan.card.helpers import GLIDER, Page
from tests.plan.texts import write_texts


@pytest.fixture(autouse=True)
def _in_a_directory_with_a_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("g.json").write_text(record_text(GLIDER), "utf-8")


def write_trial(name: str, *, passed: bool = True) -> None:
    """A trial of all three of the glider."""
    actions = {1: ("hold", 612), 2: ("preset", 505), 3: ("limp", 511)}
    rows = [
        {
            "uid": uid_of(number).hex(),
            "centred": True,
            "loss_action_seen": action,
            "loss_after_ms": [after - 9, after],
            "soft_start_ms": 990,
            "as_planned": passed,
            "problems": [] if passed else ["it limps"],
        }
        for number, (action, after) in actions.items()
    ]
    body = {"format": 1, "date": "2024-05-04T11:00:00+02:00", "actuators": rows}
    Path(name).write_text(json.dumps(body), "utf-8")


def test_a_card_without_a_trial_says_that_nothing_was_tested(cli: CommandLine) -> None:
    result = cli("card --record g.json -o c.html --json")
    assert result.code == 0
    assert result.json == {
        "file": "c.html",
        "title": "Glider",
        "fingerprint": GLIDER.fingerprint,
        "actuator_count": 3,
        "passed_count": 0,
        "failed_count": 0,
        "not_tested_count": 3,
        "warnings": [],
    }
    text = Page(Path("c.html").read_text("utf-8")).text
    assert "none, so nothing here was tested" in text
    assert text.count("not tested") == 9
    assert card_html.MARK in Path("c.html").read_text("utf-8")


@pytest.mark.parametrize(("passed", "code"), [(True, 0), (False, 3)])
def test_a_trial_that_failed_is_not_as_wanted(cli: CommandLine, passed: bool, code: int) -> None:
    write_trial("t.json", passed=passed)
    result = cli("card --record g.json --trial t.json -o c.html --json")
    assert result.code == code
    assert (result.json["passed_count"], result.json["failed_count"]) == ((3, 0) if passed else (0, 3))


def test_record_and_trial_are_found_beside_the_airframe(cli: CommandLine) -> None:
    write_texts(Path(), settings="under-voltage = 5.0")
    made = record(entry(1, 10, "aileron", channel=2, under_voltage=5000, loss_action=1, loss_time_out=600))
    Path("one.record.json").write_text(record_text(made), "utf-8")
    write_trial("one.trial.json")
    result = cli("card --airframe one.toml -o c.html")
    assert result.code == 3
    assert "In the plan but not in this record" in result.out
    assert "1 actuator, 1 passed, 0 failed, 0 not tested" in result.out
    text = Page(Path("c.html").read_text("utf-8")).text
    assert "Trial: 2024-05-04 11:00" in text
    assert "those of the map 'All of them'" in text


def test_a_card_is_written_over_and_nothing_else_is(cli: CommandLine) -> None:
    assert cli("card --record g.json -o c.html").code == 0
    assert cli("card --record g.json -o c.html").code == 0
    Path("mine.html").write_text("<p>mine", "utf-8")
    for line in ("-o mine.html", "-o g.json"):
        result = cli(f"card --record g.json {line}")
        assert result.code == 2
        assert "is there already and is not a card" in result.error_line
    assert Path("mine.html").read_text("utf-8") == "<p>mine"


def test_an_edited_record_is_marked_on_the_card(cli: CommandLine) -> None:
    text = Path("g.json").read_text("utf-8").replace('"neutral": -1.5', '"neutral": -2.5')
    Path("g.json").write_text(text, "utf-8")
    result = cli("card --record g.json -o c.html --json")
    assert result.code == 3
    assert result.json["fingerprint"] != GLIDER.fingerprint
    assert "the fingerprint differs" in Page(Path("c.html").read_text("utf-8")).text


def test_without_the_library_for_the_code(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    assert "pip install 'busproto[card]'" in cli("card --record g.json -o c.html").error_line
    assert not Path("c.html").exists()
    assert cli("card --record g.json -o c.html --no-qr").code == 0
    assert "<svg" not in Path("c.html").read_text("utf-8")


@pytest.mark.parametrize("name", ["g.json", "g.record.json"])
def test_without_a_name_it_stands_beside_the_record(cli: CommandLine, name: str) -> None:
    Path("g.json").replace(f"{name}.kept")
    Path(f"{name}.kept").replace(name)
    assert cli(f"card --record {name}").code == 0
    assert "written: 'g.card.html'" in cli(f"card --record {name}").out


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("-o c.html", "--record FILE is wanted, or --airframe"),
        ("--record none.json -o c.html", "cannot be read"),
        ("--record g.json --trial none.json -o c.html", "cannot be read"),
        ("--record g.json --trial g.json -o c.html", "not the results of a trial"),
        ("--record g.json -o none/c.html", "there is no directory"),
        ("--record g.json -o .", "is a directory"),
    ],
)
def test_bad_input(cli: CommandLine, line: str, said: str) -> None:
    result = cli(f"card {line}")
    assert result.code == 2
    assert said in result.error_line
