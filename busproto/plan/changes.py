"""The changes from a survey to its goals, in an order that never makes a new clash; and carrying them out.

After an interruption everything needed to go on is found on the bus: each address is written by uid and stored by the
actuator at once, each setting is compared again before it is written, and settings count only once stored memory has
them. So an interrupted run is simply run again; finished steps are found finished, and the result is the same.

Nothing moves: all actuators are released first and stay limp.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Final

from busproto.errors import InputError, OperationError, ReadBackError
from busproto.ops.addressing import Move, assign, ordered_moves
from busproto.ops.discovery.search import PATIENCE_NS, Roster, find
from busproto.ops.moving.letting_go import OnLine, let_go, require_limp
from busproto.ops.parameter_access import commit, describe, read_all, read_whole, write
from busproto.ops.steps import Progress, Steps
from busproto.ops.survey import Survey
from busproto.plan.fitting import NONE_OWN, Fitted, Wanted, fitted
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description, Memory
from busproto.wire.parameter_list import STANDARD, ParameterList
from busproto.wire.parameters import RawValue, disagreement, in_safe_order

NO_VALUES: Final[Mapping[str, RawValue]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Goal:
    """The wanted address and settings of one actuator.

    Attributes:
        uid: 8 bytes.
        name: its function, or another name for a person.
        address: 1..239.
        settings: raw, by name; settings that are not named are left as they are.
        own: values of its own parameters, in their units; `units`, as far as known; `stated`: names of settings that it
            must not lack. See `busproto.plan.fitting.Wanted`.
        may_lack: leave out settings that it lacks or refuses; otherwise no actuator is changed at all.
    """

    uid: bytes
    name: str
    address: int
    settings: Mapping[str, RawValue]
    own: Mapping[str, object] = field(default_factory=lambda: NONE_OWN)
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    stated: Collection[str] | None = None
    may_lack: bool = False

    def fitted(self, known: ParameterList) -> Fitted:
        """The part of the goal that an actuator with this list can have."""
        return fitted(Wanted(self.settings, self.own, self.units, self.stated), known)

    def why_not(self, known: ParameterList) -> str:
        """Why an actuator with this list cannot reach the goal, in words, and what to do; "" if it can."""
        texts = [] if self.may_lack else self.fitted(known).texts
        if not texts:
            return ""
        return (
            f"{self.name} (address {self.address}): {'; '.join(texts)}. Fit another actuator there, or take it out of "
            "what is planned for it (what it lacks stands under 'lacks' of its function)"
        )


@dataclass(frozen=True, slots=True)
class Change:
    """One change of one actuator.

    Attributes:
        kind: "park" (take its address away), "address", "settings" (compare, set, store), and within that "set" (one
            parameter in working memory) and "store".
        uid: of the actuator.
        name: its function.
        address: the one it gets ("address"), or at which it is set; 240 (F0h) for "park".
        was: its address before, 240 for none; for what is set: as `address`.
        before, after: raw settings, where they are known beforehand.
        is_known: whether the settings could be read beforehand; otherwise they are compared once it has its address.
        parameters: its parameter list, to print the settings.
    """

    kind: str
    uid: bytes
    name: str
    address: int
    was: int
    before: Mapping[str, RawValue] = field(default_factory=lambda: NO_VALUES)
    after: Mapping[str, RawValue] = field(default_factory=lambda: NO_VALUES)
    is_known: bool = True
    parameters: ParameterList = STANDARD

    @property
    def text(self) -> str:
        """What the change does, in a few words."""
        if self.kind == "park":
            return f"address {self.was} taken away for now"
        if self.kind == "address":
            was = "none" if self.was == UNADDRESSED else str(self.was)
            return f"address {was} -> {self.address}"
        if self.kind == "store":
            return "stored"
        if not self.is_known:
            return "settings compared and set once it has an address of its own"
        return ", ".join(self.setting_texts)

    @property
    def setting_texts(self) -> list[str]:
        """Each setting that changes, in words."""
        texts = []
        for name, raw in self.after.items():
            row = self.parameters.rows[name]
            texts.append(f"{name} {row.text(self.before[name])} -> {row.text(raw)}")
        return texts

    def as_json(self) -> dict[str, Any]:
        """The change for ``--json``: which actuator, and address and settings before and after."""
        return {
            "kind": self.kind,
            "uid": self.uid.hex(),
            "function": self.name,
            "address": None if self.address == UNADDRESSED else self.address,
            "was_address": None if self.was == UNADDRESSED else self.was,
            "settings_to_change": [
                {
                    "name": name,
                    "was": self.parameters.rows[name].value(self.before[name]),
                    "becomes": self.parameters.rows[name].value(raw),
                }
                for name, raw in self.after.items()
            ],
            "known": self.is_known,
        }


Note = Callable[[Change, str], None]
"""Called with each change before it is begun ("begin") and after it was read back ("done")."""
Admit = Callable[[Goal, Description], bool]
"""Called for an actuator that could be read only once it had its address: whether its settings may be written."""


def changes(
    survey: Survey, goals: Sequence[Goal], *, park: bool = True, left: Mapping[bytes, str] = MappingProxyType({})
) -> list[Change]:
    """The changes in order: addresses first, then settings. Empty if all is as wanted.

    Args:
        survey: the survey of the line now.
        goals: the goals; every uid must be on the line.
        park: whether an actuator that is not in `goals` and occupies a wanted address may lose it.
        left: by uid, names of known actuators without a goal, which are to be left as they are.

    Raises:
        InputError: a uid is not on the line, an address is wanted twice, an address is occupied and `park` is off,
            wanted settings cannot stand beside those that are left alone, or one lacks, or does not take, what is
            wanted of it.
    """
    names = {goal.uid: goal.name for goal in goals}
    wanted = {goal.uid: goal.address for goal in goals}
    found: list[Change] = []
    roster = survey.roster
    if park:
        for one in roster.found:
            if one.uid not in wanted and one.address in wanted.values():
                name = left.get(one.uid, "not in the plan")
                found.append(Change("park", one.uid, name, UNADDRESSED, one.address))
        roster = _without_address(roster, {change.uid for change in found})
    found += [_of_move(move, names[move.uid]) for move in ordered_moves(roster, wanted)]
    for goal in goals:
        snapshot = survey.snapshots.get(goal.uid)
        if snapshot is None:
            at = goal.address
            found.append(Change("settings", goal.uid, goal.name, at, at, is_known=False))
            continue
        if why := goal.why_not(snapshot.parameters):
            raise InputError(f"{why}. Nothing was changed")
        wanted_settings = goal.fitted(snapshot.parameters).settings
        if why := disagreement({**snapshot.working, **wanted_settings}):
            raise InputError(f"{goal.name}: {why}")
        after = {
            name: raw
            for name, raw in wanted_settings.items()
            if snapshot.working.get(name) != raw or snapshot.stored.get(name) != raw
        }
        if after:
            # if only one memory differs, that one is shown
            before = {
                name: snapshot.stored[name] if snapshot.stored[name] != raw else snapshot.working[name]
                for name, raw in after.items()
            }
            at, known = goal.address, snapshot.parameters
            found.append(Change("settings", goal.uid, goal.name, at, at, before, after, parameters=known))
    return found


def _without_address(roster: Roster, uids: set[bytes]) -> Roster:
    found = tuple(replace(one, address=UNADDRESSED) if one.uid in uids else one for one in roster.found)
    return replace(roster, found=found)


def _of_move(move: Move, name: str) -> Change:
    kind = "park" if move.new == UNADDRESSED else "address"
    return Change(kind, move.uid, name, move.new, move.old)


def carry_out(
    todo: Sequence[Change],
    goals: Sequence[Goal],
    *,
    note: Note,
    admit: Admit | None = None,
    actuators: Collection[OnLine] = (),
    lists: dict[bytes, ParameterList] | None = None,
) -> Steps[int]:
    """Carry out the changes one after another, each read back; all are released first. Returns how many were done.

    Args:
        todo: from `changes`.
        goals: the same goals.
        note: called before and after each change; an error it raises ends the run between two changes.
        admit: see `Admit`; with None every actuator is set. One that is not admitted gets its address, but no settings.
        actuators: those known to be on the line; if one of them still holds, nothing is written.
        lists: by uid, the parameter lists read before; lists read now are added.

    Raises:
        NotLimpError: an actuator still holds after the release; nothing was written.
        BusError: a step failed. Finished steps stay; run it again.
    """
    by_uid = {goal.uid: goal for goal in goals}
    lists = {} if lists is None else lists
    if todo:
        seen = yield from let_go(actuators)
        if seen.holding:  # a setting acts at once: an engaged arm would move
            require_limp(seen)
    done = 0
    for number, change in enumerate(todo):
        yield Progress("applying", number, len(todo))
        if change.kind == "settings":
            goal = by_uid[change.uid]
            found = None if change.is_known else (yield from describe(goal.address))
            if admit is None or found is None or admit(goal, found):
                done += yield from _set(goal, note, lists, found)
        else:
            note(change, "begin")
            yield from assign(change.uid, change.address)
            note(change, "done")
            done += 1
    yield Progress("applying", len(todo), len(todo))
    return done


def _set(goal: Goal, note: Note, lists: dict[bytes, ParameterList], found: Description | None) -> Steps[int]:
    """Bring one actuator's settings to the goal: compared as they are now, each read back, then stored.

    Args:
        found: its description, if it was read just now.
    """
    if goal.uid in lists:
        working = yield from read_all(goal.address, known=lists[goal.uid])
    else:
        working = yield from read_whole(goal.address, description=found)
    known = lists[goal.uid] = working.parameters
    stored = yield from read_all(goal.address, Memory.STORED, known)
    wanted = goal.fitted(known).settings
    # for an actuator that could not be read beforehand
    if why := goal.why_not(known) or disagreement({**working, **wanted}):
        raise OperationError(goal.address, f"{goal.name}: {why}. Nothing was set in it; then run this again")
    done = 0
    for name in in_safe_order(working, wanted):
        raw = wanted[name]
        if working[name] == raw:
            continue
        at, before, after = goal.address, {name: working[name]}, {name: raw}
        change = Change("set", goal.uid, goal.name, at, at, before, after, parameters=known)
        note(change, "begin")
        yield from write(goal.address, after, known)
        note(change, "done")
        done += 1
    if all(stored[name] == raw for name, raw in wanted.items()):
        return done
    change = Change("store", goal.uid, goal.name, goal.address, goal.address)
    note(change, "begin")
    yield from commit(goal.address, known)
    note(change, "done")
    return done + 1


def verify(goals: Sequence[Goal], lists: Mapping[bytes, ParameterList] = MappingProxyType({})) -> Steps[Roster]:
    """Find all actuators again and read every goal back from stored memory. Changes nothing. Returns the roster.

    Args:
        lists: by uid, the parameter lists read before.

    Raises:
        ReadBackError: an actuator does not have its wanted address or settings.
    """
    roster = yield from find(patience_ns=PATIENCE_NS)
    for number, goal in enumerate(goals):
        yield Progress("reading back", number, len(goals))
        at = roster.address_of(goal.uid)
        if at != goal.address:
            raise ReadBackError(goal.address, f"{goal.name}: address", goal.address, "none" if at is None else at)
        known = lists.get(goal.uid)
        if known is None and goal.own:
            known = (yield from read_whole(goal.address)).parameters
        for memory in (Memory.STORED, Memory.WORKING):
            values = yield from read_all(goal.address, memory, known)
            for name, raw in goal.fitted(values.parameters).settings.items():
                if values[name] != raw:
                    row = values.parameters.rows[name]
                    what = f"{goal.name}: {memory.name.lower()} {name}"
                    raise ReadBackError(goal.address, what, row.text(raw), row.text(values[name]))
    yield Progress("reading back", len(goals), len(goals))
    return roster
