"""Whether the measurements of a gang can be a difference of its sensors that a table corrects. Calculation only.

The functions return reasons against it in words, each with what to do; none if all is well.
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
"""Allowed range of a member's movement, deg for each deg of the lead. The rods of one gang are in like holes: the next
hole changes the movement by a tenth to a third (common practice, no source). Half or twice is not a hole: that rod is
off, slips, or goes to another surface."""
LEAST_EXPLAINED: Final = 0.9
"""Least part of a member's movement that follows the lead (square of the correlation). On the least travel, 10 deg, a
play of 0.3 deg and a nonlinearity of 0.6 deg leave 0.97."""
LEAST_LED: Final = 0.9
"""Least part of its way that the lead itself must move; less means a stop or a blocked surface."""
USUAL_STEP_DEG: Final = 0.05
"""deg. Step of a usual position sensor; common practice, no source."""
NOISE_STEPS: Final = 4.0
"""A sensor's steps are about as fine as its noise (common practice, no source). The remaining error at the places of
the sweep, each an average, may be this many steps: with more, the last two bits of the report would be meaningless."""
WORTH_STORING: Final = 0.7
"""Tables are stored only if at most this fraction of the greatest mismatch remains, or a harmless one."""
NOISE_REACHED: Final = 4.0
"""The greatest of a hundred readings with normal noise lies within this many standard deviations, 99 times of 100."""


@dataclass(frozen=True, slots=True)
class Station:
    """The readings at one place of the sweep, averaged over its looks.

    Attributes:
        fraction: demand of the leading actuator, -1..+1.
        reported_deg: position of each actuator, deg, by address.
        current_ma: current of each actuator, mA, by address.
        looks_cdeg: every single reading of the position, 0.01 deg, by address.
    """

    fraction: float
    reported_deg: Mapping[int, float]
    current_ma: Mapping[int, float]
    looks_cdeg: Mapping[int, tuple[int, ...]]


def raw_table(fit: TableFit) -> tuple[int, ...]:
    """The table in raw counts; empty if it would change nothing."""
    row = BY_NAME["correction"]
    raw = tuple(row.scaled_to_raw(value) for value in fit.table_deg)
    return raw if any(raw) else ()


def samples(lead: Subject, member: Subject, readings: Sequence[Station]) -> list[tuple[float, float]]:
    """(demand, correction wanted there) of a member, from every place at which both were read.

    The demand is the one that would drive the lead to its reported position: so it does not matter which actuator led,
    nor whether it reached its demand exactly.

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
    """Why the lead's sweep does not count; "" if it does."""
    wanted = [standing_deg(one.fraction, lead.snapshot.working) for one in carried]
    went = [one.reported_deg[lead.address] for one in carried]
    way_deg, led_deg = max(wanted) - min(wanted), max(went) - min(went)
    if led_deg >= LEAST_LED * way_deg:
        return ""
    return (
        f"{lead.role.function} leads and moved {led_deg:.2f} of {way_deg:.2f} deg: it or the surface is blocked, or "
        "its drive is off. Free it, or take less of the travel with --reach"
    )


def carried_reasons(subjects: Sequence[Subject], carried: Sequence[Station]) -> list[str]:
    """Why a member was not carried along by the lead, the first of the subjects."""
    lead, *members = subjects
    reasons = [reason for member in members if (reason := _carried_reason(lead, member, carried))]
    if len(reasons) == len(members) > 1:
        reasons.append(f"no member was carried along: look at the rod of {lead.role.function} first, which leads")
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
    """Why a table cannot be used: it clips at its limits, or the angle would not rise with the demand.

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
    """The step of an actuator's sensor, deg: the largest on whose grid all readings lie, at least that of a usual
    sensor.

    Few readings may all lie two steps or more apart, so the least gap alone would be too large a step. A reading is
    rounded to 0.01 deg, so it may be off the grid by that much.
    """
    seen = sorted({look for one in readings for look in one.looks_cdeg[address]})
    least = min((after - before for before, after in pairwise(seen)), default=0)
    for parts in range(1, 1 + int(least / (100 * USUAL_STEP_DEG))):
        step = least / parts
        if all(abs(gap - step * round(gap / step)) <= 1 for gap in (look - seen[0] for look in seen)):
            return max(USUAL_STEP_DEG, step / 100)
    return USUAL_STEP_DEG


def noise_reason(lead: Subject, member: Subject, fit: TableFit, readings: Sequence[Station]) -> Iterator[str]:
    """Why the error that a table leaves cannot be noise of the two sensors."""
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
    """The mismatch, deg, that is not distinguishable from noise, or against which no drive works: two actuators may
    each stand a dead band off their demand, on opposite sides."""
    dead_band = member.snapshot.working["dead-band"]
    assert isinstance(dead_band, int)
    return max(2 * dead_band / 100, NOISE_REACHED * noise_deg)
