"""Which actuator is which, by nudge: each swings in turn and the person says what moved."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.errors import InputError
from busproto.ops import release_all
from busproto.ops.discovery.search import Found, Roster
from busproto.ops.moving.hand_movement import Member
from busproto.ops.moving.nudge import Nudged
from busproto.plan.actuators import scratch_moves
from busproto.plan.airframe.claim import Answer, CannotSwing, Ended, claim_by_nudge
from busproto.plan.assignment import load_assignment, save_assignment
from busproto.sim.actuators.showing import SHOW_SWING_DEG
from busproto.wire import Message
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Assign, Release, ShowYourself, State
from busproto.wire.parameters import LOSS_HOLD
from tests.ops.helpers import MS
from tests.plan.airframe.twelve import Subject


class Eyes:
    """Sees which arms left their place since the last look, and that no more than one is engaged."""

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
