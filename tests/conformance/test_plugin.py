"""What `--dut` takes and refuses, and what a run leaves behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conformance.helpers import run

QUICK = ("--dut-clause=frame.sequence", "--dut-clause=op.20")


def test_without_dut_nothing_is_checked(tmp_path: Path) -> None:
    ran = run(tmp_path, "--pyargs", "busproto.conformance.suite", "-k", "test_it_describes_itself and not made")
    assert ran.named("not checked") == {"test_it_describes_itself"}
    assert "conformance of" not in ran.text


def test_a_run_cites_clauses_in_its_junit_file_its_page_and_its_summary(tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    ran = run(tmp_path, "--dut=python", *QUICK, f"--dut-report={page}")
    assert ran.code == 0, ran.text
    assert set(ran.verdicts["test_it_describes_itself"][1]) == {"op.20", "does.uid"}
    assert "  op.20" in ran.text
    assert "Conformance of python" in page.read_text("utf-8")
    assert "0 failed, 0 not checked" in ran.text


def test_the_suite_can_be_named_too(tmp_path: Path) -> None:
    named = run(tmp_path, "--pyargs", "busproto.conformance.suite", "--dut", "python", *QUICK)
    assert named.code == 0
    assert named.verdicts == run(tmp_path, "--dut", "python", *QUICK).verdicts


def test_the_same_seed_draws_the_same(tmp_path: Path) -> None:
    one, other = (run(tmp_path, "--dut=python", "--dut-seed=7", *QUICK) for _ in range(2))
    assert one.verdicts == other.verdicts


def test_a_case_of_a_users_own_that_cannot_be_loaded_is_told_as_pytest_tells_it(tmp_path: Path) -> None:
    own = tmp_path / "test_own.py"
    own.write_text("import nothing_of_this_name\n", "utf-8")
    ran = run(tmp_path, "--dut=python", str(own))
    assert ran.code == pytest.ExitCode.INTERRUPTED
    assert "No module named 'nothing_of_this_name'" in ran.text
    assert "INTERNALERROR" not in ran.text


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--dut=./nowhere.so"], "there is no library './nowhere.so'"),
        (["--dut="], "--dut: no target is given"),
        (["--dut=python", "--dut-side=127.0.0.1:9"], "--dut-side: it stands beside a port"),
        (["--dut=sim://bench-four", "--dut-side=here"], "--dut-side 'here': HOST:PORT is wanted"),
        (["--dut=sim://bench-four", "--dut-side=127.0.0.1:1"], "--dut-side '127.0.0.1:1': no program answers there"),
        (["--dut=python", "--dut-clause=frame.nothing"], "--dut-clause: there is no frame.nothing"),
        (["--dut=/dev/null/none", "--all-clear"], "/dev/null/none"),
        (["--dut=sim://bench-four"], "one actuator is wanted there, or --dut-uid; there are:"),
        (["--dut=sim://bench-four", "--dut-uid=0102030405060708"], "it is not on 'sim://bench-four'"),
        (["--dut=sim://bench-four", "--dut-uid=xyz"], "--dut-uid 'xyz': 16 hex digits are wanted"),
    ],
)
def test_what_cannot_be_tested_is_said_and_nothing_else(tmp_path: Path, arguments: list[str], said: str) -> None:
    ran = run(tmp_path, *arguments, "-k", "test_it_describes_itself")
    assert ran.code == pytest.ExitCode.USAGE_ERROR
    assert said in ran.text
    assert "Traceback" not in ran.text


def test_what_is_on_a_port_moves_only_when_all_is_clear(tmp_path: Path) -> None:
    ran = run(tmp_path, "--dut=/dev/ttyNONE")
    assert ran.code == pytest.ExitCode.USAGE_ERROR
    assert "Propeller off" in ran.text
    assert "--all-clear" in ran.text
    assert ran.verdicts == {}


def test_one_of_several_on_a_port_by_its_uid(tmp_path: Path) -> None:
    uid = _uid_on("bench-four")
    ran = run(tmp_path, "--dut=sim://bench-four", f"--dut-uid={uid}", *QUICK)
    assert ran.code == 0, ran.text
    assert ran.named("passed")


def _uid_on(scenario: str) -> str:
    from busproto.sim.scene.scenario import load

    return next(iter(load(scenario).uids(0).values())).hex()


def test_a_suite_of_ones_own_has_the_fixtures(tmp_path: Path) -> None:
    own = tmp_path / "test_mine.py"
    own.write_text(
        "from busproto.conformance.clauses import clause\n"
        "from busproto.ops import describe\n"
        "from busproto.wire import messages as m\n"
        "@clause('op.20')\n"
        "def test_mine(dut, bus_link):\n"
        "    assert bus_link.run(describe(dut.address)).uid == dut.uid\n"
        "    assert dut.report().state is m.State.LIMP\n",
        "utf-8",
    )
    ran = run(tmp_path, str(own), "--dut=python", "-W", "error")
    assert ran.code == 0, ran.text
    assert ran.verdicts == {"test_mine": ("passed", ("op.20",))}


def test_it_starts_without_the_rest_where_no_dut_is_given() -> None:
    import subprocess
    import sys

    code = (
        "import sys, busproto.conformance.plugin as p; "
        "print(sorted(n for n in sys.modules if n.split('.')[0] in {'sim', 'construct', 'hypothesis', 'cffi'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
