"""A long random conversation with the actuator in Python and the firmware in C; `pair` tells what is compared.

``python -m tests.firmware.differential --steps N --seed S`` runs one; ``--library FILE`` puts another firmware into it.
A difference ends it, with the last steps.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable, Sequence

from busproto.sim.native.device_library import REFERENCE
from tests.firmware.pair import Difference, Pair
from tests.firmware.talk import Talk


def run(
    steps: int,
    seed: int,
    progress: Callable[[int, Pair], None] = lambda *_: None,
    library: str = REFERENCE,
) -> Pair:
    """A conversation of so many steps.

    Raises:
        Difference: both did not do the same.
    """
    rng = random.Random(f"talk {seed}")
    pair = Pair(seed, {"channel": 3, "loss-action": seed % 3}, library=library)
    for number, step in enumerate(Talk(rng, pair).steps(steps)):
        pair.take(step)
        progress(number, pair)
    return pair


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.firmware.differential", description=__doc__)
    parser.add_argument("--steps", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--library", default=REFERENCE, help="a shared library (default: what is shipped)")
    given = parser.parse_args(arguments)

    def progress(number: int, pair: Pair) -> None:
        if number % 5000 == 4999:
            seconds = pair.python.bus.kernel.now_ns / 1e9
            sys.stderr.write(f"{pair.steps} steps, {pair.replies} replies, {seconds:.0f} s of the bus\n")

    try:
        pair = run(given.steps, given.seed, progress, given.library)
    except Difference as difference:
        sys.stdout.write(f"{difference}\n")
        return 1
    sys.stdout.write(f"seed {given.seed}: {pair.steps} steps, {pair.replies} replies compared, no difference\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
