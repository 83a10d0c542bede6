"""How far an operation is, as a person who waits reads it: from the first step to the last, and never back."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from typing import Any, Final

import pytest

from busproto.ops import assign_all, find, move, prove_addresses, stream, take_demand_away
from busproto.ops.addressing import Move
from busproto.ops.discovery.methods import METHODS
from busproto.ops.moving.motion import engage
from busproto.ops.moving.watching import Track, scan, watch
from busproto.ops.reports import all_rows
from busproto.ops.steps import Steps
from busproto.ops.survey import survey
from tests.ops.helpers import MS, Box, box, counted, told, uid_of

COUNT: Final = 4
SEED: Final = 3


@pytest.fixture
def bench() -> Box:
    """Four, at addresses 1 to 4."""
    made = box(SEED)
    for number in range(1, COUNT + 1):
        made.add(number, number, channel=number, loss_time_out=100 * number)
    return made


ADDRESSES: Final = {uid_of(number): number for number in range(1, COUNT + 1)}
BY_STEPS: Final[dict[str, tuple[Callable[[], Steps[Any]], int]]] = {
    "giving addresses": (lambda: assign_all([Move(uid, at, at + 10) for uid, at in ADDRESSES.items()]), COUNT),
    "looking which addresses answer": (scan, 3 * len(all_rows())),
    "reading": (survey, COUNT),
}


@pytest.mark.parametrize("task", BY_STEPS)
def test_step_by_step_up_to_the_last(bench: Box, task: str) -> None:
    steps, of = BY_STEPS[task]
    assert told(bench.bus, steps())[task] == counted(of)


BY_TIME: Final[dict[str, Callable[[], Steps[Any]]]] = {
    "demanding, ms": lambda: stream({1: 0.1}, 500 * MS),
    "moving, ms": lambda: move(1, 0.1, 500 * MS),
    "watching, ms": lambda: watch({at: Track(at) for at in (1, 2)}, 500 * MS),
}


@pytest.mark.parametrize("task", BY_TIME)
def test_by_the_time_that_has_passed(bench: Box, task: str) -> None:
    """Told often, in ms of virtual time: the last of it no more than one round before the end."""
    began_ns = bench.now_ns
    said = told(bench.bus, BY_TIME[task]())[task]
    assert {of for _, of in said} == {500}
    times_ms = [at for at, _ in said]
    assert times_ms == sorted(times_ms)
    assert times_ms[0] <= 50
    assert 450 <= times_ms[-1] <= min(500, (bench.now_ns - began_ns) // MS)
    assert max(then - at for at, then in itertools.pairwise(times_ms)) <= 60


def test_by_how_many_are_proven(bench: Box) -> None:
    said = told(bench.bus, find(rng=random.Random(SEED)))
    assert list(said) == ["finding", "proving"]
    assert said["finding"][-1] == (COUNT, None)
    assert (said["proving"][0], said["proving"][-1]) == ((0, COUNT), (COUNT, COUNT))
    assert said["proving"] == sorted(said["proving"])
    (by_address,) = told(bench.bus, prove_addresses(ADDRESSES, rng=random.Random(SEED))).values()
    assert (by_address[0], by_address[-1]) == ((0, COUNT), (COUNT, COUNT))
    assert by_address == sorted(by_address)


def test_by_how_many_have_lost_the_demand(bench: Box) -> None:
    for address in ADDRESSES.values():
        bench.run(engage(address))
    bench.run(stream(dict.fromkeys(ADDRESSES.values(), 0.0), 50 * MS))
    said = told(bench.bus, take_demand_away([*ADDRESSES.values()], 1_000 * MS))["watching the loss of the demand"]
    assert said == sorted(said)
    assert set(said) == set(counted(COUNT)), "each loses it 100 ms behind the one before"


@pytest.mark.parametrize(
    ("name", "task", "last"),
    [
        ("poll", "asking every address", (224, 239)),
        ("tree-2", "asking prefixes", None),
        ("bits", "asking bit by bit", (COUNT, None)),
        ("slots", "calling into slots", (COUNT, None)),
    ],
)
def test_the_classic_ways_count_what_they_have_found(
    bench: Box, name: str, task: str, last: tuple[int, int | None] | None
) -> None:
    (said,) = told(bench.bus, METHODS[name].run(random.Random(SEED), 115_200)).items()
    assert said[0] == task
    assert said[1] == sorted(said[1], key=lambda one: one[0])
    assert last in {None, said[1][-1]}
