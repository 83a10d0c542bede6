"""Searches on lines with every kind of fault: the list is right, or it is not called proven; never wrong and sure."""

from __future__ import annotations

import random

import pytest

from busproto.ops import Link, assign_all, find, ordered_moves, prove_addresses
from busproto.sim.line.hearing import LineKind
from busproto.sim.scene.scenario import parse
from tests.fleet import fleet

COUNT = 6
SEEDS = 12
BOX = """
title = "a box"
[line]
{line}
[model.one]
""" + "".join(
    f"""
[[actuator]]
label = "a{number}"
model = "one"
"""
    for number in range(COUNT)
)

FAULTS = {
    "none": "",
    "noise 1e-3": 'what = "noise"\nat = 0.0\nrate = 1e-3',
    "noise 1e-2": 'what = "noise"\nat = 0.0\nrate = 1e-2',
    "noise for a while": 'what = "noise"\nat = 0.005\nuntil = 0.03\nrate = 0.05',
    "bursts": 'what = "burst"\nat = 0.004\nlasting = 0.001\nevery = 0.011',
    "stuck low for a while": 'what = "stuck-low"\nat = 0.006\nuntil = 0.021',
    "babble for a while": 'what = "babble"\nat = 0.006\nuntil = 0.03\nactuator = "a2"',
    "late answers": 'what = "late"\nat = 0.0\nby-ms = 3.0\nactuator = "a1"',
    "brown-out in mid-answer": 'what = "brown-out"\nat = 0.0\nactuator = "a3"\nafter-bytes = 9\nlasting = 0.004',
    "unplugged in mid-search": 'what = "unplug"\nat = 0.012\nactuator = "a4"',
    "unplugged for a moment": 'what = "unplug"\nat = 0.012\nuntil = 0.02\nactuator = "a4"',
    "echo lost": 'what = "no-echo"\nat = 0.01',
    "adapter batches of 16 ms": 'what = "adapter"\nat = 0.0\nbatch-ms = 16.0',
    "adapter loses bytes": 'what = "adapter"\nat = 0.0\ndrop-rate = 0.005',
    "adapter doubles bytes": 'what = "adapter"\nat = 0.0\ndouble-rate = 0.005',
}
LINES = {
    "open drain": "",
    "differential": 'kind = "differential"',
    "16 samples a bit": "oversampling = 16",
    "no echo": "echo = false",
}
HARMLESS = {"none", "adapter batches of 16 ms"}
"""Faults under which every list must be proven."""


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("fault", FAULTS)
def test_never_wrong_and_sure(fault: str, line: str) -> None:
    text = BOX.format(line=LINES[line]) + (f"[[event]]\n{FAULTS[fault]}\n" if FAULTS[fault] else "")
    scenario = parse(text)
    proven = 0
    for seed in range(SEEDS):
        bus = scenario.build(seed)
        bus.kernel.run_until(0)  # what the adapter does is known when it is opened
        roster = Link(bus.host).run(find(rng=random.Random(seed)))
        there = {actuator.uid for actuator in bus.actuators if actuator.is_powered}
        assert not roster.proven or {one.uid for one in roster.found} == there
        assert bool(roster.reason) != roster.proven
        proven += roster.proven
    if fault in HARMLESS:
        assert proven == SEEDS


def test_a_line_stuck_low_for_good_is_not_proven() -> None:
    scenario = parse(BOX.format(line="") + '[[event]]\nwhat = "stuck-low"\nat = 0.0\nuntil = 60.0\n')
    roster = Link(scenario.build(1).host).run(find(rng=random.Random(1)))
    assert not roster.proven
    assert roster.reason


def test_one_that_babbles_for_good_is_not_proven() -> None:
    scenario = parse(BOX.format(line="") + '[[event]]\nwhat = "babble"\nat = 0.0\nuntil = 60.0\nactuator = "a0"\n')
    roster = Link(scenario.build(1).host).run(find(rng=random.Random(1)))
    assert not roster.proven
    assert roster.reason


def test_an_actuator_with_another_line_rate_is_not_found_and_disturbs_no_other() -> None:
    text = BOX.format(line="").replace('label = "a0"', 'label = "a0"\nbaud = 57600')
    for seed in range(SEEDS):
        bus = parse(text).build(seed)
        roster = Link(bus.host).run(find(rng=random.Random(seed)))
        assert {one.uid for one in roster.found} == {one.uid for one in bus.actuators if one.label != "a0"}
        assert roster.proven  # deaf ones are invisible to every scheme


@pytest.mark.parametrize("kind", LineKind)
def test_a_full_bus_of_239_is_found_and_addressed_in_one_go(kind: LineKind) -> None:
    bus = fleet(239, 7, kind=kind)
    link = Link(bus.host)
    roster = link.run(find(rng=random.Random(7)))
    assert roster.proven
    assert {one.uid for one in roster.found} == {one.uid for one in bus.actuators}
    assert len(roster.unaddressed) == 239
    wanted = {actuator.uid: number + 1 for number, actuator in enumerate(bus.actuators)}
    assert link.run(assign_all(ordered_moves(roster, wanted))) == 239
    assert {actuator.uid: actuator.address for actuator in bus.actuators} == wanted
    assert link.run(prove_addresses(wanted, rng=random.Random(8))) == ""
