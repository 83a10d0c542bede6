"""The handbook's tour, line by line: the box with everything wrong becomes an airframe that is proven and recorded.

The commands are those that the page shows, on a bus that outlasts them; see `tests.handbook.walking`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from busproto import handbook
from busproto.cautions import CAUTIONS
from busproto.ops.survey import survey
from busproto.plan.airframe.audit import audit
from busproto.plan.assignment import load_assignment
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.load import load
from tests.cli.helpers import Bench, CommandLine, make_bench
from tests.docs.markdown import block_behind
from tests.handbook.walking import bus_of, walk, walk_block
from tests.plan.airframes import LABELS

TOUR: Final = handbook.TOPICS["tour"]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Bench:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BUSPROTO_PORT", "sim://hauler?seed=1")
    scenario = bus_of(TOUR)
    assert scenario == "hauler"
    return make_bench(monkeypatch, scenario, seed=1)


def test_the_tour_ends_with_an_airframe_that_is_as_planned_proven_and_recorded(
    cli: CommandLine, bench: Bench, tmp_path: Path
) -> None:
    results = walk(TOUR, cli, bench, tmp_path)
    for result in results:
        if result.arguments[0] in {"trial", "match"}:
            assert "--clear" in result.arguments
            assert all(caution in result.err for caution in CAUTIONS), "whatever moves comes behind the cautions"
    verbs = [result.arguments[0] for result in results]
    assert {"plan", "audit", "claim", "apply", "save", "replace", "match", "trial", "card"} <= set(verbs)
    plan = load(tmp_path / "tour" / "hauler-mended.toml")
    from busproto.ops import Link

    found = audit(plan, load_assignment(plan), Link(bench.bus.host).run(survey()), matches_of(plan))
    assert found.is_clean
    too_early, matched = (result for result in results if result.arguments[0] == "match")
    assert "rudder, middle was not carried along by rudder, upper: it went 0.0" in " ".join(too_early.out.split())
    assert "The tables are as they were before; that was read back." in " ".join(too_early.out.split())
    assert "The tables are stored, and were read back." in matched.out
    assert {result.arguments[0]: result.code for result in results[-6:]} == dict.fromkeys(
        ("match", "audit", "trial", "save", "card"), 0
    )
    trial = json.loads(plan.beside("trial.json").read_text("utf-8"))
    assert trial["as_planned"]
    assert len(trial["actuators"]) == 13
    record = json.loads(plan.beside("record.json").read_text("utf-8"))
    card = plan.beside("card.html").read_text("utf-8")
    assert record["fingerprint"] in card
    # the hand told the truth: every actuator but the two that were replaced sits where the scenario says
    assignment = load_assignment(plan)
    replaced = {"rudder, middle": "spare 40", "airbrake": "spare 25"}
    for function, uid in assignment.items():
        label = replaced.get(function) or LABELS.get(function, function)
        assert uid == bench.actuator(label).uid, function


def test_the_rudder_that_fights_is_matched_and_the_rigging_is_calculated(
    cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli("plan new tour --example hauler").code == 0
    block = block_behind("busproto/handbook/pages/tour.md", "the rudder")
    _, results = walk_block(block, cli, make_bench(monkeypatch, "rudder-gang"), tmp_path)
    assert [result.arguments[0] for result in results] == ["plan", "match", "rig"]
