"""What the tests of scenario files share: small files with lines put in, and what is built of them."""

from __future__ import annotations

import pytest

from busproto.sim.bus import VirtualBus
from busproto.sim.errors import ScenarioError
from busproto.sim.scene import scenario
from tests.sim.helpers import Bench, Tap


def text(*, top: str = "", model: str = "[model.m]", actuator: str = "", more: str = "") -> str:
    """A scenario of one actuator 'a' of model 'm', with these lines put in."""
    return f"""
        title = "any"
        {top}
        {model}
        [[actuator]]
        label = "a"
        model = "m"
        {actuator}
        {more}
    """


def second(lines: str = "", *, label: str = "b") -> str:
    return f'[[actuator]]\nlabel = "{label}"\nmodel = "m"\n{lines}\n'


def event(lines: str) -> str:
    return f"[[event]]\n{lines}\n"


def wanted(lines: str) -> str:
    return f"[[wanted]]\n{lines}\n"


def recorded(bus: VirtualBus) -> Bench:
    made = Bench(bus)
    bus.line.listen(Tap(bus.line, made.receptions))
    return made


def built(source: str, seed: int = 0) -> Bench:
    return recorded(scenario.parse(source).build(seed))


def refused(source: str) -> ScenarioError:
    with pytest.raises(ScenarioError) as caught:
        scenario.parse(source)
    return caught.value
