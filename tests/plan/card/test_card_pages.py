"""How the page of a card is laid out: the whole page beside the test.

A page that is meant to look otherwise is written anew by ``BUSPROTO_UPDATE_GOLDEN=1 pytest tests/plan``; look at it.
"""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import Final

import pytest

from busproto.plan.airframe.record import (
    Unread,
)
from busproto.plan.card.card import Card, Trial, TrialDirection, TrialRow, card_of
from busproto.plan.card.card_html import card_html
from busproto.plan.trials.direction import Way
from tests.ops.helpers import uid_of
from tests.plan.card.helpers import gang_of, matches, trial_of
from tests.plan.texts import write_plan

GOLDEN: Final = Path(__file__).with_name("golden") / "card.html"
CODE: Final = tuple(tuple((x * x + 3 * y) % 5 < 2 for x in range(9)) for y in range(9))
"""Dark and bright, as a code is drawn; it says nothing."""


@pytest.fixture
def card(tmp_path: Path) -> Card:
    """Two that are matched, one of them tried and found wrong, a third that could not be read."""
    plan = write_plan(tmp_path)
    made = gang_of(plan, **{"neutral": -150, "loss-action": 1, "loss-time-out": 600})
    made = dataclasses.replace(made, unread=(Unread(uid_of(9), 240, "it has no address yet"),))
    moved = {"low": {"position_deg": -15.0, "planned_deg": -15.0}, "high": {"position_deg": 15.0, "planned_deg": 15.0}}
    right = trial_of(throws=moved).actuators[0]
    wrong = TrialRow(
        uid_of(2).hex(),
        "rudder-b",
        centred=False,
        loss_action_seen="",
        problems=("centred it stands at 3.00 deg, planned 0.00 deg",),
        problems_by_part={"centre": ("centred it stands at 3.00 deg, planned 0.00 deg",)},
        direction_test=TrialDirection(
            "left", "normal", Way.OTHER.value, "the person at the bench", "2024-05-04T11:05:00+02:00"
        ),
    )
    return card_of(made, plan, Trial(1, "2024-05-04T11:00:00+02:00", [right, wrong]), matches())


def test_the_whole_page(card: Card) -> None:
    page = card_html(card, CODE)
    if os.environ.get("BUSPROTO_UPDATE_GOLDEN"):
        GOLDEN.write_text(page, "utf-8")
        pytest.skip("written anew")
    assert page == GOLDEN.read_text("utf-8")
