"""A handful of seeded faults is found for the right reason; ``python -m tests.conformance.mutants`` tries them all."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.conformance.clauses import CLAUSES
from busproto.sim.native.device_build import firmware_texts
from tests.conformance import mutants
from tests.conformance.seeded import FAULTS, woven_texts

HANDFUL = (
    "the CRC begins with zero",
    "it answers though suppressed",
    "a refused value is kept",
    "the stored copy is written in place",
    "it holds instead of going limp when the demand is lost",
    "a release to all is ignored",
)
BY_NAME = {fault.what: fault for fault in FAULTS}


def test_the_table_is_sound() -> None:
    assert len(FAULTS) >= 30
    assert len(BY_NAME) == len(FAULTS)
    for fault in FAULTS:
        assert fault.clauses
        assert set(fault.clauses) <= set(CLAUSES)


def test_every_fault_is_woven_in_and_the_firmware_itself_holds_none() -> None:
    woven = "\n".join(woven_texts().values())
    assert all(f"if BP_MUTANT == {fault.number}\n" in woven for fault in FAULTS)
    assert "BP_MUTANT" not in "\n".join(firmware_texts().values())


@pytest.mark.parametrize("what", HANDFUL)
def test_it_is_found_for_the_right_reason(what: str, tmp_path: Path) -> None:
    caught = mutants.examine(BY_NAME[what], tmp_path)
    assert caught.is_right, mutants.line_of(caught)


def test_with_no_fault_switched_on_nothing_is_found(tmp_path: Path) -> None:
    caught = mutants.examine(mutants.AS_IT_IS, tmp_path)
    assert caught.is_right, mutants.line_of(caught)
    assert caught.ran > 300
