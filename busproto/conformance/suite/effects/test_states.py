"""Every cell of the table of state changes, with answer and drive; every other request in every state; and heat."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.conformance.suite.effects.arms import (
    ANSWERED_LATE_NS,
    Act,
    asked,
    assert_drive,
    in_turn,
    put,
    round_of,
    told,
    unaddress,
    wait,
)
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import OPERATIONS, Message
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


def lose(action: int) -> Act:
    """Let the loss time-out pass under that loss action."""
    return in_turn(put(loss_action=action, loss_time_out=20), wait(40 * MS))


def cut_power(dut: Dut) -> None:
    """Power is lost, and comes back."""
    dut.beside("plug", "unplug")
    dut.power_cut()


def assign(dut: Dut) -> None:
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)


DO: dict[str, tuple[Act, ...]] = {
    "demand all": (told(m.DemandAll((1000,))), lambda dut: round_of(dut, (1000,))),
    "release": (asked(m.Release()), told(m.Release())),
    "report": (asked(m.Report()),),
    "soft start over": (put(soft_start=0),),
    "loss, limp": (lose(LOSS_LIMP),),
    "loss, hold": (lose(LOSS_HOLD),),
    "loss, preset": (lose(LOSS_PRESET),),
    "heat look": (wait(LOOK_NS + 20 * MS),),
    "demand all, hot": (told(m.DemandAll((1000,))), lambda dut: round_of(dut, (1000,))),
    "show yourself": (asked(m.ShowYourself(1)), asked(m.ShowYourself(0))),
    "assign": (assign,),
    "restart": (Dut.restart, in_turn(told(m.Restart()), wait(30 * MS)), cut_power),
}
"""Ways to do what cannot be refused, by the key of the event."""
ASKED: dict[str, Message] = {
    "demand": m.Demand(1000),
    "engage": m.Engage(),
    "demand, hot": m.Demand(1000),
    "engage, hot": m.Engage(),
}
"""Requests that may be refused."""
TO_ALL = {"engage": m.Engage()}
"""Of these, what may go to all as well."""
WAYS = [(event, way) for event in EVENTS for way in range(len(DO.get(event.key, (0,))) + (event.key in TO_ALL))]


@effect("loss-action", "soft-start", "over-temperature")
@shows(m.Moving, "state")
@shows(m.Engaged, "state")
@shows(m.Released, "state")
@shows(m.Showing, "moves")
@shows(m.Status, "state")
@clause("states", "does.engages", "does.loss", "does.release", "does.heat", "does.soft-start", "does.assign")
@pytest.mark.parametrize("state", m.State, ids=lambda state: state.name.lower())
@pytest.mark.parametrize(("event", "way"), WAYS, ids=lambda part: part.key if isinstance(part, Event) else str(part))
def test_each_cell_of_the_table_of_state_changes(dut: Dut, event: Event, way: int, state: m.State) -> None:
    if event.is_hot or state is m.State.FAULTED:
        dut.beside("warm")
    bring(dut, state, heat=event.is_hot or state is m.State.FAULTED)
    assert_drive(dut, state)
    if event.is_hot:
        warm(dut, HOT_DEGC)
    elif state is m.State.FAULTED:
        warm(dut, COOL_DEGC)
    wanted = {event.after(state)}
    if event.may_fault and state not in m.LIMP_STATES:
        wanted.add(m.State.FAULTED)
    if event.key not in ASKED:
        DO[event.key][way](dut)
    elif way:
        dut.tell(TO_ALL[event.key])
        dut.pass_time(5 * MS)
    elif state in event.refused:
        dut.refused(ASKED[event.key], event.refused[state])
    else:
        answer: m.Moving | m.Engaged = (
            dut.ask(ASKED[event.key], m.Moving) if event.key == "demand" else dut.ask(ASKED[event.key], m.Engaged)
        )
        assert answer.state in wanted, f"{state.name}, then {event.text}: its answer says {answer.state.name}"
    if m.State.FAULTED in wanted and not event.is_hot:
        wanted = {m.State.LIMP}  # the report that looks at it ends the fault
    status = dut.report()
    came = status.state
    names = " or ".join(sorted(one.name for one in wanted))
    assert came in wanted, f"{state.name}, then {event.text}: {names} was expected, it is {came.name}"
    assert_drive(dut, came)
    if came in m.LIMP_STATES:
        assert status.demand_cdeg == status.position_cdeg, "limp, where the arm is was expected as its target"


@shows(m.Released, "state")
@shows(m.Showing, "moves")
@clause("op.42", "op.45", "states", "does.shows", "does.release")
@pytest.mark.parametrize("state", m.State, ids=lambda state: state.name.lower())
def test_in_each_state_it_says_whether_it_moves_and_that_it_is_released(dut: Dut, state: m.State) -> None:
    if state is m.State.FAULTED:
        dut.beside("warm")
    bring(dut, state, heat=state is m.State.FAULTED)
    is_limp = state in m.LIMP_STATES
    assert dut.ask(m.ShowYourself(1), m.Showing).moves == (not is_limp)
    assert dut.ask(m.ShowYourself(0), m.Showing).moves == 0
    assert dut.ask(m.Release(), m.Released).state is m.State.RELEASED
    assert_drive(dut, m.State.RELEASED)


STATELESS: dict[int, Message] = {
    0x01: m.RollCall(0x1701, 1, 16, ()),
    0x02: m.MemberList(0x1701, 2, 0, 1, (5,)),
    0x03: m.AddressList(0x1701, 2, bytes(30)),
    0x20: m.Describe(),
    0x21: m.DescribeParameter(0),
    0x30: m.Read(m.Memory.WORKING, b"\x01"),
    0x31: m.Write(2, b"\x07"),
    0x32: m.Commit(),
    0x33: m.Undo(m.Memory.STORED),
    0x46: m.ReportRound(1, 239, ()),
    0x50: m.LinkTest(b"state"),
}
"""Every request of the core that is in no row of the table of state changes."""


@clause("states", "does.refuse", "does.unchanged", "op.32", "op.33", "op.46")
@pytest.mark.parametrize("state", m.State, ids=lambda state: state.name.lower())
def test_every_other_request_leaves_each_state(dut: Dut, state: m.State) -> None:
    if state is m.State.FAULTED:
        dut.beside("warm")
    bring(dut, state, heat=state is m.State.FAULTED)
    dut.ask(m.Commit(), m.Committed, slow=True)  # so that undo changes nothing of that
    for number, message in STATELESS.items():
        to = BROADCAST_ADDRESS if OPERATIONS[number].audience in {"all", "one or all"} else None
        dut.frames_after(dut.wire(message, to), window_ns=80 * MS, patience_ns=ANSWERED_LATE_NS)
        dut.frames_after(dut.wire(message, dut.address % 239 + 1), window_ns=5 * MS, patience_ns=20 * MS)
        came = dut.report().state
        assert came is state, f"{state.name}, then {OPERATIONS[number].name}: it is {came.name}"
        assert_drive(dut, came)


@clause("does.limp", "does.motion", "states")
@pytest.mark.parametrize(
    "state", [one for one in m.State if one is not m.State.FAULTED], ids=lambda one: one.name.lower()
)
def test_a_hand_moves_a_limp_arm_and_no_other(dut: Dut, state: m.State) -> None:
    side = dut.beside("hand")
    bring(dut, state, heat=False)
    before = dut.report()
    away = 1 if before.demand_cdeg <= before.position_cdeg else -1  # where its own drive does not move it
    side.order("hand", f"{before.position_cdeg / 100 + 20 * away:g}")
    dut.pass_time(600 * MS)
    status = dut.report()
    moved = (status.position_cdeg - before.position_cdeg) * away
    if state in m.LIMP_STATES:
        assert moved == pytest.approx(2000, abs=100), f"{state.name}: a hand moves the arm by {moved / 100} deg"
        assert status.demand_cdeg == status.position_cdeg
    else:
        assert moved < 100, f"{state.name}: a hand moves the arm by {moved / 100} deg"


@shows(m.Moving, "state")
@shows(m.Engaged, "state")
@clause("states", "does.soft-start", "op.41", "op.43")
@pytest.mark.parametrize("soft_ms", [0, 5000])
def test_an_answer_tells_the_state_right_after_the_request(dut: Dut, soft_ms: int) -> None:
    dut.put({**CALM, "soft-start": soft_ms})
    wanted = m.State.SOFT_STARTING if soft_ms else m.State.FOLLOWING
    assert dut.demand(0.1).state is wanted
    assert dut.ask(m.Engage(), m.Engaged).state is wanted
    dut.ask(m.Release(), m.Released)
    assert dut.ask(m.Engage(), m.Engaged).state is wanted


@clause("states", "does.limp", "does.engages", "does.refuse")
def test_without_an_address_every_event_leaves_it_limp(dut: Dut) -> None:
    is_warm = dut.can("warm")
    unaddress(dut)
    for event in EVENTS:
        if event.is_hot and not is_warm:
            continue
        if event.key == "assign":
            continue
        dut.restart()
        dut.put(CALM)
        if is_warm:
            warm(dut, HOT_DEGC if event.is_hot else COOL_DEGC)
        if event.key in ASKED:
            dut.refused(ASKED[event.key], m.Outcome.NOT_ADDRESSED)
            dut.tell(TO_ALL.get(event.key, m.DemandAll((1000,))))
        else:
            DO[event.key][0](dut)
        came = dut.report().state
        wanted = m.State.RELEASED if event.key == "release" else m.State.LIMP
        assert came is wanted, f"without an address, then {event.text}: it is {came.name}"
        assert_drive(dut, came)
