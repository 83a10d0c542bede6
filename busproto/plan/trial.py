"""Proving an airframe by moving it: started softly, centred, moved each way, and the signal taken away.

What each actuator did is measured and held against the plan, not against what it is set to. Whoever calls this has
shown the cautions. However it ends, everyone is told to go limp.

How the soft start is measured: with a soft start of T and a speed limit v, an arm has gone v t^2 / 2T after t < T,
and v (t - T/2) later. Each sample of place and time so gives a T; the median is taken. An arm that is slower than v
for another reason looks softer than it is, never harder.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final

from busproto.errors import ReplyTimeoutError
from busproto.ops.demand_units import degrees_to_share, share_to_degrees
from busproto.ops.motion import (
    ARRIVED_CDEG,
    DEMAND_PERIOD_NS,
    LOSS_ACTION_OF_STATE,
    demand,
    demand_channels,
    is_limp,
    release_all,
    report,
    restart,
)
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.survey import Sheet
from busproto.plan.load import Seat
from busproto.wire.messages import State, Status
from busproto.wire.parameters import RawValue, parameter_named

MS: Final = 1_000_000
START_SHARE: Final = 0.3
LEAST_WAY_DEG: Final = 1.0
"""Sampled ways shorter than this say little: the sensor's step is a twentieth of it."""
SOFT_START_SLACK_MS: Final = 60.0
SOFT_START_SLACK: Final = 0.2
LOSS_EARLY_MS: Final = 30.0
LOSS_LATE_MS: Final = 100.0
"""How far the measured time of a loss may be from the planned one, beyond the time between two looks."""
SETTLED_CDEG: Final = 50
RESTART_NS: Final = 300 * MS
LONGEST_NS: Final = 8_000 * MS
WATCH_NS: Final = 1_500 * MS


@dataclass(frozen=True, slots=True)
class Bench:
    """One actuator under trial.

    Attributes:
        seat: what is planned.
        sheet: what was read of it; it is alone at the planned address.
    """

    seat: Seat
    sheet: Sheet

    @property
    def address(self) -> int:
        """1..239."""
        return self.sheet.address

    def planned(self, name: str) -> int:
        """A planned setting, raw; never a table."""
        raw = self.seat.settings[name]
        assert isinstance(raw, int)
        return raw

    @property
    def speed_deg_s(self) -> float:
        """The highest speed it can have: its slew limit, or what its model can do."""
        raw = self.sheet.working["slew-limit"]
        assert isinstance(raw, int)
        return min(raw / 10, float(self.sheet.description.no_load_speed_deg_s))


@dataclass
class Findings:
    """What was found out about one actuator; None for what was not tried.

    Attributes:
        limp_at_start: limp after a restart, until the first demand.
        soft_start_ms: as measured.
        centred_at_deg: where it stood at demand 0.
        reached_deg: the furthest it stood below and above its neutral when moved each way, and what was demanded.
        loss_action: what it did when the signal was taken away; "" for nothing.
        loss_after_ms: between which two moments after the last demand it began.
        faults: what is wrong, in words; empty where all is as planned.
    """

    limp_at_start: bool | None = None
    soft_start_ms: float | None = None
    centred_at_deg: float | None = None
    reached_deg: dict[str, tuple[float, float]] = field(default_factory=dict)
    loss_action: str | None = None
    loss_after_ms: tuple[float, float] | None = None
    faults: list[str] = field(default_factory=list)


PARTS: Final = ("start", "centre", "move", "loss")
"""The parts of a trial, in their order."""


def trial(benches: Sequence[Bench], parts: Sequence[str], share: float) -> Steps[dict[int, Findings]]:
    """Do the parts of a trial; gives the findings by address.

    Args:
        benches: whom to try; each has an address of its own.
        parts: of PARTS.
        share: how far each is moved from its centre, 0..1 of half its travel.
    """
    findings = {bench.address: Findings() for bench in benches}
    try:
        for number, bench in enumerate(benches):
            if "start" in parts:
                yield Progress("starting softly", number, len(benches))
                yield from _start(bench, findings[bench.address])
            yield from _restarted(bench)
        if {"centre", "move", "loss"} & set(parts):
            yield from _centre(benches, findings)
        if "move" in parts:
            yield from _move(benches, findings, share)
        if "loss" in parts:
            yield from _lose(benches, findings)
    finally:
        yield from release_all()
    return findings


# --- soft start -----------------------------------------------------------------------------------------------


def _restarted(bench: Bench) -> Steps[Status]:
    """Start an actuator again, as after power-up, and hear what it says then."""
    yield from restart(bench.address)
    began_ns = yield from now()
    while True:
        try:
            return (yield from report(bench.address))
        except ReplyTimeoutError:
            if (yield from now()) - began_ns > RESTART_NS:
                raise
            yield Pause(DEMAND_PERIOD_NS)


def _start(bench: Bench, found: Findings) -> Steps[None]:
    status = yield from _restarted(bench)
    found.limp_at_start = is_limp(status)
    if not found.limp_at_start:
        found.faults.append("it does not stay limp after power-up")
    here = degrees_to_share(status.position_cdeg / 100, bench.sheet.working)
    target = max(-1.0, min(1.0, here + (START_SHARE if here < 0 else -START_SHARE)))
    way_deg = abs(share_to_degrees(target, bench.sheet.working) - status.position_cdeg / 100)
    began_ns = yield from now()
    samples: list[tuple[float, float]] = []
    start_cdeg = 0
    while True:
        moving = yield from demand(bench.address, target)
        passed_ns = (yield from now()) - began_ns
        if not samples:  # it took hold when it heard this one, an answer's length ago
            began_ns, passed_ns, start_cdeg = began_ns + passed_ns, 0, moving.position_cdeg
        gone_deg = abs(moving.position_cdeg - start_cdeg) / 100
        samples.append((passed_ns / 1e9, gone_deg))
        if gone_deg > 0.9 * way_deg or passed_ns > LONGEST_NS:
            break
    found.soft_start_ms = soft_start_ms(samples, bench.speed_deg_s)
    wanted_ms = float(bench.planned("soft-start"))
    if found.soft_start_ms is None:
        found.faults.append("it did not move at its first demand")
    elif found.soft_start_ms < wanted_ms - max(SOFT_START_SLACK_MS, SOFT_START_SLACK * wanted_ms):
        found.faults.append(f"its soft start takes {found.soft_start_ms:.0f} ms, planned {wanted_ms:.0f} ms")


def soft_start_ms(samples: Iterable[tuple[float, float]], speed_deg_s: float) -> float | None:
    """The soft start that fits samples of (time since the start, s; way, deg), ms; None where the arm hardly moved."""
    fits = []
    for time_s, way_deg in samples:
        if way_deg < LEAST_WAY_DEG:
            continue
        if way_deg <= speed_deg_s * time_s / 2:
            fits.append(speed_deg_s * time_s * time_s / (2 * way_deg))
        else:
            fits.append(2 * (time_s - way_deg / speed_deg_s))
    return max(0.0, 1000 * median(fits)) if fits else None


# --- centre and move ------------------------------------------------------------------------------------------


def _drive(
    benches: Sequence[Bench], shares: Mapping[int, float], is_settled: Callable[[Mapping[int, Status]], bool]
) -> Steps[dict[int, Status]]:
    """Demand shares by channel and hear reports in turn, until what is heard has settled, or for too long."""
    ask = demand_channels(shares)
    shortest_ns = min(bench.planned("loss-time-out") for bench in benches) * MS
    period_ns = min(DEMAND_PERIOD_NS, shortest_ns // 3)
    began_ns = yield from now()
    demanded_ns = began_ns - period_ns
    reports: dict[int, Status] = {}
    while True:
        for bench in benches:
            if (yield from now()) - demanded_ns >= period_ns:
                demanded_ns = yield from now()
                yield from exchange(ask)
            reports[bench.address] = yield from report(bench.address)
        time_ns = yield from now()
        if time_ns - began_ns > LONGEST_NS or (time_ns - began_ns > period_ns and is_settled(reports)):
            yield from exchange(ask)
            return reports


def _have_arrived(reports: Mapping[int, Status]) -> bool:
    return all(
        one.state is State.FOLLOWING and abs(one.position_cdeg - one.demand_cdeg) <= ARRIVED_CDEG
        for one in reports.values()
    )


def _centre(benches: Sequence[Bench], findings: Mapping[int, Findings]) -> Steps[None]:
    yield Progress("centring", 0, 1)
    reports = yield from _drive(benches, {bench.seat.channel: 0.0 for bench in benches}, _have_arrived)
    for bench in benches:
        status, found = reports[bench.address], findings[bench.address]
        found.centred_at_deg = status.position_cdeg / 100
        wanted_deg = bench.planned("neutral") / 100
        if is_limp(status) or abs(found.centred_at_deg - wanted_deg) > SETTLED_CDEG / 100:
            found.faults.append(f"centred it stands at {found.centred_at_deg:.2f} deg, planned {wanted_deg:.2f} deg")
    yield Progress("centring", 1, 1)


def _move(benches: Sequence[Bench], findings: Mapping[int, Findings], share: float) -> Steps[None]:
    channels = sorted({bench.seat.channel for bench in benches})
    still = dict.fromkeys(channels, 0.0)
    for number, channel in enumerate(channels):
        yield Progress("moving", number, len(channels))
        for name, to in (("low", -share), ("high", share)):
            reports = yield from _drive(benches, {**still, channel: to}, _have_arrived)
            for bench in benches:
                if bench.seat.channel == channel:
                    _judge_move(bench, findings[bench.address], reports[bench.address], name, to)
        yield from _drive(benches, still, _have_arrived)
    yield Progress("moving", len(channels), len(channels))


def _judge_move(bench: Bench, found: Findings, status: Status, name: str, share: float) -> None:
    settings: dict[str, RawValue] = {**bench.sheet.working, **bench.seat.settings}
    low, high = (bench.planned(end) / 100 for end in ("end-low", "end-high"))
    wanted_deg = min(high, max(low, share_to_degrees(share, settings)))
    at_deg = status.position_cdeg / 100
    found.reached_deg[name] = (at_deg, wanted_deg)
    if abs(at_deg - wanted_deg) > SETTLED_CDEG / 100:
        found.faults.append(f"at {share * 100:+.0f} % it stands at {at_deg:.2f} deg, planned {wanted_deg:.2f} deg")


# --- loss -----------------------------------------------------------------------------------------------------


def _lose(benches: Sequence[Bench], findings: Mapping[int, Findings]) -> Steps[None]:
    """Take the demand away and watch what each does, when, and where it ends."""
    before = yield from _drive(benches, {bench.seat.channel: 0.0 for bench in benches}, _have_arrived)
    began_ns = yield from now()
    looked_ms = dict.fromkeys(before, 0.0)
    longest_ns = max(bench.planned("loss-time-out") for bench in benches) * MS + WATCH_NS
    last: dict[int, Status] = dict(before)
    while True:
        for bench in benches:
            found = findings[bench.address]
            status = yield from report(bench.address)
            last[bench.address] = status
            passed_ms = ((yield from now()) - began_ns) / MS
            action = LOSS_ACTION_OF_STATE.get(status.state, "")
            if action and found.loss_after_ms is None:
                found.loss_action, found.loss_after_ms = action, (looked_ms[bench.address], passed_ms)
            looked_ms[bench.address] = passed_ms
        passed_ns = (yield from now()) - began_ns
        acted = sum(findings[bench.address].loss_after_ms is not None for bench in benches)
        yield Progress("watching the loss of the signal", acted, len(benches))
        if passed_ns >= longest_ns and (passed_ns >= LONGEST_NS or _have_come_to_rest(benches, last)):
            break
    for bench in benches:
        _judge_loss(bench, findings[bench.address], before[bench.address], last[bench.address])


def _have_come_to_rest(benches: Sequence[Bench], last: Mapping[int, Status]) -> bool:
    return all(
        last[bench.address].state is not State.LOST_PRESET
        or abs(last[bench.address].position_cdeg - last[bench.address].demand_cdeg) <= ARRIVED_CDEG
        for bench in benches
    )


def _judge_loss(bench: Bench, found: Findings, before: Status, last: Status) -> None:
    wanted = parameter_named("loss-action").text(bench.planned("loss-action"))
    due_ms = bench.planned("loss-time-out")
    if found.loss_after_ms is None:
        found.loss_action = ""
        found.faults.append(f"the signal gone, it does nothing within {due_ms} ms and a while; planned {wanted}")
        return
    if found.loss_action != wanted:
        found.faults.append(f"the signal gone, its action is {found.loss_action}, planned {wanted}")
    early_ms, late_ms = found.loss_after_ms
    if late_ms < due_ms - LOSS_EARLY_MS or early_ms > due_ms + LOSS_LATE_MS:
        found.faults.append(f"it acts {late_ms:.0f} ms after the last demand, planned {due_ms} ms")
    if found.loss_action == "hold" and abs(last.position_cdeg - before.position_cdeg) > SETTLED_CDEG:
        found.faults.append(
            f"holding, it went from {before.position_cdeg / 100:.2f} to {last.position_cdeg / 100:.2f} deg"
        )
    if found.loss_action == "limp" and not is_limp(last):
        found.faults.append("it went limp, and then took hold again")
    if found.loss_action == "preset":
        low, high = bench.planned("end-low"), bench.planned("end-high")
        wanted_cdeg = min(high, max(low, bench.planned("preset")))
        if abs(last.position_cdeg - wanted_cdeg) > SETTLED_CDEG:
            at = f"{last.position_cdeg / 100:.2f} deg, planned {wanted_cdeg / 100:.2f} deg"
            found.faults.append(f"its preset ends at {at}")


# --- as data ----------------------------------------------------------------------------------------------------


def findings_json(bench: Bench, found: Findings) -> dict[str, Any]:
    """What was found about one actuator, as data; a trial file is a list of these."""
    return {
        "function": bench.seat.function,
        "uid": bench.sheet.uid.hex(),
        "address": bench.address,
        "limp_at_start": found.limp_at_start,
        "soft_start_ms": None if found.soft_start_ms is None else round(found.soft_start_ms),
        "centred": None if found.centred_at_deg is None else not any("centred" in one for one in found.faults),
        "centred_at_deg": found.centred_at_deg,
        "moved": {
            name: {"at_deg": at, "planned_deg": round(wanted, 2)} for name, (at, wanted) in found.reached_deg.items()
        },
        "loss_action": found.loss_action,
        "loss_after_ms": None if found.loss_after_ms is None else [round(one) for one in found.loss_after_ms],
        "passed": not found.faults,
        "faults": found.faults,
    }
