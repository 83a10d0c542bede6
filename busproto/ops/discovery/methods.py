"""Every way to find what is on the line, behind one interface: name, how it works, what it cannot do, the operation."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from busproto.ops.discovery import classic
from busproto.ops.discovery.search import Roster, find
from busproto.ops.steps import Steps


@dataclass(frozen=True, slots=True)
class Method:
    """One way to find all actuators.

    Attributes:
        name: as on the command line.
        text: how it works, in one line.
        cannot: what it cannot do; "" where it proves its result.
        run: the operation, given a source of random numbers and the line rate in bits per second.
    """

    name: str
    text: str
    cannot: str
    run: Callable[[random.Random, int], Steps[Roster]]


_ROWS: Final = (
    Method(
        "backoff",
        "each counts idle mini-slots and answers at zero; a member list proves that none is missing",
        "",
        lambda rng, _: find(rng=rng),
    ),
    Method("poll", "ask every address from 1 to 239", classic.POLL_CANNOT, classic.poll),
    Method(
        "tree-2",
        "ask for the uids that begin with a prefix; where several answer, ask for both longer ones",
        classic.TREE_CANNOT,
        classic.query_tree,
    ),
    Method(
        "tree-4",
        "the same with four branches at a time",
        classic.TREE_CANNOT,
        lambda rng, baud: classic.query_tree(rng, baud, 2),
    ),
    Method(
        "slots",
        "each answers in a slot of fixed length, drawn anew in each round",
        classic.SLOTS_CANNOT,
        classic.framed_slots,
    ),
    Method(
        "bits",
        "ask only whether any answers, one bit of the uid at a time",
        classic.BIT_CANNOT,
        classic.bit_search,
    ),
)
METHODS: Final[Mapping[str, Method]] = MappingProxyType({row.name: row for row in _ROWS})
"""All methods by name; the first is the one to use, the others are for teaching and comparison."""
