"""What a person does to a running bus: each command, and what cannot be followed changes nothing."""

from __future__ import annotations

import math

import pytest

from busproto.sim.bus import VirtualBus
from busproto.sim.control import HAND_NS, ControlError, obey
from busproto.sim.native.device import Device
from busproto.sim.scene.scenario import load, parse


@pytest.fixture
def bus() -> VirtualBus:
    return load("hauler").build(1)


@pytest.mark.parametrize("name", ["flap, left", '"flap, left"', "'flap, left'", "  flap, left  "])
def test_plug_and_unplug_with_and_without_quotes(bus: VirtualBus, name: str) -> None:
    assert obey(bus, f"unplug {name}") == "flap, left is unplugged"
    assert not bus.labelled("flap, left").is_powered
    assert obey(bus, f"plug {name}\n") == "flap, left is plugged in"
    assert bus.labelled("flap, left").is_powered


def test_a_hand_moves_a_limp_arm_in_its_time_and_none_that_holds(bus: VirtualBus) -> None:
    assert obey(bus, "hand flap, left 12.5") == "flap, left is moved by hand to 12.5 deg"
    bus.kernel.run_until(bus.kernel.now_ns + HAND_NS)
    arm = bus.labelled("flap, left").arm
    arm.move_to(bus.kernel.now_ns)
    assert arm.position_deg == 12.5
    arm.engage(bus.kernel.now_ns)
    assert obey(bus, "hand flap, left 0") == "flap, left holds its arm: a hand does not move it"


def test_rods_are_put_on_once_and_then_those_on_them_go_together(bus: VirtualBus) -> None:
    upper, lower = (bus.labelled(f"rudder, {one}").arm for one in ("upper", "lower"))
    upper.hand(20.0, 1, bus.kernel.now_ns)
    assert obey(bus, "fit rudder") == "the rods of the rudder are on: rudder, upper, spare 40, rudder, lower"
    surface = bus.surface("rudder")
    surface.put(30.0)
    surface.look(bus.kernel.now_ns)
    for arm in (upper, lower):
        assert arm.position_deg == pytest.approx(50.0, abs=0.5), "30 deg by a ratio of 0.6"
    with pytest.raises(ControlError, match="no surface 'rudder' whose rods are off; there are: none"):
        obey(bus, "fit rudder")


def test_the_supply(bus: VirtualBus) -> None:
    assert obey(bus, "supply 5.55") == "the supply is 5.55 V"
    assert bus.supply_mv == 5550


@pytest.mark.parametrize("name", ["flap, left", "of C"])
def test_what_is_warmed_cools_from_there(name: str) -> None:
    if name == "of C":
        bus = parse(
            'title = "t"\n[model.m]\nheat-time = 60\n[[actuator]]\nlabel = "of C"\nmodel = "m"\ndevice = "reference"\n'
        ).build(1)
    else:
        bus = load("hauler").build(1)
    one = bus.labelled(name)
    assert obey(bus, f"warm {name} 80") == f"{name} is at 80 degC now"
    assert degc(bus, name) == pytest.approx(80, abs=0.01)
    time_s = one.model.heat().time_s
    bus.kernel.run_until(bus.kernel.now_ns + round(time_s * 1e9))
    # the air is at 22 degC: after one time constant 1/e of the difference is left
    assert degc(bus, name) == pytest.approx(22 + (80 - 22) / math.e, abs=0.05)
    obey(bus, f"warm {name} -10")
    assert degc(bus, name) == pytest.approx(-10, abs=0.01)


def degc(bus: VirtualBus, name: str) -> float:
    one = bus.labelled(name)
    return one.arm.degc(bus.kernel.now_ns) if isinstance(one, Device) else one.arm.heat.degc(bus.kernel.now_ns)


def test_cut_and_spoil_are_announced_and_wait_for_their_time(bus: VirtualBus) -> None:
    assert obey(bus, "cut flap, left 3") == "flap, left loses power in byte 3 of what it stores next"
    assert bus.labelled("flap, left").is_powered
    obey(bus, "unplug flap, left")
    assert obey(bus, "spoil 'flap, left' 0 3") == "byte 3 of copy 0 of flap, left is spoiled"
    obey(bus, "plug flap, left")
    assert bus.labelled("flap, left").settings.are_lost


def test_cells_are_worn_one_by_one_or_all_and_mended(bus: VirtualBus) -> None:
    memory = bus.labelled("flap, left").settings.memory
    assert obey(bus, "wear flap, left 1 12") == "cell 12 of copy 1 of flap, left can no longer be written"
    assert memory.worn == {(1, 12)}
    assert obey(bus, "wear flap, left 0 all") == "no cell of copy 0 of flap, left can be written any more"
    assert memory.worn == {(1, 12)} | {(0, cell) for cell in range(256)}
    assert obey(bus, "mend flap, left") == "every cell of flap, left can be written"
    assert memory.worn == set()


def test_the_list_says_who_is_unplugged(bus: VirtualBus) -> None:
    bus.kernel.run_until(1)
    lines = obey(bus, "list").splitlines()
    assert len(lines) == len(bus.actuators) == 15
    assert lines[-2:] == ["unplugged: spare 25", "unplugged: spare 40"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("fly", "'fly' is no command; the commands are: plug NAME"),
        ("plug", "there is no actuator ''"),
        ("plug flap", "there is no actuator 'flap'; there are: 'throttle'"),
        ('plug "flap', "a quote is not closed"),
        ("hand flap, left far", "'far': degrees of -180..180 are wanted"),
        ("hand flap, left nan", "'nan': degrees of -180..180 are wanted"),
        ("hand flap, left 181", "'181': degrees of -180..180 are wanted"),
        ("warm flap, left", "there is no actuator 'flap,'"),
        ("warm flap, left 201", "'201': degrees Celsius of -40..200 are wanted"),
        ("cut flap, left", "there is no actuator 'flap,'"),
        ("cut flap, left 1.5", "'1.5': a byte of 0..65535 is wanted"),
        ("spoil flap, left 0 1", "flap, left has power: unplug it, spoil its memory, plug it in again"),
        ("wear flap, left 2 all", "'2': a copy of 0..1 is wanted"),
        ("wear flap, left 0 256", "'256': 'all' or a cell of 0..255 is wanted"),
        ("wear 0 1", "there is no actuator ''"),
        ("mend", "there is no actuator ''"),
        ("generation flap, left 1", "flap, left has power: unplug it, set the generation, plug it in again"),
        ("generation 1", "there is no actuator ''"),
        ("clock flap, left", "there is no actuator 'flap,'"),
        ("clock flap, left -1", "'-1': a count of microseconds of 0..4294967295 is wanted"),
        ("clock flap, left 4294967296", "'4294967296': a count of microseconds of 0..4294967295 is wanted"),
        ("supply -1", "'-1': volts of 0..60 are wanted"),
        ("supply", "'': volts of 0..60 are wanted"),
    ],
)
def test_what_cannot_be_followed_is_said_and_changes_nothing(bus: VirtualBus, line: str, says: str) -> None:
    before = [(one.is_powered, one.arm.position_deg) for one in bus.actuators], bus.supply_mv
    with pytest.raises(ControlError) as caught:
        obey(bus, line)
    assert says in str(caught.value)
    assert ([(one.is_powered, one.arm.position_deg) for one in bus.actuators], bus.supply_mv) == before
