"""Surfaces of scenario files: the shipped gang, what is wrong with a table, and that each is as its file has it."""

from __future__ import annotations

from importlib import resources

import pytest

from busproto.sim.bus import VirtualBus
from busproto.sim.errors import ScenarioError
from busproto.sim.mechanics.surface import Hinge
from busproto.sim.scene import scenario
from busproto.sim.scene.events import AirspeedEvent
from busproto.wire import messages as m
from tests.sim.helpers import MS, S, said, wire_to_all


def rudder(seed: int, wait_ns: int, share: int, *, every_ns: int = 100 * MS) -> VirtualBus:
    """The shipped gang, told the same demand ten times a second for so long; the air comes after 10 and 20 s."""
    text = (resources.files("busproto.sim") / "scenarios" / "rudder-gang.toml").read_text("utf-8")
    bus = scenario.parse(text.replace("at = 600.0", "at = 10.0").replace("at = 700.0", "at = 20.0")).build(seed)
    wire = wire_to_all(m.DemandAll((m.NO_DEMAND,) * 7 + (share,)))
    while bus.kernel.now_ns < wait_ns:
        bus.host.write(wire)
        bus.kernel.run_until(bus.kernel.now_ns + every_ns)
    return bus


def test_the_shipped_gang_fights_at_rest_and_each_seed_fights_otherwise() -> None:
    found = [rudder(seed, 5 * S, 0).surface("rudder") for seed in (1, 2)]
    for surface in found:
        torques = surface.torques_mnm()
        assert list(torques) == ["rudder, upper", "rudder, middle", "rudder, lower"]
        assert max(map(abs, torques.values())) > 100
        assert abs(sum(torques.values())) < 80 + 1e-6  # what the hinge's friction holds
        assert max(map(abs, surface.mismatch_deg().values())) > 0.2
    assert found[0].torques_mnm() != found[1].torques_mnm()
    assert rudder(1, 5 * S, 0).surface("rudder").torques_mnm() == found[0].torques_mnm()


def test_the_shipped_gang_bears_the_air_that_its_file_lets_come() -> None:
    speeds = [row.speed for row in scenario.load("rudder-gang").file.event if isinstance(row, AirspeedEvent)]
    assert len(speeds) == 2
    bus = rudder(1, 5 * S, 5000)
    surface = bus.surface("rudder")
    loads = [sum(surface.torques_mnm().values())]
    for speed in speeds:
        surface.set_airspeed(speed)
        bus.kernel.run_until(bus.kernel.now_ns + 100 * MS)
        loads.append(sum(surface.torques_mnm().values()))
    assert abs(loads[0]) < 81
    assert 300 < loads[1] < loads[2] / 2


SHARED = """
title = "t"
[model.m]
[[actuator]]
label = "a"
model = "m"
[[actuator]]
label = "b"
model = "m"
"""


@pytest.mark.parametrize(
    ("more", "problems"),
    [
        (
            '[[surface]]\nname = "s"\nmembers = [{ actuator = "c", stiffness = 1.0 }]',
            ["surface[0].members[0].actuator: there is no 'c'"],
        ),
        (
            '[[surface]]\nname = "s"\nmembers = [{ actuator = "a", stiffness = 1.0 }, '
            '{ actuator = "a", stiffness = 1.0, ratio = 0.0 }]',
            [
                "surface[0].members[1].actuator: 'a' is on 's' already",
                "surface[0].members[1].ratio: 0 moves nothing",
            ],
        ),
        (
            '[[surface]]\nname = "s"\nmembers = [{ actuator = "a", stiffness = 1.0 }]\n'
            '[[surface]]\nname = "s"\nmembers = [{ actuator = "b", stiffness = 1.0 }]',
            ["surface[1].name: 's' is used twice"],
        ),
        (
            '[[surface]]\nname = "s"\nmembers = [{ actuator = "a", stiffness = 0.0 }]',
            ["surface[0].members[0].stiffness: must be > 0.0"],
        ),
        (
            '[[surface]]\nname = "s"\nmembers = []',
            ["surface[0].members: number of entries must be >= 1"],
        ),
        (
            '[[event]]\nwhat = "airspeed"\nat = 1.0\nspeed = 20.0\nsurface = "s"',
            ["event[0].surface: there is no 's' whose rods are on from the beginning"],
        ),
        (
            '[[event]]\nwhat = "airspeed"\nat = 1.0\nspeed = 151.0',
            ["event[0].speed: must be <= 150.0"],
        ),
    ],
)
def test_what_is_wrong_with_a_surface_is_said_with_its_place(more: str, problems: list[str]) -> None:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(SHARED + more)
    assert said(caught.value.problems) == problems


def test_a_surface_from_a_file_is_as_the_file_has_it() -> None:
    made = scenario.parse(
        SHARED
        + """
[[surface]]
name = "s"
members = [{ actuator = "b", stiffness = 2.0, ratio = -0.5, offset = 1.0 }, { actuator = "a", stiffness = 3.0 }]
friction = 0.1
unbalance = -0.2
damping = 0.3
inertia = 0.4
stop = 25.0
area = 0.5
chord = 0.6
b1 = -0.7
b2 = -0.8
alpha = 2.0
airspeed = 10.0
[[event]]
what = "airspeed"
at = 1.0
speed = 20.0
surface = "s"
"""
    ).build()
    surface = made.surface("s")
    assert surface.hinge == Hinge(
        area_m2=0.5,
        chord_m=0.6,
        b1=-0.7,
        b2=-0.8,
        alpha_deg=2.0,
        unbalance_nm=-0.2,
        friction_nm=0.1,
        damping_nms=0.3,
        inertia_kgm2=0.4,
        stop_deg=25.0,
    )
    assert [(one.label, one.stall_nm, one.stiffness_nm_deg, one.ratio, one.offset_deg) for one in surface.members] == [
        ("b", 2.5, 2.0, -0.5, 1.0),
        ("a", 2.5, 3.0, 1.0, 0.0),
    ]
    assert surface.airspeed_m_s == 10.0
    made.kernel.run_until(S)
    assert surface.airspeed_m_s == 20.0
    with pytest.raises(KeyError):
        made.surface("t")
