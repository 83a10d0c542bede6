"""Many searches on noisy buses, each with a seed of its own: how often is a list wrong, and how often wrong and sure?

``python -m tests.bench campaign --seeds 100000 --noise 1e-3 --state campaign.jsonl``

Runs on any `concurrent.futures.Executor`: processes by default; a distributed one plugs in (``--dask ADDRESS``, or
`run_campaign` with an executor of yours). Results are kept in the state file chunk by chunk, so an interrupted
campaign goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from busproto.ops.discovery import find
from busproto.ops.link import Link
from sim.line import LineKind
from tests.fleet import fleet

CHUNK: Final = 200
MAX_COUNT: Final = 16


@dataclass(frozen=True, slots=True)
class Plan:
    """What every seed of a campaign has in common; the number of actuators, 1..most, is drawn by the seed."""

    noise: float = 1e-3
    most: int = MAX_COUNT
    kind: str = LineKind.OPEN_DRAIN.value

    def key(self) -> str:
        """Tells results of one plan from those of another in one state file."""
        return json.dumps(asdict(self), sort_keys=True)


def one_session(plan: Plan, seed: int) -> Counter[str]:
    """One search; what came of it, as counts."""
    draw = random.Random(f"campaign {seed}")
    count = draw.randint(1, plan.most)
    bus = fleet(count, seed, noise=plan.noise, kind=LineKind(plan.kind), near_identical=draw.random() < 0.25)
    link = Link(bus.host)
    roster = link.run(find(rng=random.Random(seed)))
    is_right = {one.uid for one in roster.found} == {one.uid for one in bus.actuators}
    return Counter(
        sessions=1,
        actuators=count,
        proven=int(roster.proven),
        not_proven=int(not roster.proven),
        wrong=int(not is_right),
        wrong_and_sure=int(roster.proven and not is_right),
        passes=roster.passes,
        round_trips=link.exchanges,
    )


def one_chunk(plan: Plan, first: int, count: int) -> dict[str, int]:
    """The sessions of so many seeds, summed up."""
    total: Counter[str] = Counter()
    for seed in range(first, first + count):
        total += one_session(plan, seed)
    return dict(total)


def run_campaign(
    executor: Executor,
    plan: Plan,
    seeds: int,
    state: Path | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Counter[str]:
    """Run what is not in the state file yet; return the sum of all. Each finished chunk is in the file at once."""
    done = dict(_load(state, plan)) if state else {}
    chunks = [(first, min(CHUNK, seeds - first)) for first in range(0, seeds, CHUNK)]
    total: Counter[str] = Counter()
    finished = 0
    waiting: dict[Future[dict[str, int]], tuple[int, int]] = {}
    for chunk in chunks:
        if chunk in done:
            total += Counter(done[chunk])
            finished += chunk[1]
        else:
            waiting[executor.submit(one_chunk, plan, *chunk)] = chunk
    progress(finished, seeds)
    for future in as_completed(waiting):
        chunk = waiting[future]
        result = future.result()
        total += Counter(result)
        finished += chunk[1]
        if state is not None:
            _append(state, plan, chunk, result)
        progress(finished, seeds)
    return total


def _load(state: Path, plan: Plan) -> Iterable[tuple[tuple[int, int], dict[str, int]]]:
    """Chunks that are done; a line that was cut off by a crash is not one."""
    if not state.exists():
        return
    for line in state.read_text("utf-8").splitlines():
        try:
            row: dict[str, Any] = json.loads(line)
        except json.JSONDecodeError:
            continue
        if row["plan"] == plan.key():
            yield (row["first"], row["count"]), row["result"]


def _append(state: Path, plan: Plan, chunk: tuple[int, int], result: dict[str, int]) -> None:
    row = {"plan": plan.key(), "first": chunk[0], "count": chunk[1], "result": result}
    with state.open("a", encoding="utf-8") as out:
        out.write("\n" * (out.tell() > 0 and not _ends_with_newline(state)) + json.dumps(row) + "\n")
        out.flush()
        os.fsync(out.fileno())


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def report(plan: Plan, total: Counter[str]) -> str:
    """The result on a few lines."""
    sessions = total["sessions"]
    return (
        f"noise {plan.noise:g} per byte at each listener, 1..{plan.most} actuators, {plan.kind}: {sessions} sessions\n"
        f"  proven {total['proven']}, not proven {total['not_proven']}, wrong {total['wrong']}, "
        f"wrong and sure {total['wrong_and_sure']}\n"
        f"  mean {total['actuators'] / sessions:.2f} actuators, {total['passes'] / sessions:.2f} passes, "
        f"{total['round_trips'] / sessions:.2f} round trips"
    )


def main(arguments: list[str]) -> int:
    """Run the campaign that the command line describes; exit code 1 where a list was wrong and sure."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench campaign")
    parser.add_argument("--seeds", type=int, default=2000)
    parser.add_argument("--noise", type=float, default=1e-3)
    parser.add_argument("--most", type=int, default=MAX_COUNT, help="most actuators on a bus")
    parser.add_argument("--kind", choices=[kind.value for kind in LineKind], default=LineKind.OPEN_DRAIN.value)
    parser.add_argument("--state", type=Path, help="file that keeps finished chunks; the campaign goes on from it")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--dask", metavar="ADDRESS", help="run on the Dask cluster at this address")
    chosen = parser.parse_args(arguments)
    plan = Plan(chosen.noise, chosen.most, chosen.kind)
    told = -1

    def progress(done: int, of: int) -> None:
        nonlocal told
        if 20 * done // of != told:
            told = 20 * done // of
            print(f"{done} of {of}", file=sys.stderr, flush=True)

    if chosen.dask:
        from distributed import Client

        with Client(chosen.dask) as client:
            total = run_campaign(client.get_executor(), plan, chosen.seeds, chosen.state, progress)
    else:
        with ProcessPoolExecutor(chosen.workers) as executor:
            total = run_campaign(executor, plan, chosen.seeds, chosen.state, progress)
    print(report(plan, total))
    return int(total["wrong_and_sure"] > 0)
