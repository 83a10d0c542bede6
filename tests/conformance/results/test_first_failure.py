"""The first failure of a run: its transcript, its capture, and the command that repeats it; what is reached of a
library; neighbours on a port are left as they were.
"""

from __future__ import annotations

import json
import random
import shlex
from pathlib import Path

import pytest

from busproto.capture.pcapng import read
from busproto.conformance.results.coverage import FLAGS, SHIM, SHIM_NAME, Covered
from busproto.conformance.results.transcript import ACTUATOR, HOST, OTHER, Spoken, last_lines, picture, rows_of
from busproto.conformance.suite import test_operations
from busproto.conformance.targets import OnPort
from busproto.ops import find
from busproto.sim.native.device_build import compile_files
from busproto.sim.scene.scenario import load
from busproto.wire import encode_frame, request_frame
from busproto.wire import messages as m
from tests.conformance import mutants
from tests.conformance.helpers import run
from tests.conformance.seeded import FAULTS, woven_texts
from tests.firmware import needs

MS = 1_000_000


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A firmware that answers though it is suppressed."""
    needs.compiler_and_cffi()
    number = next(one.number for one in FAULTS if one.what == "it answers though suppressed")
    place = tmp_path_factory.mktemp("faulty") / "mine.so"
    return compile_files(woven_texts(), place, flags=(*mutants.WEAVE_FLAGS, f"-DBP_MUTANT={number}"))


def test_the_report_holds_the_line_of_the_first_failure_and_what_repeats_it(faulty: Path, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    ran = run(tmp_path, f"--dut={faulty}", "--dut-clause=op.04", f"--dut-report={page}", "--dut-seed=3")
    assert ran.named("failed") >= {"test_a_suppress_for_all_is_for_it_too"}
    assert "the last on the line" in ran.text
    text = page.read_text("utf-8")
    first = text.partition("<h2>The first failure: ")[2].partition("</h2>")[0]
    assert first in ran.named("failed")
    assert "Makes one actuator, or all (uid of zeros), count as acknowledged in this epoch." in text
    assert '<svg class="line"' in text

    packets = read(tmp_path / "report.first-failure.pcapng").packets
    assert packets[0].is_sent
    assert any(not packet.is_sent and not packet.is_echo for packet in packets)
    command = text.partition("<pre>")[2].partition("</pre>")[0].replace("&#x27;", "'")
    again = run(tmp_path, *shlex.split(command)[1:])
    assert again.named("failed") == {first}
    assert len(again.verdicts) == 1

    runs = (tmp_path / "report.runs.jsonl").read_text("utf-8").splitlines()
    assert [json.loads(one)["run"]["verdicts"]["op.04"] for one in runs] == ["failed"]
    assert not json.loads(runs[0])["run"]["is_whole"]


def test_a_file_of_another_program_is_told_before_anything_is_run(tmp_path: Path) -> None:
    (tmp_path / "report.runs.jsonl").write_text("mine")
    ran = run(tmp_path, "--dut=python", f"--dut-report={tmp_path / 'report.html'}", "--dut-clause=op.04")
    assert ran.code == pytest.ExitCode.USAGE_ERROR
    assert "no run of the conformance suite" in ran.text
    assert ran.verdicts == {}


def test_a_case_of_another_name_is_told(tmp_path: Path) -> None:
    ran = run(tmp_path, "--dut=python", "--dut-case=test_nothing")
    assert ran.code == pytest.ExitCode.USAGE_ERROR
    assert "--dut-case: there is no case test_nothing" in ran.text


# --- the line -----------------------------------------------------------------------------------------------------


def spoken(*begins_ms: float) -> list[Spoken]:
    wire = encode_frame(request_frame(m.Report(), 5, 1))
    by = (HOST, ACTUATOR, OTHER)
    return [Spoken(round(at * MS), round((at + 1) * MS), by[number % 3], wire) for number, at in enumerate(begins_ms)]


def test_the_picture_has_a_row_for_each_device_and_cuts_a_long_silence_short() -> None:
    drawn = picture(spoken(10, 11.2, 40))
    assert drawn.count("<rect") == 3
    assert [f'class="{one}"' in drawn for one in (HOST, ACTUATOR, OTHER)] == [True] * 3
    assert "27.8 ms</text>" in drawn
    assert "1.200 ms: Report()" in drawn
    assert picture([]) == ""


def test_rows_count_from_the_first_transmission() -> None:
    rows = rows_of(spoken(10, 11.2))
    assert [row[:3] for row in rows] == [("0.000", HOST, "Report()"), ("1.200", ACTUATOR, "Report()")]
    data = {"spoken": [[one.start_ns, one.end_ns, one.by, one.data.hex()] for one in spoken(10, 11.2)]}
    assert last_lines(data)[1].split()[:3] == ["1.200", "ms", ACTUATOR]
    stray = rows_of([Spoken(0, 1, OTHER, b"\x81")])
    assert stray == [("0.000", OTHER, "1 byte outside a frame", "81")]


# --- what is reached ---------------------------------------------------------------------------------------------


def test_lines_and_branches_are_counted_by_clause() -> None:
    line = {"line_number": 1, "count": 2, "branches": [{"count": 2}, {"count": 0}]}
    other = {"line_number": 2, "count": 0, "branches": []}
    covered = Covered()
    counted = {"current_working_directory": "/nowhere", "files": [{"file": "a.c", "lines": [line, other]}]}
    covered.add(counted, ["op.44"])
    covered.add({**counted, "files": [{"file": "a.c", "lines": [{**other, "count": 1}]}]}, ["op.44", "op.50"])
    assert covered.totals() == ["reached of the firmware: 2 of 2 lines (100.0 %), 1 of 2 branches (50.0 %)"]
    assert [(one.line, one.what) for one in covered.missed()] == [(1, "1 of 2 branches")]
    assert list(covered.by_clause()) == [("op.44", 2, 1), ("op.50", 1, 0)]


def test_a_library_that_was_compiled_for_it_is_counted(tmp_path: Path) -> None:
    needs.compiler_and_cffi()
    ran = run(
        tmp_path, "--dut=reference", "--dut-coverage", "--dut-clause=op.44", f"--dut-report={tmp_path / 'r.html'}"
    )
    assert ran.code == 0, ran.text
    told = next(line for line in ran.text.splitlines() if line.startswith("reached of the firmware: "))
    reached, of = int(told.split()[4]), int(told.split()[6])
    assert 300 < reached < of
    page = (tmp_path / "r.html").read_text("utf-8")
    assert "<td>bp_motion.c</td>" in page
    assert "places that no case reached" in page


@pytest.mark.parametrize(
    ("target", "said"),
    [("python", "'python' is none"), ("sim://bench-four", "is none"), ("{faulty}", "was not compiled for it")],
)
def test_what_cannot_be_counted_is_told(faulty: Path, tmp_path: Path, target: str, said: str) -> None:
    ran = run(tmp_path, f"--dut={target.format(faulty=faulty)}", "--dut-coverage", "--dut-clause=op.44")
    assert ran.code == pytest.ExitCode.USAGE_ERROR
    assert said in ran.text


def test_the_file_for_it_compiles_without_being_asked_for_too(tmp_path: Path) -> None:
    needs.compiler_and_cffi()
    assert compile_files({SHIM_NAME: SHIM}, tmp_path / "a.so").exists()
    assert "-DBP_COVERAGE" in FLAGS


# --- neighbours --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("scenario", "at"), [("tow-plane", 2), ("hauler", 5), ("full-line", 9)])
def test_a_healthy_one_among_others_on_a_port_fails_nothing_and_they_stay_as_they_are(
    scenario: str, at: int, tmp_path: Path
) -> None:
    uid = list(load(scenario).uids(at).values())[at].hex()
    ran = run(tmp_path, f"--dut=sim://{scenario}?seed={at}", f"--dut-uid={uid}")
    assert ran.named("failed") == set()
    assert ran.code == 0, ran.text
    assert "other actuators are on the line: acknowledged in the epoch of the cases" in ran.text
    assert "op.01" in ran.clauses("passed")


def test_no_case_gives_a_neighbour_an_address() -> None:
    """The uids of these neighbours differ from its own in one bit."""
    target = OnPort("sim://bench-four?seed=1", uid=bytes.fromhex("b0a7000000000102"))
    assert bytes.fromhex("b0a7000000000103") in target.neighbours
    dut = target.fresh("case")
    absent = dut.absent_uid(7)
    assert absent not in {*dut.others, dut.uid}
    assert absent[:7] == dut.uid[:7]
    assert (absent[7] ^ dut.uid[7]).bit_count() == 1
    before = {one.uid: one.address for one in dut.run(find(rng=random.Random(1))).found}
    test_operations.test_an_assign_for_another_uid_is_not_followed(dut)
    assert {one.uid: one.address for one in dut.run(find(rng=random.Random(2))).found} == before
    target.close()
