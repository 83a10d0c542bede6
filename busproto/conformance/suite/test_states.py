"""Every cell of the table of state changes; and heat: a hot actuator goes limp and does not engage."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import Message
from busproto.wire.page.transitions import EVENTS, Event
from busproto.wire.parameters import LOSS_HOLD, LOSS_LIMP, LOSS_PRESET, RawValue

LIMIT_DEGC = 60
HOT_DEGC = 75
COOL_DEGC = 30
LOOK_NS = 250 * MS


def warm(dut: Dut, degc: float) -> None:
    """Set its temperature from outside."""
    dut.beside("warm").order("warm", f"{degc:g}")


def at_work(dut: Dut) -> None:
    """Have it follow its channel, cool."""
    dut.beside("warm")
    dut.put({"over-temperature": LIMIT_DEGC, "soft-start": 0, "loss-time-out": 3000, "channel": 1})
    warm(dut, COOL_DEGC)
    dut.demand(0.2)


def demand_all(dut: Dut) -> m.State:
    """Send a demand to all; returns its state after it. The report that reads the state may end a fault."""
    dut.tell(m.DemandAll((1000,)))
    dut.pass_time(5 * MS)
    return dut.report().state


@clause("does.heat", "faults", "states")
def test_too_hot_it_lets_go_by_itself(dut: Dut) -> None:
    at_work(dut)
    warm(dut, LIMIT_DEGC - 5)
    dut.pass_time(2 * LOOK_NS)
    status = dut.report()
    assert status.state is m.State.FOLLOWING, f"at {LIMIT_DEGC - 5} of {LIMIT_DEGC} degC it is {status.state.name}"
    assert not status.faults & m.Fault.OVER_TEMPERATURE
    warm(dut, HOT_DEGC)
    dut.pass_time(LOOK_NS + 20 * MS)
    status = dut.report()
    assert status.state is m.State.FAULTED, f"at {HOT_DEGC} of {LIMIT_DEGC} degC it is {status.state.name}"
    assert status.faults & m.Fault.OVER_TEMPERATURE
    assert abs(status.temperature_cdeg / 100 - HOT_DEGC) <= 10


@clause("does.heat", "op.41", "op.43", "does.unchanged")
def test_while_it_is_hot_demand_and_engage_are_refused(dut: Dut) -> None:
    at_work(dut)
    warm(dut, HOT_DEGC)
    dut.refused(m.Demand(2000), m.Outcome.FAULT_STANDS)
    assert dut.report().state is m.State.FAULTED, "it was asked while hot, and is still engaged"
    dut.refused(m.Engage(), m.Outcome.FAULT_STANDS)
    dut.refused(m.Demand(2000), m.Outcome.FAULT_STANDS)
    assert dut.report().state is m.State.FAULTED


@clause("does.heat", "op.40")
def test_while_it_is_hot_a_demand_of_all_engages_no_limp_actuator(dut: Dut) -> None:
    at_work(dut)
    dut.ask(m.Restart(), m.Restarting)
    dut.pass_time(30 * MS)
    dut.put({"over-temperature": LIMIT_DEGC, "channel": 1})
    warm(dut, HOT_DEGC)
    assert demand_all(dut) is m.State.LIMP


@clause("does.heat", "op.40")
def test_limp_from_heat_it_heeds_no_demand_of_all_once_it_is_cool(dut: Dut) -> None:
    at_work(dut)
    warm(dut, HOT_DEGC)
    dut.pass_time(LOOK_NS + 20 * MS)
    warm(dut, COOL_DEGC)
    assert demand_all(dut) is m.State.LIMP  # the report ends the fault, not the demand before it
    assert demand_all(dut) in {m.State.SOFT_STARTING, m.State.FOLLOWING}


@clause("does.heat", "op.41", "op.43")
def test_cool_again_a_demand_or_engage_to_it_alone_ends_that(dut: Dut) -> None:
    for message, answer in ((m.Demand(1000), m.Moving), (m.Engage(), m.Engaged)):
        at_work(dut)
        warm(dut, HOT_DEGC)
        dut.pass_time(LOOK_NS + 20 * MS)
        warm(dut, COOL_DEGC)
        dut.ask(message, answer)
        assert dut.report().state in {m.State.SOFT_STARTING, m.State.FOLLOWING}
        dut.ask(m.Release(), m.Released)
        dut.ask(m.Engage(), m.Engaged)


# --- the table of state changes ---------------------------------------------------------------------------------------

CALM: dict[str, RawValue] = {
    "channel": 1,
    "soft-start": 5000,
    "loss-time-out": 10_000,
    "loss-action": LOSS_LIMP,
    "over-temperature": LIMIT_DEGC,
}
LOSSES = {m.State.LOST_LIMP: LOSS_LIMP, m.State.LOST_HOLD: LOSS_HOLD, m.State.LOST_PRESET: LOSS_PRESET}


def bring(dut: Dut, state: m.State, *, heat: bool) -> None:
    """Bring it into that state, at the temperature that `heat` names."""
    if heat or dut.can("warm"):  # a case before may have left it hot
        warm(dut, COOL_DEGC)
    dut.put(CALM)
    if state is m.State.SOFT_STARTING:
        dut.demand(0.1)
    elif state is m.State.FOLLOWING:
        dut.put({"soft-start": 0})
        dut.demand(0.1)
        dut.pass_time(5 * MS)
        dut.report()
        dut.put(CALM)  # a soft start that is over is not begun anew
    elif state in LOSSES:
        dut.put({"soft-start": 0, "loss-action": LOSSES[state], "loss-time-out": 20})
        dut.demand(0.1)
        dut.pass_time(40 * MS)
        dut.put(CALM)
    elif state is m.State.RELEASED:
        dut.ask(m.Release(), m.Released)
    elif state is m.State.FAULTED:
        dut.demand(0.1)
        warm(dut, HOT_DEGC)
        dut.pass_time(LOOK_NS + 20 * MS)
    if state is not m.State.FAULTED:
        came = dut.report().state
        assert came is state, f"the case needs the state {state.name}, it is {came.name}"


def lose(action: int) -> Callable[[Dut], None]:
    """Let the loss time-out pass under that loss action."""

    def loses(dut: Dut) -> None:
        dut.put({"loss-action": action, "loss-time-out": 20})
        dut.pass_time(40 * MS)

    return loses


def ask(message: Message) -> Callable[[Dut], None]:
    """A unicast request whose answer is not checked."""
    return lambda dut: (dut.ask_frame(message), None)[1]


def assign(dut: Dut) -> None:
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)


DO: dict[str, Callable[[Dut], None]] = {
    "demand all": lambda dut: (dut.tell(m.DemandAll((1000,))), None)[1],
    "release": ask(m.Release()),
    "report": ask(m.Report()),
    "soft start over": lambda dut: dut.put({"soft-start": 0}),
    "loss, limp": lose(LOSS_LIMP),
    "loss, hold": lose(LOSS_HOLD),
    "loss, preset": lose(LOSS_PRESET),
    "heat look": lambda dut: (dut.pass_time(LOOK_NS + 20 * MS), None)[1],
    "demand all, hot": lambda dut: (dut.tell(m.DemandAll((1000,))), None)[1],
    "show yourself": ask(m.ShowYourself(1)),
    "assign": assign,
    "restart": lambda dut: dut.restart(),
}
ASKED: dict[str, Message] = {
    "demand": m.Demand(1000),
    "engage": m.Engage(),
    "demand, hot": m.Demand(1000),
    "engage, hot": m.Engage(),
}
"""Requests that may be refused."""


@clause("states", "does.engages", "does.loss", "does.release", "does.heat", "does.soft-start", "does.assign")
@pytest.mark.parametrize("state", m.State, ids=lambda state: state.name.lower())
@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.key)
def test_each_cell_of_the_table_of_state_changes(dut: Dut, event: Event, state: m.State) -> None:
    if event.is_hot or state is m.State.FAULTED:
        dut.beside("warm")
    bring(dut, state, heat=event.is_hot or state is m.State.FAULTED)
    if event.is_hot:
        warm(dut, HOT_DEGC)
    elif state is m.State.FAULTED:
        warm(dut, COOL_DEGC)
    if event.key not in ASKED:
        DO[event.key](dut)
    elif state in event.refused:
        dut.refused(ASKED[event.key], event.refused[state])
    else:
        dut.ask(ASKED[event.key], m.Moving if event.key == "demand" else m.Engaged)
    wanted = {event.after(state)}
    if event.may_fault and state not in m.LIMP_STATES:
        wanted.add(m.State.FAULTED)
    if m.State.FAULTED in wanted and not event.is_hot:
        wanted = {m.State.LIMP}  # the report that looks at it ends the fault
    came = dut.report().state
    names = " or ".join(sorted(one.name for one in wanted))
    assert came in wanted, f"{state.name}, then {event.text}: {names} was expected, it is {came.name}"
