"""The scripted hand: when it begins, what it does to the arms, and what it takes for an acknowledgement."""

from __future__ import annotations

import pytest

from busproto.sim.errors import ScenarioError
from busproto.sim.scene import scenario
from busproto.sim.scene.hand_script import HandScript, HandStepTable, HandTable
from busproto.wire import messages as m
from tests.sim.helpers import MS, Bench, S, bench, said, where

SOURCE = """
title = "any"
[model.m]
[[actuator]]
label = "a"
model = "m"
address = 1
arm-at = 5.0
[[actuator]]
label = "b"
model = "m"
address = 2
"""


def at_once(*steps: HandStepTable, patience: float = 5.0) -> HandTable:
    return HandTable(begin="at-once", patience=patience, step=list(steps))


def two() -> Bench:
    """Labels "number 1" at 5 deg and "number 2" at 0 deg; the host drives neither."""
    made = bench()
    made.add(1, 1, at_deg=5.0)
    made.add(2, 2)
    return made


def both(made: Bench) -> tuple[float, float]:
    return where(made, made.bus.actuators[0]), where(made, made.bus.actuators[1])


def step(**changes: object) -> HandStepTable:
    plain: dict[str, object] = {"move": {"number 1": 12.0}, "over": 0.6, "stay": 0.4, "after": 0.5}
    return HandStepTable(**{**plain, **changes})  # type: ignore[arg-type]


def test_there_a_stay_and_back_again() -> None:
    made = two()
    HandScript(made.bus, at_once(step()))
    seen = []
    for ms in (500, 800, 1100, 1300, 1500, 1800, 2100, 3000):
        made.run_until(ms * MS)
        seen.append(where(made, made.bus.actuators[0]))
    assert seen == [5.0, 11.0, 17.0, 17.0, 17.0, 11.0, 5.0, 5.0]


def test_without_back_it_stays_there() -> None:
    made = two()
    HandScript(made.bus, at_once(step(back=False, move={"number 1": -8.0})))
    made.run_until(5 * S)
    assert both(made) == (-3.0, 0.0)


def test_several_arms_move_together_and_one_with_slack_follows_late_both_ways() -> None:
    made = two()
    HandScript(made.bus, at_once(step(move={"number 1": 12.0, "number 2": -12.0}, slack={"number 2": 3.0})))
    seen = []
    for ms in (500, 650, 800, 1100, 1500, 1650, 1800, 2100):
        made.run_until(ms * MS)
        seen.append(both(made))
    # 3 of 12 deg are a quarter of the way: 150 ms
    assert seen == [
        (5.0, 0.0),
        (8.0, 0.0),
        (11.0, -3.0),
        (17.0, -9.0),
        (17.0, -9.0),
        (14.0, -9.0),
        (11.0, -6.0),
        (5.0, 0.0),
    ]


def test_an_arm_that_is_held_does_not_yield_and_patience_ends_the_step() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), step(move={"number 2": 6.0}), patience=2.0))
    made.ask(m.Engaged, m.Engage(), 1)
    for _ in range(8):  # keep it engaged: its loss time-out is 500 ms
        made.ask(m.Moving, m.Demand(0), 1)
        made.run(250 * MS)
    assert where(made, made.bus.actuators[0]) == 0.0  # where the demand has put it
    made.run_until(20 * S)
    first, second = script.done
    assert (first.yielded, first.acknowledged_ns) == ((), None)
    assert first.began_ns == 500 * MS
    assert first.moved_ns == 2100 * MS
    # 2 s of patience behind the movement, then the pause before the second
    assert second.began_ns == 4600 * MS
    assert second.yielded == ("number 2",)


def test_a_drive_that_takes_hold_in_mid_way_ends_the_movement() -> None:
    made = two()
    HandScript(made.bus, at_once(step()))
    made.run_until(800 * MS)
    made.ask(m.Engaged, m.Engage(), 1)
    at_deg = where(made, made.bus.actuators[0])
    assert 10.9 < at_deg < 11.5
    made.run_until(1200 * MS)
    assert where(made, made.bus.actuators[0]) == at_deg


def acknowledge(made: Bench, address: int, ds: int = 20) -> int:
    """Sends it; gives when it was heard."""
    at_ns = made.send(m.ShowYourself(ds), address)
    made.answers()
    return at_ns


def test_the_next_step_comes_after_the_acknowledgement_and_its_own_pause() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), step(move={"number 2": 6.0}, after=0.25)))
    made.run_until(2500 * MS)
    assert both(made) == (5.0, 0.0)
    seen_ns = acknowledge(made, 1)
    made.run(4 * S)
    first = script.done[0]
    assert first.acknowledged_ns is not None
    assert seen_ns <= first.acknowledged_ns <= seen_ns + 10 * MS
    made.run(4 * S)
    assert script.done[1].began_ns == first.acknowledged_ns + 250 * MS


def test_an_acknowledgement_in_mid_way_lets_the_movement_end_first() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), step(move={"number 2": 6.0}, after=0.1)))
    made.run_until(900 * MS)
    acknowledge(made, 1)
    made.run_until(15 * S)
    assert script.done[0].acknowledged_ns is not None
    assert script.done[0].acknowledged_ns < 1000 * MS
    assert script.done[1].began_ns == script.done[0].moved_ns == 2100 * MS


def test_one_of_a_gang_is_enough() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(move={"number 1": 12.0, "number 2": 12.0})))
    made.run_until(2200 * MS)
    acknowledge(made, 2)
    made.run(100 * MS)
    assert script.done[0].acknowledged_ns is not None


@pytest.mark.parametrize("early_ms", [100, 490])
def test_what_was_shown_before_the_movement_acknowledges_nothing(early_ms: int) -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), patience=3.0))
    made.run_until(early_ms * MS)
    made.send(m.ShowYourself(100), 1)  # for 10 s, far into the movement
    made.run_until(5 * S)
    assert [one.acknowledged_ns for one in script.done] == []
    made.run_until(6 * S)
    assert [one.acknowledged_ns for one in script.done] == [None]


def test_another_one_that_shows_itself_is_no_acknowledgement() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), patience=1.0))
    made.run_until(1500 * MS)
    acknowledge(made, 2)
    made.run_until(10 * S)
    assert script.done[0].acknowledged_ns is None


def test_the_end_of_a_showing_is_no_acknowledgement() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(), patience=1.0))
    made.run_until(400 * MS)
    made.send(m.ShowYourself(100), 1)
    made.run_until(1500 * MS)
    made.send(m.ShowYourself(0), 1)
    made.run_until(10 * S)
    assert script.done[0].acknowledged_ns is None


def test_a_bump_waits_for_no_acknowledgement() -> None:
    made = two()
    script = HandScript(made.bus, at_once(step(bump=True, move={"number 2": 2.0}), step(after=0.3)))
    made.run_until(30 * S)
    bump, real = script.done
    assert (bump.moved_ns, bump.acknowledged_ns) == (2100 * MS, None)
    assert real.began_ns == 2400 * MS


def test_it_begins_when_all_were_told_to_go_limp() -> None:
    made = two()
    script = HandScript(made.bus, HandTable(step=[step()]))
    made.run_until(3 * S)
    made.ask(m.Released, m.Release(), 1)
    made.run_until(6 * S)
    assert both(made) == (5.0, 0.0)  # one alone is not all
    heard_ns = made.send(m.Release())
    made.run(20 * S)
    assert heard_ns + 500 * MS <= script.done[0].began_ns <= heard_ns + 510 * MS


def test_those_who_cannot_hear_are_not_waited_for() -> None:
    made = two()
    deaf = made.add(3, 3)
    deaf.own_baud = 9600
    without_power = made.add(4, 4)
    without_power.power_off()
    script = HandScript(made.bus, HandTable(step=[step()]))
    made.send(m.Release())
    made.run(20 * S)
    assert len(script.done) == 1


def test_the_same_in_a_scenario_where_the_hand_waits_for_the_release_and_the_acknowledgement() -> None:
    loaded = scenario.parse(
        SOURCE
        + """
        [hand]
        [[hand.step]]
        move = { a = 12.0 }
        [[hand.step]]
        move = { b = -7.0 }
        back = false
        """
    )
    made = Bench(loaded.build(3))
    a, b = made.bus.actuators
    made.run_until(2 * S)
    made.send(m.Release())
    made.run(1200 * MS)
    assert made.status(1).position_cdeg == 1700
    made.run(3 * S)
    assert (where(made, a), where(made, b)) == (5.0, 0.0)  # it waits
    acknowledge(made, 1)
    made.run(1100 * MS)
    assert (where(made, a), where(made, b)) == (5.0, -7.0)


PROBLEMS = [
    ('[hand]\nbegin = "later"', "hand.begin: 'released' or 'at-once' is wanted here, not 'later'"),
    ("[hand]", "hand.step: a hand without a step does nothing"),
    ("[hand]\npatience = -1", "hand.patience: must be >= 0.0"),
    ("[[hand.step]]\nover = 1.0", "hand.step[0]: 'move' is missing"),
    ("[[hand.step]]\nmove = {}", "hand.step[0].move: it names no actuator"),
    ("[[hand.step]]\nmove = { c = 1 }", "hand.step[0].move: there is no 'c'"),
    ("[[hand.step]]\nmove = { a = 0 }", "hand.step[0].move: 0 degrees is no movement of 'a'"),
    ("[[hand.step]]\nmove = { a = 3 }\nover = 0", "hand.step[0].over: must be > 0.0"),
    ("[[hand.step]]\nmove = { a = 3 }\nslack = { b = 1 }", "hand.step[0].slack: 'b' is not among those it moves"),
    ("[[hand.step]]\nmove = { a = 3 }\nslack = { a = 3 }", "hand.step[0].slack: 3 is not below the movement of 'a'"),
    (
        "[[hand.step]]\nmove = { a = 3 }\nfar = 2",
        "hand.step[0].far: there is no such key here; there are: move, over, stay, back, after, slack, bump",
    ),
]


@pytest.mark.parametrize(("lines", "problem"), PROBLEMS, ids=[problem.split(":")[0] for _, problem in PROBLEMS])
def test_what_is_wrong_is_said_with_its_place(lines: str, problem: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(SOURCE + lines)
    assert problem in said(caught.value.problems)


def test_all_that_is_wrong_is_said_at_once() -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(SOURCE + "[hand]\npatience = -1\n[[hand.step]]\n[[hand.step]]\nmove = { a = 181 }")
    assert len(caught.value.problems) == 3
