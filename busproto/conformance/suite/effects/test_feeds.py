"""What counts as a demand: what resets its age, what the loss time-out runs from, what begins a soft start anew.

Each request, or piece of noise, is sent to an actuator that follows, some time behind its last demand. Its age, its
state and the moment at which the demand is lost then show what it counted for.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked
from busproto.conformance.suite.effects.arms import (
    ANSWERED_LATE_NS,
    DRIVEN,
    QUICK,
    Act,
    asked,
    in_turn,
    put,
    round_of,
    to_all,
    told,
    unaddress,
    wait,
)
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, Frame
from busproto.wire.message import Message
from busproto.wire.parameters import BY_NAME, LOSS_HOLD

CHANNEL = 3
TIMES_MS = {True: (220, 130, 10), False: (400, 250, 80)}
"""Time-out, time before the request, and how much later than the time-out it is looked at; a port takes its time."""
NEVER = 0xFFFF


@dataclass(frozen=True)
class Sent:
    """What is sent, and what it counts for.

    Attributes:
        send: sends it.
        feeds: the loss time-out runs from it.
        is_demand: the age of the demand is counted from it.
        softly: a soft start begins with it.
    """

    send: Act
    feeds: bool = False
    is_demand: bool = False
    softly: bool = False


def raw(to: int | None, operation: int, payload: bytes, *, tag: int | None = None) -> Act:
    """Send a frame with any payload, and let the time for an answer pass; `to` None is the actuator's own address."""

    def send(dut: Dut) -> None:
        frame = Frame(dut.address if to is None else to, HOST_ADDRESS, 9, operation, payload, tag)
        dut.frames_after(encode_frame(frame), window_ns=10 * MS, patience_ns=ANSWERED_LATE_NS)

    return send


def to_another(message: Message) -> Act:
    """A request to the address behind its own."""
    return lambda dut: raw(dut.address % 239 + 1, message.OPERATION, message.payload())(dut)


def spoiled(dut: Dut) -> None:
    """A demand to it alone, of which one bit is wrong."""
    wire = bytearray(dut.wire(m.Demand(500)))
    wire[-3] ^= 0x10
    dut.frames_after(bytes(wire), window_ns=5 * MS, patience_ns=ANSWERED_LATE_NS)


FED = {"feeds": True, "is_demand": True}
SENT: dict[str, Sent] = {
    # what counts
    "a demand to it alone": Sent(asked(m.Demand(500)), **FED),
    "the same demand again": Sent(asked(m.Demand(1000)), **FED),
    "a demand on its channel": Sent(lambda dut: to_all(dut, 0, 0, 500), **FED),
    "a demand on its channel, in a longer list": Sent(lambda dut: to_all(dut, *[500] * 32), **FED),
    "a report round with its channel": Sent(lambda dut: round_of(dut, (0, 0, 500)), **FED),
    "a report round of others, with its channel": Sent(
        lambda dut: round_of(dut, (0, 0, 500), first=dut.address % 239 + 1), **FED
    ),
    "engage": Sent(asked(m.Engage()), feeds=True, softly=True),
    "engage to all": Sent(told(m.Engage()), feeds=True, softly=True),
    # what does not
    "nothing": Sent(lambda dut: None),
    "a list that ends before its channel": Sent(lambda dut: to_all(dut, 500, 500)),
    "no demand in its place": Sent(lambda dut: to_all(dut, 500, 500, m.NO_DEMAND, 500)),
    "a report round without demands": Sent(lambda dut: round_of(dut)),
    "a report round that ends before its channel": Sent(lambda dut: round_of(dut, (500, 500))),
    "a report round with no demand in its place": Sent(lambda dut: round_of(dut, (500, 500, m.NO_DEMAND))),
    "a list with a value that cannot be": Sent(raw(BROADCAST_ADDRESS, m.DemandAll.OPERATION, b"\0\0\0\0\0\0\x11\x27")),
    "a demand that is refused": Sent(raw(None, m.Demand.OPERATION, (10_001).to_bytes(2, "little"))),
    "a demand that is too short": Sent(raw(None, m.Demand.OPERATION, b"\0")),
    "a demand to another address": Sent(to_another(m.Demand(500))),
    "engage to another address": Sent(to_another(m.Engage())),
    "release to another address": Sent(to_another(m.Release())),
    "a demand for one, sent to all": Sent(raw(BROADCAST_ADDRESS, m.Demand.OPERATION, b"\0\0")),
    "a demand for all, sent to it alone": Sent(raw(None, m.DemandAll.OPERATION, b"\0\0\0\0\0\0")),
    "a report round, sent to it alone": Sent(raw(None, m.ReportRound.OPERATION, b"\x01\xef\0\0\0\0\0\0")),
    "a demand that is a reply": Sent(raw(None, m.Demand.OPERATION, b"\0\0", tag=7)),
    "a demand of all that is a reply": Sent(raw(BROADCAST_ADDRESS, m.DemandAll.OPERATION, bytes(6), tag=7)),
    "engage with a payload": Sent(raw(None, m.Engage.OPERATION, b"\0")),
    "a demand with a wrong bit": Sent(spoiled),
    "noise": Sent(lambda dut: dut.frames_after(b"\0\x55\xaa\0\0\x01", window_ns=5 * MS, patience_ns=ANSWERED_LATE_NS)),
    "an unknown operation": Sent(raw(None, 0x7E, b"")),
    "an unknown operation to all": Sent(raw(BROADCAST_ADDRESS, 0x7E, b"\0\0")),
    "a report": Sent(asked(m.Report())),
    "a description": Sent(asked(m.Describe())),
    "a link test": Sent(asked(m.LinkTest(b"x"))),
    "a read": Sent(asked(m.Read(m.Memory.WORKING, b"\x01"))),
    "a write": Sent(asked(m.Write(BY_NAME["gang"].number, b"\x01"))),
    "a write that moves the target": Sent(asked(m.Write(BY_NAME["neutral"].number, b"\x10\x00"))),
    "a commit": Sent(lambda dut: dut.ask(m.Commit(), m.Committed, slow=True)),
    "show yourself": Sent(asked(m.ShowYourself(1))),
    "a roll call": Sent(told(m.RollCall(0x1701, 1, 16, ()))),
    "a list": Sent(told(m.MemberList(0x1701, 2, 0, 1, (5,)))),
    "an assign of another uid": Sent(told(m.Assign(bytes(7) + b"\x01", 9))),
}


def in_time(dut: Dut, since: tuple[int, int], time_out_ms: int) -> None:
    """The case is not checked where the port was so slow that the time-out may have passed since then."""
    if dut.now_ns - since[0] >= dut.least_ns(time_out_ms * MS):
        not_checked("the port is too slow, or its machine too busy")


@effect("loss-time-out")
@shows(m.Status, "demand_age_ms", "state", "faults")
@clause("does.loss", "does.age", "does.soft-start", "does.channel", "op.44")
@pytest.mark.parametrize("what", SENT)
def test_what_counts_as_a_demand(dut: Dut, what: str) -> None:
    sent = SENT[what]
    time_out_ms, before_ms, late_ms = TIMES_MS[dut.is_virtual]
    due_ns = dut.most_ns(time_out_ms * MS) + late_ms * MS
    dut.put({"soft-start": 0, "loss-time-out": 5000, "loss-action": LOSS_HOLD, "channel": CHANNEL})
    dut.demand(0.05)
    dut.pass_time(5 * MS)
    dut.report()
    dut.put({"soft-start": 5000, "loss-time-out": time_out_ms})  # a soft start that is over is not begun anew
    first = dut.during(lambda: dut.demand(0.1))
    dut.pass_time(before_ms * MS)
    then = dut.during(lambda: sent.send(dut))
    seen = dut.moment(then if sent.is_demand else first)
    in_time(dut, first, time_out_ms)
    age = seen.status.demand_age_ms
    assert seen.least_ns // MS * 0.98 - 2 <= age <= seen.most_ns // MS * 1.02 + 2, f"the age is {age} ms behind {what}"
    wanted = m.State.SOFT_STARTING if sent.softly else m.State.FOLLOWING
    assert seen.status.state is wanted, f"behind {what} it is {seen.status.state.name}"
    dut.pass_time(max(0, first[1] + due_ns - dut.now_ns))
    status = dut.report()
    if sent.feeds:
        in_time(dut, then, time_out_ms)
    assert (status.state in DRIVEN) == sent.feeds, f"{time_out_ms} ms behind the first demand it is {status.state.name}"
    assert bool(status.faults & m.Fault.DEMAND_LOST) != sent.feeds
    dut.pass_time(max(0, then[1] + due_ns - dut.now_ns))
    assert dut.report().state is m.State.LOST_HOLD, f"{time_out_ms} ms behind {what} the demand is not lost"


# --- what a demand that is not heeded does ---------------------------------------------------------------------------


def heat(dut: Dut, degc: int) -> None:
    dut.beside("warm").order("warm", f"{degc}")


def hot(dut: Dut) -> None:
    dut.put({"over-temperature": 60})
    heat(dut, 75)


def faulted(dut: Dut) -> None:
    hot(dut)
    dut.pass_time(270 * MS)


DEAF: dict[str, tuple[Act, m.State]] = {
    "released": (asked(m.Release()), m.State.RELEASED),
    "faulted": (faulted, m.State.FAULTED),
    "released and hot": (in_turn(asked(m.Release()), hot), m.State.RELEASED),
}


@clause("does.age", "does.release", "does.heat", "does.unchanged", "op.40", "op.46")
@pytest.mark.parametrize("what", DEAF)
def test_a_demand_that_is_not_heeded_does_not_count(dut: Dut, what: str) -> None:
    prepare, state = DEAF[what]
    if what != "released":
        dut.beside("warm")
        heat(dut, 30)
    dut.put({**QUICK, "channel": CHANNEL})
    first = dut.during(lambda: dut.demand(0.1))
    prepare(dut)
    dut.pass_time(100 * MS)
    to_all(dut, 0, 0, 500)
    round_of(dut, (0, 0, 500))
    code = m.Outcome.NOT_ENGAGED if what == "released" else m.Outcome.FAULT_STANDS
    dut.refused(m.Demand(500), code)
    if code is m.Outcome.FAULT_STANDS:
        dut.refused(m.Engage(), code)
    seen = dut.moment(first)
    assert seen.status.state is state
    assert seen.status.demand_age_ms >= seen.least_ns // MS * 0.98 - 2
    assert not seen.status.faults & m.Fault.DEMAND_LOST


@clause("does.age", "does.heat", "op.40")
def test_hot_and_limp_no_demand_counts(dut: Dut) -> None:
    dut.beside("warm")
    dut.put({**QUICK, "channel": CHANNEL})
    hot(dut)
    to_all(dut, 0, 0, 500)
    round_of(dut, (0, 0, 500))
    dut.refused(m.Demand(500), m.Outcome.FAULT_STANDS)
    dut.refused(m.Engage(), m.Outcome.FAULT_STANDS)
    status = dut.report()
    assert (status.state, status.demand_age_ms) == (m.State.LIMP, NEVER)


@clause("does.age", "does.limp", "op.41", "op.43", "op.40")
def test_without_an_address_no_demand_counts(dut: Dut) -> None:
    dut.put({**QUICK, "channel": CHANNEL})
    dut.demand(0.1)
    unaddress(dut)
    for send in (
        lambda: to_all(dut, 0, 0, 500),
        lambda: dut.tell(m.Engage()),
        lambda: dut.refused(m.Demand(500), m.Outcome.NOT_ADDRESSED),
        lambda: dut.refused(m.Engage(), m.Outcome.NOT_ADDRESSED),
        lambda: round_of(dut, (0, 0, 500), first=1),
    ):
        send()
        status = dut.report()
        assert (status.state, status.demand_age_ms) == (m.State.LIMP, NEVER)
    assert not status.faults & m.Fault.DEMAND_LOST


# --- what forgets the age --------------------------------------------------------------------------------------------


def assign(dut: Dut) -> None:
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)


FORGETS: dict[str, tuple[Act, bool]] = {
    "release": (asked(m.Release()), False),
    "release and engage": (in_turn(asked(m.Release()), asked(m.Engage())), False),
    "loss": (in_turn(put(loss_time_out=20), wait(40 * MS)), False),
    "a commit": (lambda dut: dut.ask(m.Commit(), m.Committed, slow=True), False),
    "undo": (lambda dut: dut.ask(m.Undo(m.Memory.STORED), m.Undone), False),
    "an assign": (assign, True),
    "a restart": (Dut.restart, True),
    "a restart of all": (in_turn(told(m.Restart()), wait(30 * MS)), True),
}


@shows(m.Status, "demand_age_ms")
@clause("does.age", "does.assign", "op.44", "op.51")
@pytest.mark.parametrize("what", FORGETS)
def test_what_forgets_the_age_of_the_demand(dut: Dut, what: str) -> None:
    act, forgets = FORGETS[what]
    dut.put(QUICK)
    assert dut.report().demand_age_ms == NEVER
    first = dut.during(lambda: dut.demand(0.1))
    dut.pass_time(60 * MS)
    act(dut)
    seen = dut.moment(first)
    age = seen.status.demand_age_ms
    if forgets:
        assert age == NEVER
    else:
        assert seen.least_ns // MS * 0.98 - 2 <= age <= seen.most_ns // MS * 1.02 + 2, f"the age is {age} ms"


@shows(m.Status, "demand_age_ms")
@clause("does.age", "op.44")
@pytest.mark.parametrize("after_ms", [0, 1, 255, 256, 1000])
def test_the_age_counts_on_in_milliseconds(dut: Dut, after_ms: int) -> None:
    dut.put(QUICK)
    first = dut.during(lambda: dut.demand(0.1))
    for _ in range(2):
        dut.pass_time(after_ms * MS)
        seen = dut.moment(first)
        age = seen.status.demand_age_ms
        assert seen.least_ns // MS * 0.99 - 1 <= age <= seen.most_ns // MS * 1.01 + 1, f"the age is {age} ms"


@shows(m.Status, "demand_age_ms")
@clause("does.age", "op.44")
def test_the_age_has_two_bytes_and_then_stands_still(dut: Dut) -> None:
    dut.require_virtual("a minute and a half is long")
    dut.put(QUICK)
    first = dut.during(lambda: dut.demand(0.1))
    dut.ask(m.Release(), m.Released)
    for seconds in (32, 1, 7, 25, 2, 30):
        dut.pass_time(seconds * 1000 * MS)
        seen = dut.moment(first)
        low, high = (min(NEVER, one // MS + by) for one, by in ((seen.least_ns, -30), (seen.most_ns, 30)))
        assert low <= seen.status.demand_age_ms <= high
    assert seen.status.demand_age_ms == NEVER
