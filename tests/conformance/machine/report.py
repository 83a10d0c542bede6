"""What a run has shown, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.conformance.machine.judge import CRASHED, HUNG, REFUSED, SAME, SURVIVED, Verdict
from tests.mutation.draw import CONFIDENCE, interval
from tests.mutation.report import Known, parts

KNOWN_FILE: Final = Path(__file__).with_name("survivors.toml")


@dataclass(frozen=True, slots=True)
class Share:
    """How many of how many were noticed, and where the share lies."""

    killed: int
    counted: int

    @property
    def share(self) -> float:
        """0 where none was counted."""
        return self.killed / self.counted if self.counted else 0.0

    @property
    def low(self) -> float:
        """Lower end of the interval; 0 where none was counted."""
        return interval(self.killed, self.counted)[0] if self.counted else 0.0

    def __str__(self) -> str:
        """As a person reads it."""
        if not self.counted:
            return "no mutant was counted"
        low, high = interval(self.killed, self.counted)
        return (
            f"{self.killed} of {self.counted}, {100 * self.share:.1f} % "
            f"({100 * CONFIDENCE:.0f} % interval {100 * low:.1f} to {100 * high:.1f} %)"
        )


def shares(verdicts: Iterable[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> tuple[Share, Share]:
    """With all survivors counted; and without those that are argued to be equivalent."""
    rows = [one for one in verdicts if one.outcome not in {REFUSED, SAME}]
    killed = sum(one.is_killed for one in rows)
    argued = sum(is_argued(one, reasons) for one in rows)
    return Share(killed, len(rows)), Share(killed, len(rows) - argued)


def is_argued(verdict: Verdict, reasons: Mapping[tuple[str, str, str], Known]) -> bool:
    """Whether it is a survivor of which a person has written why it breaks no rule."""
    found = reasons.get(parts(verdict.name))
    return verdict.outcome == SURVIVED and found is not None and found.is_equivalent


def text(verdicts: Iterable[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> str:
    """The whole report."""
    rows = sorted(verdicts, key=lambda one: one.name)
    return "\n".join(
        [*_table(rows, reasons), "", *_clauses(rows), "", *_survivors(rows, reasons), *_sum(rows, reasons)]
    )


def _table(rows: Sequence[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> list[str]:
    lines = []
    for title, of in (("file", lambda one: parts(one.name)[0]), ("slip", lambda one: one.what)):
        lines.append(f"{title:<32}{'made':>6}{'refused':>9}{'same':>6}{'caught':>8}{'survived':>10}{'argued':>8}")
        for name in sorted({of(one) for one in rows}):
            here = [one for one in rows if of(one) == name]
            count = Counter(one.outcome for one in here)
            argued = sum(is_argued(one, reasons) for one in here)
            caught = sum(one.is_killed for one in here)
            lines.append(
                f"{name:<32}{len(here):>6}{count[REFUSED]:>9}{count[SAME]:>6}{caught:>8}"
                f"{count[SURVIVED] - argued:>10}{argued:>8}"
            )
        lines.append("")
    return lines[:-1]


def _clauses(rows: Iterable[Verdict]) -> list[str]:
    """How many the first case that failed was about; it depends on the order of the cases."""
    count = Counter(clause for one in rows if one.is_killed for clause in one.clauses)
    told = [f"{clause} {number}" for clause, number in count.most_common()]
    return ["noticed first by a case of the clause:", *(", ".join(told[at : at + 8]) for at in range(0, len(told), 8))]


def _survivors(rows: Iterable[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> list[str]:
    left = [one for one in rows if one.outcome == SURVIVED]
    titled = (
        ("argued", [one for one in left if is_argued(one, reasons)]),
        ("survived", [one for one in left if not is_argued(one, reasons)]),
    )
    lines = []
    for title, some in titled:
        for one in some:
            file, before, after = parts(one.name)
            found = reasons.get((file, before, after))
            lines += [f"{title}: {one.name.partition(' ')[0]}  {one.what}", f"  - {before}", f"  + {after}"]
            lines.append(f"  beside Python: {_differs(one, one.difference)}")
            lines += [f"  why: {found.reason}" if found else "  why: not looked at yet", ""]
    return lines


def _differs(one: Verdict, difference: str) -> str:
    if not one.steps:
        return "not tried"
    return difference or f"no difference in {one.steps} steps"


def _sum(rows: Sequence[Verdict], reasons: Mapping[tuple[str, str, str], Known]) -> list[str]:
    count = Counter(one.outcome for one in rows)
    left = [one for one in rows if one.outcome == SURVIVED]
    silent = sum(bool(one.steps) and not one.difference for one in left)
    argued = [one for one in left if is_argued(one, reasons)]
    argued_silent = sum(bool(one.steps) and not one.difference for one in argued)
    killed = sum(one.is_killed for one in rows)
    strict, fair = shares(rows, reasons)
    return [
        f"{len(rows)} made, {count[REFUSED]} did not compile, {count[SAME]} equivalent by compiler; of the others "
        f"{killed} caught ({count[HUNG]} hung, {count[CRASHED]} crashed), {len(left)} survived",
        f"of the survivors {silent} showed no difference in any conversation; {len(argued)} are argued to break "
        f"no rule ({argued_silent} of those without a difference)",
        f"caught, all survivors counted:     {strict}",
        f"caught, without those argued away: {fair}",
    ]
