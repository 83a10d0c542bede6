"""Random courses of arms, surfaces and the plant below a firmware: by how much their energy fails to balance, at worst.

    python -m tests.bench energy [--courses N] [--first SEED] [--jobs N]

Half of the courses are of surfaces with one to three actuators, a quarter each of free arms and of the plant.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Final

from tests.sim.mechanics.courses import COURSES

WORST: Final = 1e-6
MIX: Final = ("surface", "arm", "surface", "plant")


def errors(seeds: range) -> list[tuple[str, int, float, float]]:
    """Kind, seed, error and joules turned over of each course."""
    found = []
    for seed in seeds:
        kind = MIX[seed % len(MIX)]
        try:
            played = COURSES[kind](seed)
        except (ArithmeticError, AssertionError) as error:
            print(f"{kind} {seed}: {error!r}", file=sys.stderr, flush=True)
            found.append((kind, seed, math.inf, 0.0))
        else:
            found.append((kind, seed, played.error, played.books.turned))
    return found


def main(arguments: Sequence[str]) -> int:
    """Run the courses and print the table. Returns 1 where one of them is worse than 1e-6."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench energy", description=__doc__)
    parser.add_argument("--courses", type=int, default=10_000, metavar="N")
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--jobs", type=int, default=1, metavar="N")
    chosen = parser.parse_args(arguments)
    end = chosen.first + chosen.courses
    pieces = [range(at, min(end, at + 100)) for at in range(chosen.first, end, 100)]
    if chosen.jobs > 1:
        with ProcessPoolExecutor(chosen.jobs) as pool:
            rows = [row for piece in pool.map(errors, pieces) for row in piece]
    else:
        rows = [row for piece in pieces for row in errors(piece)]
    print(f"{len(rows)} random courses: energy in - (heat + more stored), over all that was turned over")
    print(f"{'of':10}{'courses':>9}{'joules':>12}{'worst error':>14}{'seed':>9}")
    for kind in COURSES:
        own = [row for row in rows if row[0] == kind]
        _, seed, error, _ = max(own, key=lambda row: row[2])
        print(f"{kind:10}{len(own):9}{sum(row[3] for row in own):12.0f}{error:14.1e}{seed:9}")
    worst = max(row[2] for row in rows)
    print(f"{'all':10}{len(rows):9}{sum(row[3] for row in rows):12.0f}{worst:14.1e}")
    return int(worst > WORST)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
