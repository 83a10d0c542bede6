"""Too hot: it lets go by itself, takes hold of nothing while it is, and is not surprised by the next demand."""

from __future__ import annotations

from busproto.conformance.bench import MS, Bench
from busproto.conformance.clauses import clause
from busproto.wire import messages as m

LIMIT_DEGC = 60
HOT_DEGC = 75
COOL_DEGC = 30
LOOK_NS = 250 * MS


def warm(dut: Bench, degc: float) -> None:
    """Somebody holds a hair dryer at it, or a cold spray."""
    dut.beside("warm").order("warm", f"{degc:g}")


def at_work(dut: Bench) -> None:
    """It follows its channel, and is cool."""
    dut.beside("warm")
    dut.put({"over-temperature": LIMIT_DEGC, "soft-start": 0, "loss-time-out": 3000, "channel": 1})
    warm(dut, COOL_DEGC)
    dut.demand(0.2)


def demand_all(dut: Bench) -> m.State:
    """A demand to everyone; returns in which state it leaves this one. Asking for a report may end a fault."""
    dut.tell(m.DemandAll((1000,)))
    dut.pass_time(5 * MS)
    return dut.report().state


@clause("does.heat", "faults", "states")
def test_too_hot_it_lets_go_by_itself(dut: Bench) -> None:
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
def test_while_it_is_hot_demand_and_engage_are_refused(dut: Bench) -> None:
    at_work(dut)
    warm(dut, HOT_DEGC)
    dut.refused(m.Demand(2000), m.Outcome.FAULT_STANDS)
    assert dut.report().state is m.State.FAULTED, "it was asked while hot, and still held on"
    dut.refused(m.Engage(), m.Outcome.FAULT_STANDS)
    dut.refused(m.Demand(2000), m.Outcome.FAULT_STANDS)
    assert dut.report().state is m.State.FAULTED


@clause("does.heat", "op.40")
def test_while_it_is_hot_a_demand_of_all_engages_nobody_who_is_limp(dut: Bench) -> None:
    at_work(dut)
    dut.ask(m.Restart(), m.Restarting)
    dut.pass_time(30 * MS)
    dut.put({"over-temperature": LIMIT_DEGC, "channel": 1})
    warm(dut, HOT_DEGC)
    assert demand_all(dut) is m.State.LIMP


@clause("does.heat", "op.40")
def test_limp_from_heat_it_heeds_no_demand_of_all_once_it_is_cool(dut: Bench) -> None:
    at_work(dut)
    warm(dut, HOT_DEGC)
    dut.pass_time(LOOK_NS + 20 * MS)
    warm(dut, COOL_DEGC)
    assert demand_all(dut) is m.State.LIMP  # the report ends the fault, not the demand before it
    assert demand_all(dut) in {m.State.EASING, m.State.FOLLOWING}


@clause("does.heat", "op.41", "op.43")
def test_cool_again_a_demand_or_engage_to_it_alone_ends_that(dut: Bench) -> None:
    for message, answer in ((m.Demand(1000), m.Moving), (m.Engage(), m.Engaged)):
        at_work(dut)
        warm(dut, HOT_DEGC)
        dut.pass_time(LOOK_NS + 20 * MS)
        warm(dut, COOL_DEGC)
        dut.ask(message, answer)
        assert dut.report().state in {m.State.EASING, m.State.FOLLOWING}
        dut.ask(m.Release(), m.Released)
        dut.ask(m.Engage(), m.Engaged)
