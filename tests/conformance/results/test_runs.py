"""The runs before: kept beside the report, compared with, and never mixed with another program's file."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.conformance.results.page import as_html
from busproto.conformance.results.report import Case
from busproto.conformance.results.runs import Run, beside, digest_of_file, keep_run, read_runs, since
from busproto.errors import FileError, InputError


def run(day: int, target: str = "./mine.so", **verdicts: str) -> Run:
    named = {name.replace("_", "."): verdict.replace("_", " ") for name, verdict in verdicts.items()}
    return Run(f"2024-05-{day:02d}T11:00:00+02:00", target, "busproto 1.0", 0, f"{day:012x}", True, named)


FIRST = run(1, frame_check="passed", op_44="failed", op_50="not_checked")
SECOND = run(2, frame_check="failed", op_44="passed", op_50="passed")


def test_there_and_back(tmp_path: Path) -> None:
    path = beside(tmp_path / "report.html")
    assert path.name == "report.runs.jsonl"
    assert read_runs(path) == []
    keep_run(path, [], FIRST)
    keep_run(path, read_runs(path), SECOND)
    assert read_runs(path) == [FIRST, SECOND]


def test_only_the_last_ones_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.runs.jsonl"
    keep_run(path, [FIRST] * 300, SECOND)
    assert (len(read_runs(path)), read_runs(path)[-1]) == (200, SECOND)


@pytest.mark.parametrize("text", ["{}", "no json", '{"conformance-run":1}', '{"conformance-run":1,"run":{"at":3}}'])
def test_another_file_is_refused_in_a_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.runs.jsonl"
    path.write_text(text)
    with pytest.raises(FileError, match="line 1: no run of the conformance suite"):
        read_runs(path)


def test_another_programs_file_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "a.runs.jsonl"
    path.write_text("mine")
    with pytest.raises(InputError, match="is not a file of conformance runs"):
        keep_run(path, [], FIRST)
    assert path.read_text() == "mine"


def test_what_regressed_and_what_was_mended_since_the_last_run_of_the_same_target() -> None:
    found = since([FIRST, run(3, "./other.so", op_44="passed")], SECOND)
    assert found is not None
    assert (found.before, found.regressed, found.mended) == (FIRST, ("frame.check",), ("op.44",))
    assert since([run(3, "./other.so")], SECOND) is None


def test_the_page_shows_the_trend_of_clauses_that_were_not_the_same_in_all_runs() -> None:
    cases = [Case("test_one", "failed", ("frame.check",), "why"), Case("test_two", "passed", ("op.44",))]
    page = as_html(cases, SECOND, [FIRST])
    assert "<b>regressed: frame.check</b>; mended: op.44" in page
    assert '<tr><td>op.44</td><td class="x" title="failed">x</td><td class="" title="passed">+</td></tr>' in page
    same = as_html(cases, FIRST, [FIRST])
    assert "No clause has changed." in same
    assert "nothing regressed" in same
    assert "There is no run before" in as_html(cases, FIRST)


def test_a_library_is_told_by_its_digest(tmp_path: Path) -> None:
    library = tmp_path / "mine.so"
    library.write_bytes(b"abc")
    assert digest_of_file(library) == "ba7816bf8f01"  # SHA-256 of "abc": FIPS 180-4, example
    assert digest_of_file(Path("reference")) == ""
