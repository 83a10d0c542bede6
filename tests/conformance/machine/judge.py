"""Judging a mutant: does it compile, is its object code the same, does the suite notice it, does anything notice it?"""

from __future__ import annotations

import shutil
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.conformance.machine import beside, child
from tests.conformance.machine.faults import QUICK, THOROUGH, Compared, Texts, built
from tests.mutation.operators import Mutant

REFUSED, SAME, CAUGHT, HUNG, CRASHED, SURVIVED = (
    "did not compile",
    "equivalent by compiler",
    "caught",
    "hung",
    "crashed",
    "survived",
)
KILLS: Final = (CAUGHT, HUNG, CRASHED)
LEAST_S: Final = 10.0
SLOWER: Final = 20.0
"""A case may compute for this long, or so many times its usual; beyond that the mutant hangs."""
WHOLE_S: Final = 3600.0
BESIDE_S: Final = 3600.0
"""The suite, and the conversations, may take this long by the clock, whatever else the machine does."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of a mutant.

    Attributes:
        name: of the mutant.
        what: kind of slip.
        outcome: one of the six above.
        by: the case that noticed it, or in which it hung or crashed; "" where none did.
        clauses: those that this case cites.
        took_s: seconds, the conversations aside.
        steps: of the conversations with a survivor, each; 0 for none.
        difference: the first one from the actuator in Python, in conversations; "" for none.
    """

    name: str
    what: str
    outcome: str
    by: str = ""
    clauses: tuple[str, ...] = ()
    took_s: float = 0.0
    steps: int = 0
    difference: str = ""

    @classmethod
    def kept(cls, **row: Any) -> Verdict:
        """One that was kept as JSON, which has no tuples."""
        return cls(**{**row, "clauses": tuple(row["clauses"])})

    @property
    def is_killed(self) -> bool:
        """Whether the suite noticed it."""
        return self.outcome in KILLS


@dataclass
class Usual:
    """What the suite does with the firmware as it is, and which cases have told most so far.

    Attributes:
        took_s: for how long each case computes, seconds.
        told: how many mutants each case noticed first.
    """

    took_s: Mapping[str, float]
    told: Counter[str]

    @classmethod
    def measured(cls, texts: Texts) -> Usual:
        """Run the suite against the firmware, built as the mutants are. Raises RuntimeError: it does not pass."""
        with tempfile.TemporaryDirectory(prefix="mutants-") as directory:
            library = built(texts.by_name, Path(directory))
            came = child.in_process(child.suite, Path(directory) / "notes", WHOLE_S, f"{library}", [], {}, WHOLE_S)
        took_s = {row["ended"]: row["took_s"] for row in came.notes if "ended" in row}
        if came.code != child.PASSED or not took_s:
            at = [row["case"] for row in came.notes if "case" in row][-1:]
            raise RuntimeError(f"the firmware itself does not pass (ended with {came.code}; {at or 'no case was run'})")
        return cls(took_s, Counter())

    def order(self) -> list[str]:
        """The cases, those first that tell most for their time; those that told nothing yet, the quickest first."""
        return sorted(self.took_s, key=lambda one: (-self.told[one] / (self.took_s[one] + 0.05), self.took_s[one]))

    def bounds_s(self) -> dict[str, float]:
        """How long each may take."""
        return {name: max(LEAST_S, SLOWER * took_s) for name, took_s in self.took_s.items()}


def judged(
    texts: Texts, mutants: Iterable[Mutant], usual: Usual, *, jobs: int, steps: int, seed: int
) -> Iterator[tuple[Mutant, Verdict]]:
    """The verdicts, as they come."""
    compared = Compared(texts)
    with ThreadPoolExecutor(jobs) as pool:
        waiting = {pool.submit(judge, texts, one, usual, compared, steps=steps, seed=seed): one for one in mutants}
        try:
            for done in as_completed(waiting):
                verdict = done.result()
                if verdict.is_killed:
                    usual.told[verdict.by] += 1
                yield waiting[done], verdict
        finally:
            for later in waiting:
                later.cancel()


def judge(texts: Texts, mutant: Mutant, usual: Usual, compared: Compared, *, steps: int, seed: int) -> Verdict:
    """All that is done with one mutant."""
    begun = time.monotonic()
    place = Path(tempfile.mkdtemp(prefix="mutants-"))
    try:
        mutated = texts.with_mutant(mutant)
        library = built(mutated, place)
        if library is None:
            return Verdict(mutant.name, mutant.what, REFUSED)
        if compared.is_same(mutated, QUICK):
            return Verdict(mutant.name, mutant.what, SAME)
        bounds_s = usual.bounds_s()
        suite = (f"{library}", usual.order(), bounds_s, LEAST_S)
        came = child.in_process(child.suite, place / "notes", WHOLE_S, *suite)
        at = [row for row in came.notes if "case" in row][-1:]
        if not at:  # the mutant is loaded by the first case: whatever this is, it did not do it
            raise RuntimeError(f"the suite could not be run for '{mutant.name}' (ended with {came.code})")
        by, clauses = at[0]["case"], tuple(at[0]["clauses"])
        took_s = round(time.monotonic() - begun, 1)
        if came.code == child.PASSED and compared.is_same(mutated, THOROUGH):
            return Verdict(mutant.name, mutant.what, SAME)
        if came.code == child.PASSED:
            return _beside(mutant, f"{library}", place, took_s, steps, seed)
        return Verdict(mutant.name, mutant.what, outcome_of(came.code), by, clauses, took_s)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def outcome_of(code: int) -> str:
    """What the end of the process says of the mutant in it; a run that breaks off in a case has failed there."""
    if code < 0:
        return HUNG if code == -signal.SIGVTALRM else CRASHED
    return SURVIVED if code == child.PASSED else CAUGHT


def _beside(mutant: Mutant, library: str, place: Path, took_s: float, steps: int, seed: int) -> Verdict:
    """The verdict of a survivor, with what it does in conversations."""
    difference = ""
    if steps:
        came = child.in_process(beside.conversation, place / "talk", BESIDE_S, library, steps, seed)
        told = {name: said for row in came.notes for name, said in row.items()}
        broke = f"the conversation ended with {came.code}" if came.code else ""
        difference = told.get("difference", broke)
    return Verdict(mutant.name, mutant.what, SURVIVED, took_s=took_s, steps=steps, difference=difference)
