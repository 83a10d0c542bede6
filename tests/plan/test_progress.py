"""How far an operation is, as a person who waits reads it: from the first step to the last, and never back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from busproto.ops import Link
from busproto.ops.moving.hand_control import steer_channel
from busproto.ops.steps import Progress, Steps
from busproto.plan.crew import ask_what_they_are
from busproto.plan.trials.direction import try_directions
from busproto.plan.trials.trial import PARTS, trial
from busproto.sim.bus import VirtualBus
from tests.ops.helpers import Box, box, uid_of
from tests.plan.trials.test_direction import bench as directions_bench
from tests.plan.trials.test_trial import bench_of


def told(bus: VirtualBus, steps: Steps[Any]) -> dict[str, list[tuple[int, int | None]]]:
    """What it says while it runs, by task."""
    said: list[Progress] = []
    Link(bus.host, said.append).run(steps)
    by_task: dict[str, list[tuple[int, int | None]]] = {}
    for one in said:
        by_task.setdefault(one.task, []).append((one.at, one.of))
    return by_task


def counted(of: int) -> list[tuple[int, int | None]]:
    return [(at, of) for at in range(of + 1)]


@pytest.fixture
def bench() -> Box:
    return box(2)


def test_a_trial(bench: Box) -> None:
    said = told(bench.bus, trial([bench_of(bench, 1), bench_of(bench, 2)], PARTS, 0.25))
    watching = said.pop("watching the loss of the signal")
    assert said == {"starting softly": [(0, 2), (1, 2)], "centring": counted(1), "moving": counted(2)}
    assert watching == sorted(watching)
    assert (watching[0], watching[-1]) == ((0, 2), (2, 2))


def test_looking_who_follows_a_channel_and_who_is_who(bench: Box) -> None:
    for number in (1, 2):
        bench.add(number, number, channel=4)
    assert told(bench.bus, steer_channel(4, [1, 2])) == {"looking who follows the channel": counted(2)}
    assert told(bench.bus, ask_what_they_are({1: uid_of(1), 2: uid_of(2)})) == {"asking who is who": [(0, 2), (1, 2)]}


def test_trying_directions(tmp_path: Path) -> None:
    on = directions_bench(tmp_path)
    steps = try_directions(on.surfaces, on, lambda: "2031-05-04T10:00:00+02:00", on.kept.append)
    assert told(on.box.bus, steps)["trying directions"] == counted(2)
