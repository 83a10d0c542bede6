"""What a run has shown: the share that was killed, and every survivor with its place, the slip, and why where it is
known."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.mutation.draw import CONFIDENCE, interval
from tests.mutation.grounds import HOST
from tests.mutation.judge import TIMED_OUT, UNREACHED, Verdict

KNOWN_FILE: Final = Path(__file__).with_name(HOST.survivors)


@dataclass(frozen=True, slots=True)
class Known:
    """A survivor that was looked at.

    Attributes:
        is_equivalent: no observable result is different; then it does not count.
        reason: why it survives.
    """

    is_equivalent: bool
    reason: str


def known(path: Path = KNOWN_FILE) -> dict[tuple[str, str, str], Known]:
    """By file, line as it stands, and line with the slip: so that a change of that line asks for another look."""
    rows = tomllib.loads(path.read_text("utf-8")).get("survivor", [])
    return {(row["file"], row["line"], row["becomes"]): Known(row["equivalent"], row["reason"]) for row in rows}


def parts(name: str) -> tuple[str, str, str]:
    """File, line and slip out of the name of a mutant."""
    place, _, change = name.partition(" ")
    before, _, after = change.partition(" -> ")
    return place.rpartition(":")[0], before, after


def text(verdicts: Iterable[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> tuple[str, float]:
    """The report, and the share that was killed of those that are not equivalent."""
    rows = sorted(verdicts, key=lambda one: one.name)
    killed = [one for one in rows if one.is_killed]
    left = [one for one in rows if not one.is_killed]
    equivalent = [one for one in left if (found := reasons.get(parts(one.name))) and found.is_equivalent]
    counted = len(rows) - len(equivalent)
    lines = [f"{'room':<10}{'mutants':>9}{'killed':>9}{'survived':>10}{'equivalent':>12}"]
    for room in sorted({one.name.split("/")[1] for one in rows}):
        here = [one for one in rows if one.name.split("/")[1] == room]
        same = sum(one in equivalent for one in here)
        dead = sum(one.is_killed for one in here)
        lines.append(f"{room:<10}{len(here):>9}{dead:>9}{len(here) - dead - same:>10}{same:>12}")
    lines.append("")
    for title, some in (("survived", [one for one in left if one not in equivalent]), ("equivalent", equivalent)):
        for one in some:
            file, before, after = parts(one.name)
            tests = "no test runs it" if one.outcome == UNREACHED else f"{one.tests} tests"
            lines += [f"{title}: {one.name.partition(' ')[0]}  {one.what}, {tests}", f"  - {before}", f"  + {after}"]
            found = reasons.get((file, before, after))
            lines += [f"  why: {found.reason}" if found else "  why: not looked at yet", ""]
    late = sum(one.outcome == TIMED_OUT for one in killed)
    if not counted:
        return "\n".join([*lines, "no mutant was judged"]), 0.0
    share = len(killed) / counted
    low, high = interval(len(killed), counted)
    lines.append(
        f"{len(killed)} of {counted} killed ({late} by taking too long), {100 * share:.1f} % "
        f"({100 * CONFIDENCE:.0f} % interval {100 * low:.1f} to {100 * high:.1f} %); "
        f"{len(equivalent)} more change nothing"
    )
    return "\n".join(lines), share
