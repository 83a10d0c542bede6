"""Drawing mutants evenly over places, and keeping what came of each."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import random
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, TextIO, TypeVar

from scipy.stats import binomtest

from tests.mutation.operators import Mutant

CONFIDENCE: Final = 0.95
P = TypeVar("P", bound=tuple[Any, ...])
S = TypeVar("S")
T = TypeVar("T")
V = TypeVar("V")


def drawn(
    places: Mapping[P, Sequence[S]], count: int, draw: random.Random, made: Callable[[P, S], T | None]
) -> list[T]:
    """So many mutants, one a place, evenly over the places; the first of more are the same.

    Args:
        places: what can be made of each place.
        count: of mutants.
        draw: what is drawn from.
        made: makes a mutant; None where that cannot be.
    """
    order = sorted(places)
    draw.shuffle(order)
    found: list[T] = []
    for place in order:
        if len(found) == count:
            break
        row = list(places[place])
        draw.shuffle(row)
        one = next((one for slip in row if (one := made(place, slip)) is not None), None)
        if one is not None:
            found.append(one)
    return found


def key(mutant: Mutant) -> str:
    """Tells a mutant from all others, of other versions of its file too; a change of the tests is no reason to judge
    it again (take the state file away for that)."""
    return hashlib.sha256(f"{mutant.path}\0{mutant.source}".encode()).hexdigest()


def kept(path: Path, kind: Callable[..., V]) -> dict[str, V]:
    """The verdicts of an earlier run, by key; a last line that was torn is left out."""
    found: dict[str, V] = {}
    for line in path.read_text("utf-8").splitlines() if path.exists() else []:
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        name = row.pop("key")
        found[name] = kind(**row)
    return found


def keep(state: TextIO, mutant: Mutant, verdict: Any) -> None:
    """Add a verdict, a dataclass, to what `kept` reads."""
    state.write(json.dumps({"key": key(mutant), **dataclasses.asdict(verdict)}) + "\n")
    state.flush()


def interval(hits: int, of: int) -> tuple[float, float]:
    """Where the share lies: that of Clopper and Pearson (Biometrika 26, 1934, from memory), as scipy computes it."""
    bounds = binomtest(hits, of).proportion_ci(CONFIDENCE, method="exact")
    return float(bounds.low), float(bounds.high)
