"""A case that fails beside a late machine is tried again, and never taken for a failure; one in time is."""

from __future__ import annotations

from pathlib import Path

import pytest

from busproto.conformance import punctual
from busproto.conformance.punctual import TRIES, Watch
from tests.conformance.helpers import run

CONFTEST = """
from busproto.conformance.punctual import LATE_S, run_in_time


class InTime:
    worst_s = LATE_S * 0.99

    def __enter__(self):
        return self

    def __exit__(self, *error):
        pass


class Late(InTime):
    worst_s = 0.0345


def pytest_runtest_protocol(item, nextitem):
    run_in_time(item, nextitem, Late if "late" in item.name else InTime)
    return True
"""
CASES = """
import pytest

made = {}


@pytest.fixture
def number(request):
    made[request.node.name] = made.get(request.node.name, 0) + 1
    return made[request.node.name]


def test_late_at_first(number):
    assert number == 3


def test_late_each_time(number):
    assert number == 0


def test_late_and_passed(number):
    assert number == 1


def test_in_time_it_fails(number):
    assert number == 2


def test_in_time_it_passes(number):
    assert number == 1
"""


def test_only_a_failure_beside_a_late_machine_is_tried_again(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text(CONFTEST, "utf-8")
    (tmp_path / "test_cases.py").write_text(CASES, "utf-8")
    ran = run(tmp_path, str(tmp_path), "-rs", f"--rootdir={tmp_path}")
    assert {name: verdict for name, (verdict, _) in ran.verdicts.items()} == {
        "test_late_at_first": "passed",
        "test_late_each_time": "not checked",
        "test_late_and_passed": "passed",
        "test_in_time_it_fails": "failed",
        "test_in_time_it_passes": "passed",
    }, ran.text
    assert f"not checked: the machine was too busy: up to 34 ms late in each of {TRIES} tries" in ran.text


class Rounds:
    """An event that is not set for so many waits."""

    def __init__(self, count: int) -> None:
        self.left = count

    def wait(self, timeout_s: float) -> bool:
        self.left -= 1
        return self.left < 0


def test_the_greatest_lateness_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter([0.0, 0.002, 0.031, 0.034])
    monkeypatch.setattr(punctual.time, "monotonic", lambda: next(clock))
    watch = Watch()
    watch._is_over = Rounds(3)  # type: ignore[assignment]
    watch._run()
    assert watch.worst_s == pytest.approx(0.027)
