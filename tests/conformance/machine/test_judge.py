"""Judging: what the compiler sees, how a process ends, conversations with a survivor, the report and what is kept."""

from __future__ import annotations

import ctypes
import signal
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("tree_sitter_c")

from busproto.sim.native.device_library import REFERENCE
from tests.conformance import mutants
from tests.conformance.machine import beside, child, command, faults, report
from tests.conformance.machine.faults import QUICK, THOROUGH, Compared, Texts, built
from tests.conformance.machine.judge import (
    CAUGHT,
    CRASHED,
    HUNG,
    REFUSED,
    SAME,
    SURVIVED,
    Usual,
    Verdict,
    judge,
    outcome_of,
)
from tests.firmware.needs import compiler_and_cffi
from tests.mutation.draw import keep, kept
from tests.mutation.operators import Mutant
from tests.mutation.report import Known, known, parts

compiler_and_cffi()

UNDO = "busproto/conformance/suite/test_parameters.py::test_undo_takes_stored_or_factory"
TOY = """#include <stddef.h>
size_t bp_device_size(void);
static size_t never(void) { return 3; }
size_t bp_device_size(void)
{
    size_t at, sum = 0;
    for (at = 0; at < 10; at++) {
        sum += at;
    }
    return sum + (sum > 50 ? never() : 0);
}
"""


def mutant_of(name: str, old: str, new: str) -> Mutant:
    """The firmware with one piece of text in another's place."""
    texts = Texts.of_the_firmware()
    assert texts.by_name[name].count(old) == 1
    return Mutant(texts.path(name), 1, "by hand", old, new, texts.by_name[name].replace(old, new))


# --- the compiler ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "is_same"),
    [
        ("at < 10", "at != 10", True),
        ("return 3", "return 4", True),  # it is never called
        ("sum > 50", "sum >= 50", True),
        ("at < 10", "at <= 10", False),
    ],
)
def test_what_an_optimising_compiler_makes_the_same_of_is_the_same(old: str, new: str, is_same: bool) -> None:
    compared = Compared(Texts({"toy.c": TOY}, frozenset()))
    assert [compared.is_same({"toy.c": TOY.replace(old, new)}, flags) for flags in (QUICK, THOROUGH)] == [is_same] * 2


def test_what_is_refused_is_not_the_same_and_is_no_mutant(tmp_path: Path) -> None:
    torn = TOY.replace("return sum", "return summ")
    assert not Compared(Texts({"toy.c": TOY}, frozenset())).is_same({"toy.c": torn}, QUICK)
    assert built({"toy.c": torn}, tmp_path) is None
    assert built({"toy.c": TOY.replace("sum += at", "sum += &at")}, tmp_path) is None
    assert built({"toy.c": TOY.replace("sum += at", "at")}, tmp_path) is not None, "a mere warning is no refusal"


# --- a process of its own --------------------------------------------------------------------------------------


def _noting(note: Callable[..., None], number: int) -> int:
    note(number=number)
    return number


def _hanging(note: Callable[..., None]) -> int:
    note(begun=True)
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.05)
    while True:
        pass


def _crashing(note: Callable[..., None]) -> int:
    note(begun=True)
    ctypes.string_at(0)
    return 0


@pytest.mark.parametrize(
    ("work", "arguments", "code", "notes"),
    [
        (_noting, (0,), 0, ({"number": 0},)),
        (_noting, (3,), 3, ({"number": 3},)),
        (_hanging, (), -signal.SIGVTALRM, ({"begun": True},)),
        (_crashing, (), -signal.SIGSEGV, ({"begun": True},)),
    ],
)
def test_how_a_process_ended_is_told_and_what_it_noted_is_kept(
    tmp_path: Path, work: Callable[..., int], arguments: tuple[Any, ...], code: int, notes: tuple[dict[str, Any], ...]
) -> None:
    assert child.in_process(work, tmp_path / "notes", 600.0, *arguments) == child.Came(code, notes)


def test_a_hang_and_a_crash_are_noticed_and_a_run_that_passes_is_not() -> None:
    codes = (child.PASSED, child.FAILED, child.BROKEN, -signal.SIGVTALRM, -signal.SIGSEGV, -signal.SIGABRT)
    assert [outcome_of(code) for code in codes] == [SURVIVED, CAUGHT, CAUGHT, HUNG, CRASHED, CRASHED]


class Told:
    """Instead of the compiler: what it says."""

    def __init__(self, *same: tuple[str, ...]) -> None:
        self._same = same

    def is_same(self, _mutated: object, flags: tuple[str, ...]) -> bool:
        """Whether it says so with these flags."""
        return flags in self._same


def test_a_mutant_is_caught_by_a_case_and_the_case_and_its_clauses_are_told() -> None:
    texts = Texts.of_the_firmware()
    usual = Usual({UNDO: 0.1}, Counter({UNDO: 1}))

    def judged(new: str, *same: tuple[str, ...]) -> Verdict:
        mutant = mutant_of("bp_answers.c", "reply->as.undone.memory = undo->memory;", new)
        return judge(texts, mutant, usual, Told(*same), steps=0, seed=0)  # type: ignore[arg-type]

    caught = judged("reply->as.undone.memory = 7;")
    assert (caught.outcome, caught.by) == (CAUGHT, UNDO)
    assert "op.33" in caught.clauses
    assert judged("reply->as.undone = undo;").outcome == REFUSED
    assert judged("reply->as.undone.memory = (undo->memory);", QUICK).outcome == SAME


def test_the_cases_that_tell_most_for_their_time_come_first() -> None:
    usual = Usual({"slow": 5.0, "quick": 0.1, "never slow": 2.0, "never": 0.01}, Counter(slow=3, quick=2))
    assert usual.order() == ["quick", "slow", "never", "never slow"]
    assert usual.bounds_s() == {"slow": 100.0, "quick": 10.0, "never slow": 40.0, "never": 10.0}


# --- conversations ---------------------------------------------------------------------------------------------


def test_in_conversations_the_firmware_shows_no_difference_and_a_mutant_does(tmp_path: Path) -> None:
    noted: list[dict[str, str]] = []

    def note(**row: str) -> None:
        noted.append(row)

    assert beside.conversation(note, REFERENCE, 400, 3) == 0
    assert noted == []
    texts = Texts.of_the_firmware()
    mutant = mutant_of("bp_store.c", "store->page == BP_NO_PAGE ? 1U : store->generation + 1U", "2U")
    library = built(texts.with_mutant(mutant), tmp_path)
    beside.conversation(note, f"{library}", 400, 3)
    assert "generation" in noted[0]["difference"]


# --- what is kept, and the report ------------------------------------------------------------------------------


def row(line: int, outcome: str, *clauses: str, **named: Any) -> Verdict:
    """One verdict."""
    return Verdict(
        f"sim/firmware/toy.c:{line} x > {line} -> x >= {line}", "relation", outcome, "case", clauses, **named
    )


ROWS = [
    *(row(line, CAUGHT, "op.44", "does.state") for line in range(1, 16)),
    row(16, HUNG, "op.44"),
    row(17, CRASHED, "op.45"),
    row(18, REFUSED),
    row(19, SAME),
    row(20, SURVIVED, steps=500),
    row(21, SURVIVED, steps=500, difference="step 3: it is late"),
    row(22, SURVIVED, steps=500),
]
REASONS = {
    ("sim/firmware/toy.c", "x > 22", "x >= 22"): Known(True, "x is odd"),
    ("sim/firmware/toy.c", "x > 21", "x >= 21"): Known(False, "no case for it yet"),
}


def test_those_argued_away_are_told_apart_and_both_shares_are_printed() -> None:
    strict, fair = report.shares(ROWS, REASONS)
    assert (strict, fair) == (report.Share(17, 20), report.Share(17, 19))
    said = report.text(ROWS, REASONS)
    assert (
        "22 made, 1 did not compile, 1 equivalent by compiler; of the others 17 caught (1 hung, 1 crashed), 3" in said
    )
    assert "of the survivors 2 showed no difference in any conversation; 1 are argued" in said
    # Clopper and Pearson for 17 of 20, from R's binom.test (from memory): 0.621 to 0.968
    assert "caught, all survivors counted:     17 of 20, 85.0 % (95 % interval 62.1 to 96.8 %)" in said
    assert "caught, without those argued away: 17 of 19" in said
    assert "op.44 16, does.state 15, op.45 1" in said
    assert "argued: sim/firmware/toy.c:22  relation\n  - x > 22\n  + x >= 22\n" in said
    assert (
        "survived: sim/firmware/toy.c:21  relation\n  - x > 21\n  + x >= 21\n  beside Python: step 3: it is late"
        in said
    )
    assert "beside Python: no difference in 500 steps\n  why: not looked at yet" in said
    table = {line.split()[0]: line.split()[1:] for line in said.splitlines()[1:2]}
    assert table == {"sim/firmware/toy.c": ["22", "1", "1", "17", "2", "1"]}


def test_with_nothing_counted_nothing_is_claimed() -> None:
    strict, fair = report.shares([row(1, SAME)], {})
    assert (strict.share, fair.low, f"{fair}") == (0.0, 0.0, "no mutant was counted")


def test_a_run_goes_on_where_it_ended_and_fails_below_the_least_share(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "state.jsonl"
    drawn = [Mutant("sim/firmware/toy.c", at, "relation", f"x > {at}", f"x >= {at}", f"text {at}") for at in range(4)]
    monkeypatch.setattr(faults, "sampled", lambda *_: drawn)
    verdicts = [
        Verdict(one.name, one.what, CAUGHT if at else SURVIVED, "case", ("op.44",)) for at, one in enumerate(drawn)
    ]
    with path.open("w", encoding="utf-8") as file:
        for one, verdict in zip(drawn, verdicts, strict=True):
            keep(file, one, verdict)
    assert [*kept(path, Verdict.kept).values()] == verdicts
    given = ["--machine", "--count", "4", "--seed", "11", "--state", f"{path}"]
    assert mutants.main([*given, "--least", "0.75"]) == 0
    assert mutants.main([*given, "--least", "0.76"]) == 1
    assert mutants.main([*given, "--least-low", "0.1"]) == 0
    assert mutants.main([*given, "--least-low", "0.3"]) == 1
    assert "seed 11\n" in capsys.readouterr().out


def test_without_a_seed_another_is_drawn_and_printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(faults, "sampled", lambda *_: [])
    seeds = set()
    for _ in range(3):
        command.main(["--machine"])
        seeds.add(capsys.readouterr().out.splitlines()[0])
    assert len(seeds) == 3
    assert all(one.startswith("seed ") for one in seeds)


def test_the_known_survivors_are_of_lines_that_stand_there() -> None:
    texts = Texts.of_the_firmware()
    for (file, line, becomes), one in known(report.KNOWN_FILE).items():
        assert one.reason
        assert line != becomes
        text = " ".join(texts.by_name[file.rpartition("/")[2]].split())
        assert " ".join(line.split()) in text, f"{file} has no '{line}' any more: look at it again"
    assert parts(row(3, SAME).name) == ("sim/firmware/toy.c", "x > 3", "x >= 3")
