"""Exact expectations of theory for a search, with the source of each formula. Nothing here uses the bus."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from functools import cache


@cache
def tree_mean(count: int) -> Fraction:
    """Mean number of queries of a binary tree search among `count` actuators with random uids.

    One query for the node itself; where two or more are below it, both halves, of which each is a tree again over a
    part that falls as coins do: L(n) = 1 + 2 x sum over k of C(n, k) / 2^n x L(k), L(0) = L(1) = 1, solved for L(n).
    Source: Capetanakis, IEEE Transactions on Information Theory 25 (1979), and Massey (1981); both from memory.
    """
    if count <= 1:
        return Fraction(1)
    below = sum((Fraction(math.comb(count, k), 2**count) * tree_mean(k) for k in range(count)), Fraction(0))
    return (1 + 2 * below) / (1 - Fraction(2, 2**count))


def tree_queries(collisions: int) -> int:
    """Queries of a binary tree search in which `collisions` queries collided: the first one, and two for each
    collision."""
    return 1 + 2 * collisions


def tree_exact(uids: Sequence[bytes]) -> int:
    """Queries of a binary tree search among exactly these uids: two for each prefix that several share, and
    one."""
    numbers = [int.from_bytes(uid, "big") for uid in uids]
    shared = 0
    for depth in range(8 * len(uids[0]) if uids else 0):
        prefixes = Counter(number >> (8 * len(uids[0]) - depth) for number in numbers)
        shared += sum(count > 1 for count in prefixes.values())
    return tree_queries(shared)


def alone_mean(count: int, slots: int) -> float:
    """Mean number of `count` actuators that are alone in their slot, where each draws one of `slots`.

    n x (1 - 1/N)^(n - 1). Source: framed slotted ALOHA, Schoute (1983), from memory.
    """
    return count * (1 - 1 / slots) ** (count - 1)
