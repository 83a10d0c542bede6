"""An actuator that does not offer the optional extension passes, and is told apart from one that does."""

from __future__ import annotations

from pathlib import Path

from busproto.conformance.clauses import CLAUSES
from busproto.sim.native.device_build import compile_files, firmware_texts
from busproto.wire.page.rules import CORE, TEACHING
from tests.conformance.helpers import run


def of_part(part: str) -> set[str]:
    return {one.id for one in CLAUSES.values() if one.part == part}


def test_without_the_extension_the_core_passes_and_the_rest_is_not_checked(tmp_path: Path) -> None:
    library = compile_files(firmware_texts(), tmp_path / "plain.so", flags=("-O1", "-DBP_WITHOUT_TEACHING"))
    ran = run(tmp_path, f"--dut={library}")
    assert ran.code == 0, ran.text
    assert ran.clauses("passed") == of_part(CORE)
    assert ran.clauses("not checked") >= of_part(TEACHING)
    assert "clauses of the core: " in ran.text
    assert "clauses of the extension 'teaching' (optional): not offered" in ran.text
    named = ran.named("not checked")
    assert named
    for name in named:
        cited = ran.verdicts[name][1]
        assert set(cited) & of_part(TEACHING), f"{name} is of the core and was not checked"


def test_half_an_extension_is_a_failure(tmp_path: Path) -> None:
    texts = firmware_texts()
    optional = ("SUPPRESS", "PREFIX_QUERY", "SLOTTED_CALL")
    whole = f"if ({' || '.join(f'number == BP_OPERATION_{name}' for name in optional)}) {{"
    assert texts["bp_device.c"].count(whole) == 1
    texts["bp_device.c"] = texts["bp_device.c"].replace(whole, "if (number == BP_OPERATION_SUPPRESS) {")
    library = compile_files(texts, tmp_path / "half.so", flags=("-O1", "-DBP_WITHOUT_TEACHING"))
    ran = run(tmp_path, f"--dut={library}", "--dut-clause=refusal.extension")
    assert ran.named("failed") == {"test_it_offers_the_teaching_extension_whole_or_not_at_all"}
