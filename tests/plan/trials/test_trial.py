"""A trial: what is measured is what the actuators did, and what is not as planned is said; all end limp."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import ReplyTimeoutError
from busproto.ops.survey import read_snapshot, survey
from busproto.plan.airframe.audit import audit, goals
from busproto.plan.changes import carry_out, changes
from busproto.plan.load import Role
from busproto.plan.trials.trial import PARTS, Findings, Subject, _Run, findings_json, longest_ns, soft_start_ms, trial
from busproto.sim.mechanics.motion_sensor import Sensor
from busproto.wire.messages import LIMP_STATES, Report
from busproto.wire.parameters import FACTORY, LOSS_HOLD, LOSS_LIMP, LOSS_PRESET, RawValue
from tests.ops.helpers import MS, Box, box, once
from tests.plan.airframes import Hauler, hauler


def role(number: int, **planned: RawValue) -> Role:
    settings = {**FACTORY, "channel": number, **{name.replace("_", "-"): raw for name, raw in planned.items()}}
    del settings["correction"]
    return Role(f"no. {number}", number, number, "", None, None, settings, None, "")


def subject_of(subject: Box, number: int, *, really: dict[str, RawValue] | None = None, **planned: RawValue) -> Subject:
    """An actuator that is planned to be set so, and really is set a little otherwise."""
    one = role(number, **planned)
    subject.add(number, number, at_deg=5.0, settings={**one.settings, **(really or {})})
    return Subject(one, subject.run(read_snapshot(number)))


def tried(subject: Box, subjects: list[Subject], *parts: str) -> list[Findings]:
    findings, _ = subject.run(trial(subjects, parts or PARTS, 0.25))
    assert all(one.state in LIMP_STATES for one in subject.bus.actuators)
    return [findings[one.address] for one in subjects]


@given(soft_ms=st.integers(0, 5000), speed=st.floats(20, 600), way=st.floats(5, 60))
def test_the_soft_start_is_found_from_the_law_of_motion(soft_ms: int, speed: float, way: float) -> None:
    """Evenly accelerated up to the limit: s = v t^2 / 2T, then v (t - T / 2), as any text on mechanics has it."""
    soft_s = soft_ms / 1000
    samples = []
    for step in range(2000):
        time_s = step * 0.004
        gone = speed * time_s**2 / (2 * soft_s) if time_s < soft_s else speed * (time_s - soft_s / 2)
        samples.append((time_s, gone))
        if gone > way:
            break
    assert soft_start_ms(samples, speed) == pytest.approx(soft_ms, abs=1e-6)


def test_an_arm_that_hardly_moves_has_no_soft_start() -> None:
    assert soft_start_ms([(0.1, 0.2), (2.0, 0.9)], 300) is None


@pytest.mark.parametrize("wanted_ms", [0, 250, 1000, 3000])
def test_soft_start_as_measured_on_the_bus(wanted_ms: int) -> None:
    subject = box(2)
    (found,) = tried(subject, [subject_of(subject, 1, soft_start=wanted_ms)], "start")
    assert found.limp_at_start
    assert found.soft_start_ms == pytest.approx(wanted_ms, abs=25)
    assert found.faults == ()
    assert found.loss_action is None
    assert found.centred_at_deg is None


@pytest.mark.parametrize(("at_deg", "to_deg"), [(-50.0, -32.0), (50.0, 32.0), (-1.0, 17.0), (1.0, -17.0)])
def test_the_first_demand_goes_towards_the_middle_by_three_tenths(at_deg: float, to_deg: float) -> None:
    """30 % of half a travel of 120 deg are 18 deg; away from the end at which the arm stands."""
    subject = box(2)
    one = subject_of(subject, 1)
    subject.bus.actuators[0].arm.place(at_deg, at_deg, subject.now_ns)
    aims = []
    subject.bus.on_frame = lambda _, actuator, __: aims.append(actuator.arm.target_deg)
    tried(subject, [one], "start")
    assert {round(aim, 2) for aim in aims if aim is not None and abs(aim - at_deg) > 1} == {to_deg}


def test_a_start_that_is_harder_than_planned_is_a_fault_and_a_softer_one_is_none() -> None:
    subject = box(2)
    subjects = [
        subject_of(subject, 1, really={"soft-start": 200}, soft_start=1000),
        subject_of(subject, 2, really={"soft-start": 1500}, soft_start=1000),
    ]
    hard, soft = tried(subject, subjects, "start")
    assert hard.faults == (f"its soft start takes {hard.soft_start_ms:.0f} ms, planned 1000 ms",)
    assert soft.faults == ()


@pytest.mark.parametrize(
    ("action", "word"), [(LOSS_LIMP, "limp"), (LOSS_HOLD, "hold"), (LOSS_PRESET, "preset")], ids=str
)
def test_each_loss_action_is_seen_in_its_time(action: int, word: str) -> None:
    subject = box(2)
    subjects = [subject_of(subject, n, loss_action=action, preset=-2500, loss_time_out=300 * n) for n in (1, 2, 3)]
    for number, found in enumerate(tried(subject, subjects, "loss"), 1):
        assert found.faults == ()
        assert found.loss_action == word
        assert found.loss_after_ms is not None
        early, late = found.loss_after_ms
        assert early - 5 <= 300 * number <= late


@pytest.mark.parametrize(
    ("planned", "really", "says"),
    [
        ({"loss_action": LOSS_HOLD}, {"loss-action": LOSS_LIMP}, "its action is limp, planned hold"),
        (
            {"loss_action": LOSS_PRESET, "preset": 2000},
            {"preset": -2000},
            "its preset ends at -20.00 deg, planned 20.00",
        ),
        ({"loss_time_out": 400}, {"loss-time-out": 900}, "after the last demand, planned 400 ms"),
        ({"loss_time_out": 900}, {"loss-time-out": 400}, "after the last demand, planned 900 ms"),
        ({"neutral": 0}, {"neutral": 300}, "centred it stands at 3.00 deg, planned 0.00 deg"),
        ({"direction": 1}, {"direction": 0}, "at +25 % it stands at 15.00 deg, planned -15.00 deg"),
        ({"travel": 9000}, {"travel": 12000}, "at +25 % it stands at 15.00 deg, planned 11.25 deg"),
    ],
    ids=lambda one: str(one)[:40],
)
def test_what_is_not_as_planned_is_said(planned: dict[str, RawValue], really: dict[str, RawValue], says: str) -> None:
    subject = box(2)
    wrong = subject_of(subject, 1, really=really, **planned)
    right = subject_of(subject, 2, **planned)
    found, good = tried(subject, [wrong, right], "centre", "move", "loss")
    assert any(says in fault for fault in found.faults), found.faults
    assert good.faults == ()
    assert findings_json(wrong, found)["as_planned"] is False
    assert findings_json(right, good)["as_planned"] is True


TABLE = (300, -200, 400)
"""At -25 %, 0 and 25 % it adds -0.75, -2 and -0.5 deg, in a straight line between its points, calculated by hand."""


def test_with_a_correction_table_it_should_stand_where_the_table_puts_it() -> None:
    subject = box(2)
    (found,) = tried(subject, [subject_of(subject, 1, really={"correction": TABLE})])
    assert found.faults == ()
    assert found.centred_at_deg == pytest.approx(-2.0, abs=0.1)
    assert found.reached_deg["low"] == pytest.approx((-15.75, -15.75), abs=0.1)
    assert found.reached_deg["high"] == pytest.approx((14.5, 14.5), abs=0.1)
    assert [wanted for _, wanted in found.reached_deg.values()] == pytest.approx([-15.75, 14.5])


def test_stops_that_are_nearer_than_the_demand_end_its_way_as_planned() -> None:
    subject = box(2)
    one = subject_of(subject, 1, travel=18_000, loss_action=LOSS_PRESET, preset=9000)
    about = dataclasses.replace(one.snapshot.description, mechanical_travel_cdeg=3000)
    subject.bus.actuators[0].arm.stop_deg = 15.0
    (found,) = tried(subject, [dataclasses.replace(one, snapshot=dataclasses.replace(one.snapshot, description=about))])
    assert found.reached_deg["high"] == (15.0, 15.0)
    assert found.faults == ()


def nonsense(subject: Box, number: int, says: Callable[[int], int]) -> None:
    """From now on its sensor says this, by how often it was asked."""
    asked = itertools.count()

    class Odd(Sensor):
        def says_cdeg(self, reading_deg: float, now_ns: int) -> int:
            return says(next(asked))

    subject.bus.actuators[number]._sensor = Odd()


@pytest.mark.parametrize(
    ("says", "why"),
    [
        (lambda at: 32_767, "it reports 327.67 deg, its stops are at +-"),
        (lambda at: -30_000, "it reports -300.00 deg"),
        (lambda at: (-6000, 6000)[at % 2], "its model goes 400 deg/s at most"),
        (lambda at: 40 * (at % 200 - 100), ""),
        (lambda at: 100 if at < 60 else 20_000, "it reports 200.00 deg"),
    ],
    ids=["beyond", "below", "jumping", "wandering", "later"],
)
def test_one_that_reports_nonsense_ends_in_a_stated_time_and_the_others_are_tried(
    says: Callable[[int], int], why: str
) -> None:
    subject = box(2)
    subjects = [subject_of(subject, 1), subject_of(subject, 2)]
    nonsense(subject, 0, says)
    began_ns = subject.now_ns
    odd, good = tried(subject, subjects)
    assert subject.now_ns - began_ns < longest_ns(subjects, PARTS)
    assert good.faults == ()
    assert any(why in one for one in odd.faults), odd.faults
    assert not why or any("make no sense" in one and "left out" in one for one in odd.faults)


@pytest.mark.parametrize(("at_cdeg", "is_left_out"), [(10_999, False), (11_001, True), (-11_001, True)])
def test_ten_degrees_beyond_its_stops_is_nonsense(at_cdeg: int, is_left_out: bool) -> None:
    """The stops of the model stand at +-100 deg."""
    subject = box(2)
    one = subject_of(subject, 1)
    nonsense(subject, 0, lambda at: at_cdeg)
    (found,) = tried(subject, [one], "centre")
    assert any("make no sense" in text for text in found.faults) is is_left_out
    assert (found.centred_at_deg is None) is is_left_out


@pytest.mark.parametrize(("to_cdeg", "can_be"), [(8_999, True), (9_001, False), (-8_999, True), (-9_001, False)])
def test_no_arm_goes_twice_as_fast_as_its_model_can(to_cdeg: int, can_be: bool) -> None:
    """The model goes 400 deg/s: 80 deg in 0.1 s at twice that, and 10 deg that any sensor may be off."""
    subject = box(2)
    one = subject_of(subject, 1)
    run = _Run([one], {1: Findings()}, seen={1: (subject.now_ns - 100 * MS, 0)})
    assert subject.run(run.makes_sense(one, to_cdeg)) is can_be
    assert run.subjects == ([one] if can_be else [])


def test_moved_each_way_all_are_back_in_the_middle_before_they_are_let_go() -> None:
    subject = box(2)
    tried(subject, [subject_of(subject, 1), subject_of(subject, 2)], "move")
    assert [one.arm.position_deg for one in subject.bus.actuators] == pytest.approx([0.0, 0.0], abs=0.5)


def test_how_long_a_trial_takes_at_most_is_calculated_by_hand() -> None:
    """Of one with 120 deg of travel at 300 deg/s: late, it is waited for 1 s + 2 x 0.4 s."""
    subject = box(2)
    subjects = [subject_of(subject, 1, loss_time_out=600)]
    restart_s, slow_s = 0.3, 0.02
    assert longest_ns(subjects, ["start"]) / 1e9 == pytest.approx(2 * restart_s + 8 + 10 * slow_s)
    assert longest_ns(subjects, ["centre"]) / 1e9 == pytest.approx(restart_s + 8 + 1.8 + 10 * slow_s)
    assert longest_ns(subjects, ["move"]) / 1e9 == pytest.approx(restart_s + 8 + 4 * 1.8 + 16 * slow_s)
    assert longest_ns(subjects, ["loss"]) / 1e9 == pytest.approx(restart_s + 8 + 2 * 1.8 + 8 + 12 * slow_s)


def test_one_that_never_arrives_costs_the_long_time_once_only() -> None:
    subject = box(2)
    subjects = [subject_of(subject, number) for number in (1, 2)]
    nonsense(subject, 0, lambda _: 300)  # it says that it stands still, and never arrives
    began_ns = subject.now_ns
    stuck, other = tried(subject, subjects, "centre", "move")
    assert any("at +25 % it stands at 3.00 deg" in one for one in stuck.faults)
    assert other.faults == ()
    took_ns = subject.now_ns - began_ns
    assert took_ns < longest_ns(subjects, ["centre", "move"])
    # once the long time, then 1.8 s for each of its 7 demands at most
    assert 8_000 * MS < took_ns < 8_000 * MS + 7 * 1_800 * MS


def test_one_that_never_loses_the_signal_is_a_fault() -> None:
    subject = box(2)
    (found,) = tried(subject, [subject_of(subject, 1, really={"loss-time-out": 10_000}, loss_time_out=200)], "loss")
    assert found.loss_action == ""
    assert found.faults == ("the signal gone, it does nothing within 200 ms and a while; planned limp",)


def test_a_short_time_out_is_kept_fed_while_it_is_moved() -> None:
    subject = box(2)
    subjects = [subject_of(subject, n, loss_time_out=20 if n == 1 else 500) for n in range(1, 9)]
    assert [one.faults for one in tried(subject, subjects, "centre", "move")] == [()] * 8


def test_an_actuator_that_falls_silent_ends_the_trial_with_all_limp() -> None:
    subject = box(2)
    subjects = [subject_of(subject, 1), subject_of(subject, 2)]
    subject.bus.kernel.at(subject.now_ns + 1500 * MS, lambda: setattr(subject.bus.actuators[1], "is_mute", True))
    with pytest.raises(ReplyTimeoutError):
        subject.run(trial(subjects, PARTS, 0.25))
    assert all(one.state in LIMP_STATES for one in subject.bus.actuators)


def test_one_that_does_not_come_back_from_its_restart_ends_the_trial() -> None:
    subject = box(2)
    subjects = [subject_of(subject, 1)]
    actuator = subject.bus.actuators[0]
    subject.hooked(once(Report, lambda: setattr(actuator, "is_mute", True)))
    subject.bus.kernel.at(subject.now_ns + 5_000 * MS, lambda: setattr(actuator, "is_mute", False))
    with pytest.raises(ReplyTimeoutError):
        subject.run(trial(subjects, PARTS, 0.25))


def test_one_that_takes_its_time_to_start_is_waited_for() -> None:
    subject = box(2)
    subjects = [subject_of(subject, 1)]
    actuator = subject.bus.actuators[0]

    def slow() -> None:
        actuator.is_mute = True
        subject.bus.kernel.at(subject.now_ns + 250 * MS, lambda: setattr(actuator, "is_mute", False))

    subject.hooked(once(Report, slow))
    assert tried(subject, subjects, "centre")[0].faults == ()


def test_an_interrupt_at_any_time_ends_limp() -> None:
    for at_ms in range(50, 4600, 350):
        subject = box(2)
        subjects = [subject_of(subject, 1, loss_action=LOSS_HOLD), subject_of(subject, 2, loss_action=LOSS_HOLD)]
        pause = interrupt_at(subject, subject.now_ns + at_ms * MS)
        subject.hooked(lambda _: pause())  # noqa: B023 - called within this round only
        with pytest.raises(KeyboardInterrupt):
            subject.run(trial(subjects, PARTS, 0.25))
        subject.pass_time(100 * MS)
        assert all(one.arm.target_deg is None for one in subject.bus.actuators)


def interrupt_at(subject: Box, time_ns: int) -> Callable[[], None]:
    was_raised = False

    def check() -> None:
        nonlocal was_raised
        if subject.now_ns >= time_ns and not was_raised:
            was_raised = True
            raise KeyboardInterrupt

    return check


def applied(directory: Path) -> tuple[Hauler, list[Subject]]:
    air = hauler(directory)
    wanted = goals(air.plan, air.assignment, air.link.run(survey()))
    todo = changes(air.link.run(survey()), wanted)
    air.link.run(carry_out(todo, wanted, note=lambda change, step: None))
    rows = audit(air.plan, air.assignment, air.link.run(survey())).rows
    return air, [Subject(row.role, row.snapshot) for row in rows if row.snapshot is not None]


def test_the_hauler_does_as_planned_once_it_is_set_up(tmp_path: Path) -> None:
    air, subjects = applied(tmp_path)
    findings, _ = air.link.run(trial(subjects, PARTS, 0.25))
    assert len(findings) == 13
    assert [one.faults for one in findings.values()] == [()] * 13
    by_function = {subject.role.function: findings[subject.address] for subject in subjects}
    assert {name: one.loss_action for name, one in by_function.items() if one.loss_action != "hold"} == {
        "throttle": "preset",
        "nose wheel": "limp",
    }
    assert by_function["aileron, right"].reached_deg["high"] == pytest.approx((-15, -15), abs=0.3)


def test_a_plan_that_asks_for_something_else_fails_the_same_actuators(tmp_path: Path) -> None:
    air, subjects = applied(tmp_path)
    other = [
        dataclasses.replace(
            subject,
            role=dataclasses.replace(subject.role, settings={**subject.role.settings, "loss-action": LOSS_LIMP}),
        )
        for subject in subjects
    ]
    findings, _ = air.link.run(trial(other, ["loss"], 0.25))
    assert sum(bool(one.faults) for one in findings.values()) == 12, "all but the nose wheel"
