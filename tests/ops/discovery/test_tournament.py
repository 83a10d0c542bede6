"""The figures of the tournament that are promised: how fast, how efficient, and never wrong and sure.

All times are virtual: the same on every machine.
"""

from __future__ import annotations

import pytest

from busproto.ops.discovery.methods import METHODS
from tests.bench.discovery import Case, Score, play
from tests.ops.helpers import seeds

SEEDS = 8
CLASSIC = [name for name, method in METHODS.items() if method.cannot]

PINNED = {
    8: (25.423, 38.507),
    16: (43.765, 20.087),
    32: (84.794, 30.679),
}
"""Mean ms of search and proof over the seeds by number of actuators. They change only when the scheme does, or what the
virtual bus makes of it: whoever changes either puts the new ones here and says why. Eight take as long as sixteen, as
few show little of how well the line is heard: what is left of 55 ms goes into listening and more calls.
"""


def backoff(count: int) -> Score:
    return play("backoff", Case(count), SEEDS)


@pytest.mark.parametrize("count", PINNED)
def test_times_of_search_and_proof(count: int) -> None:
    score = backoff(count)
    assert (round(score.search_ms, 3), round(score.proof_ms, 3)) == PINNED[count]
    assert (score.found, score.proven, score.wrong) == (count, SEEDS, 0)


@pytest.mark.parametrize(("count", "efficiency"), [(16, 0.65), (32, 0.72)])
def test_efficiency_is_as_promised(count: int, efficiency: float) -> None:
    """Time of the uid answers alone over the time of the search, 115 200 Bd, the count not told."""
    assert backoff(count).efficiency >= efficiency


def test_sixteen_are_found_and_proven_within_65_ms() -> None:
    score = backoff(16)
    assert score.search_ms + score.proof_ms <= 65


@pytest.mark.parametrize("count", [8, 16, 32])
def test_six_round_trips_are_enough_on_average(count: int) -> None:
    assert backoff(count).trips <= 6


@pytest.mark.parametrize("count", [8, 16])
@pytest.mark.parametrize("name", CLASSIC)
def test_with_its_proof_it_takes_less_time_than_any_classic_method_without(name: str, count: int) -> None:
    some = 2 if name == "bits" else SEEDS
    best = play("backoff", Case(count), some)
    classic = play(name, Case(count), some)
    assert best.search_ms + best.proof_ms < classic.search_ms
    assert best.trips < classic.trips
    assert best.efficiency > classic.efficiency
    assert best.proven == some
    assert classic.proven == 0


@pytest.mark.parametrize("count", [8, 16])
def test_never_wrong_and_sure_under_noise(count: int) -> None:
    many = len(seeds(40))
    score = play("backoff", Case(count, noise=1e-3), many)
    assert score.sure == 0
    assert score.found == count
    assert score.proven >= 0.6 * many  # a third of the searches met with a byte that no actuator had said


def test_latecomers_are_found_or_the_list_is_not_proven() -> None:
    score = play("backoff", Case(8, late=2), SEEDS)
    assert score.sure == 0


def test_near_identical_uids_make_no_difference_to_it_but_to_trees() -> None:
    alike, random_ones = play("backoff", Case(8, near_identical=True), SEEDS), backoff(8)
    assert alike.proven == SEEDS
    assert alike.search_ms < 1.25 * random_ones.search_ms
    assert play("tree-2", Case(8, near_identical=True), 2).search_ms > 3 * play("tree-2", Case(8), 2).search_ms
