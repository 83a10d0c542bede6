"""Which place each claimed actuator gets: gangs, directions, addresses of their own, and who is meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.ops.discovery.search import Found, Roster
from busproto.ops.moving.hand_movement import Moved
from busproto.plan.actuators import meet, named_actuator, own_address, scratch_moves
from busproto.plan.airframe.claim import Asked, Task, exchange_roles, places_for, tasks_of
from busproto.plan.assignment import save_assignment
from busproto.plan.load import Plan, load
from busproto.wire.frame import UNADDRESSED
from tests.ops.helpers import box, uid_of
from tests.plan.airframe.twelve import AIRFRAME, FLEET, SURFACES, Subject

# --- gangs, directions, places ---------------------------------------------------------------------------------


def test_the_rest_of_a_gang_is_claimed_beside_the_one_that_is_known(subject: Subject) -> None:
    actuators = subject.scan()
    save_assignment(subject.plan, {"rudder, middle": subject.truth["rudder, middle"]})
    assert subject.run(actuators=actuators).assigned == subject.truth
    rudder = next(one.task for one in subject.of(Asked) if one.task.name == "rudder")
    assert rudder.functions == ("rudder, upper", "rudder, lower")
    assert len(rudder.members) == 3


LOW, MIDDLE, HIGH = uid_of(1), uid_of(2), uid_of(3)


def task_of(plan: Plan, name: str) -> Task:
    return next(task for task in tasks_of(plan, {}) if task.name == name)


def test_what_is_asked_says_what_the_person_must_know(plan: Plan) -> None:
    tasks = {task.name: task for task in tasks_of(plan, {})}
    assert list(tasks) == list(SURFACES)
    assert tasks["aileron, left"].positive == "trailing edge down"
    assert tasks["elevator"].needs_side  # one turns each way, and no word which side is positive
    assert not tasks["rudder"].needs_side  # alike
    assert not tasks["throttle"].needs_side
    assigned = {"elevator, left": LOW}
    (left,) = [task for task in tasks_of(plan, assigned) if task.name == "elevator"]
    assert left.functions == ("elevator, right",)
    assert not left.needs_side  # only one is left


@pytest.mark.parametrize(
    ("name", "moved", "uids", "by_order", "advice"),
    [
        ("flap, left", {LOW: -9.0}, {"flap, left": LOW}, 0, ""),  # which side is positive is not known
        ("aileron, left", {LOW: 9.0}, {"aileron, left": LOW}, 0, ""),
        ("aileron, left", {LOW: -9.0}, {"aileron, left": LOW}, 0, "the plan says normal, the arm says reversed"),
        ("aileron, right", {LOW: -9.0}, {"aileron, right": LOW}, 0, ""),
        ("aileron, right", {LOW: 9.0}, {"aileron, right": LOW}, 0, "the plan says reversed, the arm says normal"),
        ("elevator", {LOW: 9.0, HIGH: -8.0}, {"elevator, left": LOW, "elevator, right": HIGH}, 0, ""),
        ("elevator", {LOW: -9.0, HIGH: 8.0}, {"elevator, left": HIGH, "elevator, right": LOW}, 0, ""),
        ("elevator", {HIGH: 9.0, LOW: 8.0}, {"elevator, left": LOW, "elevator, right": HIGH}, 2, "turned the same way"),
        (
            "rudder",
            {HIGH: 9.0, LOW: 8.0, MIDDLE: 8.5},
            {"rudder, upper": LOW, "rudder, middle": MIDDLE, "rudder, lower": HIGH},
            3,
            "",
        ),
        (
            "rudder",
            {HIGH: -9.0, LOW: -8.0, MIDDLE: -8.5},
            {"rudder, upper": LOW, "rudder, middle": MIDDLE, "rudder, lower": HIGH},
            3,
            "",
        ),
        (
            "rudder",
            {HIGH: -9.0, LOW: 8.0, MIDDLE: 8.5},
            {"rudder, upper": LOW, "rudder, middle": MIDDLE, "rudder, lower": HIGH},
            3,
            "pull against each other",
        ),
    ],
)
def test_who_gets_which_place(
    plan: Plan, name: str, moved: Mapping[bytes, float], uids: Mapping[str, bytes], by_order: int, advice: str
) -> None:
    places = places_for(plan, task_of(plan, name), [Moved(uid, by_deg) for uid, by_deg in moved.items()])
    assert places.uids == uids
    assert len(places.by_order) == by_order
    assert len(places.advice) == bool(advice)
    assert advice in "".join(places.advice)


def test_two_of_three_that_turn_one_way_tell_the_third_whatever_the_hand_did(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(
        FLEET.replace('"rudder, lower" = { address = 32, channel = 8 }',
                      '"rudder, lower" = { address = 32, channel = 8, settings = { direction = "reversed" } }'),
        "utf-8",
    )  # fmt: skip
    (tmp_path / "twelve.toml").write_text(AIRFRAME, "utf-8")
    plan = load(tmp_path / "twelve.toml")
    task = task_of(plan, "rudder")
    assert not task.needs_side
    for side in (1, -1):
        places = places_for(plan, task, [Moved(HIGH, side * 9.0), Moved(MIDDLE, side * 8.0), Moved(LOW, side * -8.0)])
        assert places.uids == {"rudder, upper": MIDDLE, "rudder, middle": HIGH, "rudder, lower": LOW}
        assert set(places.by_order) == {"rudder, upper", "rudder, middle"}
        assert places.advice == ()


@given(st.permutations([LOW, MIDDLE, HIGH]), st.lists(st.sampled_from([-9.0, 9.0]), min_size=3, max_size=3))
def test_every_mover_gets_one_place(order: list[bytes], ways: list[float]) -> None:
    roles = {name: _role(direction) for name, direction in (("a", 0), ("b", 1), ("c", 0))}
    plan: Any = _Plan(roles)
    task = Task("s", ("a", "b", "c"), ("a", "b", "c"), "", needs_side=False)
    places = places_for(plan, task, [Moved(uid, by_deg) for uid, by_deg in zip(order, ways, strict=True)])
    assert sorted(places.uids.values()) == [LOW, MIDDLE, HIGH]
    assert list(places.uids) == ["a", "b", "c"]


@dataclass
class _Role:
    settings: Mapping[str, int]


@dataclass
class _Plan:
    roles: Mapping[str, _Role]


def _role(direction: int) -> _Role:
    return _Role({"direction": direction})


def test_two_claims_are_exchanged_and_one_may_be_open(plan: Plan) -> None:
    assigned = {"rudder, upper": LOW, "rudder, lower": HIGH, "throttle": MIDDLE}
    exchanged = exchange_roles(plan, assigned, "rudder, upper", "rudder, lower")
    assert exchanged == {"rudder, upper": HIGH, "rudder, lower": LOW, "throttle": MIDDLE}
    assert exchange_roles(plan, assigned, "nose wheel", "throttle") == {
        "rudder, upper": LOW, "rudder, lower": HIGH, "nose wheel": MIDDLE
    }  # fmt: skip
    for pair, why in {
        ("rudder, upper", "rudder, upper"): "with itself",
        ("rudder, upper", "spoiler"): "no function 'spoiler'",
        ("nose wheel", "tow release"): "neither",
    }.items():
        with pytest.raises(InputError, match=why):
            exchange_roles(plan, assigned, *pair)


# --- who is there ----------------------------------------------------------------------------------------------


def roster_of(*found: tuple[int, int], twins: tuple[int, ...] = ()) -> Roster:
    return Roster(
        tuple(Found(uid_of(number), address) for number, address in found),
        proven=True,
        reason="",
        remaining_error=0.0,
        twins=tuple(map(uid_of, twins)),
    )


def test_only_those_without_an_address_of_their_own_get_one(plan: Plan) -> None:
    assert scratch_moves(plan, roster_of((1, 7), (2, 8))) == []
    moves = scratch_moves(plan, roster_of((1, 7), (2, 8), (3, 8), (4, UNADDRESSED), (5, 239)))
    assert [(move.uid, move.new) for move in moves] == [(uid_of(2), 237), (uid_of(3), 236), (uid_of(4), 235)]


def test_twins_get_none_and_are_not_asked(plan: Plan) -> None:
    on_bus = box()
    on_bus.add(1, 7)
    on_bus.add(2, 9)
    on_bus.add(2, 9)
    roster = roster_of((1, 7), (2, 9), twins=(2,))
    assert scratch_moves(plan, roster) == []
    assert [member.uid for member in on_bus.run(meet(roster, []))[0]] == [uid_of(1)]


def test_too_few_free_addresses_are_said(plan: Plan) -> None:
    full = [(number, address) for number, address in enumerate(range(1, 230), 1)]
    with pytest.raises(InputError, match="12 actuators need an address of their own, but only 9 are free"):
        scratch_moves(plan, roster_of(*full, *((300 + number, UNADDRESSED) for number in range(12))))


def test_one_that_does_not_say_what_it_is_stays_in_the_list() -> None:
    on_bus = box()
    on_bus.add(1, 7)
    on_bus.add(2, 8).is_mute = True
    actuators = on_bus.run(meet(roster_of((1, 7), (2, 8)), []))[0]
    assert [(member.address, member.model) for member in actuators] == [(7, "bench 25"), (8, "")]


def test_a_person_names_one_by_function_address_or_uid(plan: Plan) -> None:
    assigned = {"throttle": LOW}
    assert named_actuator(plan, assigned, "throttle") == (LOW, None)
    assert named_actuator(plan, assigned, "17") == (b"", 17)
    assert named_actuator(plan, assigned, "0x1F") == (b"", 31)
    assert named_actuator(plan, assigned, HIGH.hex()) == (HIGH, None)
    with pytest.raises(InputError, match="not claimed yet"):
        named_actuator(plan, assigned, "nose wheel")
    with pytest.raises(InputError, match="or a function of this airframe: aileron, left"):
        named_actuator(plan, assigned, "spoiler")
    roster = roster_of((1, 7), (2, 8), (3, 8), (4, UNADDRESSED))
    assert own_address(roster, uid_of(1)) == 7
    for number, why in ((2, "no address of its own"), (4, "no address of its own"), (5, "not on the line")):
        with pytest.raises(InputError, match=why):
            own_address(roster, uid_of(number))
