"""A setting acts at once: on the target of an arm that a demand or the preset leads, and of no other."""

from __future__ import annotations

import pytest

from busproto.conformance.clauses import clause
from busproto.conformance.dut import MS, Dut, not_checked
from busproto.conformance.suite.effects.arms import (
    DRIVEN,
    NEAR_CDEG,
    ROUNDED_CDEG,
    Act,
    asked,
    in_turn,
    is_held,
    led_to_cdeg,
    put,
    ready,
    wait,
)
from busproto.conformance.suite.effects.cover import effect
from busproto.wire import messages as m
from busproto.wire.parameters import BY_NAME, LOSS_HOLD, LOSS_PRESET, RawValue

DEMAND = 2500
PRESET = -1000
BASE: dict[str, RawValue] = {"soft-start": 5000, "loss-time-out": 10_000, "preset": PRESET}
CHANGES: dict[str, RawValue] = {
    "neutral": 300,
    "travel": 8000,
    "direction": 1,
    "end-low": -700,
    "end-high": 700,
    "correction": (100, 300, -200),
    "preset": -1700,
}
"""One other value of each parameter that leads an arm."""
STANDS: dict[str, RawValue] = {
    "channel": 7,
    "gang": 3,
    "place": 2,
    "soft-start": 4000,
    "dead-band": 100,
    "slew-limit": 100,
    "stiffness": 10,
    "damping": 90,
    "minimum-drive": 20,
    "loss-action": LOSS_HOLD,
    "loss-time-out": 9000,
    "overload-limit": 20,
    "over-temperature": 100,
    "under-voltage": 1000,
    "reply-delay": 900,
}
"""One other value of each that does not."""


def lose(action: int) -> Act:
    """Let the loss time-out pass under that loss action."""
    return in_turn(put(loss_action=action, loss_time_out=20), wait(40 * MS), put(loss_time_out=10_000))


FOLLOW = asked(m.Demand(DEMAND))
ENGAGE = asked(m.Engage())
HELD: dict[str, tuple[Act, str]] = {
    "following": (FOLLOW, "demand"),
    "lost, hold": (in_turn(FOLLOW, lose(LOSS_HOLD)), "demand"),
    "lost, preset": (in_turn(FOLLOW, lose(LOSS_PRESET)), "preset"),
    "engaged": (ENGAGE, "nothing"),
    "engaged, that followed": (in_turn(FOLLOW, ENGAGE), "nothing"),
    "engaged, lost, hold": (in_turn(ENGAGE, lose(LOSS_HOLD)), "nothing"),
    "engaged, lost, preset": (in_turn(ENGAGE, lose(LOSS_PRESET)), "preset"),
    "limp": (in_turn(), "limp"),
    "released": (in_turn(FOLLOW, asked(m.Release())), "limp"),
}
"""How it is brought to hold its arm, and what then leads it."""


def target_cdeg(leader: str, settings: dict[str, RawValue], before: m.Status, now: m.Status) -> float:
    """Where the arm is to be driven."""
    if leader == "demand":
        return float(led_to_cdeg(settings, DEMAND))
    if leader == "preset":
        low, high, preset = (
            value for name in ("end-low", "end-high", "preset") if isinstance(value := settings[name], int)
        )
        return min(high, max(low, preset))
    return before.demand_cdeg if leader == "nothing" else now.position_cdeg


@effect("neutral", "travel", "direction", "end-low", "end-high", "correction", "preset")
@clause("does.settings", "does.write", "does.undo", "does.angle", "does.ends")
@pytest.mark.parametrize("how", HELD)
def test_a_setting_moves_the_target_of_an_arm_that_it_leads(dut: Dut, how: str) -> None:
    act, leader = HELD[how]
    dut.put(BASE)
    act(dut)
    before = dut.report()
    factory: dict[str, RawValue] = {name: row.default for name, row in BY_NAME.items()}
    for name, value in CHANGES.items():
        for settings in ({**factory, **BASE, name: value}, {**factory, **BASE}):
            dut.put({name: settings[name]})
            status = dut.report()
            wanted = target_cdeg(leader, settings, before, status)
            assert status.demand_cdeg == pytest.approx(wanted, abs=ROUNDED_CDEG), f"{name} {settings[name]}"
            assert status.state is before.state, f"{name}: it is {status.state.name}, it was {before.state.name}"
    dut.put({"neutral": 200, "preset": -500})
    since = dut.during(lambda: act(dut) if before.state in DRIVEN else None)  # the factory's time-out is short
    before = dut.report()
    dut.ask(m.Undo(m.Memory.FACTORY), m.Undone)
    status = dut.report()
    if before.state in DRIVEN and dut.now_ns - since[0] >= 480 * MS:
        not_checked("the port is too slow, or its machine too busy")
    assert status.demand_cdeg == pytest.approx(target_cdeg(leader, factory, before, status), abs=ROUNDED_CDEG)


@clause("does.settings", "does.write")
@pytest.mark.parametrize("how", ["following", "engaged", "limp"])
def test_any_other_setting_moves_no_target_and_changes_no_state(dut: Dut, how: str) -> None:
    act, _ = HELD[how]
    dut.put(BASE)
    act(dut)
    before = dut.report()
    for name, value in STANDS.items():
        if name not in dut.rows:
            continue
        dut.put({name: value})
        status = dut.report()
        assert status.state is before.state, f"{name}: it is {status.state.name}"
        if before.state not in m.LIMP_STATES:
            assert status.demand_cdeg == before.demand_cdeg, name
        assert dut.get(name) == value


@clause("does.settings", "does.write", "does.angle")
def test_the_arm_goes_to_a_target_that_a_setting_moves(dut: Dut) -> None:
    ready(dut)
    dut.settle(0.25)
    dut.put({"neutral": -300})
    dut.pass_time(300 * MS)
    status = dut.report()
    assert status.demand_cdeg == pytest.approx(1200, abs=ROUNDED_CDEG)
    assert status.position_cdeg == pytest.approx(1200, abs=NEAR_CDEG)
    dut.ask(m.Undo(m.Memory.STORED), m.Undone)
    dut.pass_time(300 * MS)
    assert dut.report().position_cdeg == pytest.approx(1500, abs=NEAR_CDEG)


@clause("does.settings", "does.write", "op.43")
def test_a_setting_moves_no_arm_that_is_held_where_it_was_taken(dut: Dut) -> None:
    ready(dut)
    dut.ask(m.Engage(), m.Engaged)
    before = dut.report().demand_cdeg
    dut.put({"neutral": 300})
    dut.pass_time(200 * MS)
    status = dut.report()
    assert status.demand_cdeg == before
    assert status.position_cdeg == pytest.approx(before, abs=40)
    assert is_held(dut) in {None, True}
