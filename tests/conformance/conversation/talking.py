"""How many seeded faults random conversations find: ``python -m tests.conformance.conversation.talking [NUMBER...]``.

Builds the reference firmware with each seeded fault and has conversations of the default length with it, by as many
seeds as asked for. Prints for each fault how often it was found, and what the first difference was.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from busproto.conformance.conversation.draw import MIXES
from busproto.conformance.conversation.run import Talks
from busproto.conformance.conversation.talk import Difference
from busproto.conformance.targets import InProcess
from tests.conformance.mutants import build
from tests.conformance.seeded import FAULTS

STEPS = 2400
"""Those of `pytest --dut` in process."""


def found_in(library: Path, seed: int, steps: int = STEPS) -> str | None:
    """The first difference that conversations with a firmware show; None for none."""
    try:
        talks = Talks(InProcess(str(library), seed), seed, repeated_steps=0)
        for mix in MIXES:
            talks.run(mix, steps // len(MIXES))
    except Difference as difference:
        return difference.findings[0].what
    except AssertionError as error:  # it does not even describe itself
        return f"before any conversation: {error}"
    return None


def examine(directory: Path, seeds: int, steps: int, number: int) -> tuple[int, list[str | None]]:
    """What each seed finds in the firmware with one fault."""
    library = directory / f"mutant-{number}" / "mutant.so"
    if not library.is_file():
        library = build(number, directory)
    return number, [found_in(library, seed, steps) for seed in range(1, seeds + 1)]


def main(arguments: Sequence[str] | None = None) -> int:
    """See the module."""
    parser = argparse.ArgumentParser(prog="python -m tests.conformance.conversation.talking", description=__doc__)
    parser.add_argument("number", nargs="*", type=int, help="only these (default: all)")
    parser.add_argument("--seeds", type=int, default=1, help="how many (default: 1)")
    parser.add_argument("--steps", type=int, default=STEPS, help=f"of each seed (default: {STEPS})")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="a directory for what is built, to be used again")
    given = parser.parse_args(arguments)
    chosen = [fault for fault in FAULTS if not given.number or fault.number in given.number]
    by_number = {fault.number: fault for fault in chosen}
    found = 0
    with tempfile.TemporaryDirectory(prefix="busproto-talking-") as temporary:
        directory = given.keep or Path(temporary)
        directory.mkdir(exist_ok=True)
        with ProcessPoolExecutor(given.jobs) as pool:
            for number, results in pool.map(partial(examine, directory, given.seeds, given.steps), by_number):
                hits = [one for one in results if one is not None]
                found += len(hits)
                sign = " " if len(hits) == len(results) else "!"
                first = hits[0].splitlines()[0][:90] if hits else ""
                what = by_number[number].what
                sys.stdout.write(f"{sign} {number:3d} {len(hits)}/{len(results)} {what:<60.60} {first}\n")
                sys.stdout.flush()
    sys.stdout.write(f"{found} of {len(chosen) * given.seeds} found\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
