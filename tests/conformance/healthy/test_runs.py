"""What a run is made of and how its verdict is read; whole runs are the command's."""

from __future__ import annotations

import pytest

from busproto.sim.scene.scenario import parse
from tests.conformance.healthy.__main__ import table
from tests.conformance.healthy.runs import MOST_NEIGHBOURS, UID, Verdict, judged, scenario_of
from tests.conformance.helpers import Ran

GOOD = {"test_a": ("passed", ("op.20",)), "test_b": ("not checked", ("op.21",))}


@pytest.mark.parametrize("with_neighbours", [False, True])
def test_what_is_drawn_is_a_scenario_with_the_actuator_under_test(with_neighbours: bool) -> None:
    counts = set()
    for seed in range(60):
        bus = parse(scenario_of("python", seed, with_neighbours=with_neighbours)).build(seed)
        assert bus.actuators[0].uid.hex() == UID
        others = bus.actuators[1:]
        assert not {one.address for one in others} & {5}
        assert len({one.uid for one in bus.actuators}) == len(bus.actuators)
        counts.add(len(others))
    assert counts == (set(range(1, MOST_NEIGHBOURS + 1)) if with_neighbours else {0})


def test_a_verdict_is_healthy_where_all_passed_and_pytest_says_so() -> None:
    good = judged("python", "port", 7, Ran(0, "", GOOD))
    assert (good.is_healthy, good.passed, good.not_checked, good.failed) == (True, 1, 1, [])
    bad = judged("python", "port", 8, Ran(1, "", {**GOOD, "test_c": ("failed", ())}))
    assert (bad.is_healthy, bad.is_whole, bad.failed) == (False, True, ["test_c"])
    assert bad.text() == "python, port, --dut-seed=8: 1 passed, exit code 1, failed: test_c"
    broken = judged("python", "port", 9, Ran(4, "usage\nno port\n", {}))
    assert (broken.is_healthy, broken.is_whole) == (False, False)
    assert broken.text().endswith("exit code 4, failed: no port")
    shown = table([good, bad, broken], [("python", "port")]).splitlines()
    assert shown[1].split() == ["python", "port", "3", "2", "2", "1", "1"]
    assert shown[2:] == [bad.text(), broken.text()]


def test_a_run_that_passed_nothing_is_not_healthy() -> None:
    assert not Verdict("python", "library", 1, 0, [], 0, 1200).is_healthy
