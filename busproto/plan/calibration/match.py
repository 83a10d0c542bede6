"""Making the actuators of one surface move alike, so that they do not fight each other.

Each has its own sensor, a little crooked in its own way. One after another leads the surface through its travel, up and
down, while the others are limp and carried along; what they report on the way tells how their sensors differ. The
lead's own scale is taken as the common one: every other gets a correction table that makes it stand, at each demand,
where the lead would carry it. Up and down are averaged, which takes out play and friction. Then all are powered, and
what is left is measured.

It is refused, with the reason, where what was measured cannot be the sensors' difference (`match_checks`), and where a
table makes it worse in any member. What can be said after the first sweep is said then, before all are powered.

What can be measured without knowing the surface: mismatch, the angle between where one is carried and where it would
drive itself; the current that all draw while they stand still together. A torque is estimated from that current by the
rating (in a straight line with torque, as a motor at rest), no more.

Whoever calls this has shown the cautions. However it ends, all are let go and it is said what was seen, and where
nothing was stored the tables are as they were, which is read back.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from busproto.errors import BusError
from busproto.ops.moving.demand_units import degrees_to_share, share_to_degrees, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp, release_all
from busproto.ops.moving.motion import (
    demand,
    demand_channels,
    engage,
    release,
    report,
)
from busproto.ops.parameter_access import commit, read, write
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.survey import Sheet, firmware_text
from busproto.plan.calibration.match_checks import (
    Station,
    carried_reasons,
    lead_reason,
    noise_reason,
    raw_table,
    result_reasons,
    samples,
    table_reasons,
)
from busproto.plan.calibration.table_fit import TableFit, fit_table
from busproto.plan.trials.trial import Bench, crew_at
from busproto.wire.messages import Memory, Status
from busproto.wire.parameters import BY_NAME, RawValue

MS: Final = 1_000_000
STEP_NS: Final = 20 * MS
RUN_UP_STEP_DEG: Final = 0.1
RUN_UP_STEPS: Final = 12
"""The last of each way is gone in so many small steps, one each 20 ms: more than play and friction together take up."""
SETTLE_NS: Final = 40 * MS
LONGEST_SETTLE_NS: Final = 4_000 * MS
STILL_CDEG: Final = 6
"""Two looks within this, one step of a usual sensor, are taken as standing still."""
MUST_BE_ALIKE: Final = ("travel", "end-low", "end-high", "loss-action")
NEEDED: Final = frozenset(
    {*MUST_BE_ALIKE, "channel", "neutral", "direction", "slew-limit", "dead-band", "loss-time-out", "correction"}
)
"""Parameters without which nothing can be matched."""
BEYOND: Final = 0.05
"""So much of the travel is gone beyond the outermost place before the way back."""


@dataclass(frozen=True, slots=True)
class Figures:
    """How well a gang moves together.

    Attributes:
        greatest_deg, rms_deg: mismatch of each member but the lead, by address.
        idle_ma: mean current of all together, each standing still at places all over the travel.
        peak_idle_ma: the highest of one.
        torque_nm: greatest fight torque by the rating and the current above that of holding alone; an estimate.
        curve: (share, mismatch in deg) of each member but the lead, for a picture.
    """

    greatest_deg: Mapping[int, float]
    rms_deg: Mapping[int, float]
    idle_ma: float
    peak_idle_ma: float
    torque_nm: float
    curve: Mapping[int, tuple[tuple[float, float], ...]]

    @property
    def worst_deg(self) -> float:
        """Greatest mismatch of all."""
        return max(self.greatest_deg.values(), default=0.0)


@dataclass(frozen=True, slots=True)
class Matched:
    """What came of it.

    Attributes:
        before, after: with the tables as they were, and with the new ones; None where it was refused before that.
        fits: the table of each member but the lead, by address; empty where it was refused before that.
        refused: why the new tables were not stored, in words; empty where they were.
        unknown: by function, why it could not be read back that a table is as it was.
        let_go: what was seen when all were let go at the end; not known until then.
    """

    before: Figures | None
    after: Figures | None
    fits: Mapping[int, TableFit]
    refused: tuple[str, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)
    let_go: LetGo = field(default_factory=lambda: LetGo(was_anyone_known=False))

    @property
    def stored(self) -> bool:
        """Whether the new tables were stored, and read back."""
        return not self.refused

    @property
    def tables(self) -> str:
        """What the tables are now, as it was read back: "stored", "as before", or "not known"."""
        return "stored" if self.stored else "not known" if self.unknown else "as before"


def reasons_against(benches: Sequence[Bench]) -> list[str]:
    """Why these must not be matched, in words; empty where they may. The first is the lead."""
    return list(_reasons(benches))


def _reasons(benches: Sequence[Bench]) -> Iterator[str]:
    if len(benches) < 2:
        yield "a gang has at least two members on the line"
        return
    kinds = {
        bench.seat.function: f"{bench.sheet.description.model} {firmware_text(bench.sheet.description)}"
        for bench in benches
    }
    if len(set(kinds.values())) > 1:
        told = ", ".join(f"{function}: {kind}" for function, kind in kinds.items())
        yield f"unlike model or firmware ({told}): their loops and sensors answer differently, no table mends that"
    lacking = [
        f"{bench.seat.function} has no parameter '{name}'"
        for bench in benches
        for name in bench.sheet.parameters.lacks
        if name in NEEDED
    ]
    if lacking:
        yield "; ".join(lacking)
        return
    channels = {bench.sheet.working["channel"] for bench in benches}
    if len(channels) > 1 or channels == {0}:
        yield f"they do not follow one channel together ({', '.join(str(one) for one in sorted(map(int, channels)))})"  # type: ignore[arg-type]
    for name in MUST_BE_ALIKE:
        row = BY_NAME[name]
        texts = {bench.seat.function: row.text(bench.sheet.working[name]) for bench in benches}
        if len(set(texts.values())) > 1 and not (name.startswith("end-") and _are_mirrored(benches)):
            yield f"unlike {name} ({', '.join(f'{function}: {text}' for function, text in texts.items())})"
    for bench in benches:
        unsaved = [name for name, raw in bench.sheet.working.items() if bench.sheet.stored[name] != raw]
        if unsaved:  # storing the table would store these too
            yield f"{bench.seat.function}: {', '.join(unsaved)} changed without being stored: store or undo that first"


def _are_mirrored(benches: Sequence[Bench]) -> bool:
    """Opposite directions want opposite ends."""
    return len({bench.sheet.working["direction"] for bench in benches}) > 1


def match(
    benches: Sequence[Bench],
    *,
    stations: int = 33,
    looks: int = 3,
    reach: float = 0.9,
    crew: Collection[OnLine] | None = None,
) -> Steps[Matched]:
    """Measure, compute, write, prove; store the tables where they are better. Lets go however it ends.

    Args:
        benches: the members, the lead first; see `reasons_against`.
        stations: places of the sweep, 12..: at each all are read.
        looks: readings averaged at each place.
        reach: how far the sweep goes, share of the travel to each side; a little more is gone at both ends.
        crew: those that are known to be on the line, also those that are not matched; None: those that are matched.
    """
    known = crew_at(benches) if crew is None else crew
    found, seen = yield from ending_limp(_match(benches, stations, looks, reach), known)
    return replace(found, let_go=seen)


def _match(benches: Sequence[Bench], stations: int, looks: int, reach: float) -> Steps[Matched]:
    """All but letting go at the end; what is stored, or taken back, is so with none engaged."""
    shares = [reach * (2 * at / (stations - 1) - 1) for at in range(stations)]
    is_over = False
    try:
        found, tabled = yield from _measure(benches, shares, looks)
        yield from release_all()
        if found.stored:
            for bench in tabled:
                yield from commit(bench.address, bench.sheet.parameters)
        else:
            found = replace(found, unknown={name: str(one) for name, one in (yield from _take_back(benches)).items()})
        is_over = True
        return found
    finally:
        yield from release_all()
        if not is_over:
            problems = yield from _take_back(benches)
            if problems:
                problem = next(iter(problems.values()))
                problem.add_note(f"whether the correction tables are as before is not known of: {'; '.join(problems)}")
                raise problem


def _measure(benches: Sequence[Bench], shares: Sequence[float], looks: int) -> Steps[tuple[Matched, Sequence[Bench]]]:
    """All but storing; the new tables are then in working memory. Gives also who has which."""
    few = shares[:: max(1, len(shares) // 9)]
    lead, *others = benches
    plain = [_with_table(bench, ()) for bench in benches]
    runs = len(benches) + 3
    yield Progress("matching", 0, runs)
    carried = yield from _carried(benches, lead, shares, looks)
    lagging = lead_reason(lead, carried)
    reasons = [lagging] if lagging else carried_reasons(benches, carried)
    if not reasons:  # a table that cannot be shows now, before all are powered and fight over it
        reasons = _fit_reasons(
            plain, carried, {bench.address: fit_table(samples(plain[0], bench, carried)) for bench in plain[1:]}
        )
    if reasons:
        return Matched(None, None, {}, tuple(reasons)), benches
    yield Progress("matching", 1, runs)
    before = yield from _figures(benches, carried, few, looks)
    readings = list(carried)
    for number, leading in enumerate(others):
        yield Progress("matching", 2 + number, runs)
        readings += yield from _carried(benches, leading, shares, looks)
    fits = {bench.address: fit_table(samples(plain[0], bench, readings)) for bench in plain[1:]}
    reasons = _fit_reasons(plain, readings, fits)
    if reasons:
        return Matched(before, None, fits, tuple(reasons)), benches
    tabled = [plain[0], *(_with_table(bench, raw_table(fits[bench.address])) for bench in plain[1:])]
    for bench in tabled:
        yield from write(bench.address, {"correction": bench.sheet.working["correction"]})
    yield Progress("matching", runs - 2, runs)
    carried = yield from _carried(tabled, tabled[0], shares, looks)
    yield Progress("matching", runs - 1, runs)
    after = yield from _figures(tabled, carried, few, looks)
    yield Progress("matching", runs, runs)
    noise_deg = {address: fit.noise_deg for address, fit in fits.items()}
    reasons = result_reasons(others, before.greatest_deg, after.greatest_deg, noise_deg)
    return Matched(before, after, fits, tuple(reasons)), tabled


def _fit_reasons(plain: Sequence[Bench], readings: Sequence[Station], fits: Mapping[int, TableFit]) -> list[str]:
    """Why tables that were found cannot be the sensors' difference."""
    reasons = []
    for bench in plain[1:]:
        fit = fits[bench.address]
        reasons += [*table_reasons(bench, fit), *noise_reason(plain[0], bench, fit, readings)]
    return reasons


def _take_back(benches: Sequence[Bench]) -> Steps[dict[str, BusError]]:
    """Every table is again as it was, in both memories, and read back; one that is silent does not stop the others.

    Returns:
        By function, why that is not known.
    """
    problems: dict[str, BusError] = {}
    for bench in benches:
        was = bench.sheet.stored["correction"]
        try:
            yield from write(bench.address, {"correction": was})
            if (yield from read(bench.address, "correction", Memory.STORED)) != was:
                yield from commit(bench.address)  # it had been stored when another one failed
        except BusError as error:
            problems[bench.seat.function] = error
    return problems


def _with_table(bench: Bench, table: tuple[int, ...]) -> Bench:
    sheet: Sheet = replace(bench.sheet, working={**bench.sheet.working, "correction": table})
    return replace(bench, sheet=sheet)


def _count(raw: RawValue) -> int:
    assert isinstance(raw, int)
    return raw


# --- measuring --------------------------------------------------------------------------------------------------


def _carried(benches: Sequence[Bench], leading: Bench, shares: Sequence[float], looks: int) -> Steps[list[Station]]:
    """One leads through the shares, up and down, the others are limp; both ways averaged at each place.

    It goes a little beyond both ends first: a place that is reached from one side only would keep play and friction.
    """
    for bench in benches:
        if bench.address != leading.address:
            yield from release(bench.address)
    yield from engage(leading.address)
    ways: list[list[Station]] = []
    beyond = min(1.0, max(shares) + BEYOND)
    at = yield from _share_of(leading)
    for way, first in ((list(shares), -beyond), (list(reversed(shares)), beyond)):
        stations = []
        yield from _lead_to(benches, leading, at, first)
        at = first
        for share in way:
            yield from _lead_to(benches, leading, at, share)
            at = share
            stations.append((yield from _look(benches, share, looks, leading)))
        ways.append(stations)
    yield from release(leading.address)
    return [_mean(up, down) for up, down in zip(ways[0], reversed(ways[1]), strict=True)]


def _gentle(bench: Bench, begin: float, end: float) -> Iterator[float]:
    """The shares of a way that ends gently: at once to a little before its end, and from there in small steps.

    What is carried along has an inertia. After a swift way it coasts on through its play, somewhere; the slow rest is
    longer than that, and leaves it pressed against the side that it is carried from, in each place alike.
    """
    step = math.copysign(2 * RUN_UP_STEP_DEG / _count(bench.sheet.working["travel"]) * 100, end - begin)
    count = min(RUN_UP_STEPS, int(abs(end - begin) / abs(step)))
    for left in range(count, -1, -1):
        yield end - left * step


def _share_of(bench: Bench) -> Steps[float]:
    """The demand that would put one where it reports to be."""
    status = yield from report(bench.address)
    return min(1.0, max(-1.0, degrees_to_share(status.position_cdeg / 100, bench.sheet.working)))


def _lead_to(benches: Sequence[Bench], leading: Bench, begin: float, end: float) -> Steps[None]:
    """Demand of one, gently, a share; until all stand still."""
    for share in _gentle(leading, begin, end):
        yield from demand(leading.address, share)
        yield Pause(STEP_NS)
    began_ns = yield from now()
    wanted_cdeg = 100 * standing_deg(end, leading.sheet.working)
    last: dict[int, int] = {}
    while True:
        yield from demand(leading.address, end)
        is_still, last = yield from _stand_still(benches, last)
        passed_ns = (yield from now()) - began_ns
        is_there = abs(last[leading.address] - wanted_cdeg) <= 100 or passed_ns > LONGEST_SETTLE_NS / 4
        if (is_still and is_there) or passed_ns > LONGEST_SETTLE_NS:
            return
        yield Pause(SETTLE_NS)


def _stand_still(benches: Sequence[Bench], last: Mapping[int, int]) -> Steps[tuple[bool, dict[int, int]]]:
    """Whether each reports to be where it was at the last look, and where each is now, cdeg by address."""
    places: dict[int, int] = {}
    for bench in benches:
        places[bench.address] = (yield from report(bench.address)).position_cdeg
    return all(at in last and abs(place - last[at]) <= STILL_CDEG for at, place in places.items()), places


def _look(benches: Sequence[Bench], share: float, looks: int, leading: Bench | None) -> Steps[Station]:
    """Read everyone so many times; whoever leads is fed in between."""
    readings = []
    for _ in range(looks):
        statuses: dict[int, Status] = {}
        for bench in benches:
            statuses[bench.address] = yield from report(bench.address)
        if leading is not None:
            yield from demand(leading.address, share)
        readings.append(statuses)
    return Station(
        share,
        {at: sum(one[at].position_cdeg for one in readings) / looks / 100 for at in readings[0]},
        {at: sum(one[at].current_ma for one in readings) / looks for at in readings[0]},
        {at: tuple(one[at].position_cdeg for one in readings) for at in readings[0]},
    )


def _mean(one: Station, other: Station) -> Station:
    """Both ways averaged at one place."""
    return Station(
        one.share,
        {at: (deg + other.reported_deg[at]) / 2 for at, deg in one.reported_deg.items()},
        {at: (current + other.current_ma[at]) / 2 for at, current in one.current_ma.items()},
        {at: looks + other.looks_cdeg[at] for at, looks in one.looks_cdeg.items()},
    )


def _together(benches: Sequence[Bench], shares: Sequence[float], looks: int) -> Steps[list[Station]]:
    """All powered, demanded by their channel, read when they stand still."""
    channel = _count(benches[0].sheet.working["channel"])
    for bench in benches:
        yield from engage(bench.address)
    stations = []
    at = yield from _share_of(benches[0])
    for share in shares:
        for step in _gentle(benches[0], at, share):
            yield from exchange(demand_channels({channel: step}))
            yield Pause(STEP_NS)
        at = share
        ask = demand_channels({channel: share})
        began_ns = yield from now()
        last: dict[int, int] = {}
        while True:
            yield from exchange(ask)
            is_still, last = yield from _stand_still(benches, last)
            if is_still or (yield from now()) - began_ns > LONGEST_SETTLE_NS:
                break
            yield Pause(SETTLE_NS)
        yield from exchange(ask)
        stations.append((yield from _look(benches, share, looks, None)))
        yield from exchange(ask)
    for bench in benches:
        yield from release(bench.address)
    return stations


def _figures(benches: Sequence[Bench], carried: Sequence[Station], few: Sequence[float], looks: int) -> Steps[Figures]:
    """The mismatch by what was carried, and the current of all together."""
    together = yield from _together(benches, few, looks)
    lead, *others = benches
    curve = {}
    for member in others:
        points = []
        for one in carried:
            share = degrees_to_share(one.reported_deg[lead.address], lead.sheet.working)
            points.append((share, one.reported_deg[member.address] - share_to_degrees(share, member.sheet.working)))
        curve[member.address] = tuple(points)
    currents = [one.current_ma[bench.address] for one in together for bench in benches]
    # the least that one draws anywhere is what holding alone costs
    holding_ma = min(currents)
    rating = lead.sheet.description
    peak_ma = max(currents)
    return Figures(
        greatest_deg={at: max(abs(error) for _, error in points) for at, points in curve.items()},
        rms_deg={at: (sum(error**2 for _, error in points) / len(points)) ** 0.5 for at, points in curve.items()},
        idle_ma=sum(currents) / len(together),
        peak_idle_ma=peak_ma,
        torque_nm=(peak_ma - holding_ma) / rating.stall_current_ma * rating.stall_torque_mnm / 1000,
        curve=curve,
    )


# --- as data ----------------------------------------------------------------------------------------------------


def matched_json(benches: Sequence[Bench], found: Matched) -> dict[str, Any]:
    """What came of it, as data."""
    lead, *others = benches
    return {
        "lead": lead.seat.function,
        "lead_uid": lead.sheet.uid.hex(),
        "stored": found.stored,
        "refused": list(found.refused),
        "tables": found.tables,
        "not_read_back": dict(found.unknown),
        "before": _figures_json(found.before),
        "after": _figures_json(found.after),
        "members": [_member_json(bench, found) for bench in others],
    }


def _member_json(bench: Bench, found: Matched) -> dict[str, Any]:
    at = bench.address
    body: dict[str, Any] = {"function": bench.seat.function, "uid": bench.sheet.uid.hex()}
    if at in found.fits:
        fit = found.fits[at]
        table = raw_table(fit)
        body |= {
            "points": len(table),
            "table_deg": [round(one / 100, 2) for one in table],
            "why": fit.reason,
            "noise_deg": round(fit.noise_deg, 4),
        }
    for name, figures in (("before", found.before), ("after", found.after)):
        if figures is not None:
            body[f"greatest_{name}_deg"] = round(figures.greatest_deg[at], 3)
            body[f"rms_{name}_deg"] = round(figures.rms_deg[at], 4)
    return body


def _figures_json(figures: Figures | None) -> dict[str, float] | None:
    if figures is None:
        return None
    return {
        "greatest_deg": round(figures.worst_deg, 3),
        "idle_ma": round(figures.idle_ma, 1),
        "peak_idle_ma": round(figures.peak_idle_ma, 1),
        "fight_torque_nm": round(figures.torque_nm, 4),
    }
