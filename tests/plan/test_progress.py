"""How far an operation is, as a person who waits reads it: from the first step to the last, and never back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from busproto.ops.moving.hand_control import steer_channel
from busproto.ops.steps import Steps
from busproto.plan.actuators import ask_what_they_are
from busproto.plan.calibration import match
from busproto.plan.calibration.match_checks import Station
from busproto.plan.trials.direction import try_directions
from busproto.plan.trials.trial import PARTS, Subject, trial
from tests.ops.helpers import Box, box, counted, told, uid_of
from tests.plan.trials.test_direction import subject as directions_subject
from tests.plan.trials.test_trial import subject_of


@pytest.fixture
def subject() -> Box:
    return box(2)


def test_a_trial(subject: Box) -> None:
    said = told(subject.bus, trial([subject_of(subject, 1), subject_of(subject, 2)], PARTS, 0.25))
    watching = said.pop("watching the loss of the signal")
    assert said == {"starting softly": [(0, 2), (1, 2)], "centring": counted(1), "moving": counted(2)}
    assert watching == sorted(watching)
    assert (watching[0], watching[-1]) == ((0, 2), (2, 2))


def test_looking_who_follows_a_channel_and_who_is_who(subject: Box) -> None:
    for number in (1, 2):
        subject.add(number, number, channel=4)
    assert told(subject.bus, steer_channel(4, [1, 2])) == {"looking which actuators follow the channel": counted(2)}
    assert told(subject.bus, ask_what_they_are({1: uid_of(1), 2: uid_of(2)})) == {
        "asking each actuator what it is": [(0, 2), (1, 2)]
    }


def test_trying_directions(tmp_path: Path) -> None:
    on = directions_subject(tmp_path)
    steps = try_directions(on.surfaces, on, lambda: "2031-05-04T10:00:00+02:00", on.kept.append)
    assert told(on.box.bus, steps)["trying directions"] == counted(2)


def test_matching(subject: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is measured is made up here, as that takes long: three members, the second 0.5 deg off, the third 1 deg."""
    trio = [subject_of(subject, number, channel=4) for number in (1, 2, 3)]

    def carried(
        subjects: Sequence[Subject], leading: Subject, shares: Sequence[float], looks: int
    ) -> Steps[list[Station]]:
        yield from ()
        return [
            Station(share, {at: 60 * share + at / 2 for at in (1, 2, 3)}, {}, dict.fromkeys((1, 2, 3), (0, 5)))
            for share in shares
        ]

    def figures(subjects: Sequence[Subject], *_: object) -> Steps[match.Figures]:
        yield from ()
        left_deg = 0.0 if subjects[1].snapshot.working["correction"] else 1.0
        return match.Figures({2: left_deg, 3: left_deg}, {}, 0.0, 0.0, 0.0, {})

    monkeypatch.setattr(match, "_carried", carried)
    monkeypatch.setattr(match, "_figures", figures)
    assert told(subject.bus, match.match(trio, stations=12)) == {"matching": counted(6)}
