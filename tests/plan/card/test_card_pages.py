"""How both pages of a card are laid out: whole pages beside the test, and that no text of the drawing hides another.

A page that is meant to look otherwise is written anew by ``BUSPROTO_UPDATE_GOLDEN=1 pytest tests/plan``; look at it.
"""

from __future__ import annotations

import dataclasses
import itertools
import os
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Final

import pytest

from busproto.plan.airframe.record import (
    Unread,
)
from busproto.plan.card.card import Card, Trial, TrialDirection, TrialRow, card_of
from busproto.plan.card.card_html import card_html
from busproto.plan.card.card_svg import card_svg
from busproto.plan.trials.direction import Way
from tests.ops.helpers import uid_of
from tests.plan.card.helpers import gang_of, many, matches, trial_of
from tests.plan.texts import write_plan

GOLDEN: Final = Path(__file__).with_name("golden")
CODE: Final = tuple(tuple((x * x + 3 * y) % 5 < 2 for x in range(9)) for y in range(9))
"""Dark and bright, as a code is drawn; it says nothing."""
LETTER: Final = 0.5
"""Width of a letter, in sizes, on average; common practice, no source."""


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


@pytest.mark.parametrize("name", ["card.svg", "card.html"])
def test_the_whole_page(name: str, card: Card) -> None:
    page = card_svg(card, CODE) if name == "card.svg" else card_html(card, CODE)
    if os.environ.get("BUSPROTO_UPDATE_GOLDEN"):
        GOLDEN.mkdir(exist_ok=True)
        (GOLDEN / name).write_text(page, "utf-8")
        pytest.skip("written anew")
    assert page == (GOLDEN / name).read_text("utf-8")


def test_no_text_of_the_drawing_hides_another(card: Card) -> None:
    for one, code in ((card, CODE), (card, None), (card_of(many(12)), CODE)):
        boxes = []
        for node in ET.fromstring(card_svg(one, code)).iter("{http://www.w3.org/2000/svg}text"):
            x, foot, size = (float(node.attrib[key]) for key in ("x", "y", "font-size"))
            boxes.append((x, x + LETTER * size * len(node.text or ""), foot - 0.7 * size, foot, node.text))
        for mine, other in itertools.combinations(boxes, 2):
            beside = mine[1] <= other[0] or other[1] <= mine[0]
            above = mine[3] <= other[2] or other[3] <= mine[2]
            assert beside or above, (mine, other)
