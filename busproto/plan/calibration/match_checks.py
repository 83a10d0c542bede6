"""Whether what was measured of a gang can be the difference of its sensors, and a table mends it. Calculation only.

Everything here gives reasons in words, each with what to do; nothing where all is well.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from busproto.ops.moving.demand_units import degrees_to_fraction, fraction_to_degrees, standing_deg
from busproto.plan.calibration.table_fit import TableFit
from busproto.plan.trials.trial import Subject
from busproto.wire.parameters import BY_NAME, steepest

LEAST_CARRIED: Final = 0.5
MOST_CARRIED: Final = 2.0
"""Degrees that a member goes for each degree of the lead. Rods of one gang sit in like holes: a hole further changes
the way by a tenth to a third (common practice, no source). Half or twice is no hole; that rod is off, slips, or goes
to another surface."""
LEAST_EXPLAINED: Final = 0.9
"""So much of how a member went (square of the correlation) is the lead's doing. On the least travel, 10 deg, a play of
0.3 deg and a crookedness of 0.6 deg leave 0.97."""
LEAST_LED: Final = 0.9
"""So much of its way the lead itself has to go; what is missing is a stop or a blocked surface."""
USUAL_STEP_DEG: Final = 0.05
"""Step of a usual position sensor; common practice, no source."""
NOISE_STEPS: Final = 4.0
"""A sensor's steps are about as fine as its noise (common practice, no source). What is left at the places of the
sweep, each an average, may be so many steps: with more, the last two bits of the report would say nothing."""
WORTH_STORING: Final = 0.7
"""Tables are stored only where they leave at most this share of the greatest mismatch, or what is harmless."""
NOISE_REACHED: Final = 4.0
"""Of a hundred readings with a normal noise, the greatest lies within so many standard deviations 99 times of 100."""


@dataclass(frozen=True, slots=True)
class Station:
    """What one place of the sweep told; everything averaged over the looks at it.

    Attributes:
        share: demanded of whoever leads.
        reported_deg: of everyone, by address.
        current_ma: of everyone, by address.
        looks_cdeg: every single reading, by address.
    """

    fraction: float
    reported_deg: Mapping[int, float]
    current_ma: Mapping[int, float]
    looks_cdeg: Mapping[int, tuple[int, ...]]


def raw_table(fit: TableFit) -> tuple[int, ...]:
    """The table in raw counts; none where it would do nothing."""
    row = BY_NAME["correction"]
    raw = tuple(row.scaled_to_raw(value) for value in fit.table_deg)
    return raw if any(raw) else ()


def samples(lead: Subject, member: Subject, readings: Sequence[Station]) -> list[tuple[float, float]]:
    """(demand, correction wanted there) of a member, from every place at which both were read.

    The demand is the one that would put the lead where it reports to be: so it does not matter who led, nor whether
    it stood exactly where it was told to.

    Args:
        lead, member: without correction tables.
    """
    found = []
    for one in readings:
        fraction = degrees_to_fraction(one.reported_deg[lead.address], lead.snapshot.working)
        found.append(
            (fraction, one.reported_deg[member.address] - fraction_to_degrees(fraction, member.snapshot.working))
        )
    return found


def lead_reason(lead: Subject, carried: Sequence[Station]) -> str:
    """Why the lead's sweep is none; "" where it went its way."""
    wanted = [standing_deg(one.fraction, lead.snapshot.working) for one in carried]
    went = [one.reported_deg[lead.address] for one in carried]
    way_deg, led_deg = max(wanted) - min(wanted), max(went) - min(went)
    if led_deg >= LEAST_LED * way_deg:
        return ""
    return (
        f"{lead.role.function} leads and went {led_deg:.2f} of {way_deg:.2f} deg: it or the surface is blocked, or its "
        "drive is off. Free it, or take less of the travel with --reach"
    )


def carried_reasons(subjects: Sequence[Subject], carried: Sequence[Station]) -> list[str]:
    """Why a member was not carried along by the lead, the first of the benches."""
    lead, *members = subjects
    reasons = [reason for member in members if (reason := _carried_reason(lead, member, carried))]
    if len(reasons) == len(members) > 1:
        reasons.append(f"none was carried along: look at the rod of {lead.role.function} first, which leads")
    return reasons


def _carried_reason(lead: Subject, member: Subject, carried: Sequence[Station]) -> str:
    fractions = [degrees_to_fraction(one.reported_deg[lead.address], lead.snapshot.working) for one in carried]
    wanted = [fraction_to_degrees(fraction, member.snapshot.working) for fraction in fractions]
    went = [one.reported_deg[member.address] for one in carried]
    led_deg, way_deg = max(wanted) - min(wanted), max(went) - min(went)
    told = f"{member.role.function} was not carried along by {lead.role.function}"
    do = "Look at its rod, its arm on the spline, and whether it is the right actuator"
    if way_deg < LEAST_CARRIED * led_deg or way_deg > MOST_CARRIED * led_deg:
        return f"{told}: it went {way_deg:.2f} deg where the lead went {led_deg:.2f}. {do}"
    alike = statistics.correlation(wanted, went)
    if alike < math.sqrt(LEAST_EXPLAINED):
        if alike < -math.sqrt(LEAST_EXPLAINED):
            return f"{told}: it went the other way. Its 'direction' or its arm is the wrong way round"
        explained = f"{100 * max(0.0, alike) ** 2:.0f} %"
        return f"{told}: only {explained} of how it went is the lead's doing (correlation {alike:.3f}). {do}"
    return ""


def table_reasons(member: Subject, fit: TableFit) -> Iterator[str]:
    """Why a table cannot be taken: it clips at its limits, or the angle would not rise with the demand.

    Args:
        member: without a correction table.
    """
    row = BY_NAME["correction"]
    greatest_deg = max(fit.table_deg, key=abs)
    if not row.low <= row.scaled_to_raw(greatest_deg) <= row.high:
        yield (
            f"{member.role.function} would need a correction of {greatest_deg:+.2f} deg, and a table ends at "
            f"+-{row.high / row.counts_per_unit:g}: set its arm on the spline, or its rod, so that it stands as the "
            "lead does"
        )
    travel, spans = member.snapshot.working["travel"], len(fit.table_deg) - 1
    assert isinstance(travel, int)
    steepest_cdeg = steepest(tuple(row.scaled_to_raw(value) for value in fit.table_deg))
    if steepest_cdeg >= travel:
        steepest_deg, apart_deg = steepest_cdeg / spans / 100, travel / spans / 100
        yield (
            f"{member.role.function}: its correction would change by {steepest_deg:.2f} deg between two points that "
            f"lie {apart_deg:.2f} deg apart, so its angle would not rise with the demand: its rod slips or has another "
            "length of arm, or its sensor jumps"
        )


def step_deg(address: int, readings: Sequence[Station]) -> float:
    """The step of an actuator's sensor, no less than a usual one's: the largest on whose grid all readings lie.

    Few readings may all lie two steps or more apart, so the least gap alone would take too much for noise. A reading
    is rounded to 0.01 deg, which is how far it may be from the grid.
    """
    seen = sorted({look for one in readings for look in one.looks_cdeg[address]})
    least = min((after - before for before, after in pairwise(seen)), default=0)
    for parts in range(1, 1 + int(least / (100 * USUAL_STEP_DEG))):
        step = least / parts
        if all(abs(gap - step * round(gap / step)) <= 1 for gap in (look - seen[0] for look in seen)):
            return max(USUAL_STEP_DEG, step / 100)
    return USUAL_STEP_DEG


def noise_reason(lead: Subject, member: Subject, fit: TableFit, readings: Sequence[Station]) -> Iterator[str]:
    """Why what a table leaves is no noise of the two sensors."""
    step = max(step_deg(lead.address, readings), step_deg(member.address, readings))
    if fit.noise_deg > NOISE_STEPS * step:
        yield (
            f"{member.role.function}: no table fits, {fit.noise_deg:.2f} deg are left (standard deviation), and the "
            f"sensors' step is {step:.2f} deg: that is no noise. Its rod slips or bends, or a sensor is worn"
        )


def result_reasons(
    members: Sequence[Subject],
    before_deg: Mapping[int, float],
    after_deg: Mapping[int, float],
    noise_deg: Mapping[int, float],
) -> list[str]:
    """Why new tables are not to be stored, from the greatest mismatch of each member before and after, by address."""
    reasons = []
    for member in members:
        at = member.address
        before, after = before_deg[at], after_deg[at]
        if after > max(before, _harmless_deg(member, noise_deg[at])):
            reasons.append(
                f"{member.role.function} became worse: its greatest mismatch was {before:.3f} deg and is {after:.3f} "
                "deg with the new table. Keep wind and hands off the surface, and try again"
            )
    worst_before, worst_after = max(before_deg.values()), max(after_deg.values())
    harmless_deg = max(_harmless_deg(member, noise_deg[member.address]) for member in members)
    if not reasons and worst_after > max(WORTH_STORING * worst_before, harmless_deg):
        reasons.append(
            f"the new tables are not better: the greatest mismatch was {worst_before:.3f} deg and is "
            f"{worst_after:.3f} deg. Keep wind and hands off the surface, and try again"
        )
    return reasons


def _harmless_deg(member: Subject, noise_deg: float) -> float:
    """A mismatch that cannot be told from noise, or that no drive works against: two may stand a dead band away from
    their demand, each on its own side."""
    dead_band = member.snapshot.working["dead-band"]
    assert isinstance(dead_band, int)
    return max(2 * dead_band / 100, NOISE_REACHED * noise_deg)
