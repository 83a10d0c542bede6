"""The suite on a firmware that shares no code with ours: it has no failure where a device keeps the page.

`HYPOTHESIS_PROFILE=deep` tries all values of each case, otherwise one of each is drawn.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from busproto.conformance.clauses import CLAUSES
from tests.conformance.helpers import Ran, run
from tests.independent.device import built

SEED = "--dut-seed=11"
ALL = () if os.environ.get("HYPOTHESIS_PROFILE") == "deep" else ("-p", "tests.independent.device")
TEACHING = {one.id for one in CLAUSES.values() if one.part == "teaching"}


def tried(directory: Path, *options: str) -> Ran:
    ran = run(directory, f"--dut={built(directory, *options)}", SEED, *ALL)
    assert ran.named("failed") == set(), ran.text
    assert ran.code == 0, ran.text
    return ran


def test_every_clause_is_checked_and_kept(tmp_path: Path) -> None:
    ran = tried(tmp_path)
    assert ran.clauses("passed") == set(CLAUSES)
    assert ran.clauses("not checked") == set(), ran.text
    assert len(ran.verdicts) > 250


@pytest.mark.parametrize(
    ("options", "silent"),
    [
        (["-DWITHOUT_TEACHING"], TEACHING),
        (["-DFEWER", "-DNARROWER"], None),
    ],
    ids=["without teaching", "fewer parameters, narrower ranges"],
)
def test_what_the_page_leaves_free_is_no_failure(tmp_path: Path, options: list[str], silent: set[str] | None) -> None:
    ran = tried(tmp_path, *options)
    if silent is not None:
        assert ran.clauses("passed") == set(CLAUSES) - silent
    assert ran.clauses("passed") >= {"line.boot", "frame.check", "does.reply", "find.backoff", "refusal.range", "op.31"}
