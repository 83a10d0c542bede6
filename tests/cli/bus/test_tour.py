"""The tour of README, line by line: the box with everything wrong becomes an airframe that is proven and recorded.

The commands are those that the page shows, on a bus that outlasts them. A line that begins with `>` is typed into the
terminal in which the virtual bus runs.
"""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Final

import pytest

from busproto.cautions import CAUTIONS
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import audit
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.load import load
from busproto.plan.seating import load_seating
from busproto.sim.control import obey
from tests.cli.helpers import Bench, CommandLine, Result, make_bench
from tests.docs.markdown import block_behind
from tests.plan.airframes import LABELS

_EXPECTED: Final = re.compile(r"\s+# exit code (\d+)(?:: .*)?$")


def lines_of(marker: str) -> list[str]:
    return [line for line in block_behind("README.md", marker).text.splitlines() if line.strip()]


def walk(cli: CommandLine, bench: Bench, marker: str = "the tour") -> list[Result]:
    """Do every line of a tour; each ends with the exit code that the page says."""
    results = []
    for line in lines_of(marker):
        if line.startswith("> "):
            obey(bench.bus, line.removeprefix("> "))
        elif line.startswith("$ busproto "):
            expected = _EXPECTED.search(line)
            arguments = shlex.split(_EXPECTED.sub("", line).removeprefix("$ busproto "))
            result = cli(*arguments)
            assert result.code == (int(expected.group(1)) if expected else 0), result.transcript()
            results.append(result)
        else:
            assert line.startswith(("$ export ", "#")), line
    return results


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Bench:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BUSPROTO_PORT", "sim://hauler?seed=1")
    return make_bench(monkeypatch, "hauler", seed=1)


def test_the_tour_ends_with_an_airframe_that_is_as_planned_proven_and_recorded(
    cli: CommandLine, bench: Bench, tmp_path: Path
) -> None:
    results = walk(cli, bench)
    for result in results:
        if result.arguments[0] in {"trial", "match"}:
            assert "--clear" in result.arguments
            assert all(caution in result.err for caution in CAUTIONS), "whatever moves comes behind the cautions"
    verbs = [result.arguments[0] for result in results]
    assert {"plan", "audit", "claim", "apply", "save", "replace", "match", "trial", "card"} <= set(verbs)
    plan = load(tmp_path / "tour" / "hauler-mended.toml")
    from busproto.ops import Link

    found = audit(plan, load_seating(plan), Link(bench.bus.host).run(survey()), matches_of(plan))
    assert found.is_clean
    too_early, matched = (result for result in results if result.arguments[0] == "match")
    assert "rudder, middle was not carried along by rudder, upper: it went 0.0" in " ".join(too_early.out.split())
    assert "The tables are as they were before; that was read back." in " ".join(too_early.out.split())
    assert "The tables are stored, and were read back." in matched.out
    assert {result.arguments[0]: result.code for result in results[-6:]} == dict.fromkeys(
        ("match", "audit", "trial", "save", "card"), 0
    )
    trial = json.loads(plan.beside("trial.json").read_text("utf-8"))
    assert trial["passed"]
    assert len(trial["actuators"]) == 13
    record = json.loads(plan.beside("record.json").read_text("utf-8"))
    card = plan.beside("card.html").read_text("utf-8")
    assert record["fingerprint"] in card
    # the hand told the truth: everyone but the two that were replaced sits where the scenario says
    seating = load_seating(plan)
    replaced = {"rudder, middle": "spare 40", "airbrake": "spare 25"}
    for function, uid in seating.items():
        label = replaced.get(function) or LABELS.get(function, function)
        assert uid == bench.actuator(label).uid, function


def test_the_rudder_that_fights_is_matched_and_the_rigging_is_reckoned(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli("plan new tour --example hauler").code == 0
    results = walk(cli, make_bench(monkeypatch, "rudder-gang"), "the rudder")
    assert "The tables are stored, and were read back." in results[1].out
    assert "recommended" in results[2].out
