"""What the age of the demand and its time-out count from, and what forgets them; and a start that says nothing."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut
from busproto.wire import messages as m
from busproto.wire.codec import encode_frame
from busproto.wire.frame import BROADCAST_ADDRESS, HOST_ADDRESS, Frame
from busproto.wire.parameters import LOSS_HOLD
from busproto.wire.timing import BOOT_NS

NEVER_MS = 0xFFFF
AGED_MS = 300
WAYS: dict[str, Callable[[Dut], object]] = {
    "to it alone": lambda dut: dut.demand(0.0),
    "of its channel": lambda dut: dut.tell(m.DemandAll((0, 0, 0))),
    "of its channel in a round of others": lambda dut: dut.tell(m.ReportRound(dut.address + 1, 1, (0, 0, 0))),
}
NO_DEMANDS: dict[str, Callable[[Dut], object]] = {
    "engage": lambda dut: dut.ask(m.Engage(), m.Engaged),
    "engage of all": lambda dut: dut.tell(m.Engage()),
    "a demand of other channels": lambda dut: dut.tell(m.DemandAll((0, 0))),
    "no demand at its channel": lambda dut: dut.tell(m.DemandAll((0, 0, m.NO_DEMAND, 0))),
    "a malformed demand": lambda dut: dut.refused_wire(m.Demand.OPERATION, b"\x00", m.Outcome.BAD_REQUEST),
    "a demand beyond its range": lambda dut: dut.refused_wire(
        m.Demand.OPERATION, (10_001).to_bytes(2, "little"), m.Outcome.BAD_REQUEST
    ),
    "a demand of all beyond its range": lambda dut: dut.say(
        encode_frame(Frame(BROADCAST_ADDRESS, HOST_ADDRESS, 1, m.DemandAll.OPERATION, b"\x11\x27" * 3))
    ),
    "a demand to another": lambda dut: dut.say(dut.wire(m.Demand(0), dut.address + 1)),
    "a report": lambda dut: dut.report(),
    "a setting": lambda dut: dut.put({"gang": 1}),
    "show yourself": lambda dut: dut.ask(m.ShowYourself(1), m.Showing),
    "a commit": lambda dut: dut.ask(m.Commit(), m.Committed, slow=True),
    "release": lambda dut: dut.ask(m.Release(), m.Released),
}


def aged(dut: Dut) -> None:
    """An actuator whose demand is 300 ms old."""
    dut.put({"channel": 3, "soft-start": 0, "loss-time-out": 5000})
    dut.demand(0.0)
    dut.pass_time(AGED_MS * MS)


@clause("does.age", "op.40", "op.41", "op.46")
@pytest.mark.parametrize("way", WAYS)
def test_a_valid_demand_begins_the_age_anew(dut: Dut, way: str) -> None:
    aged(dut)
    assert dut.report().demand_age_ms >= AGED_MS * 0.99 - 2
    since = dut.during(lambda: WAYS[way](dut))
    one = dut.moment(since)
    assert one.status.demand_age_ms <= dut.most_ns(one.most_ns) / MS + 2


@clause("does.age", "does.channel")
@pytest.mark.parametrize("what", NO_DEMANDS)
def test_what_is_no_valid_demand_leaves_the_age(dut: Dut, what: str) -> None:
    aged(dut)
    NO_DEMANDS[what](dut)
    dut.pass_time(10 * MS)
    dut.drain()
    assert dut.report().demand_age_ms >= AGED_MS * 0.99 - 2, f"{what} began the age of the demand anew"


@clause("does.age", "op.51", "op.10")
@pytest.mark.parametrize("what", ["a restart", "a restart of all", "an assign", "a power cut"])
def test_what_forgets_the_age(dut: Dut, what: str) -> None:
    if what == "a power cut":
        dut.beside("plug", "unplug")
    aged(dut)
    if what == "a restart":
        dut.restart()
    elif what == "a restart of all":
        dut.tell(m.Restart())
        dut.pass_time(BOOT_NS)
    elif what == "an assign":
        dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    else:
        dut.power_cut()
    assert dut.report().demand_age_ms == NEVER_MS
    dut.pass_time(50 * MS)
    assert dut.report().demand_age_ms == NEVER_MS


@clause("does.assign", "does.loss", "states", "faults")
def test_an_assign_forgets_the_time_out(dut: Dut) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 150, "loss-action": LOSS_HOLD})
    dut.demand(0.0)
    dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=BROADCAST_ADDRESS, slow=True)
    dut.pass_time(250 * MS)
    status = dut.report()
    assert status.state is m.State.LIMP
    assert not status.faults & m.Fault.DEMAND_LOST, "the demand of before the assign was lost behind it"
    dut.demand(0.0)
    dut.pass_time(250 * MS)
    assert dut.report().state is m.State.LOST_HOLD


@clause("line.boot", "does.asked", "op.51")
@pytest.mark.parametrize("what", ["a restart", "a restart of all", "a power cut"])
def test_while_it_starts_it_says_nothing_unasked(dut: Dut, what: str) -> None:
    if what == "a power cut":
        dut.beside("plug", "unplug").order("unplug")
        dut.pass_time(5 * MS)
        dut.drain()
        dut.beside("plug").order("plug")
    elif what == "a restart":
        dut.ask(m.Restart(), m.Restarting)
    else:
        dut.tell(m.Restart())
    quiet = dut.pass_time(2 * BOOT_NS + (0 if dut.is_virtual else dut.slack_ns))
    assert quiet == b"", f"nothing was asked, {quiet.hex(' ')} came"
    dut.alive()


@clause("does.age", "op.44")
def test_the_age_counts_from_the_last_demand_however_long_it_was_at_work_before(dut: Dut) -> None:
    """It saturates 65.5 s after the last demand; neither the first demand nor the moment it engaged is what counts."""
    dut.require_virtual("it is at work for more than a minute")
    dut.put({"soft-start": 0, "loss-time-out": 5000})
    for _ in range(24):
        dut.demand(0.0)
        dut.pass_time(3000 * MS)
        assert 2950 <= dut.report().demand_age_ms <= 3060
    assert dut.report().state is m.State.FOLLOWING


@clause("does.age", "op.44")
def test_a_demand_after_more_than_the_longest_age_has_an_age_again(dut: Dut) -> None:
    dut.require_virtual("no demand comes for more than a minute")
    aged(dut)
    dut.pass_time(70_000 * MS)
    assert dut.report().demand_age_ms == NEVER_MS
    dut.demand(0.0)
    dut.pass_time(500 * MS)
    assert 490 <= dut.report().demand_age_ms <= 520
