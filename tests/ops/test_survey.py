"""Every actuator is found; each alone at its address is read, the others are left out; progress is told."""

from __future__ import annotations

import random

from busproto.ops.discovery.roster import Found, Roster
from busproto.ops.link import Link
from busproto.ops.steps import Progress
from busproto.ops.survey import Survey, actuators_of, survey
from busproto.wire.parameters import FACTORY
from tests.ops.helpers import box, uid_of


def test_each_who_is_alone_is_read_and_every_step_is_told() -> None:
    made = box()
    first, second = made.add(1, 7, neutral=120), made.add(2, 9)
    made.add(3, 20)
    made.add(4, 20)
    made.add(5)
    second.settings.set_working("travel", 9000)
    told: list[Progress] = []
    made.link = Link(made.bus.host, told.append)
    seen = made.run(survey(rng=random.Random(1)))
    assert {uid: snapshot.address for uid, snapshot in seen.snapshots.items()} == {first.uid: 7, second.uid: 9}
    assert seen.snapshots[uid_of(1)].stored == {**FACTORY, "neutral": 120}
    snapshot = seen.snapshots[uid_of(2)]
    assert (snapshot.working["travel"], snapshot.stored["travel"]) == (9000, FACTORY["travel"])
    assert len(seen.roster.found) == 5
    assert seen.problems == {}
    reading = [(one.at, one.of) for one in told if one.task == "reading"]
    assert reading == [(0, 2), (1, 2), (2, 2)]


def test_one_that_falls_silent_is_a_problem_and_the_others_are_read() -> None:
    made = box()
    dark = made.add(1, 7)
    made.add(2, 9)
    made.link = Link(made.bus.host, lambda one: dark.power_off() if one.task == "reading" else None)
    seen = made.run(survey(rng=random.Random(1)))
    assert set(seen.snapshots) == {uid_of(2)}
    assert set(seen.problems) == {7}
    assert "address 7" in seen.problems[7]


def test_of_twins_two_are_to_be_let_go() -> None:
    found = (Found(uid_of(1), 7), Found(uid_of(2), 9))
    actuators = actuators_of(Survey(Roster(found, False, "twins", 1.0, twins=(uid_of(2),)), {}, {}))
    assert [(one.address, one.uid, one.count) for one in actuators] == [(7, uid_of(1), 1), (9, uid_of(2), 2)]
