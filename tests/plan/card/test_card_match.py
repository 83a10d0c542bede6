"""What stands on the card of the match of a gang, and what comes first."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Final

import msgspec
import pytest

from busproto.plan.airframe.record import Unread
from busproto.plan.calibration.gang_match import Matches, MatchRow, Member, unmatched
from busproto.plan.card.card import Note, Result, Verdict, card_of
from busproto.plan.card.card_html import card_html
from busproto.wire.parameters import RawValue
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import entry, record
from tests.plan.card.helpers import TABLE, Page, gang_of, matches, trial_of
from tests.plan.texts import write_plan


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
            matches(stored=False, reasons=("its rod is off",)),
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
    assert ("not matched" in Page(card_html(card)).text) is bool(why)


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
    text = Page(card_html(card_of(made))).text
    assert "Search NOT proven complete" in text
    assert "Not the whole bus: the search was not proven complete: noise." in text
