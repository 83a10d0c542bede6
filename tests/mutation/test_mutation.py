"""The run for mutants itself, on small pieces: its slips, whom it asks, a killed and a surviving one, the report."""

from __future__ import annotations

import ast
import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.mutation import cover, plugin, report
from tests.mutation.cover import Cover
from tests.mutation.draw import kept
from tests.mutation.grounds import GROUNDS, HOST, SIM, Ground
from tests.mutation.judge import KILLED, SURVIVED, TIMED_OUT, UNREACHED, Task, Verdict, copies, judge, sampled
from tests.mutation.operators import Mutant, slips

SNIPPET = '''"""A module about 3 things."""
from __future__ import annotations
import os
__all__ = ["a" + "b"]
LIMIT: Final[int] = 7

@cache(maxsize=5)
class One(Table, frozen=True):
    """It has 2 halves."""

    size: Annotated[int, 9] = -1

    def half(self, by: int = 2, *, fast: bool = False) -> Literal[4]:
        assert by != 0
        self.seen += 1
        self.last = by
        for one in self.rows:
            if not one and by < LIMIT:
                continue
            self.note(one, by)
        if fast:
            raise ValueError(f"{self.size / 2:.1f} of {by}")
        return self.size // by if self.size in (1, 2) else isinstance(by, int | float)
'''
LEFT = {  # what is never touched
    "A module", "import", "__all__", "@cache", "class One", "It has", "assert", "Annotated[int, 9]", "Literal[4]",
}  # fmt: skip
CHANGED = {
    ("LIMIT: Final[int] = 7", "LIMIT: Final[int] = 8"),
    ("size: Annotated[int, 9] = -1", "size: Annotated[int, 9] = 1"),
    ("self.seen += 1", "pass"),
    ("self.seen += 1", "self.seen -= 1"),
    ("self.last = by", "pass"),
    ("if not one and by < LIMIT:", "if one and by < LIMIT:"),
    ("if not one and by < LIMIT:", "if (not one or by < LIMIT):"),
    ("if not one and by < LIMIT:", "if not one and (by <= LIMIT):"),
    ("if not one and by < LIMIT:", "if not one and (by >= LIMIT):"),
    ("continue", "break"),
    ("self.note(one, by)", "self.note(by, one)"),
    ("self.note(one, by)", "pass"),
    ("if fast:", "if (not fast):"),
    ('raise ValueError(f"{self.size / 2:.1f} of {by}")', "pass"),
    ('raise ValueError(f"{self.size / 2:.1f} of {by}")', "raise ValueError(f'{self.size * 2:.1f} of {by}')"),
    ('raise ValueError(f"{self.size / 2:.1f} of {by}")', "raise ValueError(f'{self.size / 3:.1f} of {by}')"),
}
LAST = "return self.size // by if self.size in (1, 2) else isinstance(by, int | float)"


def made(source: str = SNIPPET) -> list[Mutant]:
    return [one for slip in slips(source) if (one := slip.applied(source, "busproto/ops/toy.py"))]


# --- the slips -------------------------------------------------------------------------------------------------


def test_each_slip_changes_one_place_and_is_still_python() -> None:
    for one in made():
        assert ast.dump(ast.parse(one.source)) != ast.dump(ast.parse(SNIPPET))
        assert len(one.source.splitlines()) == len(SNIPPET.splitlines())
        assert SNIPPET.splitlines()[one.line - 1].strip() == one.before


def test_the_slips_are_those() -> None:
    found = {(one.before, one.after) for one in made()}
    assert found >= CHANGED
    assert {after for before, after in found if before == LAST} >= {
        "return None",
        LAST.replace("self.size // by", "(self.size * by)"),
        LAST.replace("self.size in (1, 2)", "(self.size not in (1, 2))"),
        LAST.replace("(1, 2)", "(2, 2)"),
    }


def test_what_is_no_doing_is_left_alone() -> None:
    for one in made():
        for text in LEFT:
            assert one.before.count(text) == one.after.count(text), one.name
    assert not any("int & float" in one.after or "int, by" in one.after for one in made())


@pytest.mark.parametrize(
    ("number", "other"), [("7", "8"), ("0", "1"), ("5000", "10000"), ("0.5", "1.0"), ("0.0", "1.0")]
)
def test_a_number_becomes_another_that_can_be_told_from_it(number: str, other: str) -> None:
    assert [one.after for one in made(f"x = {number}\n")] == [f"x = {other}"]


# --- whom it asks -----------------------------------------------------------------------------------------------

COVER = Cover(
    {"a.py::t[1]": 2.0, "a.py::t[2]": 1.0, "b.py::u": 3.0, "c.py::slow": 50.0, "d.py::other": 0.5},
    {
        "m.py": {
            3: frozenset({"a.py::t[1]", "a.py::t[2]"}),
            4: frozenset({"b.py::u", "c.py::slow", "gone.py::failed"}),
            7: frozenset({"", "d.py::other"}),
        }
    },
    {},
)


def test_the_quickest_of_each_comes_first_and_no_more_than_there_is_time_for() -> None:
    assert COVER.of("m.py", range(3, 5), 40.0) == ["a.py::t[2]", "b.py::u", "a.py::t[1]"]
    assert COVER.of("m.py", range(3, 5), 3.5) == ["a.py::t[2]", "a.py::t[1]"]
    assert COVER.of("m.py", range(4, 5), 100.0) == ["b.py::u", "c.py::slow"]
    assert COVER.of("m.py", range(5, 6), 100.0) == COVER.of("n.py", range(3, 4), 100.0) == []


def test_a_line_that_is_run_on_import_is_of_all_who_run_the_file() -> None:
    assert COVER.of("m.py", range(7, 8), 40.0) == ["d.py::other", "a.py::t[2]", "b.py::u", "a.py::t[1]"]


def test_a_table_may_be_read_by_a_test_of_the_room_that_runs_none_of_its_lines() -> None:
    kept = Cover(
        {"tests/rig/a.py::runs": 3.0, "tests/rig/b.py::reads": 1.0, "tests/ops/c.py::other": 0.1},
        {"busproto/rig/m.py": {1: frozenset({""}), 2: frozenset({"tests/rig/a.py::runs"})}},
        {},
    )
    assert kept.of("busproto/rig/m.py", range(1, 2), 40.0) == ["tests/rig/a.py::runs", "tests/rig/b.py::reads"]
    assert kept.of("busproto/rig/m.py", range(2, 3), 40.0) == ["tests/rig/a.py::runs"]
    assert kept.of("busproto/rig/m.py", range(1, 2), 3.5) == ["tests/rig/a.py::runs"], "those that run it come first"


def test_tests_of_the_sub_room_come_before_those_of_the_room() -> None:
    tests = ["tests/ops/a.py::t", "tests/ops/moving/b.py::t", "tests/plan/c.py::t"]
    kept = Cover(
        dict(zip(tests, (0.1, 3.0, 0.2), strict=True)), {"busproto/ops/moving/m.py": {4: frozenset(tests)}}, {}
    )
    assert kept.of("busproto/ops/moving/m.py", range(4, 5), 40.0) == [tests[1], tests[0], tests[2]]


def test_what_stands_in_no_function_is_run_on_import() -> None:
    source = "A = 1\ndef f(\n    x=2,\n):\n    y = 3\n    return y\nclass B:\n    z = 4\n    def g(self): return 5\n"
    assert cover.import_lines(source) == {1, 2, 3, 4, 7, 8, 10}


def test_mutants_are_drawn_from_every_room_and_sub_room() -> None:
    names = {one.relative_to(Path(__file__).parents[2]).as_posix() for one in HOST.files(Path(__file__).parents[2])}
    assert names >= {"busproto/ops/link.py", "busproto/ops/discovery/search.py", "busproto/plan/airframe/audit.py"}


def test_of_tests_that_differ_by_arguments_alone_some_are_recorded_spread_evenly() -> None:
    items: Any = [SimpleNamespace(nodeid=f"a.py::t[{number}]") for number in range(10)]
    items.insert(3, SimpleNamespace(nodeid="a.py::u"))
    assert [one.nodeid[6:] for one in plugin.evenly(items, 4)] == ["t[0]", "u", "t[3]", "t[5]", "t[8]"]
    assert plugin.evenly(items, 10) == items


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=[*GROUNDS])
def test_what_a_ground_names_is_there(ground: Ground) -> None:
    root = Path(__file__).parents[2]
    assert all((root / one).exists() for one in (*ground.rooms, *ground.tests, *ground.but, *ground.tests_left_out))
    names = {path.relative_to(root).as_posix() for path in ground.files(root)}
    assert names
    assert not names.intersection(ground.but)


def test_the_simulators_actuator_is_asked_about_by_its_own_tests_and_by_the_suite() -> None:
    suite, own = "busproto/conformance/suite/test_loss.py::a", "tests/sim/actuators/test_actuator.py::b"
    other = "tests/firmware/test_differential.py::c"
    lines = {"sim/actuators/m.py": {1: frozenset({suite, own, other})}}
    kept = Cover({suite: 1.0, own: 2.0, other: 0.1}, lines, {}, SIM)
    assert kept.of("sim/actuators/m.py", range(1, 2), 40.0) == [suite, own, other]
    assert SIM.own_tests("sim/mechanics/motion.py") == (("tests/sim/", "busproto/conformance/suite/"),) * 2
    assert HOST.own_tests("busproto/ops/moving/m.py") == (("tests/ops/moving/",), ("tests/ops/",))


def test_in_a_copy_the_simulator_is_one_folder_with_two_names(tmp_path: Path) -> None:
    (tmp_path / "sim").mkdir()
    (tmp_path / "busproto").mkdir()
    (tmp_path / "busproto" / "sim").symlink_to("../sim")
    with copies(tmp_path, 1) as (copy,):
        (copy / "sim" / "m.py").write_text("x = 1\n")
        assert (copy / "busproto" / "sim" / "m.py").read_text() == "x = 1\n"
    assert not (tmp_path / "sim" / "m.py").exists()


# --- judging ----------------------------------------------------------------------------------------------------

TOY = "def doubled(x):\n    if x > 100:\n        return 0\n    while x < 0:\n        x += 1\n    return x * 2\n"
TOY_TEST = (
    "from busproto.ops.toy import doubled\n\n"
    "def test_it():\n    assert doubled(3) == 6\n\n"
    "def test_below():\n    assert doubled(-1) == 0\n"
)


@pytest.fixture
def toy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A tree with one module that its two tests see only a part of. Plug-ins of the whole tree are not in it."""
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
    for room in ("ops", "plan", "session", "rig"):
        (tmp_path / "busproto" / room).mkdir(parents=True)
        (tmp_path / "busproto" / room / "__init__.py").touch()
    (tmp_path / "busproto" / "__init__.py").touch()
    (tmp_path / "busproto" / "ops" / "toy.py").write_text(TOY)
    (tmp_path / "tests").mkdir()
    shutil.copytree(Path(__file__).parent, tmp_path / "tests" / "mutation")
    (tmp_path / "tests" / "__init__.py").touch()
    (tmp_path / "tests" / "test_toy.py").write_text(TOY_TEST)
    (tmp_path / "pyproject.toml").write_text("[tool.pytest.ini_options]\n")
    return tmp_path


def test_one_is_killed_one_survives_and_the_tree_is_as_before(toy: Path) -> None:
    tests = ["tests/test_toy.py::test_it", "tests/test_toy.py::test_below"]
    tasks = {one.mutant.after: one for one in sampled_all(toy)}
    with copies(toy, 1) as (copy,):
        killed = judge(copy, tasks["return (x / 2)"], tests, 600.0)
        survived = judge(copy, tasks["if (x >= 100):"], tests, 600.0)
        late = judge(copy, tasks["x -= 1"], tests, 5.0)
        assert (copy / "busproto" / "ops" / "toy.py").read_text() == TOY
        unreached = judge(copy, tasks["return 1"], [], 600.0)
    assert (killed.outcome, killed.by, killed.tests) == (KILLED, "tests/test_toy.py::test_it", 2)
    assert (survived.outcome, survived.by) == (SURVIVED, "")
    assert (late.outcome, unreached.outcome) == (TIMED_OUT, UNREACHED)
    assert [one.is_killed for one in (killed, survived, late, unreached)] == [True, False, True, False]
    assert (toy / "busproto" / "ops" / "toy.py").read_text() == TOY


def sampled_all(root: Path) -> list[Task]:
    """Every mutant of the toy."""
    found = {one.mutant.name: one for seed in range(40) for one in sampled(root, 99, seed)}
    return list(found.values())


def test_the_same_seed_draws_the_same_and_more_begin_with_fewer(toy: Path) -> None:
    names = [[one.mutant.name for one in sampled(toy, count, 3)] for count in (5, 5, 3)]
    assert names[0] == names[1]
    assert names[0][:3] == names[2]
    assert len({name.split(" ")[0] for name in names[0]}) == 5  # one a line


def test_which_tests_run_a_line_is_found_and_added_to(toy: Path) -> None:
    pytest.importorskip("coverage")
    kept_at = toy / "cover.json"
    first = cover.record(toy, kept_at, 1, ["tests/test_toy.py::test_it"])
    assert first.lines["busproto/ops/toy.py"][6] == {"tests/test_toy.py::test_it"}
    both = cover.record(toy, kept_at, 1, ["tests/test_toy.py::test_below"], onto=first)
    assert both.lines["busproto/ops/toy.py"][6] == {"tests/test_toy.py::test_it", "tests/test_toy.py::test_below"}
    assert both.lines["busproto/ops/toy.py"][5] == {"tests/test_toy.py::test_below"}
    assert both.of("busproto/ops/toy.py", range(3, 4), 40.0) == []
    assert "" in both.lines["busproto/ops/toy.py"][1]
    assert both.is_of(toy) == []
    (toy / "busproto" / "ops" / "toy.py").write_text(TOY + "\n")
    assert both.is_of(toy) == ["busproto/ops/toy.py"]


# --- the report -------------------------------------------------------------------------------------------------


def verdict(line: int, outcome: str, room: str = "ops") -> Verdict:
    return Verdict(f"busproto/{room}/toy.py:{line} x > {line} -> x >= {line}", "comparison", outcome, 4, "", 1.0)


def test_the_report_names_survivors_with_their_reason_and_gives_the_share_with_its_interval() -> None:
    rows = [verdict(line, KILLED, "plan") for line in range(1, 17)]
    rows += [verdict(20, TIMED_OUT), verdict(21, KILLED), verdict(22, SURVIVED), verdict(23, UNREACHED)]
    same = {("busproto/ops/toy.py", "x > 22", "x >= 22"): report.Known(True, "x is odd")}
    said, share = report.text(rows, same)
    assert share == pytest.approx(18 / 19)
    # Clopper and Pearson for 18 of 19, by the F distribution in R's binom.test (from memory): 0.740 to 0.999
    assert (
        "18 of 19 killed (1 by taking too long), 94.7 % (95 % interval 74.0 to 99.9 %); 1 more change nothing" in said
    )
    assert "survived: busproto/ops/toy.py:23  comparison, no test runs it\n  - x > 23\n  + x >= 23\n  why: not" in said
    assert "equivalent: busproto/ops/toy.py:22  comparison, 4 tests\n  - x > 22\n  + x >= 22\n  why: x is odd" in said
    assert [line.split() for line in said.splitlines()[1:3]] == [
        ["ops", "4", "2", "1", "1"],
        ["plan", "16", "16", "0", "0"],
    ]


def test_verdicts_are_kept_and_a_torn_last_line_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "state.jsonl"
    assert kept(path, Verdict) == {}
    one = verdict(5, KILLED)
    row = json.dumps(
        {"key": "k", "name": one.name, "what": one.what, "outcome": KILLED, "tests": 4, "by": "", "took_s": 1.0}
    )
    path.write_text(f"{row}\n{row[:20]}")
    assert kept(path, Verdict) == {"k": one}


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=[*GROUNDS])
def test_the_known_survivors_are_of_lines_that_stand_there(ground: Ground) -> None:
    root = Path(__file__).parents[2]
    for (file, line, becomes), one in report.known(report.KNOWN_FILE.with_name(ground.survivors)).items():
        assert file.startswith(ground.rooms)
        assert one.reason
        assert line != becomes
        text = " ".join((root / file).read_text("utf-8").split())
        assert " ".join(line.split()) in text, f"{file} has no '{line}' any more: look at it again"
