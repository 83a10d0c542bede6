"""Making the actuators of one surface move alike, so that they do not fight each other.

Each has its own sensor, a little crooked in its own way. One after another leads the surface through its travel, up and
down, while the others are limp and carried along; what they report on the way tells how their sensors differ. The
lead's own scale is taken as the common one: every other gets a correction table that makes it stand, at each demand,
where the lead would carry it. Up and down are averaged, which takes out play and friction. Then all are powered, and
what is left is measured.

What can be measured without knowing the surface: mismatch, the angle between where one is carried and where it would
drive itself; the current that all draw while they stand still together. A torque is estimated from that current by the
rating (in a straight line with torque, as a motor at rest), no more.

Whoever calls this has shown the cautions. However it ends, everyone is told to go limp, and what was not stored is
taken back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from busproto.errors import BusError
from busproto.ops.demand_units import degrees_to_share, share_to_degrees
from busproto.ops.motion import (
    DEMAND_PERIOD_NS,
    demand,
    demand_channels,
    engage,
    release,
    release_all,
    report,
)
from busproto.ops.parameter_access import commit, undo, write
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.survey import Sheet, firmware_text
from busproto.plan.table_fit import TableFit, fit_table
from busproto.plan.trial import Bench
from busproto.wire.messages import Memory, Status
from busproto.wire.parameters import BY_NAME, RawValue

MS: Final = 1_000_000
SETTLE_NS: Final = 40 * MS
LONGEST_SETTLE_NS: Final = 4_000 * MS
STILL_CDEG: Final = 6
"""Two looks within this, one step of a usual sensor, are taken as standing still."""
MUST_BE_ALIKE: Final = ("travel", "end-low", "end-high", "loss-action")
BEYOND: Final = 0.05
"""So much of the travel is gone beyond the outermost place before the way back."""
WORTH_STORING: Final = 0.7
"""Tables are stored only where they leave at most this share of the greatest mismatch, or the noise is reached."""


@dataclass(frozen=True, slots=True)
class Station:
    """What one place of the sweep told; everything averaged over the looks at it.

    Attributes:
        share: demanded of whoever leads.
        reported_deg: of everyone, by address.
        current_ma: of everyone, by address.
    """

    share: float
    reported_deg: Mapping[int, float]
    current_ma: Mapping[int, float]


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
        before, after: with the tables as they were, and with the new ones.
        fits: the table of each member but the lead, by address.
        stored: whether the new tables were stored.
    """

    before: Figures
    after: Figures
    fits: Mapping[int, TableFit]
    stored: bool


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
    channels = {bench.sheet.working["channel"] for bench in benches}
    if len(channels) > 1 or channels == {0}:
        yield f"they do not follow one channel together ({', '.join(str(one) for one in sorted(map(int, channels)))})"  # type: ignore[arg-type]
    for name in MUST_BE_ALIKE:
        row = BY_NAME[name]
        texts = {bench.seat.function: row.text(bench.sheet.working[name]) for bench in benches}
        if len(set(texts.values())) > 1 and not (name.startswith("end-") and _are_mirrored(benches)):
            yield f"unlike {name} ({', '.join(f'{function}: {text}' for function, text in texts.items())})"


def _are_mirrored(benches: Sequence[Bench]) -> bool:
    """Opposite directions want opposite ends."""
    return len({bench.sheet.working["direction"] for bench in benches}) > 1


def match(benches: Sequence[Bench], *, stations: int = 33, looks: int = 3, reach: float = 0.9) -> Steps[Matched]:
    """Measure, compute, write, prove; store the tables where they are better.

    Args:
        benches: the members, the lead first; see `reasons_against`.
        stations: places of the sweep, 12..: at each all are read.
        looks: readings averaged at each place.
        reach: how far the sweep goes, share of the travel to each side; a little more is gone at both ends.
    """
    shares = [reach * (2 * at / (stations - 1) - 1) for at in range(stations)]
    few = shares[:: max(1, stations // 9)]
    lead = benches[0]
    runs = 2 * len(benches) + 2
    done = False
    try:
        yield Progress("matching", 0, runs)
        before_carried = yield from _carried(benches, lead, shares, looks)
        before = yield from _figures(benches, before_carried, few, looks)
        yield Progress("matching", 2, runs)
        plain = [_with_table(bench, ()) for bench in benches]
        had_tables = any(bench.sheet.working["correction"] for bench in benches)
        for bench in benches:
            yield from write(bench.address, {"correction": ()})
        readings = [] if had_tables else list(before_carried)
        for number, leading in enumerate(plain):
            if leading.address != lead.address or had_tables:
                readings += yield from _carried(plain, leading, shares, looks)
            yield Progress("matching", 2 + number + 1, runs)
        fits = {bench.address: fit_table(_samples(plain[0], bench, readings)) for bench in plain[1:]}
        tabled = [plain[0], *(_with_table(bench, raw_table(fits[bench.address])) for bench in plain[1:])]
        for bench in tabled[1:]:
            yield from write(bench.address, {"correction": bench.sheet.working["correction"]})
        after_carried = yield from _carried(tabled, tabled[0], shares, looks)
        after = yield from _figures(tabled, after_carried, few, looks)
        yield Progress("matching", runs, runs)
        noise_deg = max(fit.noise_deg for fit in fits.values())
        is_better = after.worst_deg <= max(WORTH_STORING * before.worst_deg, 4 * noise_deg)
        yield from release_all()
        if is_better:
            for bench in tabled:
                yield from commit(bench.address)
        done = is_better
        return Matched(before, after, fits, is_better)
    finally:
        yield from release_all()
        if not done:
            yield from _take_back(benches)


def _take_back(benches: Sequence[Bench]) -> Steps[None]:
    """Working memory is again what is stored; one that does not answer does not stop the others."""
    problem: BusError | None = None
    for bench in benches:
        try:
            yield from undo(bench.address, Memory.STORED)
        except BusError as error:
            problem = error
    if problem is not None:
        raise problem


def _with_table(bench: Bench, table: tuple[int, ...]) -> Bench:
    sheet: Sheet = replace(bench.sheet, working={**bench.sheet.working, "correction": table})
    return replace(bench, sheet=sheet)


def raw_table(fit: TableFit) -> tuple[int, ...]:
    """The table in raw counts, within what an actuator takes; none where it would do nothing."""
    row = BY_NAME["correction"]
    raw = tuple(min(row.high, max(row.low, row.scaled_to_raw(value))) for value in fit.table_deg)
    return raw if any(raw) else ()


# --- geometry ---------------------------------------------------------------------------------------------------


def target_deg(bench: Bench, share: float) -> float:
    """Where a demand puts it, its correction table with it."""
    table = bench.sheet.working["correction"]
    assert isinstance(table, tuple)
    if not table:
        return share_to_degrees(share, bench.sheet.working)
    place = (min(1.0, max(-1.0, share)) + 1) / 2 * (len(table) - 1)
    at = min(int(place), len(table) - 2)
    return share_to_degrees(share, bench.sheet.working) + (table[at] + (table[at + 1] - table[at]) * (place - at)) / 100


def _count(raw: RawValue) -> int:
    assert isinstance(raw, int)
    return raw


def _samples(lead: Bench, member: Bench, readings: Sequence[Station]) -> list[tuple[float, float]]:
    """(demand, correction wanted there) of a member, from every place at which both were read.

    The demand is the one that would put the lead where it reports to be: so it does not matter who led, nor whether
    it stood exactly where it was told to.
    """
    samples = []
    for one in readings:
        share = degrees_to_share(one.reported_deg[lead.address], lead.sheet.working)
        samples.append((share, one.reported_deg[member.address] - share_to_degrees(share, member.sheet.working)))
    return samples


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
    for way, first in ((list(shares), -beyond), (list(reversed(shares)), beyond)):
        stations = []
        yield from _settle_alone(leading, first)
        for share in way:
            yield from _settle_alone(leading, share)
            stations.append((yield from _look(benches, share, looks, leading)))
        ways.append(stations)
    yield from release(leading.address)
    return [_mean((up, down)) for up, down in zip(ways[0], reversed(ways[1]), strict=True)]


def _settle_alone(leading: Bench, share: float) -> Steps[None]:
    """Demand a share of one until it stands still there."""
    began_ns = yield from now()
    last_cdeg: int | None = None
    while True:
        moving = yield from demand(leading.address, share)
        time_ns = yield from now()
        if last_cdeg is not None and abs(moving.position_cdeg - last_cdeg) <= STILL_CDEG:
            wanted_cdeg = 100 * target_deg(leading, share)
            if abs(moving.position_cdeg - wanted_cdeg) <= 100 or time_ns - began_ns > LONGEST_SETTLE_NS / 4:
                return
        if time_ns - began_ns > LONGEST_SETTLE_NS:
            return
        last_cdeg = moving.position_cdeg
        yield Pause(SETTLE_NS)


def _look(benches: Sequence[Bench], share: float, looks: int, leading: Bench | None) -> Steps[Station]:
    """Read everyone so many times; whoever leads is fed in between."""
    readings = []
    for _ in range(looks):
        statuses: dict[int, Status] = {}
        for bench in benches:
            statuses[bench.address] = yield from report(bench.address)
        if leading is not None:
            yield from demand(leading.address, share)
        readings.append(
            Station(
                share,
                {address: one.position_cdeg / 100 for address, one in statuses.items()},
                {address: float(one.current_ma) for address, one in statuses.items()},
            )
        )
    return _mean(readings)


def _mean(stations: Sequence[Station]) -> Station:
    first = stations[0]
    count = len(stations)
    return Station(
        first.share,
        {at: sum(one.reported_deg[at] for one in stations) / count for at in first.reported_deg},
        {at: sum(one.current_ma[at] for one in stations) / count for at in first.current_ma},
    )


def _together(benches: Sequence[Bench], shares: Sequence[float], looks: int) -> Steps[list[Station]]:
    """All powered, demanded by their channel, read when they stand still."""
    channel = _count(benches[0].sheet.working["channel"])
    for bench in benches:
        yield from engage(bench.address)
    stations = []
    for share in shares:
        ask = demand_channels({channel: share})
        began_ns = yield from now()
        last: dict[int, int] = {}
        while True:
            yield from exchange(ask)
            is_still = bool(last)
            for bench in benches:
                status = yield from report(bench.address)
                is_still &= abs(status.position_cdeg - last.get(bench.address, 1 << 20)) <= STILL_CDEG
                last[bench.address] = status.position_cdeg
            time_ns = yield from now()
            if (is_still and time_ns - began_ns > 2 * DEMAND_PERIOD_NS) or time_ns - began_ns > LONGEST_SETTLE_NS:
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
            points.append((share, one.reported_deg[member.address] - target_deg(member, share)))
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
        "stored": found.stored,
        "before": _figures_json(found.before),
        "after": _figures_json(found.after),
        "members": [
            {
                "function": bench.seat.function,
                "uid": bench.sheet.uid.hex(),
                "points": len(raw_table(found.fits[bench.address])),
                "table_deg": [round(one / 100, 2) for one in raw_table(found.fits[bench.address])],
                "why": found.fits[bench.address].reason,
                "noise_deg": round(found.fits[bench.address].noise_deg, 4),
                "greatest_before_deg": round(found.before.greatest_deg[bench.address], 3),
                "greatest_after_deg": round(found.after.greatest_deg[bench.address], 3),
                "rms_before_deg": round(found.before.rms_deg[bench.address], 4),
                "rms_after_deg": round(found.after.rms_deg[bench.address], 4),
            }
            for bench in others
        ],
    }


def _figures_json(figures: Figures) -> dict[str, float]:
    return {
        "greatest_deg": round(figures.worst_deg, 3),
        "idle_ma": round(figures.idle_ma, 1),
        "peak_idle_ma": round(figures.peak_idle_ma, 1),
        "fight_torque_nm": round(figures.torque_nm, 4),
    }
