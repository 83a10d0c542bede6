"""Calibrate the actuators of one surface, so that they move alike and do not fight each other.

Each actuator has its own sensor, with its own small nonlinearity. One actuator after another moves the surface through
its travel, up and down, while the others are limp and carried along; the positions they report show how the sensors
differ. The lead's scale is the common one: every other member gets a correction table that makes it stand, at each
demand, where the lead would carry it. The ways up and down are averaged, which removes play and friction. Then all are
engaged, and the remaining mismatch is measured.

A match is refused, with the reason, if the measurements cannot be a difference of the sensors (`match_checks`), or if a
table makes any member worse. Reasons that show after the first sweep are given then, before all are engaged.

Two things can be measured without knowing the surface: the mismatch, which is the angle between the position to which
an actuator is carried and the one to which it would drive itself; and the current of all while they stand still
together. From that current a torque is estimated by the rating (proportional, as for a motor at rest), no more.

The caller must have shown the cautions. However it ends, all are released and the result holds what was seen. If
nothing was stored, the earlier tables are restored and read back.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from busproto.errors import BusError
from busproto.ops.moving.demand_units import degrees_to_fraction, fraction_to_degrees, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp, release_all
from busproto.ops.moving.motion import demand, demand_channels, engage, release, report
from busproto.ops.parameter_access import commit, read, write
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.survey import Snapshot, firmware_text
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
from busproto.plan.trials.trial import Subject, actuators_at
from busproto.wire.messages import Memory, Status
from busproto.wire.parameters import BY_NAME, RawValue

MS: Final = 1_000_000
STEP_NS: Final = 20 * MS
RUN_UP_STEP_DEG: Final = 0.1
RUN_UP_STEPS: Final = 12
"""Number of small steps, one each 20 ms, in which the last part of each way is moved: longer than play and friction
together."""
SETTLE_NS: Final = 40 * MS
LONGEST_SETTLE_NS: Final = 4_000 * MS
STILL_CDEG: Final = 6
"""Two readings within this, one step of a usual sensor, count as standing still."""
MUST_BE_ALIKE: Final = ("travel", "end-low", "end-high", "loss-action")
NEEDED: Final = frozenset(
    {*MUST_BE_ALIKE, "channel", "neutral", "direction", "slew-limit", "dead-band", "loss-time-out", "correction"}
)
"""Parameters without which nothing can be matched."""
BEYOND: Final = 0.05
"""The sweep goes beyond its outermost place by this fraction of the travel before the way back."""


@dataclass(frozen=True, slots=True)
class Figures:
    """How well a gang moves together.

    Attributes:
        greatest_deg, rms_deg: mismatch of each member other than the lead, deg, by address.
        idle_ma: mean current of all together, standing still at places all over the travel, mA.
        peak_idle_ma: the highest such current of one actuator, mA.
        torque_nm: greatest torque against each other, N m, estimated from the rating and the current above that for
            holding alone.
        curve: (fraction, mismatch in deg) of each member other than the lead, for a plot.
    """

    greatest_deg: Mapping[int, float]
    rms_deg: Mapping[int, float]
    idle_ma: float
    peak_idle_ma: float
    torque_nm: float
    curve: Mapping[int, tuple[tuple[float, float], ...]]

    @property
    def worst_deg(self) -> float:
        """The greatest mismatch of all members, deg."""
        return max(self.greatest_deg.values(), default=0.0)


@dataclass(frozen=True, slots=True)
class Matched:
    """The result of a match.

    Attributes:
        before, after: figures with the earlier tables and with the new ones; None if it was refused before that.
        fits: by address, the table of each member other than the lead; empty if it was refused before that.
        refused: why the new tables were not stored, in words; empty if they were.
        unknown: by function, why it could not be confirmed that the earlier table is restored.
        let_go: what was seen after the release at the end; not known until then.
    """

    before: Figures | None
    after: Figures | None
    fits: Mapping[int, TableFit]
    refused: tuple[str, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)
    let_go: LetGo = field(default_factory=lambda: LetGo(was_any_known=False))

    @property
    def stored(self) -> bool:
        """Whether the new tables were stored and read back."""
        return not self.refused

    @property
    def tables(self) -> str:
        """The state of the tables as read back: "stored", "as before", or "not known"."""
        return "stored" if self.stored else "not known" if self.unknown else "as before"


def reasons_against(subjects: Sequence[Subject]) -> list[str]:
    """Why these actuators must not be matched, in words; empty if they may. The first is the lead."""
    return list(_reasons(subjects))


def _reasons(subjects: Sequence[Subject]) -> Iterator[str]:
    if len(subjects) < 2:
        yield "a gang has at least two members on the line"
        return
    kinds = {
        subject.role.function: f"{subject.snapshot.description.model} {firmware_text(subject.snapshot.description)}"
        for subject in subjects
    }
    if len(set(kinds.values())) > 1:
        told = ", ".join(f"{function}: {kind}" for function, kind in kinds.items())
        yield f"unlike model or firmware ({told}): their loops and sensors answer differently, no table mends that"
    lacking = [
        f"{subject.role.function} has no parameter '{name}'"
        for subject in subjects
        for name in subject.snapshot.parameters.lacks
        if name in NEEDED
    ]
    if lacking:
        yield "; ".join(lacking)
        return
    channels = {subject.snapshot.working["channel"] for subject in subjects}
    if len(channels) > 1 or channels == {0}:
        yield f"they do not follow one channel together ({', '.join(str(one) for one in sorted(map(int, channels)))})"  # type: ignore[arg-type]
    for name in MUST_BE_ALIKE:
        row = BY_NAME[name]
        texts = {subject.role.function: row.text(subject.snapshot.working[name]) for subject in subjects}
        if len(set(texts.values())) > 1 and not (name.startswith("end-") and _are_mirrored(subjects)):
            yield f"unlike {name} ({', '.join(f'{function}: {text}' for function, text in texts.items())})"
    for subject in subjects:
        unsaved = [name for name, raw in subject.snapshot.working.items() if subject.snapshot.stored[name] != raw]
        if unsaved:  # storing the table would store these settings too
            yield f"{subject.role.function}: {', '.join(unsaved)} changed without being stored: store or undo it first"


def _are_mirrored(subjects: Sequence[Subject]) -> bool:
    """Whether the members are mounted as mirror images: opposite directions need opposite end limits."""
    return len({subject.snapshot.working["direction"] for subject in subjects}) > 1


def match(
    subjects: Sequence[Subject],
    *,
    stations: int = 33,
    looks: int = 3,
    reach: float = 0.9,
    actuators: Collection[OnLine] | None = None,
) -> Steps[Matched]:
    """Measure, calculate, write, check; store the tables if they are better. Releases all however it ends.

    Args:
        subjects: the members, the lead first; see `reasons_against`.
        stations, looks: number of places of the sweep, 12.., and of the readings averaged at each.
        reach: how far the sweep goes to each side, fraction of the travel; it goes a little beyond both ends.
        actuators: those known to be on the line, also those that are not matched; None: those that are matched.
    """
    known = actuators_at(subjects) if actuators is None else actuators
    found, seen = yield from ending_limp(_match(subjects, stations, looks, reach), known)
    return replace(found, let_go=seen)


def _match(subjects: Sequence[Subject], stations: int, looks: int, reach: float) -> Steps[Matched]:
    """The match without the release at the end. Tables are stored or taken back with all actuators limp."""
    fractions = [reach * (2 * at / (stations - 1) - 1) for at in range(stations)]
    is_over = False
    try:
        found, tabled = yield from _measure(subjects, fractions, looks)
        yield from release_all()
        if found.stored:
            for subject in tabled:
                yield from commit(subject.address, subject.snapshot.parameters)
        else:
            found = replace(found, unknown={name: str(one) for name, one in (yield from _take_back(subjects)).items()})
        is_over = True
        return found
    finally:
        yield from release_all()
        if not is_over:
            problems = yield from _take_back(subjects)
            if problems:
                problem = next(iter(problems.values()))
                problem.add_note(f"whether the correction tables are as before is not known of: {'; '.join(problems)}")
                raise problem


def _measure(
    subjects: Sequence[Subject], fractions: Sequence[float], looks: int
) -> Steps[tuple[Matched, Sequence[Subject]]]:
    """Measure and write the new tables into working memory, without storing. Returns also each subject's table."""
    few = fractions[:: max(1, len(fractions) // 9)]
    lead, *others = subjects
    plain = [_with_table(subject, ()) for subject in subjects]
    runs = len(subjects) + 3
    yield Progress("matching", 0, runs)
    carried = yield from _carried(subjects, lead, fractions, looks)
    lagging = lead_reason(lead, carried)
    reasons = [lagging] if lagging else carried_reasons(subjects, carried)
    if not reasons:  # an impossible table shows now, before all are engaged and fight
        reasons = _fit_reasons(
            plain, carried, {subject.address: fit_table(samples(plain[0], subject, carried)) for subject in plain[1:]}
        )
    if reasons:
        return Matched(None, None, {}, tuple(reasons)), subjects
    yield Progress("matching", 1, runs)
    before = yield from _figures(subjects, carried, few, looks)
    readings = list(carried)
    for number, leading in enumerate(others):
        yield Progress("matching", 2 + number, runs)
        readings += yield from _carried(subjects, leading, fractions, looks)
    fits = {subject.address: fit_table(samples(plain[0], subject, readings)) for subject in plain[1:]}
    reasons = _fit_reasons(plain, readings, fits)
    if reasons:
        return Matched(before, None, fits, tuple(reasons)), subjects
    tabled = [plain[0], *(_with_table(subject, raw_table(fits[subject.address])) for subject in plain[1:])]
    for subject in tabled:
        yield from write(subject.address, {"correction": subject.snapshot.working["correction"]})
    yield Progress("matching", runs - 2, runs)
    carried = yield from _carried(tabled, tabled[0], fractions, looks)
    yield Progress("matching", runs - 1, runs)
    after = yield from _figures(tabled, carried, few, looks)
    yield Progress("matching", runs, runs)
    noise_deg = {address: fit.noise_deg for address, fit in fits.items()}
    reasons = result_reasons(others, before.greatest_deg, after.greatest_deg, noise_deg)
    return Matched(before, after, fits, tuple(reasons)), tabled


def _fit_reasons(plain: Sequence[Subject], readings: Sequence[Station], fits: Mapping[int, TableFit]) -> list[str]:
    """Why tables that were found cannot be the sensors' difference."""
    reasons = []
    for subject in plain[1:]:
        fit = fits[subject.address]
        reasons += [*table_reasons(subject, fit), *noise_reason(plain[0], subject, fit, readings)]
    return reasons


def _take_back(subjects: Sequence[Subject]) -> Steps[dict[str, BusError]]:
    """Restore every table in both memories and read it back; a silent actuator does not stop the others.

    Returns by function why that is not known.
    """
    problems: dict[str, BusError] = {}
    for subject in subjects:
        was = subject.snapshot.stored["correction"]
        try:
            yield from write(subject.address, {"correction": was})
            if (yield from read(subject.address, "correction", Memory.STORED)) != was:
                yield from commit(subject.address)  # its new table was stored before another actuator failed
        except BusError as error:
            problems[subject.role.function] = error
    return problems


def _with_table(subject: Subject, table: tuple[int, ...]) -> Subject:
    snapshot: Snapshot = replace(subject.snapshot, working={**subject.snapshot.working, "correction": table})
    return replace(subject, snapshot=snapshot)


def _count(raw: RawValue) -> int:
    assert isinstance(raw, int)
    return raw


# --- measuring --------------------------------------------------------------------------------------------------


def _carried(
    subjects: Sequence[Subject], leading: Subject, fractions: Sequence[float], looks: int
) -> Steps[list[Station]]:
    """One actuator moves the surface up and down, the others are limp; both ways are averaged at each place.

    It goes a little beyond both ends: a place reached from one side only would include play and friction.
    """
    for subject in subjects:
        if subject.address != leading.address:
            yield from release(subject.address)
    yield from engage(leading.address)
    ways: list[list[Station]] = []
    beyond = min(1.0, max(fractions) + BEYOND)
    at = yield from _fraction_of(leading)
    for way, first in ((list(fractions), -beyond), (list(reversed(fractions)), beyond)):
        stations = []
        yield from _lead_to(subjects, leading, at, first)
        at = first
        for fraction in way:
            yield from _lead_to(subjects, leading, at, fraction)
            at = fraction
            stations.append((yield from _look(subjects, fraction, looks, leading)))
        ways.append(stations)
    yield from release(leading.address)
    return [_mean(up, down) for up, down in zip(ways[0], reversed(ways[1]), strict=True)]


def _gentle(subject: Subject, begin: float, end: float) -> Iterator[float]:
    """The demands of a way that ends slowly: at once to a little before its end, and from there in small steps.

    Carried actuators coast through the play after a fast way. The slow part is longer than the play, and leaves them
    pressed against one side, in every place alike.
    """
    step = math.copysign(2 * RUN_UP_STEP_DEG / _count(subject.snapshot.working["travel"]) * 100, end - begin)
    count = min(RUN_UP_STEPS, int(abs(end - begin) / abs(step)))
    for left in range(count, -1, -1):
        yield end - left * step


def _fraction_of(subject: Subject) -> Steps[float]:
    """The demand that would drive an actuator to the position it reports."""
    status = yield from report(subject.address)
    return min(1.0, max(-1.0, degrees_to_fraction(status.position_cdeg / 100, subject.snapshot.working)))


def _lead_to(subjects: Sequence[Subject], leading: Subject, begin: float, end: float) -> Steps[None]:
    """Move one actuator slowly to a demand, and wait until all stand still."""
    for fraction in _gentle(leading, begin, end):
        yield from demand(leading.address, fraction)
        yield Pause(STEP_NS)
    began_ns = yield from now()
    wanted_cdeg = 100 * standing_deg(end, leading.snapshot.working)
    last: dict[int, int] = {}
    while True:
        yield from demand(leading.address, end)
        is_still, last = yield from _stand_still(subjects, last)
        passed_ns = (yield from now()) - began_ns
        is_there = abs(last[leading.address] - wanted_cdeg) <= 100 or passed_ns > LONGEST_SETTLE_NS / 4
        if (is_still and is_there) or passed_ns > LONGEST_SETTLE_NS:
            return
        yield Pause(SETTLE_NS)


def _stand_still(subjects: Sequence[Subject], last: Mapping[int, int]) -> Steps[tuple[bool, dict[int, int]]]:
    """Whether every position is that of the last reading; and the positions now, 0.01 deg by address."""
    places: dict[int, int] = {}
    for subject in subjects:
        places[subject.address] = (yield from report(subject.address)).position_cdeg
    return all(at in last and abs(place - last[at]) <= STILL_CDEG for at, place in places.items()), places


def _look(subjects: Sequence[Subject], fraction: float, looks: int, leading: Subject | None) -> Steps[Station]:
    """Read all actuators `looks` times; the leading one gets demands in between."""
    readings = []
    for _ in range(looks):
        statuses: dict[int, Status] = {}
        for subject in subjects:
            statuses[subject.address] = yield from report(subject.address)
        if leading is not None:
            yield from demand(leading.address, fraction)
        readings.append(statuses)
    return Station(
        fraction,
        {at: sum(one[at].position_cdeg for one in readings) / looks / 100 for at in readings[0]},
        {at: sum(one[at].current_ma for one in readings) / looks for at in readings[0]},
        {at: tuple(one[at].position_cdeg for one in readings) for at in readings[0]},
    )


def _mean(one: Station, other: Station) -> Station:
    """The mean of both ways at one place."""
    return Station(
        one.fraction,
        {at: (deg + other.reported_deg[at]) / 2 for at, deg in one.reported_deg.items()},
        {at: (current + other.current_ma[at]) / 2 for at, current in one.current_ma.items()},
        {at: looks + other.looks_cdeg[at] for at, looks in one.looks_cdeg.items()},
    )


def _together(subjects: Sequence[Subject], fractions: Sequence[float], looks: int) -> Steps[list[Station]]:
    """Engage all, send demands to their channel, and read them when they stand still."""
    channel = _count(subjects[0].snapshot.working["channel"])
    for subject in subjects:
        yield from engage(subject.address)
    stations = []
    at = yield from _fraction_of(subjects[0])
    for fraction in fractions:
        for step in _gentle(subjects[0], at, fraction):
            yield from exchange(demand_channels({channel: step}))
            yield Pause(STEP_NS)
        at = fraction
        ask = demand_channels({channel: fraction})
        began_ns = yield from now()
        last: dict[int, int] = {}
        while True:
            yield from exchange(ask)
            is_still, last = yield from _stand_still(subjects, last)
            if is_still or (yield from now()) - began_ns > LONGEST_SETTLE_NS:
                break
            yield Pause(SETTLE_NS)
        yield from exchange(ask)
        stations.append((yield from _look(subjects, fraction, looks, None)))
        yield from exchange(ask)
    for subject in subjects:
        yield from release(subject.address)
    return stations


def _figures(
    subjects: Sequence[Subject], carried: Sequence[Station], few: Sequence[float], looks: int
) -> Steps[Figures]:
    """The mismatch from the carried positions, and the current of all together."""
    together = yield from _together(subjects, few, looks)
    lead, *others = subjects
    curve = {}
    for member in others:
        points = []
        for one in carried:
            fraction = degrees_to_fraction(one.reported_deg[lead.address], lead.snapshot.working)
            points.append(
                (fraction, one.reported_deg[member.address] - fraction_to_degrees(fraction, member.snapshot.working))
            )
        curve[member.address] = tuple(points)
    currents = [one.current_ma[subject.address] for one in together for subject in subjects]
    # the least current of an actuator at any place is taken as that for holding alone
    holding_ma = min(currents)
    rating = lead.snapshot.description
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


def matched_json(subjects: Sequence[Subject], found: Matched) -> dict[str, Any]:
    """For ``--json`` and the result file."""
    lead, *others = subjects
    return {
        "lead": lead.role.function,
        "lead_uid": lead.snapshot.uid.hex(),
        "stored": found.stored,
        "reasons": list(found.refused),
        "table_state": found.tables,
        "not_read_back": dict(found.unknown),
        "figures_before": _figures_json(found.before),
        "figures_after": _figures_json(found.after),
        "members": [_member_json(subject, found) for subject in others],
    }


def _member_json(subject: Subject, found: Matched) -> dict[str, Any]:
    at = subject.address
    body: dict[str, Any] = {"function": subject.role.function, "uid": subject.snapshot.uid.hex()}
    if at in found.fits:
        fit = found.fits[at]
        body |= {
            "table_deg": [round(one / 100, 2) for one in raw_table(fit)],
            "reason": fit.reason,
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
        "idle_current_ma": round(figures.idle_ma, 1),
        "peak_idle_current_ma": round(figures.peak_idle_ma, 1),
        "fight_torque_nm": round(figures.torque_nm, 4),
    }
