"""Each fault bit: set and cleared exactly where the page says, latched or not, and what it changes beside."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked
from busproto.conformance.suite.effects.arms import (
    SETTLED_NS,
    Act,
    asked,
    assert_drive,
    driven,
    in_turn,
    place,
    put,
    ready,
    wait,
)
from busproto.conformance.suite.effects.cover import effect, shows
from busproto.wire import messages as m
from busproto.wire.parameters import BY_NAME, LOSS_HOLD, LOSS_LIMP, LOSS_PRESET, RawValue

LOOK_NS = 250 * MS
LASTING_NS = 500 * MS
"""An overload that lasts longer than 0.2 s, and the time of a filter, is told."""


def bit(dut: Dut, fault: m.Fault) -> bool:
    """Whether a report has that bit set."""
    return bool(dut.report().faults & fault)


# --- supply -----------------------------------------------------------------------------------------------------------


@effect("under-voltage")
@shows(m.Status, "faults")
@clause("parameters.under-voltage", "faults")
def test_under_voltage_is_told_below_the_limit_and_not_at_it(on_bench: Dut) -> None:
    dut = on_bench
    for is_engaged in (False, True):
        if is_engaged:
            ready(dut)
            dut.demand(0.0)
        for limit in (1, 255, 256, 4800, 7400, 30_000):
            dut.put({"under-voltage": limit})
            for mv, is_low in ((limit, False), (limit - 1, True), (limit + 1, False), (0, True), (65_535, False)):
                dut.bus.supply_mv = mv
                assert bit(dut, m.Fault.UNDER_VOLTAGE) == is_low, f"{mv} mV, and the limit is {limit} mV"
        dut.put({"under-voltage": 0})
        dut.bus.supply_mv = 0
        assert not bit(dut, m.Fault.UNDER_VOLTAGE), "0 is no limit"
        dut.bus.supply_mv = 7400


@effect("under-voltage")
@clause("parameters.under-voltage", "faults")
def test_a_supply_below_the_limit_is_told_and_changes_nothing_else(dut: Dut) -> None:
    ready(dut, channel=1)
    dut.settle(0.1)
    supply_mv = dut.report().supply_mv
    row = BY_NAME["under-voltage"]
    if supply_mv + 500 > row.high:
        not_checked("the supply is too high to be called low")
    slack = 0 if dut.is_virtual else 100
    for limit, is_low in (
        (supply_mv + 1 + slack, True),
        (max(0, supply_mv - slack), False),
        (row.high, True),
        (0, False),
    ):
        dut.put({"under-voltage": limit})
        status = dut.report()
        assert bool(status.faults & m.Fault.UNDER_VOLTAGE) == is_low, f"limit {limit} mV at {supply_mv} mV"
        assert status.faults & ~m.Fault.UNDER_VOLTAGE == 0
        assert status.state is m.State.FOLLOWING
        dut.demand(0.1)
        dut.tell(m.DemandAll((1000,)))
        assert_drive(dut, dut.report().state)
    dut.put({"under-voltage": row.high})
    dut.ask(m.Release(), m.Released)
    assert dut.ask(m.Engage(), m.Engaged).state in {m.State.SOFT_STARTING, m.State.FOLLOWING}


# --- temperature ------------------------------------------------------------------------------------------------------


@effect("over-temperature")
@shows(m.Status, "faults")
@clause("does.heat", "faults")
def test_over_temperature_is_told_above_the_limit_and_not_at_it(on_bench: Dut) -> None:
    dut = on_bench
    for limit in (40, 60, 85, 120):
        dut.put({"over-temperature": limit})
        for cdeg, is_hot in (
            (limit * 100, False),
            (limit * 100 + 1, True),
            (limit * 100 - 1, False),
            (20_000, True),
            (-4000, False),
        ):
            dut.bench.warm(dut.now_ns, cdeg / 100)
            status = dut.report()
            assert bool(status.faults & m.Fault.OVER_TEMPERATURE) == is_hot, f"{cdeg / 100} degC, the limit is {limit}"
            assert status.state is m.State.LIMP


@effect("over-temperature")
@clause("does.heat", "states")
@pytest.mark.parametrize("limit", [40, 85, 120])
def test_it_drives_up_to_the_limit_and_goes_limp_above_it(on_bench: Dut, limit: int) -> None:
    dut = on_bench
    ready(dut, over_temperature=limit, channel=1)
    for degc, is_hot in ((limit, False), (limit - 0.01, False), (limit + 0.01, True)):
        dut.demand(0.1)
        dut.bench.warm(dut.now_ns, degc)
        dut.pass_time(LOOK_NS + 5 * MS)
        status = dut.report()
        assert (status.state is m.State.FAULTED) == is_hot, f"at {degc} of {limit} degC it is {status.state.name}"
        assert_drive(dut, status.state)
    for message in (m.Demand(0), m.Engage()):
        dut.refused(message, m.Outcome.FAULT_STANDS)
    dut.bench.warm(dut.now_ns, limit)
    assert dut.demand(0.1).state in {m.State.SOFT_STARTING, m.State.FOLLOWING}
    dut.ask(m.Release(), m.Released)
    dut.bench.warm(dut.now_ns, limit + 0.01)
    dut.refused(m.Engage(), m.Outcome.FAULT_STANDS)
    assert dut.report().state is m.State.RELEASED


@clause("does.heat")
@pytest.mark.parametrize("by", ["demand", "engage", "lost, hold", "lost, preset", "demands without end", "engages"])
def test_it_looks_at_the_temperature_every_quarter_of_a_second(on_bench: Dut, by: str) -> None:
    dut = on_bench
    actions = {"lost, hold": LOSS_HOLD, "lost, preset": LOSS_PRESET}
    settings: dict[str, RawValue] = {"over_temperature": 60, "channel": 1}
    if by in actions:
        settings |= {"loss_time_out": 20, "loss_action": actions[by]}
    ready(dut, **settings)
    dut.ask(m.Engage(), m.Engaged) if by.startswith("engage") else dut.demand(0.1)
    dut.pass_time(700 * MS)
    for late_ns in (0, 90 * MS, 170 * MS):
        dut.bench.warm(dut.now_ns, 30)
        dut.ask(m.Engage(), m.Engaged) if by.startswith("engage") else dut.demand(0.1)
        dut.pass_time(260 * MS + late_ns)
        assert dut.bench.is_on
        dut.bench.warm(dut.now_ns, 61)
        end_ns = dut.now_ns + LOOK_NS + 2 * MS
        while dut.now_ns < end_ns:
            if by == "demands without end":
                dut.tell(m.DemandAll((1000,)))
            elif by == "engages":
                dut.tell(m.Engage())
            dut.pass_time(min(10 * MS, max(0, end_ns - dut.now_ns)))
        assert not dut.bench.is_on, "it is hot for more than a quarter of a second, and drives"
        assert dut.report().state is m.State.FAULTED
        dut.pass_time(20 * MS)
        assert not dut.bench.is_on


@clause("does.heat", "faults")
def test_the_fault_of_heat_ends_when_it_is_cool_and_the_state_when_it_is_asked(on_bench: Dut) -> None:
    dut = on_bench
    ready(dut, over_temperature=60, channel=1)
    dut.demand(0.1)
    dut.bench.warm(dut.now_ns, 61)
    dut.pass_time(LOOK_NS + 5 * MS)
    for _ in range(3):
        status = dut.report()
        assert (status.state, status.faults) == (m.State.FAULTED, m.Fault.OVER_TEMPERATURE)
        dut.pass_time(300 * MS)
    dut.bench.warm(dut.now_ns, 60)
    dut.pass_time(300 * MS)
    dut.tell(m.DemandAll((1000,)))
    dut.tell(m.ReportRound(1, 1, (1000,)))
    dut.pass_time(20 * MS)
    assert not dut.bench.is_on, "faulted, it heeds no demand of all"
    status = dut.report()
    assert (status.state, status.faults) == (m.State.LIMP, 0)
    dut.put({"over-temperature": 50})
    assert bit(dut, m.Fault.OVER_TEMPERATURE), "a limit that is written acts at once"
    assert dut.report().state is m.State.LIMP


# --- load -------------------------------------------------------------------------------------------------------------


def loaded(dut: Dut, share: float) -> None:
    """Load the arm with this share of its stall torque; on the bench, by the current that goes with it."""
    if dut.bench is not None:
        dut.bench.set_ma = round(share * dut.actuator.model.stall_current_ma)
    else:
        arm = dut.actuator.arm
        arm.move_to(dut.now_ns)
        arm.loaded(share * arm.power, share * arm.power, dut.now_ns)


def loadable(dut_build: Callable[..., Dut], **rating: int) -> Dut:
    """With an arm that can be loaded: that of the simulator's own actuator, or a bench."""
    dut = dut_build(rating=rating)
    return dut if hasattr(dut.actuator.arm, "loaded") else dut_build(rating=rating, on_bench=True)


@effect("overload-limit")
@shows(m.Status, "faults")
@clause("faults", "parameters.loop")
@pytest.mark.parametrize("stall_ma", [900, 4000, 50_000])
def test_an_overload_is_told_beyond_the_limit_and_ends_with_it(dut_build: Callable[..., Dut], stall_ma: int) -> None:
    check_overload(loadable(dut_build, stall_current_ma=stall_ma, stall_torque_mnm=500))


def check_overload(dut: Dut) -> None:
    """Check loads on both sides of several limits; nothing but the bit may change."""
    ready(dut, loss_time_out=10_000)
    dut.demand(0.0)
    dut.pass_time(LASTING_NS)
    for limit in (10, 50, 80, 100):
        dut.put({"overload-limit": limit})
        for share, is_over in ((0.97, False), (1.03, True), (0.5, False), (1.5, True), (0.96, False)):
            if limit * share > 100 and dut.bench is None:
                continue
            dut.beside("warm").order("warm", "25")  # whatever the load has warmed it by
            loaded(dut, share * limit / 100)
            dut.demand(0.0)
            dut.pass_time(LASTING_NS)
            status = dut.report()
            assert bool(status.faults & m.Fault.OVERLOAD) == is_over, (
                f"{share * limit:.0f} % of the stall torque for {LASTING_NS // MS} ms, the limit is {limit} %"
            )
            assert status.faults & ~m.Fault.OVERLOAD == 0
            assert status.state is m.State.FOLLOWING
            assert_drive(dut, status.state)


@clause("faults", "does.limp", "parameters.loop")
def test_limp_no_overload_is_told(on_bench: Dut) -> None:
    dut = on_bench
    loaded(dut, 1.5)
    dut.pass_time(LASTING_NS)
    assert not bit(dut, m.Fault.OVERLOAD)
    ready(dut, overload_limit=50)
    ends: dict[str, Act] = {
        "release": asked(m.Release()),
        "loss": in_turn(put(loss_action=LOSS_LIMP, loss_time_out=20), wait(30 * MS)),
        "heat": in_turn(put(over_temperature=40), lambda dut: dut.bench.warm(0, 50), wait(260 * MS)),
    }
    for what, end in ends.items():
        dut.put({"loss-time-out": 5000})
        dut.ask(m.Engage(), m.Engaged)
        dut.pass_time(LASTING_NS)
        assert bit(dut, m.Fault.OVERLOAD)
        end(dut)
        assert not bit(dut, m.Fault.OVERLOAD), f"limp by {what} it tells an overload"
        dut.pass_time(LASTING_NS)
        assert not bit(dut, m.Fault.OVERLOAD)


@clause("faults", "does.motion", "parameters.loop")
def test_an_overload_ends_no_drive(on_bench: Dut) -> None:
    dut = on_bench
    place(dut, 0.0)
    ready(dut, neutral=100, overload_limit=10, channel=1)
    loaded(dut, 0.0)
    dut.demand(0.0)
    dut.pass_time(SETTLED_NS)
    before = driven(dut)
    loaded(dut, 1.2)
    dut.pass_time(LASTING_NS)
    assert bit(dut, m.Fault.OVERLOAD)
    assert driven(dut) == before != 0
    dut.tell(m.DemandAll((0,)))
    dut.ask(m.Engage(), m.Engaged)
    dut.demand(0.0)
    assert dut.bench.is_on


# --- lost demand ------------------------------------------------------------------------------------------------------


@shows(m.Status, "faults")
@clause("faults", "does.loss")
@pytest.mark.parametrize("action", [LOSS_LIMP, LOSS_HOLD, LOSS_PRESET], ids=["limp", "hold", "preset"])
def test_a_lost_demand_is_told_until_a_restart(dut: Dut, action: int) -> None:
    dut.put({"soft-start": 0, "loss-time-out": 20, "loss-action": action, "channel": 1})
    assert dut.report().faults == 0
    dut.demand(0.0)
    dut.pass_time(40 * MS)
    assert dut.report().faults == m.Fault.DEMAND_LOST
    dut.put({"loss-time-out": 5000})
    for act in (
        lambda: dut.demand(0.1),
        lambda: dut.tell(m.DemandAll((0,))),
        lambda: dut.ask(m.Release(), m.Released),
        lambda: dut.ask(m.Engage(), m.Engaged),
        lambda: dut.ask(m.Undo(m.Memory.FACTORY), m.Undone),
        lambda: dut.ask(m.Commit(), m.Committed, slow=True),
        lambda: dut.ask(m.Assign(dut.uid, dut.address), m.Assigned, to=0xFF, slow=True),
    ):
        act()
        assert dut.report().faults & m.Fault.DEMAND_LOST
    dut.restart()
    assert dut.report().faults == 0


@shows(m.Status, "faults")
@clause("faults")
def test_faults_stand_side_by_side(on_bench: Dut) -> None:
    dut = on_bench
    dut.put({"soft-start": 0, "loss-time-out": 20, "loss-action": LOSS_HOLD, "under-voltage": 9000})
    dut.put({"overload-limit": 50})
    dut.bench.set_ma = 4000
    dut.demand(0.0)
    dut.pass_time(LASTING_NS)
    assert dut.report().faults == m.Fault.DEMAND_LOST | m.Fault.UNDER_VOLTAGE | m.Fault.OVERLOAD
    dut.bench.warm(dut.now_ns, 99)
    assert dut.report().faults == (
        m.Fault.DEMAND_LOST | m.Fault.UNDER_VOLTAGE | m.Fault.OVERLOAD | m.Fault.OVER_TEMPERATURE
    )
    dut.bus.supply_mv = 9000
    dut.bench.warm(dut.now_ns, 20)
    dut.bench.set_ma = 0
    dut.pass_time(LASTING_NS)
    assert dut.report().faults == m.Fault.DEMAND_LOST


@shows(m.Status, "faults")
@clause("faults", "does.lost")
def test_lost_settings_are_told_until_a_start_that_finds_them(dut: Dut) -> None:
    from busproto.conformance.storage import spoil

    dut.beside("spoil", "plug", "unplug")
    dut.put({"neutral": 100})
    for _ in range(2):
        dut.ask(m.Commit(), m.Committed, slow=True)
    assert dut.report().faults == 0
    home = dut.address
    spoil(dut, (0, 1), 4)
    dut.address = 0xF0
    assert dut.report().faults == m.Fault.SETTINGS_LOST
    dut.ask(m.Assign(dut.uid, home), m.Assigned, to=0xFF, slow=True)
    dut.address = home
    dut.ask(m.Commit(), m.Committed, slow=True)
    assert dut.report().faults == m.Fault.SETTINGS_LOST, "it ends with a start that finds a whole copy, not before"
    dut.put({"loss-time-out": 20})
    dut.demand(0.0)
    dut.pass_time(40 * MS)
    assert dut.report().faults == m.Fault.SETTINGS_LOST | m.Fault.DEMAND_LOST
    dut.restart()
    assert dut.report().faults == 0
