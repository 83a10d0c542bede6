"""What theory expects, against published values and against counting."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from busproto.lessons.theory import alone_mean, tree_exact, tree_mean, tree_queries


@pytest.mark.parametrize(
    ("count", "expected"),
    [(0, "1"), (1, "1"), (2, "5"), (3, "23/3"), (4, "221/21"), (5, "1409/105")],
)
def test_mean_queries_of_a_random_binary_tree(count: int, expected: str) -> None:
    """Capetanakis, IEEE IT-25 (1979); Massey (1981); both from memory."""
    assert tree_mean(count) == Fraction(expected)


def test_a_large_tree_takes_nearly_three_queries_for_each() -> None:
    """2/ln 2 for each (as above, from memory)."""
    assert float(tree_mean(32) + 1) / 32 == pytest.approx(2 / math.log(2), abs=1e-4)


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [([], 1), ([5], 1), ([1, 128], 3), ([1, 2], 15), ([254, 255], 17), (range(1, 9), 23), (range(256), 511)],
)
def test_queries_among_given_uids(numbers: list[int], expected: int) -> None:
    """Calculated from the stated definition: 1 + 2 x (prefixes that two or more share), over eight bits."""
    assert tree_exact([bytes([number]) for number in numbers]) == expected


def test_queries_follow_from_collisions() -> None:
    assert [tree_queries(collisions) for collisions in (0, 1, 4)] == [1, 3, 9]


@pytest.mark.parametrize(("count", "slots", "expected"), [(8, 8, 3.14157), (16, 16, 6.07700), (1, 5, 1.0), (2, 2, 1.0)])
def test_mean_number_alone_in_a_slot(count: int, slots: int, expected: float) -> None:
    """n (1 - 1/N)^(n-1), Schoute 1983, from memory; the last two by counting."""
    assert alone_mean(count, slots) == pytest.approx(expected, abs=1e-5)
