"""Scenarios with actuators that lack parameters or have more: what may stand there, and what they then say."""

from __future__ import annotations

import pytest

from busproto.sim.actuators.settings import Settings
from busproto.sim.errors import ScenarioError
from busproto.sim.scene.own_table import OwnTable, rows_of
from busproto.sim.scene.scenario import parse
from busproto.wire.parameters import BY_NAME, FACTORY, PARAMETERS

HEAD = 'title = "t"\n[model.m]\n[[actuator]]\nlabel = "a"\nmodel = "m"\naddress = 4\n'


def built(lines: str) -> Settings:
    [actuator] = parse(HEAD + lines).build().actuators
    settings: Settings = actuator.settings
    return settings


def test_it_has_what_stands_there_and_does_what_it_lacks_as_the_factory_has_it() -> None:
    settings = built(
        'lacks = ["travel", "correction"]\n'
        'own = [{ name = "notch", high = 900, unit = "0.1 Hz" }, { name = "stiffness", high = 9, number = 200 }]\n'
        'settings = { notch = 4.5, "stiffness#200" = 7, stiffness = 50 }\n'
    )
    expected = {name: raw for name, raw in FACTORY.items() if name not in {"travel", "correction"}}
    assert settings.working == {**expected, "notch": 45, "stiffness#200": 7, "stiffness": 50}
    assert settings.stored() == settings.working
    assert settings.raw("travel") == BY_NAME["travel"].default
    assert settings.travel.angle_deg(10_000) == 60.0
    assert [row.number for row in settings.rows][-2:] == [100, 200]


def test_two_tables_are_kept_whole_in_stored_memory() -> None:
    curve = OwnTable(name="curve", low=-100, high=100, bytes=1, points=9)
    for own, other in (((), ()), ((1, 2), (3, -4, 5)), ((), (1, 2)), (tuple(range(9)), tuple(range(33)))):
        settings = Settings(5, {"curve": own, "correction": other, "travel": 18_000}, rows_of([], [curve]))
        settings.memory.load()
        assert (settings.stored()["curve"], settings.stored()["correction"]) == (own, other)
        settings.set_working("curve", (7, 7))
        settings.memory.settle(settings.begin_commit(0))
        settings.start()
        assert (settings.working["curve"], settings.working["correction"]) == ((7, 7), other)


def test_one_with_the_table_keeps_it_as_before() -> None:
    assert rows_of([], []) == tuple(PARAMETERS.values())
    assert Settings(5, {}).memory.copies == Settings(5, {}, rows_of([], [])).memory.copies


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ('lacks = ["nothing"]', "actuator[0].lacks[0]: there is no parameter 'nothing'; there are: channel, "),
        ('lacks = ["travel"]\nsettings = { travel = 90 }', "actuator[0].lacks[0]: 'travel' stands in its settings"),
        ('own = [{ name = "x", high = 3, number = 12 }]', "'x': number 12 is that of 'stiffness' already"),
        ('own = [{ name = "x", high = 70000 }]', "'x': limits 0..70000 are none for a value of 2 bytes"),
        ('own = [{ name = "x", high = 3000000000, bytes = 4 }]', "'x': limits 0..3000000000 are none for"),
        ('own = [{ name = "x", high = 9, unit = "0 V" }]', "'x': a count of '0 V'"),
        ('own = [{ name = "\\u001b[2J", high = 9 }]', "actuator[0].own[0].name: "),
        ('own = [{ name = "x", high = 9 }]\nsettings = { x = 10 }', "x: 10 is outside 0..9"),
        ('device = "reference"\nlacks = ["travel"]', "a firmware has its own list"),
    ],
)
def test_what_cannot_be_is_said_with_its_place(lines: str, problem: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        parse(HEAD + lines + "\n")
    assert any(problem in one for one in caught.value.problems), caught.value.problems
