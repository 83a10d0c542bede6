"""The suite on the three kinds of targets: everything passes, and the same clauses are checked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from busproto.conformance.clauses import CLAUSES
from busproto.conformance.targets import NO_BENCH, NO_FACTORY, PYTHON, REFERENCE
from tests.conformance.helpers import Behind, bus_behind, run

NEEDS_A_SIDE_CHANNEL = {
    "find.first",
    "find.backoff",
    "find.sense",
    "find.jitter",
    "does.lost",
    "does.copies",
}
"""What a test cannot see or do from the far end of a port alone."""
SEED = "--dut-seed=11"
"""The same draw in each run of the tests; a fresh one is for those who test a firmware."""
SCENARIO = """
title = "one under test"
[line]
clock-error = 0.0
[model."under test"]
[[actuator]]
label = "under test"
model = "under test"
uid = "d17e00c3005a8101"
device = "reference"
"""


@pytest.mark.parametrize("target", [PYTHON, REFERENCE])
def test_in_process_everything_is_checked_and_passes(target: str, tmp_path: Path) -> None:
    ran = run(tmp_path, f"--dut={target}", SEED)
    assert ran.code == 0, ran.text
    assert ran.named("failed") == set()
    for_firmware = {line.strip() for line in ran.text.splitlines() if line.endswith((NO_BENCH, NO_FACTORY))}
    assert {name.split("[")[0] for name in ran.named("not checked")} == {
        re.split(r" |\[", one)[0] for one in for_firmware
    }
    assert bool(for_firmware) == (target == PYTHON)
    assert ran.clauses("passed") == set(CLAUSES)
    assert len(ran.verdicts) > 300


def test_a_clock_of_any_seed_passes(tmp_path: Path) -> None:
    ran = run(tmp_path, "--dut=python", "--dut-seed=12345", "--dut-soak=400")
    assert ran.code == 0, ran.text


@pytest.fixture
def behind(tmp_path: Path) -> Iterator[Behind]:
    """A pseudo-terminal with the reference firmware behind it, in a process of its own, and its side channel."""
    scenario = tmp_path / "one.toml"
    scenario.write_text(SCENARIO, "utf-8")
    with bus_behind(scenario) as there:
        yield there


@pytest.mark.realtime
def test_behind_a_pseudo_terminal_the_same_clauses_pass(behind: Behind, tmp_path: Path) -> None:
    ran = run(tmp_path, f"--dut={behind.port}", f"--dut-side={behind.side}", "--all-clear", SEED)
    assert ran.code == 0, ran.text
    assert ran.named("failed") == set()
    assert ran.clauses("passed") == set(CLAUSES)
    assert all(name in ran.text for name in ran.named("not checked"))
    again = run(tmp_path, f"--dut={behind.port}", "--all-clear", "--dut-clause=op.20")
    assert again.code == 0, again.text


@pytest.mark.realtime
def test_without_a_side_channel_what_needs_one_is_not_checked(behind: Behind, tmp_path: Path) -> None:
    ran = run(tmp_path, f"--dut={behind.port}", "--all-clear", *(f"--dut-clause={one}" for one in NEEDS_A_SIDE_CHANNEL))
    assert ran.code == 0, ran.text
    assert ran.clauses("not checked") >= NEEDS_A_SIDE_CHANNEL
    assert not ran.clauses("passed") & NEEDS_A_SIDE_CHANNEL
    assert "it needs a side channel (--dut-side) that follows: heard" in ran.text


@pytest.mark.realtime
def test_what_was_stored_is_put_back(behind: Behind, tmp_path: Path) -> None:
    from busproto.ops import Link, assign, commit, find, read_all, write
    from busproto.transport import open_transport
    from busproto.wire import messages as m

    with Link(open_transport(behind.port)) as link:
        (one,) = link.run(find()).found
        link.run(assign(one.uid, 33))
        link.run(write(33, {"neutral": 321, "correction": (-100, 0, 300)}))
        link.run(commit(33))
        before = link.run(read_all(33, m.Memory.STORED))
    ran = run(tmp_path, f"--dut={behind.port}", "--all-clear", "--dut-clause=does.undo", "--dut-clause=op.10")
    assert ran.code == 0, ran.text
    with Link(open_transport(behind.port)) as link:
        assert link.run(read_all(33, m.Memory.STORED)) == before
