"""Which actuator is which: a whole airframe by hand and by nudge, with everything that goes wrong at a bench."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.errors import InputError
from busproto.ops import find, release_all
from busproto.ops.discovery.search import Found, Roster
from busproto.ops.moving.hand_movement import Held, Member, Moved, Restless, Silent, Verdict
from busproto.ops.moving.motion import engage
from busproto.ops.moving.nudge import Nudged
from busproto.plan.actuators import meet, named_actuator, own_address, scratch_moves
from busproto.plan.airframe.claim import (
    Answer,
    Asked,
    BackAgain,
    CannotSwing,
    Claimed,
    Ended,
    NotClaimed,
    Order,
    Skipped,
    Task,
    Undone,
    claim_by_hand,
    claim_by_nudge,
    exchange_roles,
    places_for,
    tasks_of,
)
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.plan.load import Plan, load
from busproto.sim.actuators.actuator import SHOW_SWING_DEG, Actuator
from busproto.wire import Message
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, Assign, Release, ShowYourself, State
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS, Box, S, box, lasting, once, uid_of

FLEET: Final = """
fleet-map = 1
title = "fleet"
[function]
"aileron, left" = { address = 2, channel = 2 }
"aileron, right" = { address = 3, channel = 3, settings = { direction = "reversed" } }
"flap, left" = { address = 10, channel = 4 }
"flap, right" = { address = 11, channel = 5, settings = { direction = "reversed" } }
"elevator, left" = { address = 20, channel = 6 }
"elevator, right" = { address = 21, channel = 7, settings = { direction = "reversed" } }
"rudder, upper" = { address = 30, channel = 8 }
"rudder, middle" = { address = 31, channel = 8 }
"rudder, lower" = { address = 32, channel = 8 }
throttle = { address = 1, channel = 1 }
"nose wheel" = { address = 40, channel = 9 }
"tow release" = { address = 50, channel = 10 }
"of another airframe" = { address = 238, channel = 11 }
"""
AIRFRAME: Final = """
airframe = 1
title = "twelve"
fleet-map = "fleet.toml"
[function."aileron, left"]
positive = "trailing edge down"
[function."aileron, right"]
positive = "trailing edge down"
[function."flap, left"]
[function."flap, right"]
[function."elevator, left"]
[function."elevator, right"]
[function."rudder, upper"]
[function."rudder, middle"]
[function."rudder, lower"]
[function.throttle]
[function."nose wheel"]
[function."tow release"]
[gang.elevator]
number = 1
members = ["elevator, left", "elevator, right"]
[gang.rudder]
number = 2
members = ["rudder, upper", "rudder, middle", "rudder, lower"]
"""
SURFACES: Final = (
    "aileron, left",
    "aileron, right",
    "flap, left",
    "flap, right",
    "elevator",
    "rudder",
    "throttle",
    "nose wheel",
    "tow release",
)
AT: Final = {
    "aileron, left": 5,
    "aileron, right": 5,
    "flap, left": UNADDRESSED,
    "flap, right": UNADDRESSED,
    "elevator, left": 1,
    "elevator, right": 1,
    "rudder, upper": 30,
    "rudder, middle": 34,
    "rudder, lower": 239,
    "throttle": 1,
    "nose wheel": 40,
    "tow release": UNADDRESSED,
}
"""Two clashes, three fresh ones, one at the highest address."""
NUMBER: Final = dict(zip(AT, (7, 3, 12, 5, 9, 2, 4, 6, 8, 11, 1, 10), strict=True))
"""Uids in no order, but for the rudder, whose arms nothing else tells apart."""
Ways = Mapping[str, float]
"""By how many degrees each arm is taken, by function."""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    (tmp_path / "fleet.toml").write_text(FLEET, "utf-8")
    (tmp_path / "twelve.toml").write_text(AIRFRAME, "utf-8")
    return load(tmp_path / "twelve.toml")


def ways_of(plan: Plan, name: str, by_deg: float = 15.0) -> dict[str, float]:
    """How the arms of a surface go where it is taken to the side to which a positive demand takes it."""
    members = plan.gangs[name].members if name in plan.gangs else (name,)
    return {one: -by_deg if plan.roles[one].settings["direction"] else by_deg for one in members}


@dataclass
class Subject:
    """The twelve on a bus, and a person who does what is asked, or something else that was planned for it.

    Attributes:
        otherwise: by surface, what is done instead, one after the other; after the last, what was asked.
        stays: surfaces that are left where they were taken.
        orders: what is typed when something is told: given the told, an order or None.
        told: everything that was told.
        kept: every assignment that was kept.
    """

    plan: Plan
    box: Box
    actuators: dict[str, Actuator]
    otherwise: dict[str, list[Ways]] = field(default_factory=dict)
    stays: set[str] = field(default_factory=set)
    play_deg: dict[str, float] = field(default_factory=dict)
    orders: Callable[[object], Order | None] = lambda _: None
    told: list[Any] = field(default_factory=list)
    kept: list[dict[str, bytes]] = field(default_factory=list)
    pending: list[Order] = field(default_factory=list)

    @property
    def truth(self) -> dict[str, bytes]:
        return {name: self.actuators[name].uid for name in self.plan.roles}

    def tell(self, told: object) -> None:
        self.told.append(told)
        order = self.orders(told)
        if order is not None:
            self.pending.append(order)
        elif isinstance(told, Asked | NotClaimed | BackAgain) and not self.pending:
            task = told.task if isinstance(told, Asked | NotClaimed) else self.asked.task
            planned = self.otherwise.get(task.name, [])
            ways = planned.pop(0) if planned else ways_of(self.plan, task.name)
            self.move(ways, stays=task.name in self.stays)

    @property
    def asked(self) -> Asked:
        return next(one for one in reversed(self.told) if isinstance(one, Asked))

    def decide(self) -> Order | None:
        return self.pending.pop(0) if self.pending else None

    def keep(self, assigned: Mapping[str, bytes]) -> None:
        save_assignment(self.plan, assigned)
        self.kept.append(dict(assigned))

    def move(self, ways: Ways, *, after_ms: int = 700, over_ms: int = 600, stays: bool = False) -> None:
        """Take arms out, 0.4 s later back; one with play follows late and less."""
        begin_ns = self.box.now_ns + after_ms * MS
        for name, by_deg in ways.items():
            arm = self.actuators[name].arm
            arm.move_to(self.box.now_ns)
            from_deg, play = arm.position_deg, self.play_deg.get(name, 0.0)
            late_ns = round(over_ms * MS * play / abs(by_deg))
            to_deg = from_deg + by_deg - (play if by_deg > 0 else -play)
            self._hand(name, begin_ns + late_ns, to_deg, over_ms * MS - late_ns)
            if not stays:
                self._hand(name, begin_ns + (over_ms + 400) * MS + late_ns, from_deg, over_ms * MS - late_ns)

    def _hand(self, name: str, at_ns: int, to_deg: float, over_ns: int) -> None:
        arm = self.actuators[name].arm
        self.box.bus.kernel.at(at_ns, lambda: arm.hand(to_deg, over_ns, self.box.now_ns))

    def scan(self) -> tuple[Member, ...]:
        roster = self.box.run(find(rng=random.Random(5)))
        return self.box.run(meet(roster, scratch_moves(self.plan, roster)))[0]

    def run(self, *, patience_s: float | None = None, actuators: Sequence[Member] | None = None) -> Ended:
        return self.box.run(
            claim_by_hand(
                self.plan,
                self.scan() if actuators is None else actuators,
                load_assignment(self.plan),
                decide=self.decide,
                tell=self.tell,
                keep=self.keep,
                patience_ns=None if patience_s is None else round(patience_s * S),
            )
        )

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.told if isinstance(one, kind)]

    @property
    def asked_names(self) -> list[str]:
        return [one.task.name for one in self.of(Asked)]


@pytest.fixture
def subject(plan: Plan) -> Subject:
    on_bus = box(seed=2)
    actuators = {name: on_bus.add(NUMBER[name], at, label=name, at_deg=3.0) for name, at in AT.items()}
    return Subject(plan, on_bus, actuators)


# --- a whole airframe by hand ----------------------------------------------------------------------------------


def test_a_whole_airframe_with_everything_that_happens_at_a_subject(subject: Subject) -> None:
    spare = subject.box.add(90, 60, label="spare")
    subject.otherwise = {
        "aileron, right": [{"aileron, right": 15.0}],  # taken down as asked; the plan has it reversed
        "flap, left": [{"flap, left": 12.0, "nose wheel": 4.5}],  # a bump elsewhere
        "flap, right": [{"aileron, left": 9.0}, {"flap, right": 8.0, "tow release": 7.0}],
        "rudder": [{"rudder, upper": 10.0, "rudder, lower": 10.0}],
        "nose wheel": [{"nose wheel": 2.0}],
    }
    subject.play_deg = {"elevator, right": 5.0, "rudder, lower": 3.0}
    subject.stays = {"throttle", "aileron, left"}
    actuators = subject.scan()
    spare.is_mute = True
    before = {name: lasting(one) for name, one in subject.actuators.items()}
    ended = subject.run(actuators=actuators)

    assert ended.assigned == subject.truth == load_assignment(subject.plan)
    assert not ended.is_stopped
    assert subject.asked_names == list(SURFACES)
    assert [(one.at, one.of) for one in subject.of(Asked)] == [(at, 9) for at in range(1, 10)]
    assert len(subject.kept) == 9  # after every claim
    assert ended.silent == (spare.uid,)
    assert subject.of(Silent) == [Silent(spare.uid)]
    said = [(one.task.name, one.judgement.verdict) for one in subject.of(NotClaimed)]
    assert said == [
        ("flap, right", Verdict.TAKEN),
        ("flap, right", Verdict.SEVERAL),
        ("rudder", Verdict.FEW),
        ("nose wheel", Verdict.SMALL),
    ]
    assert len(ended.advice) == 1
    assert ended.advice[0] == (
        "aileron, right: a positive demand would take it the other way: the plan says reversed, the arm says normal"
    )
    claimed = {one.task.name: one for one in subject.of(Claimed)}
    assert set(claimed["rudder"].by_order) == {"rudder, upper", "rudder, middle", "rudder, lower"}
    assert claimed["elevator"].by_order == ()
    by_uid = {one.uid: one.by_deg for one in claimed["elevator"].moved}
    assert by_uid[subject.truth["elevator, left"]] == pytest.approx(15, abs=0.6)
    assert by_uid[subject.truth["elevator, right"]] == pytest.approx(-10, abs=0.6)

    for name, actuator in subject.actuators.items():  # nothing lasting was done, and all are limp
        after = lasting(actuator)
        assert [after[key] for key in ("address", "working", "memory", "generation")] == [
            before[name][key] for key in ("address", "working", "memory", "generation")
        ]
        assert actuator.state is State.RELEASED


def test_every_actuator_gets_an_address_that_is_not_in_use_or_planned(subject: Subject) -> None:
    actuators = subject.scan()
    addresses = {member.uid: member.address for member in actuators}
    assert len(actuators) == len(set(addresses.values())) == 12
    assert subject.box.truth == addresses
    kept = {"rudder, upper": 30, "rudder, middle": 34, "rudder, lower": 239, "nose wheel": 40}
    needy = sorted(subject.truth[name] for name in AT if name not in kept)
    free = [237, 236, 235, 234, 233, 232, 231, 230]  # 239 is taken, 238 is in the fleet map
    assert [addresses[uid] for uid in needy] == free
    assert {name: addresses[subject.truth[name]] for name in kept} == kept
    assert {member.model for member in actuators} == {"bench 25"}


def test_those_whom_the_tool_recognises_show_it(subject: Subject) -> None:
    shown: list[str] = []
    port = subject.box.hooked(lambda _: None)
    subject.tell = lambda told: (Subject.tell(subject, told), shown.append(type(told).__name__))  # type: ignore[method-assign]
    subject.run()
    assert sum(isinstance(request, ShowYourself) for request in port.sent) == 12
    assert shown.count("Claimed") == 9


@pytest.mark.parametrize("rate", [1e-3, 5e-3])
def test_noise_on_the_line_changes_nothing_of_the_result(subject: Subject, rate: float) -> None:
    actuators = subject.scan()
    subject.box.noise(rate)
    assert subject.run(actuators=actuators).assigned == subject.truth


# --- undo, skip, stop, patience, killed ------------------------------------------------------------------------


def test_undo_asks_again_and_skip_leaves_open(subject: Subject) -> None:
    done: set[str] = set()

    def orders(told: object) -> Order | None:
        if isinstance(told, Asked) and told.task.name == "flap, right" and "undo" not in done:
            done.add("undo")
            return "undo"
        if isinstance(told, Asked) and told.task.name == "rudder":
            return "skip"
        return None

    subject.orders = orders
    subject.otherwise["flap, left"] = [{"flap, right": 15.0}]  # the wrong one; noticed when the next is asked for
    ended = subject.run()
    assert subject.of(Undone) == [Undone(("flap, left",))]
    assert subject.of(Skipped) == [Skipped(tasks_of(subject.plan, {})[5], is_late=False)]
    wanted = {name: uid for name, uid in subject.truth.items() if not name.startswith("rudder")}
    assert ended.assigned == wanted == load_assignment(subject.plan)
    assert subject.asked_names[2:6] == ["flap, left", "flap, right", "flap, left", "flap, right"]
    assert [len(assigned) for assigned in subject.kept] == [1, 2, 3, 2, 3, 4, 6, 7, 8, 9]


def test_the_undo_of_a_gang_opens_all_of_it_and_of_nothing_says_so(subject: Subject) -> None:
    wanted: list[Order] = ["undo"]

    def orders(told: object) -> Order | None:
        first = isinstance(told, Asked) and told.task.name == "aileron, left"
        behind_gang = isinstance(told, Asked) and told.task.name == "throttle"
        return wanted.pop() if (first or behind_gang) and wanted else None

    subject.orders = orders
    assert subject.run().assigned == subject.truth
    assert subject.of(Undone) == [Undone(())]
    subject.told.clear()
    subject.plan.beside("assignment.json").unlink()
    wanted.append("undo")
    subject.orders = lambda told: (
        wanted.pop() if isinstance(told, Asked) and told.task.name == "throttle" and wanted else None
    )
    assert subject.run().assigned == subject.truth
    assert subject.of(Undone) == [Undone(("rudder, upper", "rudder, middle", "rudder, lower"))]


def test_stop_keeps_what_was_claimed_and_the_next_run_asks_for_the_rest_only(subject: Subject) -> None:
    subject.orders = lambda told: "stop" if isinstance(told, Asked) and told.task.name == "flap, right" else None
    ended = subject.run()
    assert ended.is_stopped
    assert list(ended.assigned) == ["aileron, left", "aileron, right", "flap, left"]
    subject.told.clear()
    subject.orders = lambda _: None
    assert subject.run().assigned == subject.truth
    assert subject.asked_names == list(SURFACES[3:])
    assert subject.of(Asked)[0].at == 4


@pytest.mark.parametrize("at_show", [1, 4, 6, 9])
def test_killed_in_the_middle_and_run_again_it_goes_on(subject: Subject, at_show: int) -> None:
    def kill() -> None:
        raise KeyboardInterrupt

    subject.box.hooked(once(ShowYourself, kill, number=at_show))
    with pytest.raises(KeyboardInterrupt):
        subject.run()
    kept = load_assignment(subject.plan)
    assert kept == subject.kept[-1]
    assert kept.items() <= subject.truth.items()
    assert all(one.state in LIMP_STATES for one in subject.actuators.values())
    subject.told.clear()
    subject.box.hooked(lambda _: None)
    subject.box.pass_time(5 * S)
    assert subject.run().assigned == subject.truth
    assert not set(subject.asked_names) & set(kept)


def test_a_surface_that_is_not_moved_is_skipped_after_a_while(subject: Subject) -> None:
    subject.otherwise = {"flap, left": [{}], "rudder": [{"rudder, upper": 15.0}, {}]}
    ended = subject.run(patience_s=6)
    assert [(one.task.name, one.is_late) for one in subject.of(Skipped)] == [("flap, left", True), ("rudder", True)]
    assert len(ended.assigned) == 8


def test_without_anyone_moving_all_is_open_and_nothing_was_kept(subject: Subject) -> None:
    subject.tell = subject.told.append  # type: ignore[method-assign]  # nobody is there
    ended = subject.run(patience_s=2)
    assert (dict(ended.assigned), subject.kept) == ({}, [])
    assert len(subject.of(Skipped)) == 9


# --- what is no answer -----------------------------------------------------------------------------------------


def test_a_surface_that_is_let_go_is_no_answer_to_the_next_question(subject: Subject) -> None:
    """Each is held until the next one is asked for, and comes back while that one is moved."""
    last: list[Ways] = []

    def tell(told: object) -> None:
        subject.told.append(told)
        if isinstance(told, Asked):
            back = {name: -by_deg for ways in last for name, by_deg in ways.items()}
            last[:] = [ways_of(subject.plan, told.task.name)]
            subject.move(back, after_ms=50, stays=True)
            subject.move(last[0], after_ms=100, stays=True)

    subject.tell = tell  # type: ignore[method-assign]
    assert subject.run(patience_s=20).assigned == subject.truth
    assert subject.of(NotClaimed) == []


def test_one_of_two_that_is_let_go_first_is_no_answer(subject: Subject) -> None:
    """Two were moved alike and refused; each then comes back by itself."""

    def orders(told: object) -> Order | None:
        if isinstance(told, NotClaimed) and told.judgement.verdict is Verdict.SEVERAL:
            subject.move({"flap, left": -15.0}, after_ms=100, stays=True)
            subject.move({"nose wheel": -15.0}, after_ms=2500, stays=True)
            subject.orders = lambda told: None
            subject.otherwise["flap, left"] = [{}, {}, {}]
        return None

    subject.orders = orders
    subject.otherwise["flap, left"] = [{"flap, left": 15.0, "nose wheel": 15.0}, {}]
    subject.stays = {"flap, left"}
    subject.run(patience_s=8)
    assert subject.of(BackAgain) == [
        BackAgain((subject.truth["flap, left"],)),
        BackAgain((subject.truth["nose wheel"],)),
    ]
    assert [one.task.name for one in subject.of(Skipped)] == ["flap, left"]


def test_a_surface_that_falls_when_its_drive_lets_go_is_no_answer(subject: Subject) -> None:
    actuators = subject.scan()
    held = subject.actuators["flap, right"]
    at = {member.uid: member.address for member in actuators}
    subject.box.run(engage(at[held.uid]))
    held.settings.working["loss-action"] = 1  # it holds until it is told otherwise

    def falls() -> None:
        if held.state is State.RELEASED:
            held.arm.hand(-30.0, 700 * MS, subject.box.now_ns)
        else:
            subject.box.bus.kernel.at(subject.box.now_ns + 10 * MS, falls)

    falls()
    subject.otherwise["aileron, left"] = [{}]
    ended = subject.run(actuators=actuators, patience_s=4)
    assert "aileron, left" not in ended.assigned
    assert subject.of(NotClaimed) == []
    assert held.uid == ended.assigned["flap, right"]


def test_an_actuator_that_engages_meanwhile_is_released_once_more(subject: Subject) -> None:
    actuators = subject.scan()
    stiff = subject.actuators["throttle"]
    address = stiff.address
    subject.orders = lambda told: _engage(subject, address) if isinstance(told, Asked) and told.at == 2 else None

    def _engage(subject: Subject, address: int) -> None:
        subject.box.bus.kernel.at(subject.box.now_ns + 100 * MS, lambda: stiff._take_hold())

    assert subject.run(actuators=actuators).assigned == subject.truth
    assert subject.of(Held) == [Held(stiff.uid)]
    assert stiff.state is State.RELEASED


def test_one_that_never_rests_is_spoken_of(subject: Subject) -> None:
    def wave(side: int) -> Callable[[], None]:
        def swing() -> None:
            if subject.box.now_ns < 9 * S:
                arm = subject.actuators["aileron, left"].arm
                arm.hand(3.0 + side * 12, 240 * MS, subject.box.now_ns)
                subject.box.bus.kernel.at(subject.box.now_ns + 250 * MS, wave(-side))

        return swing

    subject.otherwise["aileron, left"] = [{}, {}]
    subject.box.bus.kernel.at(2 * S, wave(1))
    subject.run(patience_s=15)
    assert subject.of(Restless) == [Restless((subject.truth["aileron, left"],))]


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
        ("flap, left", {LOW: -9.0}, {"flap, left": LOW}, 0, ""),  # nobody knows which side is positive
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
    with pytest.raises(InputError, match="a function of this airframe: aileron, left"):
        named_actuator(plan, assigned, "spoiler")
    roster = roster_of((1, 7), (2, 8), (3, 8), (4, UNADDRESSED))
    assert own_address(roster, uid_of(1)) == 7
    for number, why in ((2, "no address of its own"), (4, "no address of its own"), (5, "not on the line")):
        with pytest.raises(InputError, match=why):
            own_address(roster, uid_of(number))


# --- by nudge --------------------------------------------------------------------------------------------------


class Eyes:
    """Sees which arms left their place since the last look, and that nobody but one is engaged."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject
        self.went_deg = dict.fromkeys(subject.actuators, 0.0)
        self.most_engaged = 0
        self._from = {name: one.arm.position_deg for name, one in subject.actuators.items()}
        self._look()

    def _look(self) -> None:
        engaged = 0
        for name, one in self.subject.actuators.items():
            one.arm.move_to(self.subject.box.now_ns)
            self.went_deg[name] = max(self.went_deg[name], abs(one.arm.position_deg - self._from[name]))
            engaged += one.arm.target_deg is not None
        self.most_engaged = max(self.most_engaged, engaged)
        self.subject.box.bus.kernel.at(self.subject.box.now_ns + 5 * MS, self._look)

    def who(self) -> str:
        """The one that moved."""
        (moved,) = [name for name, deg in self.went_deg.items() if deg > 1]
        assert self.went_deg[moved] <= SHOW_SWING_DEG + 0.2
        assert all(one.arm.target_deg is None for one in self.subject.actuators.values())  # limp while one thinks
        self.went_deg = dict.fromkeys(self.went_deg, 0.0)
        self._from = {name: one.arm.position_deg for name, one in self.subject.actuators.items()}
        return moved


def by_nudge(subject: Subject, choose: Callable[[Member, Nudged, tuple[str, ...]], str | Answer]) -> Ended:
    steps = claim_by_nudge(
        subject.plan,
        subject.scan(),
        load_assignment(subject.plan),
        choose=choose,
        tell=subject.told.append,
        keep=subject.keep,
    )
    return subject.box.run(steps)


def test_a_whole_airframe_by_nudge(subject: Subject) -> None:
    eyes = Eyes(subject)
    offered: list[int] = []

    def choose(_: Member, nudged: Nudged, functions: tuple[str, ...]) -> str:
        assert nudged.was_seen
        offered.append(len(functions))
        return eyes.who()

    ended = by_nudge(subject, choose)
    assert ended.assigned == subject.truth == load_assignment(subject.plan)
    assert offered == list(range(12, 0, -1))
    assert eyes.most_engaged == 1
    assert all(one.state is State.RELEASED for one in subject.actuators.values())


def test_by_nudge_it_ends_when_no_function_is_open_and_a_spare_stays_still(subject: Subject) -> None:
    spare = subject.box.add(90, 60, label="spare")
    actuators = sorted(subject.scan(), key=lambda member: member.uid == spare.uid)
    assert actuators[-1].uid == spare.uid
    eyes = Eyes(subject)
    steps = claim_by_nudge(
        subject.plan, actuators, {}, choose=lambda *_: eyes.who(), tell=subject.told.append, keep=subject.keep
    )
    assert subject.box.run(steps).assigned == subject.truth
    assert spare.arm.position_deg == 0.0


def test_again_none_undo_and_stop(subject: Subject) -> None:
    eyes = Eyes(subject)
    answers: list[str | Answer] = ["it", Answer.AGAIN, "it", Answer.NONE, Answer.UNDO, "it", Answer.STOP]
    seen: list[str] = []

    def choose(member: Member, nudged: Nudged, functions: tuple[str, ...]) -> str | Answer:
        seen.append(eyes.who())
        answer = answers.pop(0)
        return seen[-1] if answer == "it" else answer

    ended = by_nudge(subject, choose)
    first, second, again, none, undone, redone, last = seen
    assert second == again
    assert len({first, second, none, undone}) == 4
    assert redone == second  # the last claim was taken back, so that one swings again
    assert last == none
    assert ended.is_stopped
    assert set(ended.assigned) == {first, second}
    assert ended.assigned.items() <= subject.truth.items()


def test_one_that_cannot_swing_is_told_and_the_others_go_on(subject: Subject) -> None:
    subject.actuators["throttle"].arm.position_deg = 85.0
    eyes = Eyes(subject)
    ended = by_nudge(subject, lambda *_: eyes.who())
    (told,) = subject.told
    assert isinstance(told, CannotSwing)
    assert told.member.uid == subject.truth["throttle"]
    assert "nothing moved" in told.why
    assert ended.assigned == {name: uid for name, uid in subject.truth.items() if name != "throttle"}


def test_one_that_fell_silent_is_named(subject: Subject) -> None:
    eyes = Eyes(subject)

    def choose(*_: object) -> str:
        subject.actuators["rudder, lower"].is_mute = True
        return eyes.who()

    ended = by_nudge(subject, choose)
    assert ended.silent == (subject.truth["rudder, lower"],)
    assert len(ended.assigned) == 11


def test_an_answer_that_is_no_open_function_is_refused_and_all_are_limp(subject: Subject) -> None:
    with pytest.raises(InputError, match="'spoiler' is not open"):
        by_nudge(subject, lambda *_: "spoiler")
    assert all(one.arm.target_deg is None for one in subject.actuators.values())


def test_by_nudge_those_that_are_claimed_do_not_move(subject: Subject) -> None:
    known = {name: subject.truth[name] for name in ("throttle", "rudder, upper")}
    save_assignment(subject.plan, known)
    eyes = Eyes(subject)
    seen: list[str] = []

    def choose(*_: object) -> str:
        seen.append(eyes.who())
        return seen[-1]

    assert by_nudge(subject, choose).assigned == subject.truth
    assert len(seen) == 10
    assert not known.keys() & set(seen)


def test_all_are_limp_after_ctrl_c_in_a_swing(subject: Subject) -> None:
    actuators = subject.scan()
    seen: list[Message] = []

    def hook(message: Message) -> None:
        if isinstance(message, ShowYourself):
            seen.append(message)
            if len(seen) == 3:
                raise KeyboardInterrupt

    subject.box.hooked(hook)
    eyes = Eyes(subject)
    steps = claim_by_nudge(
        subject.plan, actuators, {}, choose=lambda *_: eyes.who(), tell=subject.told.append, keep=subject.keep
    )
    with pytest.raises(KeyboardInterrupt):
        subject.box.run(steps)
    assert all(one.state is State.RELEASED for one in subject.actuators.values())
    assert len(load_assignment(subject.plan)) == 2


def test_nothing_but_scratch_addresses_is_ever_assigned(subject: Subject) -> None:
    port = subject.box.hooked(lambda _: None)
    subject.run()
    subject.box.run(release_all())
    assigned = [message.address for message in port.sent if isinstance(message, Assign)]
    assert sorted(assigned) == list(range(230, 238))
    assert not {role.address for role in subject.plan.roles.values()} & set(assigned)


def test_one_that_is_not_seen_limp_after_its_swing_is_not_asked_for(
    subject: Subject, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may hold the surface that the next one is to swing."""
    names = {uid: name for name, uid in subject.truth.items()}
    throttle = subject.actuators["throttle"]
    throttle.settings.set_working("loss-action", LOSS_HOLD)
    hear = throttle.heard
    monkeypatch.setattr(
        throttle, "heard", lambda frame, message: None if isinstance(message, Release) else hear(frame, message)
    )
    ended = by_nudge(subject, lambda member, *_: names[member.uid])
    told = next(one for one in subject.told if isinstance(one, CannotSwing))
    assert told.member.uid == subject.truth["throttle"]
    assert "NOT SEEN LIMP" in told.why
    assert "throttle" not in ended.assigned


def test_as_many_free_addresses_as_are_needed_are_enough(subject: Subject) -> None:
    planned = {role.address for role in subject.plan.roles.values()}
    planned |= {row["address"] for row in subject.plan.fleet.data["function"].values()}
    free = [address for address in range(1, 240) if address not in planned]
    found = [Found(address.to_bytes(8, "big"), address) for address in free[2:]]
    homeless = [Found((1000 + number).to_bytes(8, "big"), UNADDRESSED) for number in range(3)]

    def roster(count: int) -> Roster:
        return Roster(tuple(found + homeless[:count]), True, "", 0.0)

    assert sorted(move.new for move in scratch_moves(subject.plan, roster(2))) == free[:2]
    with pytest.raises(InputError, match="3 actuators need an address of their own, but only 2 are free"):
        scratch_moves(subject.plan, roster(3))
