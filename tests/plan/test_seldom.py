"""What seldom comes to pass at a bench, made by hand: each sentence that is said then is read once."""

from __future__ import annotations

import dataclasses
import re
import shutil
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from busproto.errors import FileError, InputError, ReadBackError
from busproto.ops.discovery.roster import Roster
from busproto.ops.discovery.search import Found
from busproto.ops.survey import Survey, survey
from busproto.plan.airframe.applying import _prove, _prove_roster
from busproto.plan.airframe.audit import Audit, Difference, audit
from busproto.plan.airframe.claim import Task, _fit
from busproto.plan.airframe.record import record_of
from busproto.plan.airframe.replace import Exchange, look_at
from busproto.plan.airframe.results import gang_named, members_to_match, subjects_to_try
from busproto.plan.calibration.gang_match import load_matches
from busproto.plan.calibration.match import reasons_against
from busproto.plan.card.card import card_of
from busproto.plan.changes import Goal, verify
from busproto.plan.check.rigging import rest_of_plan
from busproto.plan.load import Plan, load
from busproto.plan.trials.trial import Findings, _judge_loss
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import State, Status
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP
from tests.ops.helpers import Box, box, uid_of
from tests.plan.airframe.test_record import entry, record
from tests.plan.calibration.test_match import members, rudder
from tests.plan.texts import write_plan, write_texts
from tests.plan.trials.test_trial import nonsense, subject_of, tried

# --- read back ---


@pytest.fixture
def subject() -> Box:
    """One, at address 5."""
    made = box(2)
    made.add(1, 5, travel=9000)
    return made


@pytest.mark.parametrize(
    ("goal", "says"),
    [
        (Goal(uid_of(1), "flap", 6, {}), ("flap: address", "6", "5")),
        (Goal(uid_of(9), "flap", 6, {}), ("flap: address", "6", "none")),
        (Goal(uid_of(1), "flap", 5, {"travel": 10000}), ("flap: stored travel", "100.00 deg", "90.00 deg")),
    ],
)
def test_what_is_not_as_it_was_to_be_is_told_with_both(subject: Box, goal: Goal, says: tuple[str, str, str]) -> None:
    with pytest.raises(ReadBackError) as caught:
        subject.run(verify([goal]))
    text = str(caught.value)
    assert [part for part in says if part not in text] == []
    assert subject.run(_prove([goal], {})) == (text, None)


def test_what_is_in_working_memory_only_is_no_goal_that_was_reached(subject: Box) -> None:
    subject.bus.actuators[0].settings.set_working("travel", 8000)
    with pytest.raises(ReadBackError, match=r"flap: working travel.*90\.00 deg.*80\.00 deg"):
        subject.run(verify([Goal(uid_of(1), "flap", 5, {"travel": 9000})]))


@pytest.mark.parametrize(
    ("at", "reason", "why"),
    [
        ((5,), "noise", "noise"),
        ((5, UNADDRESSED), "", ""),
        ((5, 7, 7, UNADDRESSED), "", "some still share an address"),
        ((5,), "", ""),
    ],
)
def test_why_it_is_not_proven_that_each_is_alone(subject: Box, at: tuple[int, ...], reason: str, why: str) -> None:
    found = tuple(Found(uid_of(number), address) for number, address in enumerate(at, 1))
    assert subject.run(_prove_roster(Roster(found, not reason, reason, 0.0))) == why


# --- a trial ---


def test_one_that_takes_hold_by_itself_is_told() -> None:
    made = box(2)
    subjects = [subject_of(made, 1, loss_action=LOSS_HOLD)]
    actuator = made.bus.actuators[0]
    restart = actuator._restart

    def restart_and_hold() -> None:
        restart()
        actuator.state = State.LOST_HOLD

    actuator._restart = restart_and_hold  # type: ignore[method-assign]
    (found,) = tried(made, subjects, "start")
    assert found.limp_at_start is False
    assert "it does not stay limp after power-up" in found.faults


def test_one_that_does_not_move_is_told() -> None:
    made = box(2)
    subjects = [subject_of(made, 1)]
    nonsense(made, 0, lambda _: 300)
    (found,) = tried(made, subjects, "start")
    assert found.soft_start_ms is None
    assert found.faults == ("it did not move at its first demand",)


@pytest.mark.parametrize(
    ("action", "planned", "after_ms", "state", "at_cdeg", "faults"),
    [
        ("hold", LOSS_HOLD, (490, 510), State.LOST_HOLD, 0, ()),
        ("hold", LOSS_HOLD, (490, 510), State.LOST_HOLD, 50, ()),
        ("hold", LOSS_HOLD, (490, 510), State.LOST_HOLD, 300, ("holding, it went from 0.00 to 3.00 deg",)),
        ("limp", LOSS_LIMP, (490, 510), State.LOST_LIMP, 300, ()),
        ("limp", LOSS_LIMP, (490, 510), State.FOLLOWING, 0, ("it went limp, and then took hold again",)),
        ("limp", LOSS_LIMP, (440, 470), State.LOST_LIMP, 0, ()),
        (
            "limp",
            LOSS_LIMP,
            (440, 469),
            State.LOST_LIMP,
            0,
            ("it acts 469 ms after the last demand, planned 500 ms",),
        ),
        ("limp", LOSS_LIMP, (600, 640), State.LOST_LIMP, 0, ()),
        (
            "limp",
            LOSS_LIMP,
            (601, 640),
            State.LOST_LIMP,
            0,
            ("it acts 640 ms after the last demand, planned 500 ms",),
        ),
        ("hold", LOSS_LIMP, (490, 510), State.LOST_HOLD, 0, ("the signal gone, its action is hold, planned limp",)),
    ],
)
def test_what_the_loss_of_the_signal_showed(
    action: str, planned: int, after_ms: tuple[float, float], state: State, at_cdeg: int, faults: tuple[str, ...]
) -> None:
    made = box(2)
    one = subject_of(made, 1, loss_action=planned, loss_time_out=500)
    before = Status(State.FOLLOWING, 0, 0, 0, 60, 7400, 2500, 0, 1, 0, 0)
    found = Findings(loss_action=action, loss_after_ms=after_ms)
    _judge_loss(one, found, before, dataclasses.replace(before, state=state, position_cdeg=at_cdeg))
    assert found.faults == faults


# --- who may be moved ---


@pytest.fixture
def gang(tmp_path: Path) -> tuple[Plan, Audit, Survey]:
    """The shipped rudder, as it was found."""
    shutil.copytree(Path(str(resources.files("busproto.plan"))) / "examples" / "rudder", tmp_path / "rudder")
    plan = load(tmp_path / "rudder" / "rudder.toml")
    _, link = rudder()
    seen = link.run(survey())
    return plan, audit(plan, {}, seen), seen


def test_one_that_its_supply_harms_is_neither_matched_nor_tried(gang: tuple[Plan, Audit, Survey]) -> None:
    plan, found, seen = gang
    assert len(members_to_match(gang_named(plan, "rudder"), found)) == 3
    assert len(subjects_to_try(plan, found, seen.roster)[0]) == 3
    harm = Difference("rating", "6 V", "8.4 V", harms=True)
    first, *rest = found.rows
    harmed = dataclasses.replace(found, rows=(dataclasses.replace(first, differences=(harm,)), *rest))
    name = first.role.function
    with pytest.raises(InputError) as caught:
        members_to_match(gang_named(plan, "rudder"), harmed)
    assert str(caught.value) == f"{name}: {harm.text}. Nothing was moved"
    with pytest.raises(InputError) as caught:
        subjects_to_try(plan, harmed, seen.roster)
    assert str(caught.value) == f"the supply is outside a rating ({name}: {harm.text}). Nothing was moved"


def test_a_gang_of_unlike_ones_is_not_matched(gang: tuple[Plan, Audit, Survey]) -> None:
    plan, found, _ = gang
    first, *rest = found.rows
    assert first.snapshot is not None
    snapshot = dataclasses.replace(first.snapshot, working={**first.snapshot.working, "channel": 3})
    other = dataclasses.replace(found, rows=(dataclasses.replace(first, snapshot=snapshot), *rest))
    with pytest.raises(InputError, match=r"^the rudder cannot be matched: .*one channel.*\. Nothing was moved$"):
        members_to_match(gang_named(plan, "rudder"), other)


def test_mirrors_may_have_unlike_ends_and_others_may_not() -> None:
    _, link = rudder()
    lead, member, _ = members(link)

    def with_ends(direction: int) -> list[str]:
        changes = {"end-low": -5000, "direction": direction}
        snapshot = member.snapshot
        both = {name: {**getattr(snapshot, name), **changes} for name in ("working", "stored")}
        return reasons_against([lead, dataclasses.replace(member, snapshot=dataclasses.replace(snapshot, **both))])

    assert with_ends(1) == []
    (reason,) = with_ends(0)
    assert reason.startswith("unlike end-low (")


@pytest.mark.parametrize(
    ("positive", "functions", "seen", "says"),
    [
        ("up", ("a", "b"), (1, 1), []),
        ("", ("a", "b"), (-1, -1), []),
        (
            "up",
            ("a", "b"),
            (-1, -1),
            ["tail: a positive demand would take it the other way: every arm turns against the direction in the plan"],
        ),
        (
            "up",
            ("a",),
            (-1,),
            ["tail: a positive demand would take it the other way: the plan says normal, the arm says reversed"],
        ),
    ],
)
def test_arms_that_all_turn_against_the_plan(
    positive: str, functions: tuple[str, ...], seen: tuple[int, ...], says: list[str]
) -> None:
    task = Task("tail", functions, functions, positive, needs_side=False)
    turned = {uid_of(number): side for number, side in enumerate(seen)}
    turn, told = _fit(task, dict.fromkeys(functions, 1), turned)
    assert (turn, told) == (1 if seen[0] > 0 else -1, says)


# --- files ---


def problems_of(directory: Path, more: str) -> list[str]:
    write_texts(directory, settings="under-voltage = 5.0", more=more)
    with pytest.raises(FileError) as caught:
        load(directory / "one.toml")
    return list(caught.value.problems)


SURFACE = """
[surface.aileron]
functions = ["aileron"]
[surface.aileron.linkage]
arm = 14.0
horn = 25.0
pivots = 90.0
[surface.aileron.air]
area = 0.045
chord = 0.06
chord-ratio = 0.25
"""
LEAD = "length = 1.0\nbrown-out = 4.5\ngauge = 20\n"


def test_surfaces_want_a_flight_case(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, SURFACE)
    assert problem.endswith("surfaces are calculated for a flight case: a table [flight] is missing")


def test_leads_that_go_round_in_a_circle_are_told_with_the_whole_way(tmp_path: Path) -> None:
    leads = (("throttle", "aileron"), ("aileron", "flap"), ("flap", "throttle"))
    more = "[function.flap]\n" + "".join(
        f'[function.{name}.lead]\n{LEAD}behind = "{behind}"\n' for name, behind in leads
    )
    said = problems_of(tmp_path, more)
    assert [one.partition("circle: ")[2] for one in said] == [
        "'throttle' behind 'aileron' behind 'flap' behind 'throttle'",
        "'aileron' behind 'flap' behind 'throttle' behind 'aileron'",
        "'flap' behind 'throttle' behind 'aileron' behind 'flap'",
    ]


def test_a_lead_of_its_own_takes_the_place_of_the_surfaces(tmp_path: Path) -> None:
    lead = f'[surface.aileron.lead]\n{LEAD}behind = "nowhere"\n'
    flight = "[flight]\nairspeed = 30.0\n"
    (problem,) = problems_of(tmp_path, flight + SURFACE + lead)
    assert problem.endswith("surface.aileron.lead.behind: 'nowhere' is no function of this airframe")
    own = f"[function.aileron.lead]\n{LEAD}"
    write_texts(tmp_path, settings="under-voltage = 5.0", more=flight + SURFACE + lead + own)
    assert load(tmp_path / "one.toml").role("aileron").function == "aileron"


@pytest.mark.parametrize("text", ["", "[]", '{"format": 99, "gangs": {}}', "\x00"])
def test_what_is_no_result_of_matching_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / "m.json").write_text(text, "utf-8")
    with pytest.raises(FileError, match="not the results of matching: "):
        load_matches(tmp_path / "m.json")


def test_without_a_pack_nothing_is_known_of_it_at_rest(tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    found = rest_of_plan(plan)
    assert found is not None
    assert (found.full_v, found.lowest_v) == (8.4, 6.4)
    assert rest_of_plan(dataclasses.replace(plan, full_mv=None)) is None


# --- records and what is made of them ---


@pytest.mark.parametrize(
    ("problems", "why"), [({5: "it fell silent"}, "it fell silent"), ({}, "another uid answered at address 5")]
)
def test_why_one_that_was_found_is_not_in_a_record(problems: dict[int, str], why: str) -> None:
    seen = Survey(Roster((Found(uid_of(1), 5),), True, "", 0.0), {}, problems)
    made: Any = record_of(seen, title="t", made="2031-05-04T10:00:00+02:00", functions={})
    assert [one.why for one in made.unread] == [why]


def test_a_card_of_a_record_that_does_not_name_a_setting_says_so() -> None:
    settings = {name: raw for name, raw in entry(1).settings.items() if name not in {"neutral", "end-low"}}
    (row,) = card_of(record(entry(1, 3, settings=settings))).rows
    assert (row.neutral, row.ends) == ("?", "? to\N{NO-BREAK SPACE}+90")


def test_where_all_addresses_are_taken_none_is_lent(subject: Box) -> None:
    seen = subject.run(survey())
    stranger = Exchange(entry(2), uid_of(2), 5, is_readable=False, lend=UNADDRESSED)
    before = subject.link.exchanges
    with pytest.raises(InputError, match=re.escape("no address is free to read the new actuator at")):
        subject.run(look_at(stranger, seen))
    assert subject.link.exchanges == before
