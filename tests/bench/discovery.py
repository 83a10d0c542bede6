"""Tournament of the ways to find every actuator: the same buses for all, in virtual time, so the figures are facts.

Efficiency is the time of the n uid answers alone over the time of the search; the proof's time stands in its own
column. "wrong" counts lists that are not exactly who is there; "sure" those among them that claim to be proven.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from busproto.ops.discovery.methods import METHODS
from busproto.ops.link import Link
from busproto.ops.transact import PRESENT_BYTES
from busproto.sim.line.hearing import LineKind
from busproto.wire.frame import DEFAULT_BAUD
from tests.fleet import fleet

COUNTS: Final = (1, 2, 4, 8, 16, 32, 128, 239)
NOISES: Final = (0.0, 1e-4, 1e-3)
SLOW: Final = {"bits": 32}
"""Methods that take too many queries beyond so many actuators to be worth the wait."""
LATE_NS: Final = 20_000_000


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of bus."""

    count: int
    kind: LineKind = LineKind.OPEN_DRAIN
    noise: float = 0.0
    near_identical: bool = False
    late: int = 0

    def text(self) -> str:
        """The case in words."""
        parts = [f"n = {self.count}", self.kind.value]
        parts += [f"noise {self.noise:g}"] * bool(self.noise)
        parts += ["near-identical uids"] * self.near_identical
        parts += [f"{self.late} late"] * bool(self.late)
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Score:
    """What one method did in one case, as means over the seeds."""

    method: str
    search_ms: float
    proof_ms: float
    trips: float
    efficiency: float
    found: float
    proven: int
    wrong: int
    sure: int
    seeds: int


def play(method: str, case: Case, seeds: int) -> Score:
    """One method on the buses of these seeds."""
    search = proof = trips = efficiency = found = 0.0
    proven = wrong = sure = 0
    for seed in range(seeds):
        bus = fleet(case.count, seed, kind=case.kind, noise=case.noise, near_identical=case.near_identical)
        for actuator in bus.actuators[: case.late]:
            actuator.power_off()
            bus.kernel.at(LATE_NS, actuator.power_on)
        link = Link(bus.host)
        roster = link.run(METHODS[method].run(random.Random(seed), DEFAULT_BAUD))
        search += roster.searching_ns / 1e6
        proof += roster.proving_ns / 1e6
        trips += link.exchanges
        answers_ns = len(roster.found) * PRESENT_BYTES * 10 * 1_000_000_000 / DEFAULT_BAUD
        efficiency += answers_ns / roster.searching_ns
        found += len(roster.found)
        is_right = {one.uid for one in roster.found} == {one.uid for one in bus.actuators if one.is_powered}
        proven += roster.proven
        wrong += not is_right
        sure += roster.proven and not is_right
    return Score(
        method,
        search / seeds,
        proof / seeds,
        trips / seeds,
        efficiency / seeds,
        found / seeds,
        proven,
        wrong,
        sure,
        seeds,
    )


def cases() -> Iterator[tuple[Case, int]]:
    """Every case and its share of the seeds."""
    for count in COUNTS:
        for noise in NOISES:
            yield Case(count, noise=noise), 1 if count > 32 else 4
    for count in (8, 32):
        yield Case(count, kind=LineKind.DIFFERENTIAL), 4
        yield Case(count, near_identical=True), 4
        yield Case(count, late=2), 4


def run(rounds: int) -> None:
    """Print the table and, where matplotlib is there, write the plot. `rounds` is the number of seeds for n > 32."""
    plotted: dict[str, list[tuple[int, float]]] = {}
    for case, share in cases():
        seeds = rounds * share
        print(f"\n{case.text()}; {seeds} seeds")
        heads = ("found", "search ms", "proof ms", "trips", "effic.", "proven", "wrong", "sure")
        print(f"  {'':10}" + "".join(f"{head:>10}" for head in heads))
        for name in METHODS:
            if case.count > SLOW.get(name, case.count):
                continue
            score = play(name, case, seeds)
            print(
                f"  {name:10}{score.found:10.1f}{score.search_ms:10.1f}{score.proof_ms:10.1f}{score.trips:10.1f}"
                f"{score.efficiency:10.3f}{score.proven:10d}{score.wrong:10d}{score.sure:10d}",
                flush=True,
            )
            if case == Case(case.count) and score.wrong == 0:
                plotted.setdefault(name, []).append((case.count, score.search_ms + score.proof_ms))
    plot(plotted, Path("discovery.svg"))


def plot(lines: dict[str, list[tuple[int, float]]], path: Path) -> None:
    """Time until every actuator is found (and proven, for backoff) against how many there are."""
    try:
        import matplotlib as mpl
    except ImportError:
        print("\nno plot: pip install -e '.[bench]' brings what draws it")
        return
    mpl.use("svg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(7, 5))
    for name, points in lines.items():
        axes.plot(*zip(*points, strict=True), marker="o", label=name)
    axes.set(xscale="log", yscale="log", xlabel="actuators", ylabel="ms on the line at 115 200 Bd")
    axes.legend()
    axes.grid(visible=True, which="both", alpha=0.3)
    figure.savefig(path)
    print(f"\nplot: {path}")
