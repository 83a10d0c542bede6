"""Many searches in trouble, each with a seed of its own: is any list wrong and all the same called proven?

``python -m tests.bench campaign --kinds all --seeds 200000 --state campaign.jsonl``

This is deterministic simulation testing: bus, faults and search are one program under a virtual clock, each search is
drawn from one number, and one that fails is repeated with ``--seed N``, which says what was drawn and what came of it.
The faults are drawn as a swarm, see `tests.bench.troubles`.

What counts. A list that is called proven is *wrong* where

- an actuator is missing that has power at the end, had it for most of the search or has spoken since it came, and put
  at least one whole byte on the line in the search that no other actuator talked over, or spoke at least twice. Such a
  byte is a sign that the host can have, whatever it was made of; one collision says nothing of who was in it;
- one is listed that was without power all through the time within which the list says that each one answered
  (`Roster.answered_within_ns`), or at another address, or that was never there;
- two actuators stand there as one, and at least twice both answered a request apart and in the clear: once, a byte that
  was hit by noise looks the same.

What does not count, but is printed as *unseen*: a proven list in which an actuator is missing that gave no such sign.
It heard none of the requests, or said nothing in all that time: what the host hears is then the same as without it, so
no rule of a host can tell. A search that ends in an error of the program is a failure too.

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
import traceback
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from busproto.ops.discovery.roster import Roster
from busproto.ops.discovery.search import PATIENCE_NS, find
from busproto.ops.link import Link
from busproto.sim.line.hearing import Transmission
from tests.bench.drawn import MS, Drawn, Watched
from tests.bench.troubles import KINDS, swarm

CHUNK: Final = 200
MAX_COUNT: Final = 16
ALL: Final = "all"
OVERALL: Final = "all together"
FIELDS: Final = ("searches", "proven", "not_proven", "wrong", "wrong_and_proven", "unseen", "crashed")
SAME_MOMENT_NS: Final = 30_000
"""Twins that begin within this, the start jitter, may look like one."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What every seed of a campaign has in common.

    Attributes:
        kinds: of trouble, drawn from.
        most: actuators on a bus.
        patience_ms: for how long the search goes on though nothing is odd (`find`); the commands do for 250 ms.
    """

    kinds: tuple[str, ...] = (ALL,)
    most: int = MAX_COUNT
    patience_ms: int = PATIENCE_NS // MS

    def key(self) -> str:
        """Tells results of one plan from those of another in one state file."""
        return json.dumps({name: value for name, value in asdict(self).items() if value}, sort_keys=True)

    @property
    def names(self) -> list[str]:
        """The kinds by name."""
        return list(KINDS) if ALL in self.kinds else list(self.kinds)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One search and what came of it.

    Attributes:
        drawn: the bus and its trouble.
        kinds: of the trouble.
        roster: what the search says.
        wrong: what is wrong with the list, in words; empty where it is right.
        unseen: actuators that are missing, but gave no sign.
    """

    drawn: Drawn
    kinds: tuple[str, ...]
    roster: Roster
    wrong: tuple[str, ...]
    unseen: tuple[Watched, ...]

    @property
    def bus_ns(self) -> int:
        """How long it took."""
        return self.roster.searching_ns + self.roster.proving_ns


def search(plan: Plan, seed: int) -> Outcome:
    """The search of a seed."""
    drawn = Drawn(seed, plan.most)
    kinds = tuple(swarm(drawn, plan.names))
    record: list[Transmission] = []
    drawn.bus.line.record = record
    drawn.bus.kernel.run_until(0)  # what is so from the beginning
    roster = Link(drawn.bus.host).run(find(rng=random.Random(seed), patience_ns=plan.patience_ms * MS))
    wrong, unseen = judge(drawn, record, roster)
    return Outcome(drawn, kinds, roster, wrong, unseen)


def judge(drawn: Drawn, record: list[Transmission], roster: Roster) -> tuple[tuple[str, ...], tuple[Watched, ...]]:
    """What is wrong with a list, and who is missing that gave no sign; see the module."""
    end_ns = drawn.bus.kernel.now_ns
    since_ns = end_ns - roster.answered_within_ns
    wrong: list[str] = []
    unseen: list[Watched] = []
    listed = {one.uid: one.address for one in roster.found}
    if roster.proven and not listed:
        wrong.append("an empty list")
    for uid, address in listed.items():
        those = [one for one in drawn.actuators if one.uid == uid]
        if not those:
            wrong.append(f"{uid.hex()} was never there")
        elif not any(until > since_ns for one in those for _, until in one.spans(end_ns + 1)):
            wrong.append(f"{those[0].label} had no power any more")
        elif all(one.address != address for one in those):
            wrong.append(f"{those[0].label} is at {those[0].address}, not {address}")
        if len(those) > 1 and all(one.is_powered for one in those):
            if _at_the_same_moment(those, record):
                unseen.append(those[1])
            else:
                wrong.append(f"{len(those)} stand in the list as one")
    for one in drawn.actuators:
        if one.is_powered and one.uid not in listed:
            if is_owed(one, record, end_ns):
                wrong.append(f"{one.label} ({one.uid.hex()}) is missing")
            else:
                unseen.append(one)
    return tuple(wrong), tuple(unseen)


def is_owed(one: Watched, record: list[Transmission], end_ns: int) -> bool:
    """Whether it gave a sign, and was there long enough for it to count."""
    spans = list(one.spans(end_ns))
    # what was not over as the search ended, was heard by no host
    said = [sent for sent in record if sent.sender is one and sent.data and sent.end_ns <= end_ns]
    signs = said if len(said) > 1 else [sent for sent in said if not _is_drowned(sent, record)]
    was_on_ns = sum(until - since for since, until in spans)
    return any(sent.start_ns >= spans[-1][0] for sent in signs) or (bool(signs) and 2 * was_on_ns > end_ns)


def _is_drowned(sent: Transmission, record: list[Transmission]) -> bool:
    """Whether another actuator talked over it."""
    return any(
        isinstance(other.sender, Watched)
        and other.sender is not sent.sender
        and other.start_ns < sent.end_ns
        and sent.start_ns < other.end_ns
        for other in record
    )


def _at_the_same_moment(those: list[Watched], record: list[Transmission]) -> bool:
    """Whether they answered together, or only one of them did, all but once."""
    said: list[tuple[object, int]] = []
    apart = 0
    for sent in record:
        if sent.sender not in those:
            if not isinstance(sent.sender, Watched):
                said.clear()
            continue
        if any(sender is not sent.sender and sent.start_ns - at_ns >= SAME_MOMENT_NS for sender, at_ns in said):
            apart += not _is_drowned(sent, record)
            said.clear()
            continue
        said.append((sent.sender, sent.start_ns))
    return apart < 2


def one_session(plan: Plan, seed: int) -> Counter[str]:
    """One search; what came of it, as counts by kind."""
    try:
        outcome = search(plan, seed)
    except Exception:
        return Counter({f"{OVERALL}|searches": 1, f"{OVERALL}|crashed": 1, f"failed|{seed}": 1})
    proven, is_wrong = outcome.roster.proven, bool(outcome.wrong)
    counts = {
        "searches": 1,
        "proven": int(proven),
        "not_proven": int(not proven),
        "wrong": int(is_wrong),
        "wrong_and_proven": int(proven and is_wrong),
        "unseen": int(proven and bool(outcome.unseen)),
        "bus_us": outcome.bus_ns // 1000,
    }
    total = Counter({f"{kind}|{name}": count for kind in (*outcome.kinds, OVERALL) for name, count in counts.items()})
    if proven and is_wrong:
        total[f"failed|{seed}"] = 1
    return total


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
    first_seed: int = 0,
) -> Counter[str]:
    """Run what is not in the state file yet; return the sum of all. Each finished chunk is in the file at once."""
    done = dict(_load(state, plan)) if state else {}
    end = first_seed + seeds
    chunks = [(first, min(CHUNK, end - first)) for first in range(first_seed, end, CHUNK)]
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


def report(total: Counter[str]) -> str:
    """The result as a table by kind; a search of several kinds counts for each."""
    kinds = [kind for kind in (*KINDS, OVERALL) if total[f"{kind}|searches"]]
    lines = [f"{'kind':20}" + "".join(f"{name.replace('_', ' '):>18}" for name in FIELDS) + f"{'mean ms':>10}"]
    for kind in kinds:
        counts = [total[f"{kind}|{name}"] for name in FIELDS]
        mean_ms = total[f"{kind}|bus_us"] / 1000 / counts[0]
        lines.append(f"{kind:20}" + "".join(f"{count:18}" for count in counts) + f"{mean_ms:10.1f}")
    failed = failing_seeds(total)
    if failed:
        lines.append(f"failed, each to be repeated with --seed: {', '.join(map(str, failed[:50]))}")
    return "\n".join(lines)


def failing_seeds(total: Counter[str]) -> list[int]:
    """Seeds of the searches that were wrong and proven, or ended in an error."""
    return sorted(int(key.removeprefix("failed|")) for key in total if key.startswith("failed|"))


def explain(plan: Plan, seed: int) -> str:
    """What was drawn for a seed, and what came of it."""
    try:
        outcome = search(plan, seed)
    except Exception:
        return traceback.format_exc()
    roster = outcome.roster
    lines = [f"seed {seed}", *outcome.drawn.said, roster.summary]
    lines += [
        f"on the line: {one.label} {one.uid.hex()} at {one.address}, {_power(one)}" for one in outcome.drawn.actuators
    ]
    lines += [f"listed: {one.uid.hex()} at {one.address}" for one in roster.found]
    lines += [f"gone: {uid.hex()}" for uid in roster.gone]
    lines.append(
        f"{roster.calls} roll calls, {roster.passes} passes, {roster.doubts} doubts, {outcome.bus_ns / 1e6:.1f} ms"
    )
    lines += [f"WRONG{' AND PROVEN' if roster.proven else ''}: {text}" for text in outcome.wrong]
    lines += [f"gave no sign: {one.label}" for one in outcome.unseen]
    return "\n".join(lines)


def _power(one: Watched) -> str:
    return "with power" if one.is_powered else "without power"


def main(arguments: list[str]) -> int:
    """Run the campaign that the command line describes; exit code 1 where a list was wrong and proven."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench campaign")
    parser.add_argument("--kinds", default=ALL, help=f"all, or some of them with commas between: {', '.join(KINDS)}")
    parser.add_argument("--seeds", type=int, default=2000, help="how many searches")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--seed", type=int, help="do this one search and say what was drawn and what came of it")
    parser.add_argument("--most", type=int, default=MAX_COUNT, help="most actuators on a bus")
    parser.add_argument(
        "--patience-ms",
        type=int,
        default=Plan().patience_ms,
        help="go on for so long though nothing is odd (default: %(default)s, as the commands do)",
    )
    parser.add_argument("--state", type=Path, help="file that keeps finished chunks; the campaign goes on from it")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--dask", metavar="ADDRESS", help="run on the Dask cluster at this address")
    chosen = parser.parse_args(arguments)
    plan = Plan(tuple(chosen.kinds.split(",")), chosen.most, chosen.patience_ms)
    unknown = [name for name in plan.kinds if name not in {*KINDS, ALL}]
    if unknown:
        parser.error(f"no such kind: {', '.join(unknown)}")
    if chosen.seed is not None:
        print(explain(plan, chosen.seed))
        return int(bool(failing_seeds(one_session(plan, chosen.seed))))
    told = -1

    def progress(done: int, of: int) -> None:
        nonlocal told
        if 20 * done // of != told:
            told = 20 * done // of
            print(f"{done} of {of}", file=sys.stderr, flush=True)

    if chosen.dask:
        from distributed import Client

        with Client(chosen.dask) as client:
            total = run_campaign(client.get_executor(), plan, chosen.seeds, chosen.state, progress, chosen.first_seed)
    else:
        with ProcessPoolExecutor(chosen.workers) as executor:
            total = run_campaign(executor, plan, chosen.seeds, chosen.state, progress, chosen.first_seed)
    print(report(total))
    return int(bool(failing_seeds(total)))
