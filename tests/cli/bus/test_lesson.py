"""``busproto lesson``: what is drawn, what is asked, what bad input says."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

from busproto.cli import COMMANDS
from busproto.cli.bus import lesson_command
from busproto.cli.bus.lesson_command import plot_lines, scope_lines
from busproto.lessons import LESSONS, as_json
from busproto.lessons.scene import Curve, Plot, Scope, Wave
from tests.cli.helpers import UPDATE, CommandLine, FakeTerminal

SHOWN: Final = Path(__file__).parents[2] / "lessons" / "golden" / "stuck.txt"


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command is one of the list; and nothing waits until a person has read it."""
    monkeypatch.setitem(COMMANDS, "lesson", COMMANDS.get("lesson", "Show how addressed buses behave."))
    monkeypatch.setattr(lesson_command, "BEAT_S", 0)


def sit_at_a_terminal(monkeypatch: pytest.MonkeyPatch, typed: str) -> None:
    monkeypatch.setattr(sys, "stdin", FakeTerminal(typed))
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")


def plain(text: str) -> str:
    """Without what moves the cursor and colours letters."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)


# --- what is shown ----------------------------------------------------------------------------------------------


def test_without_a_name_the_lessons_are_listed(cli: CommandLine) -> None:
    done = cli("lesson")
    assert done.code == 0
    assert [line.split()[0] for line in done.out.splitlines()[: len(LESSONS)]] == list(LESSONS)
    assert cli("lesson --list").out == done.out
    assert cli("lesson and --list").out == done.out
    rows = cli("lesson --list --json").json["lessons"]
    assert rows == [{"name": one.name, "title": one.title} for one in LESSONS.values()]


@pytest.mark.parametrize("seed", [1, 4])
@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_fits_into_80_columns_and_shows_all_of_its_scenes(cli: CommandLine, name: str, seed: int) -> None:
    done = cli(f"lesson {name} --seed {seed}")
    assert (done.code, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80
    one_line = " ".join(done.out.split())
    body = as_json(name, seed)
    for scene in body["scenes"]:
        assert scene["title"] in done.out
        for paragraph in (*scene["text"], *scene.get("after", ())):
            assert paragraph in one_line
        for step in scene.get("steps", ()):
            assert " ".join(step["text"].split()) in one_line
        for wave in scene.get("scope", {}).get("waves", ()):
            assert f"\n{wave['name']} " in done.out
    assert body["question"]["text"] in one_line
    assert cli(f"lesson {name} --seed {seed}").out == done.out


def test_whole_output_of_one_lesson(cli: CommandLine) -> None:
    """Against a file; ``BUSPROTO_UPDATE_GOLDEN=1`` rewrites it."""
    shown = cli("lesson stuck").transcript()
    if UPDATE:
        SHOWN.parent.mkdir(exist_ok=True)
        SHOWN.write_text(shown, "utf-8")
        pytest.skip(f"{SHOWN.name} rewritten")
    assert shown == SHOWN.read_text("utf-8")


def test_a_terminal_that_knows_no_blocks_gets_letters() -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    code = "import sys, busproto.cli as c; c.COMMANDS.setdefault('lesson', ''); sys.exit(c.run(['lesson', 'and']))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=True)
    assert b"# high (1)   _ low (0)" in done.stdout


def test_waves_are_drawn_bit_by_bit() -> None:
    scope = Scope(0, 6, 100.0, "s01234", (Wave("it", (0, 100, 300, 400)), Wave("idle", ()), Wave("late", (550,))))
    assert list(scope_lines(scope, "utf-8")) == [
        "             s   0   1   2   3   4",
        "it          ▁▁▁▁████████▁▁▁▁████████",
        "idle        ████████████████████████",
        "late        ██████████████████████▁▁",
        "            █ high (1)   ▁ low (0)",
    ]
    wide = Scope(-200, 60, 100.0, "", (Wave("it", (0, 5700)),))
    assert next(scope_lines(wide, "ascii")) == f"it          ##{'_' * 57}#"
    assert next(scope_lines(Scope(0, 30, 100.0, "", (Wave("it", (0,)),)), "ascii")) == f"it          {'_' * 60}"


def test_plots_put_each_point_in_its_place() -> None:
    plot = Plot(
        "ms",
        "deg",
        (Curve("up", ((0.0, 0.0), (63.0, 20.0))), Curve("level", ((0.0, 0.0), (63.0, 0.0)))),
        ((31.0, "half"),),
    )
    lines = list(plot_lines(plot))
    assert lines[0] == "    20 |" + " " * 31 + ":" + " " * 31 + "U"
    assert lines[14] == "     0 |*" + " " * 30 + ":" + " " * 31 + "L"
    assert lines[-1].strip() == ": at 31 ms: half"
    assert "U up   L level" in lines[17]


# --- the question -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", LESSONS)
def test_an_answer_in_a_script_is_right_or_wrong(cli: CommandLine, name: str) -> None:
    question = LESSONS[name].question(1)
    truth = question.solve().value
    right = cli("lesson", name, "--answer", question.form.show(truth))
    assert right.code == 0
    assert f"Right: {question.form.show(truth)}." in right.out
    other = question.form.show(("B" if truth == "A" else "A") if isinstance(truth, str) else truth ^ 1)
    wrong = cli("lesson", name, "--answer", other)
    assert wrong.code == 3
    assert f"Wrong: {other}. It is {question.form.show(truth)}." in wrong.out


def test_json_holds_the_verdict_only_where_an_answer_was_given(cli: CommandLine) -> None:
    asked = cli("lesson and --json")
    assert asked.code == 0
    assert asked.json == json.loads(json.dumps(as_json("and", 1)))
    verdict = cli("lesson and --json --answer c2").json["verdict"]
    assert verdict == {"right": True, "given": "c2", "truth": "c2", "reason": verdict["reason"]}
    wrong = cli("lesson and --json --answer c3")
    assert wrong.code == 3
    assert (wrong.json["verdict"]["right"], wrong.json["verdict"]["truth"]) == (False, "c2")


def test_without_a_terminal_it_says_how_to_answer(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("c2\n"))
    assert cli("lesson and").out.endswith("busproto lesson and --answer TEXT\n")
    assert cli("lesson and --seed 5").out.endswith("busproto lesson and --seed 5 --answer TEXT\n")


@pytest.mark.parametrize(
    ("typed", "code", "said"),
    [
        ("c2\n", 0, "Right: c2."),
        ("c3\n", 3, "Wrong: c3. It is c2."),
        ("what?\nC2\n", 0, "answer 'what?': what is asked for is a byte as two digits 0-9 a-f, such as 5c"),
        ("\n", 0, "Not answered."),
    ],
)
def test_on_a_terminal_it_asks(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, typed: str, code: int, said: str
) -> None:
    sit_at_a_terminal(monkeypatch, typed)
    done = cli("lesson and")
    assert done.code == code
    assert said in " ".join(plain(done.out).split())


def test_on_a_terminal_a_search_is_played_with_its_board(cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    sit_at_a_terminal(monkeypatch, "\n")
    out = plain(cli("lesson tree").out)
    steps = [step for scene in as_json("tree", 1)["scenes"] for step in scene.get("steps", ())]
    assert len(steps) > 4
    for step in steps:
        assert step["text"] in out
        assert step["note"] in out


# --- bad input --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("lesson nope", "no lesson 'nope': frame, alike, and, tree, slots, backoff, stuck, baud, loss"),
        ("lesson and --answer zz", "answer 'zz': what is asked for is a byte as two digits 0-9 a-f, such as 5c"),
        ("lesson and --answer ''", "answer '': what is asked for is a byte as two digits 0-9 a-f, such as 5c"),
        ("lesson loss --answer -1", "answer '-1': what is asked for is a whole number, such as 12"),
        ("lesson backoff --answer 1", "answer '1': what is asked for is one letter, such as A"),
        ("lesson --answer 3", "--answer belongs to a lesson: say which one"),
        ("lesson and --list --answer 3", "--answer belongs to a lesson: say which one"),
        ("lesson and --seed -1", "Invalid value for '--seed'"),
        ("lesson and --seed x", "Invalid value for '--seed'"),
        ("lesson and or", "Got unexpected extra argument (or)"),
    ],
)
def test_bad_input_is_one_line_and_shows_nothing(cli: CommandLine, line: str, said: str) -> None:
    done = cli(line)
    assert (done.code, done.out) == (2, "")
    assert said in done.error_line


def test_an_error_is_json_too(cli: CommandLine) -> None:
    done = cli("lesson nope --json")
    assert done.code == 2
    assert done.json["error"]["kind"] == "InputError"
