"""What a trial and a match leave beside the airframe file: whole, and nothing that was there before is lost."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any, Final

import pytest

from busproto.errors import InputError
from busproto.ops.survey import survey
from busproto.plan.airframe import results
from busproto.plan.airframe.audit import audit
from busproto.plan.airframe.results import gang_named, keep_match, subjects_to_try, trial_body, write_trial
from busproto.plan.calibration.gang_match import load_matches, matches_of, unmatched
from busproto.plan.calibration.match import Figures, Matched
from busproto.plan.card.card import load_trial
from busproto.plan.load import Gang, Plan, load
from busproto.plan.trials.trial import PARTS
from tests.plan.calibration.helpers import members, rudder

EXAMPLE: Final = Path(str(resources.files("busproto.plan"))) / "examples" / "rudder"


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    shutil.copytree(EXAMPLE, tmp_path / "rudder")
    return load(tmp_path / "rudder" / "rudder.toml")


def names(plan: Plan) -> set[str]:
    return {path.name for path in plan.path.parent.iterdir() if path.name.endswith((".json", ".unreadable"))}


def matched() -> Matched:
    figures = Figures(greatest_deg={}, rms_deg={}, idle_ma=1.0, peak_idle_ma=2.0, torque_nm=0.1, curve={})
    return Matched(figures, figures, {})


def keep_trial(plan: Plan, parts: Sequence[str], missing: Sequence[str], unmatched: dict[str, str]) -> dict[str, Any]:
    return write_trial(plan, trial_body(plan, parts, [], {}, missing, unmatched))


def dated(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(results, "now_text", lambda: text)


def test_a_trial_of_fewer_parts_leaves_the_earlier_one_there(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    dated(monkeypatch, "2031-05-04T10:00:00+02:00")
    whole = keep_trial(plan, PARTS, ["rudder, lead"], {})
    dated(monkeypatch, "2031-05-04T11:30:00+02:00")
    part = keep_trial(plan, ["loss"], [], {})
    assert names(plan) == {"rudder.trial.json", "rudder.trial.20310504T100000.json"}
    assert json.loads(plan.beside("trial.json").read_text()) == part
    assert json.loads(plan.beside("trial.20310504T100000.json").read_text()) == whole
    assert (whole["as_planned"], part["as_planned"]) == (False, True)
    assert load_trial(plan.beside("trial.json")).date == "2031-05-04T11:30:00+02:00"


def test_a_file_of_results_says_which_kind_and_version_it_is(plan: Plan) -> None:
    body = keep_trial(plan, PARTS, [], {})
    assert json.loads(plan.beside("trial.json").read_text("utf-8")) == body
    assert body["format"] == 1


def test_a_trial_of_the_same_parts_takes_the_place_of_the_earlier_one(plan: Plan) -> None:
    keep_trial(plan, ["loss"], [], {})
    keep_trial(plan, PARTS, [], {})
    keep_trial(plan, PARTS, [], {})
    assert names(plan) == {"rudder.trial.json"}


@pytest.mark.parametrize("text", ["", "no json", "[]", '{"parts": 3, "gangs": 4}', "\u00e4"])
def test_what_cannot_be_understood_is_kept_under_another_name(plan: Plan, text: str) -> None:
    for ending in ("trial.json", "match.json"):
        plan.beside(ending).write_text(text, "utf-8")
    keep_trial(plan, ["loss"], [], {})
    _bus, link = rudder()
    keep_match(plan, plan.gangs["rudder"], members(link)[:1], matched())
    for ending in ("trial.json", "match.json"):
        assert plan.beside(f"{ending}.unreadable").read_text("utf-8") == text
    assert load_trial(plan.beside("trial.json")).actuators == []
    assert list(load_matches(plan.beside("match.json")).gangs) == ["rudder"]


def test_where_none_is_at_its_planned_address_there_is_nothing_to_try(plan: Plan) -> None:
    bus, link = rudder()
    for actuator, address in zip(bus.actuators, (60, 61, 62), strict=True):
        actuator.settings.address = address
    bus.index()
    seen = link.run(survey())
    with pytest.raises(InputError, match="is at its planned address: 'busproto audit' tells more"):
        subjects_to_try(plan, audit(plan, {}, seen), seen.roster)


def test_what_can_be_neither_understood_nor_renamed_is_not_written_over(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = plan.beside("trial.json")
    path.write_text("no json", "utf-8")

    def refused(self: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(InputError, match="cannot be understood, nor renamed: Operation not permitted"):
        keep_trial(plan, ["loss"], [], {})
    assert path.read_text("utf-8") == "no json"


def test_a_gang_that_is_not_matched_is_no_trial_that_passed(plan: Plan) -> None:
    assert keep_trial(plan, ["loss"], [], {})["as_planned"]
    body = keep_trial(plan, ["loss"], [], {"rudder": "not matched"})
    assert (body["as_planned"], body["unmatched"]) == (False, {"rudder": "not matched"})


def test_a_match_that_was_refused_counts_and_keeps_the_one_before(plan: Plan) -> None:
    _bus, link = rudder()
    subjects, gang = members(link)[:1], plan.gangs["rudder"]
    refused = Matched(None, None, {}, ("its rod is off",))
    first = keep_match(plan, gang, subjects, matched())
    for _ in range(2):
        kept = keep_match(plan, gang, subjects, refused)
        assert (kept["stored"], kept["table_state"], kept["reasons"]) == (False, "as before", ["its rod is off"])
        assert kept["earlier"] == first
        assert (
            unmatched(plan, matches_of(plan), {})["rudder"] == "not matched: the last try was refused: its rod is off"
        )
    assert "earlier" not in keep_match(plan, gang, subjects, matched())


def test_the_figures_of_other_gangs_stay(plan: Plan) -> None:
    _bus, link = rudder()
    subjects = members(link)[:1]
    first = keep_match(plan, plan.gangs["rudder"], subjects, matched())
    second = keep_match(plan, Gang("elevator", 2, ()), subjects, matched())
    kept: dict[str, Any] = json.loads(plan.beside("match.json").read_text())
    assert kept["gangs"] == {"rudder": first, "elevator": second}


def test_a_gang_that_is_not_there_is_told_with_those_that_are(plan: Plan) -> None:
    with pytest.raises(InputError, match="has no gang 'flap'; there are: rudder"):
        gang_named(plan, "flap")
