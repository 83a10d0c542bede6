"""The card: what stands on it of each actuator, of a trial, and of the trial file."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from busproto.errors import FileError
from busproto.plan.airframe.record import Unread
from busproto.plan.card.card import (
    ALONE,
    NO_POSITIVE,
    NOT_MEASURED,
    NOT_TESTED,
    Note,
    Result,
    Row,
    TrialDirection,
    Verdict,
    card_of,
    load_trial,
)
from busproto.plan.trials.direction import Way
from busproto.wire.parameters import FACTORY
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import entry, record
from tests.plan.card.helpers import GLIDER, trial_of
from tests.plan.texts import write_plan

# --- what stands on it ------------------------------------------------------------------------------------------------


def test_a_row_says_what_an_actuator_is() -> None:
    row = card_of(GLIDER).rows[0]
    assert row == Row(
        function="aileron",
        address=3,
        channel="2",
        gang="-",
        kind="bench 25, firmware 2.4",
        uid=uid_of(1).hex(),
        neutral="\N{MINUS SIGN}1.5",
        ends="\N{MINUS SIGN}90 to\N{NO-BREAK SPACE}+90",
        loss="hold after 600\N{NO-BREAK SPACE}ms",
        loss_test=NOT_TESTED,
        soft_start=NOT_TESTED,
        throw=NOT_TESTED,
        match=ALONE,
        direction=NO_POSITIVE,
        trial_faults=(),
        settings=(
            ("direction", "reversed", "normal"),
            ("loss-action", "hold", "limp"),
            ("loss-time-out", "600 ms", "500 ms"),
        ),
    )


def test_gangs_ends_presets_and_tables() -> None:
    _, rudder, elevator = card_of(GLIDER).rows
    assert (rudder.gang, rudder.match) == ("gang 1, leads", NOT_MEASURED)
    assert rudder.loss == "preset \N{MINUS SIGN}10.5\N{DEGREE SIGN} after 500\N{NO-BREAK SPACE}ms"
    assert ("correction", "3 points, at most 0.4 deg", "none") in rudder.settings
    assert elevator.gang == "gang 1, place\N{NO-BREAK SPACE}2"
    assert elevator.ends == "\N{MINUS SIGN}45 to\N{NO-BREAK SPACE}+30.5"


def test_with_a_plan_the_map_counts_and_gangs_have_names(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, settings="travel = 90.0\nunder-voltage = 5.0")
    roles = plan.roles
    made = record(
        *(
            entry(n, role.address, name, settings={**FACTORY, **role.settings})
            for n, (name, role) in enumerate(roles.items(), 1)
            if name != "aileron"
        )
    )
    card = card_of(made, plan)
    assert {row.function: row.settings for row in card.rows} == {row.function: () for row in card.rows}
    gang = next(iter(plan.gangs.values()))
    assert [row.gang for row in card.rows if row.function in gang.members] == [
        f"{gang.name}, leads",
        f"{gang.name}, place\N{NO-BREAK SPACE}2",
    ]
    assert card.warnings == (
        Note("Plan", "In the plan but not in this record: aileron."),
        Note("Match", "rudder: not matched."),
    )
    assert card.defaults == "the map 'All of them'"
    assert ("travel", "90 deg", "120 deg") in card_of(made).rows[0].settings


@pytest.mark.parametrize(
    ("changes", "loss", "soft_start", "faults"),
    [
        ({}, Result(Verdict.GOOD, "passed: hold after 612 ms"), Result(Verdict.GOOD, "980 ms"), ()),
        ({"loss_after_ms": (598, 612)}, Result(Verdict.GOOD, "passed: hold after 598 to 612 ms"), None, ()),
        ({"loss_after_ms": None}, Result(Verdict.GOOD, "passed: hold"), None, ()),
        ({"loss_action_seen": "limp"}, Result(Verdict.BAD, "test again: was tested as limp"), None, ()),
        ({"loss_after_ms": 512}, Result(Verdict.BAD, "test again: was tested with 512 ms"), None, ()),
        ({"loss_after_ms": [790, 800]}, Result(Verdict.BAD, "test again: was tested with 790 to 800 ms"), None, ()),
        ({"loss_action_seen": None}, NOT_TESTED, None, ()),
        ({"soft_start_ms": None}, None, NOT_TESTED, ()),
        ({"soft_start_ms": 300}, None, Result(Verdict.BAD, "300 ms, set: 1000 ms"), ()),
        (
            {"as_planned": False, "problems": ("it limps",)},
            Result(Verdict.BAD, "NOT passed: hold after 612 ms"),
            None,
            ("it limps",),
        ),
        ({"as_planned": False, "centred": False}, None, None, ("not centred",)),
        (
            {"as_planned": False, "loss_action_seen": "", "loss_after_ms": None},
            Result(Verdict.BAD, "NOT passed: nothing seen"),
            None,
            ("not passed",),
        ),
    ],
)
def test_what_a_trial_found(
    changes: dict[str, Any], loss: Result | None, soft_start: Result | None, faults: tuple[str, ...]
) -> None:
    if isinstance(changes.get("loss_after_ms"), list):
        changes = {**changes, "loss_after_ms": tuple(changes["loss_after_ms"])}
    row = card_of(GLIDER, None, trial_of(**changes)).rows[0]
    for found, wanted in ((row.loss_test, loss), (row.soft_start, soft_start)):
        if wanted is not None:
            assert Result(found.verdict, found.text.replace("\N{NO-BREAK SPACE}", " ")) == wanted
    assert row.trial_faults == faults
    assert card_of(GLIDER, None, trial_of(**changes)).rows[1].loss_test == NOT_TESTED


GOOD, BAD = (Result(verdict, text) for verdict, text in ((Verdict.GOOD, "as planned"), (Verdict.BAD, "NOT as planned")))


@pytest.mark.parametrize(
    ("part", "loss", "soft_start", "throw"),
    [
        ("start", "passed: hold after 612 ms", "NOT passed: 980 ms", GOOD),
        ("centre", "passed: hold after 612 ms", "980 ms", BAD),
        ("move", "passed: hold after 612 ms", "980 ms", BAD),
        ("loss", "NOT passed: hold after 612 ms", "980 ms", GOOD),
    ],
)
def test_each_fault_of_a_trial_stands_under_its_own_heading(
    part: str, loss: str, soft_start: str, throw: Result
) -> None:
    moved = {"low": {"position_deg": -15.0, "planned_deg": -15.0}}
    trial = trial_of(as_planned=False, throws=moved, problems=("it limps",), problems_by_part={part: ("it limps",)})
    row = card_of(GLIDER, None, trial).rows[0]
    assert row.loss_test.text.replace("\N{NO-BREAK SPACE}", " ") == loss
    assert row.soft_start.text.replace("\N{NO-BREAK SPACE}", " ") == soft_start
    assert row.throw == throw
    assert row.trial_faults == ("it limps",)
    assert [one.text.startswith("NOT") for one in (row.soft_start, row.throw, row.loss_test)] == [
        part == "start",
        part in {"centre", "move"},
        part == "loss",
    ]


def test_where_it_stood_is_as_planned_only_where_both_were_tried() -> None:
    assert card_of(GLIDER, None, trial_of(centred=None)).rows[0].throw == NOT_TESTED
    assert card_of(GLIDER, None, trial_of()).rows[0].throw == Result(Verdict.OPEN, "centre only")
    assert card_of(GLIDER, None, trial_of(centred=None, throws={"low": {}})).rows[0].throw == GOOD


def direction(positive: str = "trailing edge down", is_set: str = "normal", **changes: str) -> TrialDirection:
    fields = {"way": Way.PLANNED.value, "seen_by": "bench two", "date": "2024-05-04T11:00:07+02:00", **changes}
    return TrialDirection(positive, is_set, **fields)


@pytest.mark.parametrize(
    ("tried", "function", "reversed_now", "told"),
    [
        (None, "flap", False, Result(Verdict.OPEN, "not tried")),
        (direction(), "flap", False, Result(Verdict.GOOD, "trailing edge down; seen by bench two, 2024-05-04 11:00")),
        (direction(seen_by=""), "flap", False, Result(Verdict.GOOD, "trailing edge down; seen by ?, 2024-05-04 11:00")),
        (direction(way=Way.OTHER.value), "flap", False, Result(Verdict.BAD, "the OTHER way than trailing edge down")),
        (direction(way=Way.NOT_KNOWN.value), "flap", False, Result(Verdict.OPEN, "not known")),
        (direction(), "aileron", False, Result(Verdict.OPEN, "try again: it was tried otherwise")),
        (direction(), "flap", True, Result(Verdict.OPEN, "try again: it was tried otherwise")),
        (direction("up"), "flap", False, Result(Verdict.OPEN, "try again: it was tried otherwise")),
    ],
)
def test_which_way_a_surface_goes_counts_while_it_is_set_and_planned_as_it_was_tried(
    tmp_path: Path, tried: TrialDirection | None, function: str, reversed_now: bool, told: Result
) -> None:
    plan = write_plan(tmp_path, more='[function.flap]\npositive = "trailing edge down"')
    made = record(entry(1, 40, "flap", channel=9, direction=int(reversed_now)), entry(2, 10, "aileron", channel=2))
    trial = trial_of(function=function, direction_test=tried)
    flap, aileron = card_of(made, plan, trial).rows[::-1]
    assert (flap.direction, aileron.direction) == (told, Result(Verdict.NOTHING, "not planned"))
    untold = card_of(made, plan).rows[1]
    assert (untold.function, untold.direction) == ("flap", Result(Verdict.OPEN, "not tried"))


def test_a_cell_of_which_nothing_is_known_says_so() -> None:
    assert [(one.verdict, one.text) for one in (NOT_TESTED, NOT_MEASURED, ALONE, NO_POSITIVE)] == [
        (Verdict.OPEN, "not tested"),
        (Verdict.OPEN, "not measured"),
        (Verdict.NOTHING, "-"),
        (Verdict.NOTHING, "not planned"),
    ]


@pytest.mark.parametrize(
    ("changes", "loss", "soft_start"),
    [
        ({"loss_after_ms": 590}, Verdict.GOOD, Verdict.GOOD),
        ({"loss_after_ms": 570}, Verdict.GOOD, Verdict.GOOD),
        ({"loss_after_ms": 569}, Verdict.BAD, Verdict.GOOD),
        ({"loss_after_ms": 700}, Verdict.GOOD, Verdict.GOOD),
        ({"loss_after_ms": 701}, Verdict.BAD, Verdict.GOOD),
        ({"soft_start_ms": 800}, Verdict.GOOD, Verdict.GOOD),
        ({"soft_start_ms": 799}, Verdict.GOOD, Verdict.BAD),
    ],
)
def test_what_was_measured_counts_up_to_the_last_that_is_let_pass(
    changes: dict[str, Any], loss: Verdict, soft_start: Verdict
) -> None:
    """Set are 600 ms and a soft start of 1000 ms; 30 ms early, 100 ms late and a fifth pass."""
    row = card_of(GLIDER, None, trial_of(**changes)).rows[0]
    assert (row.loss_test.verdict, row.soft_start.verdict) == (loss, soft_start)


def test_the_head_of_a_card_says_what_it_is_of() -> None:
    card = card_of(dataclasses.replace(GLIDER, airframe="Glider, second one"), None, trial_of())
    assert (card.title, card.airframe, card.made, card.day) == (
        "Glider",
        "Glider, second one",
        "2024-05-04T10:20:30+02:00",
        "2024-05-04 10:20",
    )
    assert card.search == "Search proven complete: 3 on the line"
    assert (card.trial, card.defaults) == ("2024-05-04 11:00", "the factory")
    assert card_of(GLIDER).airframe == "", "that of the record"
    assert card_of(GLIDER).trial == ""
    lone = Unread(uid_of(9), 240, "it has no address yet")
    assert card_of(dataclasses.replace(GLIDER, unread=(lone,))).search == "Search proven complete: 4 on the line"


# --- the trial file ---------------------------------------------------------------------------------------------------


def test_a_trial_file_is_read_whatever_else_stands_in_it(tmp_path: Path) -> None:
    body = {
        "format": 1,
        "date": "2024-05-04T11:00:00+02:00",
        "more": {},
        "actuators": [
            {"uid": uid_of(1).hex(), "loss_after_ms": [1, 2], "as_planned": True, "throws": {}},
            {
                "uid": uid_of(2).hex(),
                "function": "x",
                "loss_action_seen": "hold",
                "loss_after_ms": 512,
                "soft_start_ms": 980,
            },
        ],
    }
    (tmp_path / "t.json").write_text(json.dumps(body), "utf-8")
    trial = load_trial(tmp_path / "t.json")
    assert [row.loss_after_ms for row in trial.actuators] == [(1, 2), 512]
    assert [row.as_planned for row in trial.actuators] == [True, False]


@pytest.mark.parametrize("text", ["", "[]", '{"format": 2, "date": "", "actuators": []}', '{"format": 1}', "\x00"])
def test_anything_else_is_no_trial(tmp_path: Path, text: str) -> None:
    (tmp_path / "t.json").write_text(text, "utf-8")
    with pytest.raises(FileError, match="not the results of a trial"):
        load_trial(tmp_path / "t.json")
