"""Which actuator is which, with nothing unplugged: by hand (the arm that moves), or by nudge (the arm that swings).

By hand, all actuators are limp and stay so. For each function in turn the person is asked to move its surface; the
actuator that reports movement is assigned to that function. The actuators of a gang are asked for together. By nudge,
each actuator without a function swings a little, and the person says which surface that was. Every claim is saved at
once (`keep`), so that an interrupted command can go on from there.

Which actuators can be asked, and what each is, is found in `busproto.plan.actuators`. Planned addresses and settings
are not written here.
"""

from __future__ import annotations

import contextlib
import enum
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from busproto.errors import InputError, OperationError
from busproto.ops.moving.hand_movement import (
    CLEAR_DEG,
    NOTICED_DEG,
    Held,
    Judgement,
    Lookout,
    Member,
    Moved,
    Mover,
    Restless,
    Silent,
    Verdict,
    judge,
)
from busproto.ops.moving.letting_go import OnLine, let_go, require_limp
from busproto.ops.moving.motion import show
from busproto.ops.moving.nudge import Nudged, nudge
from busproto.ops.steps import Steps, now
from busproto.plan.load import Plan, Role
from busproto.wire.parameters import DIRECTION_REVERSED

SHOW_S: Final = 0.5
OVERSHOOT_DEG: Final = 3.0
"""deg. A surface that is let go may return beyond its earlier position by this much."""
DIRECTION_TEXTS: Final = {1: "normal", -1: "reversed"}

Order = Literal["undo", "skip", "stop"]


# --- what is asked for -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Task:
    """One surface to be moved.

    Attributes:
        name: of the function, or of the gang.
        functions: the functions to be claimed: one, or the open ones of a gang.
        members: all functions of the gang, or the single one.
        positive: the side to which it is to be moved, in the words of the plan; "" if either side will do.
        needs_side: as many arms turn to one side as to the other, and the plan has no words for it: the person must
            know the side.
    """

    name: str
    functions: tuple[str, ...]
    members: tuple[str, ...]
    positive: str
    needs_side: bool


def tasks_of(plan: Plan, assigned: Mapping[str, bytes]) -> list[Task]:
    """The surfaces still to be moved, in the order of the airframe file; a gang at the place of its first open
    member."""
    tasks = []
    done: set[str] = set()
    for function, role in plan.roles.items():
        if function in assigned or function in done:
            continue
        members = plan.gangs[role.gang].members if role.gang else (function,)
        open_members = tuple(one for one in members if one not in assigned)
        done.update(open_members)
        positive = next((plan.roles[one].positive for one in members if plan.roles[one].positive), "")
        is_even = sum(_planned_side(plan.roles[one]) for one in open_members) == 0
        tasks.append(Task(role.gang or function, open_members, members, positive, is_even and not positive))
    return tasks


def _planned_side(role: Role) -> int:
    return -1 if role.settings["direction"] == DIRECTION_REVERSED else 1


# --- what is reported ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """The person is asked to move this surface now, number `at` (from 1) of `of`."""

    task: Task
    at: int
    of: int


@dataclass(frozen=True, slots=True)
class Claimed:
    """Functions that were claimed now.

    Attributes:
        task: the task.
        uids: by function.
        moved: displacement of each actuator, the farthest first.
        by_order: functions whose actuators were assigned in the order of uid, as nothing else distinguishes them.
        advice: what does not fit the plan, in words.
    """

    task: Task
    uids: Mapping[str, bytes]
    moved: tuple[Moved, ...]
    by_order: tuple[str, ...]
    advice: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotClaimed:
    """An arm moved, but no function was claimed; why."""

    task: Task
    judgement: Judgement


@dataclass(frozen=True, slots=True)
class BackAgain:
    """Actuators that only returned to their earlier positions; not taken for an answer."""

    uids: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Undone:
    """Functions that are open again; none if there was nothing to undo."""

    functions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Skipped:
    """A surface that was skipped; `is_late` if it was not moved in time."""

    task: Task
    is_late: bool


@dataclass(frozen=True, slots=True)
class CannotSwing:
    """An actuator that could not be nudged; why."""

    member: Member
    why: str


Told = Asked | Claimed | NotClaimed | BackAgain | Restless | Held | Silent | Undone | Skipped | CannotSwing
Tell = Callable[[Told], object]
Keep = Callable[[Mapping[str, bytes]], object]


@dataclass(frozen=True, slots=True)
class Ended:
    """The result of a claim.

    Attributes:
        assigned: uid by function.
        is_stopped: whether the person ended it.
        silent: uids that did not answer at the end.
        advice: what does not fit the plan, for all claims in force.
    """

    assigned: Mapping[str, bytes]
    is_stopped: bool
    silent: tuple[bytes, ...]
    advice: tuple[str, ...]


# --- which actuator gets which function ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Places:
    """Which actuator gets which function; see `Claimed`."""

    uids: Mapping[str, bytes]
    by_order: tuple[str, ...]
    advice: tuple[str, ...]


def places_for(plan: Plan, task: Task, moved: Sequence[Moved]) -> Places:
    """Assign the functions of a task to the actuators that moved, of which there are as many.

    If the members turn to different sides, the side to which each arm turned tells which is which; those that turn to
    the same side are assigned in the order of uid.
    """
    planned = {function: _planned_side(plan.roles[function]) for function in task.functions}
    seen = {one.uid: (1 if one.by_deg >= 0 else -1) for one in sorted(moved, key=lambda one: one.uid)}
    turn, advice = _fit(task, planned, seen)
    left = list(seen)
    uids: dict[str, bytes] = {}
    for function, side in planned.items():
        uid = next((uid for uid in left if turn and seen[uid] * turn == side), left[0])
        left.remove(uid)
        uids[function] = uid
    sides = list(planned.values())
    by_order = tuple(one for one, side in planned.items() if len(sides) > 1 and (not turn or sides.count(side) > 1))
    return Places(uids, by_order, tuple(advice))


def _fit(task: Task, planned: Mapping[str, int], seen: Mapping[bytes, int]) -> tuple[int, list[str]]:
    """Whether the observed sides are those planned (1), all reversed (-1), or neither (0); and what to report."""
    wanted, found = sorted(planned.values()), sorted(seen.values())
    if found == wanted:
        return 1, []
    if [-side for side in reversed(found)] == wanted:
        if not task.positive:
            return -1, []  # the side to which the hand moved it is not known
        one = next(iter(planned.values()))
        says = f"the plan says {DIRECTION_TEXTS[one]}, the arm says {DIRECTION_TEXTS[-one]}"
        if len(planned) > 1:
            says = "every arm turns against the direction in the plan"
        return -1, [f"{task.name}: a positive demand would take it the other way: {says}"]
    plan_says = ", ".join(f"{name} {DIRECTION_TEXTS[side]}" for name, side in planned.items())
    turned = "all turned the same way" if len(set(found)) == 1 else "did not all turn the same way"
    return 0, [
        f"{task.name}: its arms {turned}, which does not fit the plan ({plan_says}): driven together they would pull "
        "against each other"
    ]


def exchange_roles(plan: Plan, assigned: Mapping[str, bytes], one: str, other: str) -> dict[str, bytes]:
    """The assignment with two functions exchanged; one of them may be open.

    Raises:
        InputError: no such function, both are the same, or both are open.
    """
    plan.role(one)
    plan.role(other)
    if one == other:
        raise InputError(f"'{one}' cannot be exchanged with itself")
    if one not in assigned and other not in assigned:
        raise InputError(f"neither '{one}' nor '{other}' is claimed: there is nothing to exchange")
    turned = {one: other, other: one}
    return {turned.get(function, function): uid for function, uid in assigned.items()}


# --- by hand ---------------------------------------------------------------------------------------------------


def claim_by_hand(
    plan: Plan,
    actuators: Sequence[Member],
    assigned: Mapping[str, bytes],
    *,
    decide: Callable[[], Order | None],
    tell: Tell,
    keep: Keep,
    patience_ns: int | None = None,
    clear_deg: float = CLEAR_DEG,
) -> Steps[Ended]:
    """Let a person move each surface, and see which actuator moved. All are released and stay limp; nothing is driven.

    Args:
        plan: the airframe.
        actuators: all actuators that can be asked.
        assigned: the claims so far, uid by function.
        decide: called in every turn for the person's decision; must not block.
        tell: called with each event.
        keep: called with the whole assignment after every change.
        patience_ns: a surface that is not moved for this time is skipped, ns; None to wait for ever.
        clear_deg: the least movement that counts, deg.
    """
    return (yield from _ByHand(plan, actuators, assigned, decide, tell, keep, patience_ns, clear_deg).run())


@dataclass
class _Desk:
    """The claims, and the way back. `history` holds the tasks that were claimed in this run."""

    plan: Plan
    assigned: dict[str, bytes]
    tell: Tell
    keep: Keep
    history: list[tuple[tuple[str, ...], tuple[str, ...]]] = field(default_factory=list)

    def claim(self, uids: Mapping[str, bytes], advice: tuple[str, ...] = ()) -> None:
        self.assigned.update(uids)
        self.history.append((tuple(uids), advice))
        self.keep(self.assigned)

    def undo(self) -> tuple[str, ...]:
        functions = self.history.pop()[0] if self.history else ()
        for function in functions:
            del self.assigned[function]
        if functions:
            self.keep(self.assigned)
        self.tell(Undone(functions))
        return functions

    def ended(self, is_stopped: bool, silent: tuple[bytes, ...]) -> Ended:
        advice = tuple(text for _, texts in self.history for text in texts)
        return Ended(self.assigned, is_stopped, silent, advice)


class _ByHand:
    def __init__(
        self,
        plan: Plan,
        actuators: Sequence[Member],
        assigned: Mapping[str, bytes],
        decide: Callable[[], Order | None],
        tell: Tell,
        keep: Keep,
        patience_ns: int | None,
        clear_deg: float,
    ) -> None:
        self._plan = plan
        self._address = {member.uid: member.address for member in actuators}
        self._actuators = [OnLine(member.address, member.uid) for member in actuators]
        self._desk = _Desk(plan, dict(assigned), tell, keep)
        self._lookout = Lookout(actuators, tell)
        self._decide = decide
        self._tell = tell
        self._patience_ns = patience_ns
        self._clear_deg = clear_deg
        self._away: dict[bytes, float] = {}
        """By uid, the displacement at which each surface was held, deg: when the hand lets go it returns."""

    def run(self) -> Steps[Ended]:
        stiff = yield from self._lookout.settle()
        # an actuator that is not seen limp is reported, again and again, by the look-out
        yield from let_go(self._actuators)
        for uid in stiff:
            self._lookout.watch.forget(uid)  # its surface may drop now, which is no hand movement
        skipped: set[str] = set()
        while (task := self._next_task(skipped)) is not None:
            order = yield from self._claim(task)
            if order == "stop":
                return self._desk.ended(True, self._lookout.silent)
            if order == "undo":
                skipped.difference_update(self._desk.undo())
            elif order is not None:
                skipped.update(task.functions)
                self._tell(Skipped(task, is_late=order == "late"))
        return self._desk.ended(False, self._lookout.silent)

    def _next_task(self, skipped: set[str]) -> Task | None:
        tasks = tasks_of(self._plan, self._desk.assigned)
        task = next((one for one in tasks if not skipped.issuperset(one.functions)), None)
        if task is not None:
            of = len(tasks_of(self._plan, {}))
            at = [one.name for one in tasks_of(self._plan, {})].index(task.name) + 1
            self._tell(Asked(task, at, of))
        return task

    def _claim(self, task: Task) -> Steps[Literal["undo", "skip", "stop", "late"] | None]:
        """Wait until this task is claimed (None), or something else is to be done."""
        since_ns = yield from now()
        while True:
            order = self._decide()
            if order is not None:
                return order
            for happened in (yield from self._lookout.turn()):
                since_ns = yield from now()
                if isinstance(happened, Restless):
                    self._tell(happened)
                elif (yield from self._take(task, happened.movers)):
                    return None
            if self._patience_ns is not None and (yield from now()) - since_ns > self._patience_ns:
                return "late"

    def _take(self, task: Task, movers: Sequence[Mover]) -> Steps[bool]:
        """Judge a movement. Returns whether the task is claimed now."""
        assigned = self._desk.assigned
        expected = {assigned[function] for function in task.members if function in assigned}
        back = [mover.uid for mover in movers if self._is_back(mover)]
        ways = {mover.uid: mover.path[-1][1] for mover in movers if mover.uid not in back}
        self._away.update((uid, deg) for uid, deg in ways.items() if abs(deg) >= NOTICED_DEG)
        meant = [mover for mover in movers if mover.uid not in back and mover.uid not in expected]
        taken = set(assigned.values())
        if not meant:
            unknown = tuple(uid for uid in back if uid not in taken)
            if unknown:
                self._tell(BackAgain(unknown))
            return False
        judgement = judge(meant, len(task.functions), taken, clear_deg=self._clear_deg)
        if judgement.verdict is not Verdict.MEANT:
            if judgement.verdict is not Verdict.NOTHING:
                self._tell(NotClaimed(task, judgement))
            return False
        places = places_for(self._plan, task, judgement.moved)
        self._desk.claim(places.uids, places.advice)
        self._tell(Claimed(task, places.uids, judgement.moved, places.by_order, places.advice))
        for uid in places.uids.values():
            with contextlib.suppress(OperationError):  # only a sign for the person, so it may fail
                yield from show(self._address[uid], SHOW_S)
        return True

    def _is_back(self, mover: Mover) -> bool:
        """Whether the arm only returned from where it was held, which is expected once."""
        if mover.reach_deg < NOTICED_DEG:
            return False
        away_deg = self._away.pop(mover.uid, 0.0)
        return mover.first_side * away_deg < 0 and mover.reach_deg <= abs(away_deg) + OVERSHOOT_DEG


# --- by nudge --------------------------------------------------------------------------------------------------


class Answer(enum.Enum):
    """A person's answer about an actuator that has swung, other than a function."""

    AGAIN = "again"
    NONE = "none of these"
    UNDO = "undo"
    STOP = "stop"


def claim_by_nudge(
    plan: Plan,
    actuators: Sequence[Member],
    assigned: Mapping[str, bytes],
    *,
    choose: Callable[[Member, Nudged, tuple[str, ...]], str | Answer],
    tell: Tell,
    keep: Keep,
    barred: Mapping[bytes, str] = MappingProxyType({}),
) -> Steps[Ended]:
    """Let each unclaimed actuator swing a little, and let the person say which surface that was.

    All are released first. Each is limp again before `choose` is called (which may block), and all are at the end. The
    caller must have shown the cautions. Arguments as `claim_by_hand`. `choose` takes the actuator that has swung, the
    swing, and the open functions; it returns one of these, or an `Answer`. `barred` gives the actuators that must not
    be moved, and why.

    Raises:
        InputError: `choose` returned a function that is not open; all are limp.
    """
    desk = _Desk(plan, dict(assigned), tell, keep)
    silent: list[bytes] = []
    yield from let_go([OnLine(member.address, member.uid) for member in actuators])
    waiting = [member for member in actuators if member.uid not in desk.assigned.values()]
    at = 0
    was_at: list[int] = []
    while at < len(waiting):
        member = waiting[at]
        open_functions = tuple(function for function in plan.roles if function not in desk.assigned)
        if not open_functions:
            break
        if member.uid in barred:
            tell(CannotSwing(member, barred[member.uid]))
            at += 1
            continue
        try:
            nudged = yield from nudge(member.address)
            require_limp(nudged.let_go)
        except OperationError as error:
            if isinstance(error, TimeoutError):
                silent.append(member.uid)
            tell(CannotSwing(member, str(error)))
            at += 1
            continue
        answer = choose(member, nudged, open_functions)
        if answer is Answer.STOP:
            return desk.ended(True, tuple(silent))
        if answer is Answer.UNDO:
            at = was_at.pop() if was_at else at
            desk.undo()
        elif answer is Answer.NONE:
            at += 1
        elif isinstance(answer, str):
            if answer not in open_functions:
                raise InputError(f"'{answer}' is not open; there are: {', '.join(open_functions)}")
            desk.claim({answer: member.uid})
            was_at.append(at)
            at += 1
    return desk.ended(False, tuple(silent))
