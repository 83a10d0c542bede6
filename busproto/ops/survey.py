"""Snapshots: all settings and the report of one actuator, or of all. Changes nothing and moves nothing."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from busproto.errors import OperationError
from busproto.ops.discovery.search import PATIENCE_NS, Roster, find
from busproto.ops.holding import Held, Lists, require_parameter
from busproto.ops.moving.letting_go import OnLine
from busproto.ops.moving.motion import report
from busproto.ops.parameter_access import describe, read_all, read_whole
from busproto.ops.steps import Progress, Steps
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description, Memory, Status
from busproto.wire.parameter_list import STANDARD, ParameterList
from busproto.wire.parameters import RawValue, parameter_named


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that one actuator reports of itself.

    Attributes:
        address: 1..239.
        description: model, firmware and ratings.
        status: its report at that time.
        working, stored: raw settings by name; parameters it lacks are missing.
    """

    address: int
    description: Description
    status: Status
    working: Mapping[str, RawValue]
    stored: Mapping[str, RawValue]

    @property
    def uid(self) -> bytes:
        """8 bytes."""
        return self.description.uid

    @property
    def parameters(self) -> ParameterList:
        """The actuator's parameter list."""
        return self.stored.parameters if isinstance(self.stored, Held) else STANDARD


@dataclass(frozen=True, slots=True)
class Survey:
    """The roster, and a snapshot of each actuator that can be read.

    Attributes:
        roster: the actuators found.
        snapshots: by uid; actuators that share an address or have none cannot be read and are missing here.
        problems: by address, why an actuator could not be read.
    """

    roster: Roster
    snapshots: Mapping[bytes, Snapshot]
    problems: Mapping[int, str]


def firmware_text(description: Description) -> str:
    """Firmware version as it is printed, such as "1.4"."""
    return f"{description.firmware_major}.{description.firmware_minor}"


def read_snapshot(address: int, lists: Lists | None = None) -> Steps[Snapshot]:
    """Read everything of the actuator at an address, also parameters that the table does not have.

    Args:
        lists: parameter lists that were read before in this run.

    Raises:
        OperationError: the actuator does not answer, or several do.
    """
    description = yield from describe(address)
    status = yield from report(address)
    working = yield from read_whole(address, description=description, lists=lists)
    stored = yield from read_all(address, Memory.STORED, working.parameters)
    return Snapshot(address, description, status, working, stored)


def survey(*, rng: random.Random | None = None) -> Steps[Survey]:
    """Find all actuators, then read each that is alone at its address."""
    roster = yield from find(rng=rng, patience_ns=PATIENCE_NS)
    snapshots: dict[bytes, Snapshot] = {}
    problems: dict[int, str] = {}
    lists = Lists()
    alone = [at for at, uids in roster.by_address.items() if at != UNADDRESSED and len(uids) == 1]
    for number, address in enumerate(alone):
        yield Progress("reading", number, len(alone))
        try:
            snapshot = yield from read_snapshot(address, lists)
            snapshots[snapshot.uid] = snapshot
        except OperationError as error:
            problems[address] = str(error)
    yield Progress("reading", len(alone), len(alone))
    return Survey(roster, snapshots, problems)


def loss_action_of(snapshot: Snapshot | None) -> str:
    """What the actuator does when demands stop, in a word; "" where that is not known, or it has no such parameter."""
    raw = None if snapshot is None else snapshot.working.get("loss-action")
    return "" if raw is None else parameter_named("loss-action").text(raw)


def require_parameters(snapshots: Iterable[Snapshot], names: Iterable[str]) -> None:
    """Check that every actuator has the parameters that an operation needs.

    Raises:
        LacksParameterError: an actuator does not have one of these parameters.
    """
    wanted = sorted(names)
    for snapshot in snapshots:
        for name in wanted:
            require_parameter(snapshot.parameters, snapshot.address, name)


def actuators_of(seen: Survey) -> list[OnLine]:
    """All actuators of a survey, with their loss actions, for letting go (see `busproto.ops.moving.letting_go`)."""
    return [
        OnLine(
            one.address,
            one.uid,
            loss_action_of(seen.snapshots.get(one.uid)),
            2 if one.uid in seen.roster.twins else 1,
        )
        for one in seen.roster.found
    ]


def roster_actuators(roster: Roster) -> list[OnLine]:
    """All actuators of a roster, for letting go; their loss actions are not known."""
    return actuators_of(Survey(roster, {}, {}))
