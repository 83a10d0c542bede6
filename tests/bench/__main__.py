"""`python -m tests.bench NAME [--rounds N]`; `list` names what there is."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import Final

from tests.bench import campaign, capture, codec, discovery, energy, simulator, startup

BENCHES: Final[dict[str, tuple[str, int, Callable[[int], None]]]] = {
    "capture": ("a million frames: many at once, one by one, tshark with our dissector", 3, capture.run),
    "codec": ("one frame: the generated codec against construct, struct by hand and Modbus RTU", 100, codec.run),
    "discovery": ("every way to find who is there, on the same buses, in virtual time", 5, discovery.run),
    "sim": ("simulated seconds per second, and the fast path against the bit-level one", 5, simulator.run),
    "startup": ("the command line against a Python that does nothing", 15, startup.run),
}
"""Name: what it compares, how many rounds unless told, the function."""


def main() -> None:
    """Run the benchmark that the command line names."""
    if sys.argv[1:2] == ["campaign"]:
        sys.exit(campaign.main(sys.argv[2:]))
    if sys.argv[1:2] == ["energy"]:
        sys.exit(energy.main(sys.argv[2:]))
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Run one benchmark.")
    parser.add_argument("name", choices=[*BENCHES, "list"])
    parser.add_argument("--rounds", type=int, metavar="N", help="interleaved rounds; the best one counts")
    chosen = parser.parse_args()
    if chosen.name == "list":
        for name, (text, _, _) in BENCHES.items():
            print(f"{name:10}{text}")
        print(f"{'campaign':10}many noisy searches: is any list wrong and sure? (options of its own: --help)")
        print(f"{'energy':10}many random courses: does the simulator owe or make any energy? (--help)")
        return
    _, usual, run = BENCHES[chosen.name]
    run(chosen.rounds or usual)


if __name__ == "__main__":
    main()
