"""The card: what stands on it, that it is whole, escaped and one page, and that its QR code is the fingerprint."""

from __future__ import annotations

import dataclasses
import json
import re
import sys
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Final

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.errors import FileError, InputError
from busproto.plan.airframe.record import (
    Record,
    Unread,
)
from busproto.plan.calibration.gang_match import Matches, MatchGang, MatchRow, Member, unmatched
from busproto.plan.card.card import (
    ALONE,
    NO_POSITIVE,
    NOT_MEASURED,
    NOT_TESTED,
    Card,
    Note,
    Result,
    Row,
    Trial,
    TrialDirection,
    TrialRow,
    Verdict,
    card_of,
    load_trial,
    printable,
)
from busproto.plan.card.card_html import ROOMY_ROWS, card_html
from busproto.plan.card.card_qr import QUIET_MODULES, qr_path, qr_rows, qr_size
from busproto.plan.card.card_svg import EDGE_MM, HEIGHT_MM, WIDTH_MM, card_svg, wrapped
from busproto.plan.load import Plan
from busproto.plan.trials.direction import Way
from busproto.wire.parameters import FACTORY, RawValue
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import entry, record
from tests.plan.texts import write_plan

GLIDER: Final = record(
    entry(1, 3, "aileron", channel=2, neutral=-150, loss_action=1, loss_time_out=600, direction=1),
    entry(2, 4, "rudder", channel=4, gang=1, place=1, loss_action=2, preset=-1050, correction=(0, 40, -12)),
    entry(3, 7, "elevator", channel=7, gang=1, place=2, end_low=-4500, end_high=3050),
)
EVIL: Final = '"><script>alert(1)</script>&amp; <b>'


def trial_of(**changes: Any) -> Trial:
    """A trial of the first one."""
    fields: dict[str, Any] = {
        "uid": uid_of(1).hex(),
        "centred": True,
        "loss_action": "hold",
        "loss_after_ms": 612,
        "soft_start_ms": 980,
        "passed": True,
    }
    return Trial(1, "2024-05-04T11:00:00+02:00", [TrialRow(**{**fields, **changes})])


def many(count: int) -> Record:
    """A record of so many, each with a good deal to say."""
    return record(
        *(
            entry(
                n,
                n,
                f"a rather long function name, {n}",
                channel=n % 33,
                neutral=n,
                direction=1,
                travel=9000,
                slew_limit=600,
                loss_action=2,
                preset=-5500,
                correction=(0, n),
            )
            for n in range(1, count + 1)
        )
    )


class Page(HTMLParser):
    """What an HTML reader makes of a card: text, tags, whether every tag is closed in order."""

    VOID: Final = {"meta", "br", "path", "rect"}

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.attributes: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\N{NO-BREAK SPACE}", " ").split())


def svg_text(svg: str) -> str:
    root = ET.fromstring(svg)
    return " ".join(" ".join(node.text or "" for node in root.iter("{http://www.w3.org/2000/svg}text")).split())


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
        ({"loss_action": "limp"}, Result(Verdict.BAD, "test again: was tested as limp"), None, ()),
        ({"loss_after_ms": 512}, Result(Verdict.BAD, "test again: was tested with 512 ms"), None, ()),
        ({"loss_after_ms": [790, 800]}, Result(Verdict.BAD, "test again: was tested with 790 to 800 ms"), None, ()),
        ({"loss_action": None}, NOT_TESTED, None, ()),
        ({"soft_start_ms": None}, None, NOT_TESTED, ()),
        ({"soft_start_ms": 300}, None, Result(Verdict.BAD, "300 ms, set: 1000 ms"), ()),
        (
            {"passed": False, "faults": ("it limps",)},
            Result(Verdict.BAD, "NOT passed: hold after 612 ms"),
            None,
            ("it limps",),
        ),
        ({"passed": False, "centred": False}, None, None, ("not centred",)),
        (
            {"passed": False, "loss_action": "", "loss_after_ms": None},
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
    moved = {"low": {"at_deg": -15.0, "planned_deg": -15.0}}
    trial = trial_of(passed=False, moved=moved, faults=("it limps",), faults_by_part={part: ("it limps",)})
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
    assert card_of(GLIDER, None, trial_of(centred=None, moved={"low": {}})).rows[0].throw == GOOD


def direction(positive: str = "trailing edge down", is_set: str = "normal", **changes: str) -> TrialDirection:
    fields = {"way": Way.PLANNED.value, "seen_by": "bench two", "at": "2024-05-04T11:00:07+02:00", **changes}
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
    trial = trial_of(function=function, direction=tried)
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


# --- the match --------------------------------------------------------------------------------------------------------

TABLE: Final = (0, 40, -12)


def gang_of(plan: Plan, **lead: RawValue) -> Record:
    """Both of the plan's rudder, the second one with a table."""
    own: dict[str, dict[str, RawValue]] = {"rudder-a": {"correction": (), **lead}, "rudder-b": {"correction": TABLE}}
    return record(
        *(
            entry(n, plan.roles[name].address, name, settings={**FACTORY, **plan.roles[name].settings, **own[name]})
            for n, name in ((1, "rudder-a"), (2, "rudder-b"))
        )
    )


def matches(**changes: Any) -> Matches:
    """As a match of both would have left it."""
    row = MatchRow(uid_of(2).hex(), "rudder-b", (0.0, 0.4, -0.12), 1.234, 0.078)
    fields: dict[str, Any] = {"lead": "rudder-a", "stored": True, "members": [row], "lead_uid": uid_of(1).hex()}
    return Matches(1, {"rudder": MatchGang(**{**fields, **changes})})


def test_a_match_of_which_no_figures_are_kept_is_a_match_all_the_same(tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    kept = matches(members=[MatchRow(uid_of(2).hex(), "rudder-b", (0.0, 0.4, -0.12), None, None)])
    told = [row.match for row in card_of(gang_of(plan), plan, None, kept).rows]
    assert told == [Result(Verdict.NOTHING, "leads"), Result(Verdict.GOOD, "matched")]


OTHER: Final = MatchRow(uid_of(9).hex(), "rudder-b", (0.0, 0.4, -0.12), 1.2, 0.1)


@pytest.mark.parametrize(
    ("kept", "lead", "why"),
    [
        (matches(), {}, ""),
        (Matches(1, {}), {}, "not matched"),
        (
            matches(stored=False, refused=("its rod is off",)),
            {},
            "not matched: the last try was refused: its rod is off",
        ),
        (matches(stored=False), {}, "not matched: the last try was refused: the tables were not better"),
        (matches(members=[OTHER]), {}, "not matched since: another actuator is in rudder-b now"),
        (matches(lead_uid=uid_of(9).hex()), {}, "not matched since: another actuator is in rudder-a now"),
        (matches(lead_uid=""), {}, "not matched since: another actuator is in rudder-a now"),
        (matches(lead="rudder-b"), {}, "not matched since: rudder-b led then"),
        (matches(members=[]), {}, "not matched since: the gang had other members then"),
        (matches(), {"correction": (1, 0)}, "not matched since: the correction table of rudder-a is another now"),
        (
            matches(members=[msgspec.structs.replace(OTHER, uid=uid_of(2).hex(), table_deg=(0.0, 0.41, -0.12))]),
            {},
            "not matched since: the correction table of rudder-b is another now",
        ),
    ],
)
def test_a_gang_is_matched_as_long_as_the_same_sit_in_it_with_the_same_tables(
    tmp_path: Path, kept: Matches, lead: dict[str, RawValue], why: str
) -> None:
    plan = write_plan(tmp_path)
    made = gang_of(plan, **lead)
    seen = {one.function: Member(one.uid, (one.settings["correction"],)) for one in made.entries}
    assert unmatched(plan, kept, seen) == ({"rudder": why} if why else {})
    card = card_of(made, plan, None, kept)
    assert [note for note in card.warnings if note.heading == "Match"] == (
        [Note("Match", f"rudder: {why}.")] if why else []
    )
    if why:
        assert [row.match for row in card.rows] == [Result(Verdict.BAD, why.partition(":")[0])] * 2
    else:
        told = [Result(row.match.verdict, row.match.text.replace("\N{NO-BREAK SPACE}", " ")) for row in card.rows]
        assert told == [Result(Verdict.NOTHING, "leads"), Result(Verdict.GOOD, "0.08 deg, was 1.23 deg")]
    for text in (Page(card_html(card)).text, svg_text(card_svg(card)).replace("\N{NO-BREAK SPACE}", " ")):
        assert ("not matched" in text) is bool(why)


def test_one_that_could_not_be_read_is_not_known_to_be_matched(tmp_path: Path) -> None:
    plan = write_plan(tmp_path)
    kept = matches()
    seen = {"rudder-b": Member(uid_of(2), (TABLE,))}
    assert list(unmatched(plan, kept, seen).values()) == ["not known to be matched: rudder-a could not be read"]
    both = {"rudder-a": Member(uid_of(1), ((), ())), "rudder-b": Member(uid_of(2), (TABLE, ()))}
    assert "table of rudder-b is another now" in unmatched(plan, kept, both).popitem()[1], "in one memory only"


def test_whatever_is_not_as_it_should_be_comes_first() -> None:
    made = dataclasses.replace(
        record(entry(1, 3, "aileron", unsaved=("travel",))),
        proven=False,
        reason="noise",
        unread=(Unread(uid_of(9), 240, "it has no address yet"),),
        edited=("it was changed",),
    )
    assert card_of(made, None, trial_of(uid=uid_of(8).hex())).warnings == (
        Note("Record", "The file of the record: it was changed."),
        Note("Record", "Not the whole bus: the search was not proven complete: noise."),
        Note("Record", f"Not the whole bus: without an address, so not read: {uid_of(9).hex()}."),
        Note("Settings", "aileron: travel had been changed without being stored."),
        Note("Trial", f"The trial included actuators that are not in this record: {uid_of(8).hex()}."),
    )
    for text in (Page(card_html(card_of(made))).text, svg_text(card_svg(card_of(made)))):
        assert "Search NOT proven complete" in text
        assert "Not the whole bus: the search was not proven complete: noise." in text


# --- the trial file ---------------------------------------------------------------------------------------------------


def test_a_trial_file_is_read_whatever_else_stands_in_it(tmp_path: Path) -> None:
    body = {
        "format": 1,
        "date": "2024-05-04T11:00:00+02:00",
        "more": {},
        "actuators": [
            {"uid": uid_of(1).hex(), "loss_after_ms": [1, 2], "passed": True, "moved": {}},
            {
                "uid": uid_of(2).hex(),
                "function": "x",
                "loss_action": "hold",
                "loss_after_ms": 512,
                "soft_start_ms": 980,
            },
        ],
    }
    (tmp_path / "t.json").write_text(json.dumps(body), "utf-8")
    trial = load_trial(tmp_path / "t.json")
    assert [row.loss_after_ms for row in trial.actuators] == [(1, 2), 512]
    assert [row.passed for row in trial.actuators] == [True, False]


@pytest.mark.parametrize("text", ["", "[]", '{"format": 2, "date": "", "actuators": []}', '{"format": 1}', "\x00"])
def test_anything_else_is_no_trial(tmp_path: Path, text: str) -> None:
    (tmp_path / "t.json").write_text(text, "utf-8")
    with pytest.raises(FileError, match="not the results of a trial"):
        load_trial(tmp_path / "t.json")


# --- both pages -------------------------------------------------------------------------------------------------------


def everything_on(card: Card) -> list[str]:
    """All the texts that must stand on either page."""
    texts = [card.title, card.day, card.short, DISCLAIMER, *CAUTIONS, "Notes", "Set up by", "Checked by"]
    for row in card.rows:
        texts += [
            row.function,
            row.kind,
            row.uid,
            row.loss,
            row.loss_test.text,
            row.throw.text,
            row.match.text,
            *row.trial_faults,
        ]
        texts += [f"{name} {value}" for name, value, _ in row.settings]
    return [" ".join(text.replace("\N{NO-BREAK SPACE}", " ").split()) for text in texts]


@pytest.mark.parametrize("trial", [None, trial_of(), trial_of(passed=False, faults=("it limps",))])
def test_both_pages_hold_everything(trial: Trial | None) -> None:
    card = card_of(GLIDER, None, trial)
    page, drawn = Page(card_html(card)).text, svg_text(card_svg(card)).replace("\N{NO-BREAK SPACE}", " ")
    for text in everything_on(card):
        assert text in page
        assert text.replace(" ", "") in drawn.replace(" ", "")
    assert card.fingerprint in page
    assert card.fingerprint in drawn.replace(" ", "")


def test_nothing_is_loaded_and_nothing_runs() -> None:
    card = card_of(GLIDER, None, trial_of())
    page, drawn = card_html(card, qr_rows(card.fingerprint)), card_svg(card, qr_rows(card.fingerprint))
    for text in (page, drawn.replace('xmlns="http://www.w3.org/2000/svg"', "")):
        assert re.search(r"http|url\(|@import|src=|href=|<script|<link|<iframe", text) is None


@pytest.mark.parametrize("text", [EVIL, "'\" onload=x ", "\N{EURO SIGN} \N{LATIN SMALL LETTER SHARP S} \u202e", "]]>"])
def test_no_text_breaks_out(text: str) -> None:
    made = record(entry(1, 3, text, model=text[:16]), title=text, airframe=text + "x", proven=False, reason=text)
    card = card_of(made, None, trial_of(passed=False, faults=(text,)))
    page = Page(card_html(card))
    assert "script" not in page.tags
    assert not [name for name in page.attributes if name.startswith("on")]
    assert " ".join(text.split()) in page.text
    drawn = ET.fromstring(card_svg(card))
    assert {node.tag.rpartition("}")[2] for node in drawn.iter()} == {"svg", "title", "rect", "text", "path"}


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=60) | st.just("\x00\x0b\x1f\x85\ufffe"))
def test_any_title_gives_a_whole_page(title: str) -> None:
    card = card_of(record(entry(1, 3, title), title=title))
    assert " ".join(printable(title).split()) in Page(card_html(card)).text
    assert svg_text(card_svg(card)).replace(" ", "").count("Commissioningcard".upper()) == 1


def test_the_window_is_named_after_the_airframe() -> None:
    card = card_of(record(entry(1, 3), title="Tug & glider"))
    assert f"<title>Tug &amp; glider, {card.day}, {card.short}</title>" in card_html(card)


@pytest.mark.parametrize("count", [0, 1, 12, 32, 60])
def test_the_drawing_is_one_page_however_many_there_are(count: int) -> None:
    card = card_of(many(count), None, trial_of(passed=False, faults=("it limps",) * 3))
    root = ET.fromstring(card_svg(card, qr_rows(card.fingerprint)))
    assert root.attrib["viewBox"] == "0 0 210 297"
    texts = list(root.iter("{http://www.w3.org/2000/svg}text"))
    for node in texts:
        x, y, size = (float(node.attrib[name]) for name in ("x", "y", "font-size"))
        assert x >= EDGE_MM - 0.01
        assert x + 0.5 * size * len(node.text or "") <= WIDTH_MM - EDGE_MM + 1
        assert 0 < y <= HEIGHT_MM - EDGE_MM
    for number in range(1, count + 1):
        assert sum(uid_of(number).hex() in (node.text or "") for node in texts) == 1


def test_many_are_printed_smaller() -> None:
    assert '<main class="dense">' in card_html(card_of(many(ROOMY_ROWS + 1)))
    assert "<main>" in card_html(card_of(many(ROOMY_ROWS)))


@given(st.text("ab \N{NO-BREAK SPACE}", max_size=80), st.floats(1, 50))
def test_wrapping_loses_no_letter_and_keeps_the_width(text: str, width: float) -> None:
    lines = wrapped(text, width, 2.0, letter=0.5)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(len(line) <= max(1, int(width)) for line in lines)


# --- the QR code ------------------------------------------------------------------------------------------------------


def modules_of(path: str, size: int) -> list[list[bool]]:
    """The modules that a path draws, quiet border and all."""
    drawn = [[False] * size for _ in range(size)]
    for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", path):
        for at in range(int(x), int(x) + int(length)):
            drawn[int(y)][at] = True
    return drawn


@pytest.mark.parametrize("made", [GLIDER, many(12), record()], ids=["three", "twelve", "nobody"])
def test_a_reader_finds_the_fingerprint_in_both_pages(made: Record) -> None:
    """Read back by zxing-cpp, which is not the library that made it."""
    zxingcpp = pytest.importorskip("zxingcpp")
    image_of = pytest.importorskip("PIL.Image")
    card = card_of(made)
    qr = qr_rows(card.fingerprint)
    size = qr_size(qr)
    for text in (card_html(card, qr), card_svg(card, qr)):
        path = next(path for path in re.findall(r' d="([^"]*)"', text) if path == qr_path(qr))
        dots = [
            [0 if dark else 255 for dark in row for _ in range(4)] for row in modules_of(path, size) for _ in range(4)
        ]
        image = image_of.frombytes("L", (4 * size, 4 * size), bytes(dot for row in dots for dot in row))
        found = zxingcpp.read_barcodes(image)
        assert [one.text for one in found] == [card.fingerprint]
        assert "QR" in found[0].format.name


def test_the_border_is_quiet() -> None:
    qr = qr_rows(GLIDER.fingerprint)
    drawn = modules_of(qr_path(qr), qr_size(qr))
    edge = [*range(QUIET_MODULES), *range(qr_size(qr) - QUIET_MODULES, qr_size(qr))]
    assert not any(drawn[y][x] or drawn[x][y] for y in edge for x in range(qr_size(qr)))
    assert [row[QUIET_MODULES:-QUIET_MODULES] for row in drawn[QUIET_MODULES:-QUIET_MODULES]] == [
        list(row) for row in qr
    ]


def test_without_the_library_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    with pytest.raises(InputError, match=r"pip install 'busproto\[card\]', or say --no-qr"):
        qr_rows("00")
