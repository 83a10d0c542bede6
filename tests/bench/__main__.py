"""`python -m tests.bench NAME [--rounds N]`; `list` names what there is."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Final

from tests.bench import codec, startup

BENCHES: Final[dict[str, tuple[str, int, Callable[[int], None]]]] = {
    "codec": ("one frame: the generated codec against construct, struct by hand and Modbus RTU", 100, codec.run),
    "startup": ("the command line against a Python that does nothing", 15, startup.run),
}
"""Name: what it compares, how many rounds unless told, the function."""


def main() -> None:
    """Run the benchmark that the command line names."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Run one benchmark.")
    parser.add_argument("name", choices=[*BENCHES, "list"])
    parser.add_argument("--rounds", type=int, metavar="N", help="interleaved rounds; the best one counts")
    chosen = parser.parse_args()
    if chosen.name == "list":
        for name, (text, _, _) in BENCHES.items():
            print(f"{name:10}{text}")
        return
    _, usual, run = BENCHES[chosen.name]
    run(chosen.rounds or usual)


if __name__ == "__main__":
    main()
