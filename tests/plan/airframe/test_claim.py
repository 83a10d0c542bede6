"""Which actuator is which: a whole airframe by hand, with everything that goes wrong at a bench."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.ops.moving.hand_movement import Held, Restless, Silent, Verdict
from busproto.ops.moving.motion import engage
from busproto.plan.airframe.claim import Asked, BackAgain, Claimed, NotClaimed, Order, Skipped, Undone, tasks_of
from busproto.plan.assignment import load_assignment
from busproto.wire.messages import LIMP_STATES, ShowYourself, State
from tests.ops.helpers import MS, S, lasting, once
from tests.plan.airframe.twelve import AT, SURFACES, Subject, Ways, ways_of

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
    subject.tell = subject.told.append  # type: ignore[method-assign]  # no hand moves an arm
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
