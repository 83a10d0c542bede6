"""The way of a firmware's author from nothing to a first failing and then a passing run."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from busproto.conformance import start
from busproto.sim.native.device_build import STRICT, find_compiler
from tests.conformance.helpers import run

BEFORE = "    if (result == BP_OK && request.kind == BP_KIND_LINK_TEST) {\n"
REFUSES = """    if (result != BP_OK) {
        reply.kind = BP_KIND_REFUSED;
        reply.as.refused.code = bp_operation_of(frame->operation) == NULL ? BP_OUTCOME_UNKNOWN_OPERATION
                                                                          : BP_OUTCOME_BAD_REQUEST;
        answer(device, frame, &reply, time_us);
    }
"""
"""What the README has the author add."""


def built(directory: Path) -> str:
    library = directory.parent / "libmine.so"
    sources = sorted(map(str, directory.glob("*.c")))
    subprocess.run([find_compiler(), *STRICT, "-O1", "-fPIC", "-shared", "-o", str(library), *sources], check=True)
    return str(library)


def test_from_nothing_to_a_failing_and_then_a_passing_run(tmp_path: Path) -> None:
    own = tmp_path / "mine"
    done = CliRunner().invoke(start.command, [str(own)])
    assert done.exit_code == 0, done.output
    assert "pytest --dut=./libmine.so --dut-clause=op.50" in done.output
    first = run(tmp_path, f"--dut={built(own)}", "--dut-clause=op.50")
    assert first.code == pytest.ExitCode.TESTS_FAILED
    assert first.named("failed") == {"test_a_link_test_too_long_is_refused"}
    assert "! op.50" in first.text
    text = (own / "mine.c").read_text("utf-8")
    assert text.count(BEFORE) == 1
    (own / "mine.c").write_text(text.replace(BEFORE, REFUSES + BEFORE), "utf-8")
    then = run(tmp_path, f"--dut={built(own)}", "--dut-clause=op.50")
    assert then.code == 0, then.text
    assert then.clauses("passed") >= {"op.50", "frame.layout", "frame.check"}


def test_what_is_there_is_not_written_over(tmp_path: Path) -> None:
    start.write_start(tmp_path)
    (tmp_path / "mine.c").write_text("mine", "utf-8")
    done = CliRunner().invoke(start.command, [str(tmp_path)])
    assert done.exit_code == 2
    assert "is not written over" in done.output
    assert (tmp_path / "mine.c").read_text("utf-8") == "mine"
