"""Demands, release, engage, reports, and the loss of the demand.

Before an operation that lets an arm move, the caller must have shown the cautions (`busproto.cautions`). An operation
that streams demands releases the actuators when it ends, also when it is interrupted, and reports what it saw of that
(`busproto.ops.moving.letting_go`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from busproto.errors import InputError
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp, let_go_after
from busproto.ops.reports import brief_reports
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.transact import transact
from busproto.session.exchange import Ask
from busproto.wire.messages import (
    FAULT_TEXTS,
    LIMP_STATES,
    MAX_CHANNELS,
    MAX_DEMAND,
    NO_DEMAND,
    BriefStatus,
    Demand,
    DemandAll,
    Engage,
    Engaged,
    Fault,
    Moving,
    Release,
    Released,
    Report,
    Restart,
    Restarting,
    Showing,
    ShowYourself,
    State,
    Status,
)

MS: Final = 1_000_000
DEMAND_PERIOD_NS: Final = 50 * MS
ARRIVED_CDEG: Final = 30
LOSS_ACTION_OF_STATE: Final = {
    State.LOST_LIMP: "limp",
    State.LOST_HOLD: "hold",
    State.LOST_PRESET: "preset",
}


def report(address: int) -> Steps[Status]:
    """Read position, load, state and faults of the actuator at an address, 1..239."""
    return (yield from transact(Report(), address, Status))


def report_round(first: int, count: int, fractions: Mapping[int, float] | None = None) -> Steps[dict[int, BriefStatus]]:
    """A brief report of every actuator in a row of addresses, by address; an actuator that did not answer is missing.

    Args:
        first: 1..239.
        count: 1..239 addresses from `first` on.
        fractions: demands that are sent with it, -1..+1 by channel 1..32; None to demand nothing.

    Raises:
        InputError: a channel or a fraction is outside its range.
    """
    briefs = yield from brief_reports(first, count, _demands(fractions) if fractions else ())
    return {brief.address: brief.status for brief in briefs}


def fault_texts(faults: int) -> list[str]:
    """The fault bits of a report in words."""
    return [FAULT_TEXTS[bit] for bit in Fault if faults & bit]


def demand(address: int, fraction: float) -> Steps[Moving]:
    """Send one actuator a demand, -1..+1 of its travel. It restarts the loss time-out."""
    return (yield from transact(Demand(raw_demand(fraction)), address, Moving))


def raw_demand(fraction: float) -> int:
    """A fraction of the travel, -1..+1, as the raw number on the wire. Raises InputError outside."""
    if isinstance(fraction, bool) or not isinstance(fraction, int | float):
        raise InputError(f"demand {fraction!r}: a fraction of the travel is wanted, -1..1")
    if not -1.0 <= fraction <= 1.0:
        raise InputError(f"demand {fraction * 100:g} %: -100..100 % of the travel are allowed")
    return round(fraction * MAX_DEMAND)


def release(address: int) -> Steps[State]:
    """Release one actuator: it is limp until it is engaged or restarted."""
    return (yield from transact(Release(), address, Released)).state


def engage(address: int) -> Steps[State]:
    """Engage one actuator: it holds its arm where it is; the loss time-out starts."""
    return (yield from transact(Engage(), address, Engaged)).state


def restart(address: int) -> Steps[None]:
    """Restart one actuator, as after power-up: limp, working memory from stored. It answers before it restarts."""
    yield from transact(Restart(), address, Restarting)


def show(address: int, duration_s: float) -> Steps[bool]:
    """Let one actuator make itself known for 0..10 s. Returns whether it does so by moving its arm."""
    if isinstance(duration_s, bool) or not isinstance(duration_s, int | float):
        raise InputError(f"show for {duration_s!r}: a number of seconds is wanted, 0..10 s")
    if not 0 <= duration_s <= 10:
        raise InputError(f"{duration_s:g} s: 0..10 s are allowed")
    return bool((yield from transact(ShowYourself(round(duration_s * 10)), address, Showing)).moves)


def demand_channels(fractions: Mapping[int, float]) -> Ask:
    """The broadcast with these demands (-1..+1) for these channels (1..32), and none for the others.

    Raises:
        InputError: a channel or a fraction is outside its range.
    """
    return Ask.all(DemandAll(_demands(fractions)))


def _demands(fractions: Mapping[int, float]) -> tuple[int, ...]:
    """The raw demand list for fractions by channel."""
    for channel in fractions:
        if not 1 <= channel <= MAX_CHANNELS:
            raise InputError(f"channel {channel}: 1..{MAX_CHANNELS} are allowed")
    demands = [NO_DEMAND] * max(fractions, default=1)
    for channel, fraction in fractions.items():
        demands[channel - 1] = raw_demand(fraction)
    return tuple(demands)


def stream(
    fractions: Mapping[int, float], duration_ns: int, *, actuators: Collection[OnLine] | None = None
) -> Steps[None]:
    """Send these demands to these channels, again and again for a while.

    At the end nothing is released: unless the caller goes on with demands, the loss time-outs pass. If it is
    interrupted it releases all.

    Args:
        fractions: -1..+1 by channel 1..32.
        duration_ns: for how long, ns.
        actuators: those known to be there, for a release after an interrupt (see `letting_go`).
    """
    ask = demand_channels(fractions)
    began_ns = yield from now()
    try:
        while True:
            yield from exchange(ask)
            passed_ns = (yield from now()) - began_ns
            if duration_ns:
                yield Progress("demanding, ms", min(passed_ns, duration_ns) // MS, duration_ns // MS)
            if passed_ns >= duration_ns:
                return
            yield Pause(min(DEMAND_PERIOD_NS, duration_ns - passed_ns))
    except GeneratorExit:
        raise
    except BaseException as error:
        yield from let_go_after(error, actuators)
        raise


@dataclass(frozen=True, slots=True)
class MoveResult:
    """The result of a move.

    Attributes:
        before, after: reports at the beginning, and after the demand was held.
        arrived: whether the arm came within 0.3 deg of where its demand puts it.
        peak_current_ma: the highest current reported meanwhile, mA.
        let_go: what was seen after the release; None if it was not to be released.
    """

    before: Status
    after: Status
    arrived: bool
    peak_current_ma: int
    let_go: LetGo | None = None


def move(
    address: int, fraction: float, hold_ns: int = 1000 * MS, *, leave_limp: bool = True, loss_action: str = ""
) -> Steps[MoveResult]:
    """Move one actuator to a fraction of its travel, hold it there for a while, then release it.

    Returns when it has arrived and `hold_ns` has passed, or when `hold_ns` has passed twice.

    Args:
        address: 1..239.
        fraction: -1..+1.
        hold_ns: for how long the demand is sent, ns.
        leave_limp: whether it is released at the end.
        loss_action: what it does without demands, in a word, for the note if the port goes away.

    Raises:
        InputError: the fraction is outside -1..+1; nothing was sent.
        NodeRefusedError: the actuator has no address of its own, or a fault stands.
    """
    raw_demand(fraction)
    before = yield from report(address)
    moving = _move(address, fraction, hold_ns, before)
    if not leave_limp:
        return (yield from moving)
    result, seen = yield from ending_limp(moving, (OnLine(address, loss_action=loss_action),), to_all=False)
    return replace(result, let_go=seen)


def _move(address: int, fraction: float, hold_ns: int, before: Status) -> Steps[MoveResult]:
    after, peak, arrived = before, before.current_ma, False
    began_ns = yield from now()
    if before.state is State.RELEASED:
        yield from engage(address)
    while True:
        yield from demand(address, fraction)
        after = yield from report(address)
        peak = max(peak, after.current_ma)
        passed_ns = (yield from now()) - began_ns
        arrived = after.state is State.FOLLOWING and abs(after.position_cdeg - after.demand_cdeg) <= ARRIVED_CDEG
        yield Progress("moving, ms", min(passed_ns, hold_ns) // MS, hold_ns // MS)
        if passed_ns >= (hold_ns if arrived else 2 * hold_ns):
            return MoveResult(before, after, arrived, peak)
        yield Pause(DEMAND_PERIOD_NS)


@dataclass(frozen=True, slots=True)
class LossResult:
    """What one actuator did when the demands stopped.

    Attributes:
        address: 1..239.
        action: "limp", "hold" or "preset"; "" if it did not act within the time watched.
        after_ns: time from the last demand to the first report that showed it, ns.
        status: the last report.
    """

    address: int
    action: str
    after_ns: int
    status: Status


def take_demand_away(addresses: Sequence[int], watch_ns: int) -> Steps[dict[int, LossResult]]:
    """Stop sending demands and watch what each actuator does. Every one must be following when this begins.

    Args:
        addresses: the actuators to watch, 1..239 each.
        watch_ns: for how long at most, ns: the longest of their loss time-outs, and a margin.
    """
    began_ns = yield from now()
    results: dict[int, LossResult] = {}
    while True:
        for address in addresses:
            if address in results and results[address].action:
                continue
            status = yield from report(address)
            passed_ns = (yield from now()) - began_ns
            results[address] = LossResult(address, LOSS_ACTION_OF_STATE.get(status.state, ""), passed_ns, status)
        acted = sum(bool(result.action) for result in results.values())
        yield Progress("watching the loss of the demand", acted, len(addresses))
        passed_ns = (yield from now()) - began_ns
        if acted == len(addresses) or passed_ns >= watch_ns:
            return results
        yield Pause(DEMAND_PERIOD_NS)


def is_limp(status: Status) -> bool:
    """Whether the reported state is a limp one, in which the arm can be moved by hand."""
    return status.state in LIMP_STATES
