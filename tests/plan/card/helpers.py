"""What the tests of the card share: records, a trial, matches, and a reader of the page."""

from __future__ import annotations

from html.parser import HTMLParser
from typing import Any, Final

from busproto.plan.airframe.record import Record
from busproto.plan.calibration.gang_match import Matches, MatchGang, MatchRow
from busproto.plan.card.card import Trial, TrialRow
from busproto.plan.load import Plan
from busproto.wire.parameters import FACTORY, RawValue
from tests.ops.helpers import uid_of
from tests.plan.airframe.test_record import entry, record

GLIDER: Final = record(
    entry(1, 3, "aileron", channel=2, neutral=-150, loss_action=1, loss_time_out=600, direction=1),
    entry(2, 4, "rudder", channel=4, gang=1, place=1, loss_action=2, preset=-1050, correction=(0, 40, -12)),
    entry(3, 7, "elevator", channel=7, gang=1, place=2, end_low=-4500, end_high=3050),
)


def trial_of(**changes: Any) -> Trial:
    """A trial of the first one."""
    fields: dict[str, Any] = {
        "uid": uid_of(1).hex(),
        "centred": True,
        "loss_action_seen": "hold",
        "loss_after_ms": 612,
        "soft_start_ms": 980,
        "as_planned": True,
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
