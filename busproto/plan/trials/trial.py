"""Prove an airframe by moving it: soft start, centre, a move to each side, and the loss of the signal.

The movement of each actuator is measured and compared with the plan, not with its settings. The caller must have shown
the cautions. However it ends, all are released and the result holds what was seen.

How the soft start is measured: with a soft start of T and a speed limit v, an arm has gone v t^2 / 2T after t < T,
and v (t - T/2) later. Each sample of place and time so gives a T; the median is taken. An arm that is slower than v
for another reason looks softer than it is, never harder.

`longest_ns` gives the longest time it takes. An actuator whose reports make no sense (a position beyond its stops, or a
faster movement than its model allows) is released and left out of the rest. After an actuator did not arrive once, it
is waited for no longer than its way takes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final

from busproto.errors import ReplyTimeoutError
from busproto.ops.holding import Held, require_parameter
from busproto.ops.moving.demand_units import degrees_to_fraction, limited_deg, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.moving.motion import (
    ARRIVED_CDEG,
    DEMAND_PERIOD_NS,
    LOSS_ACTION_OF_STATE,
    demand,
    demand_channels,
    is_limp,
    release,
    report,
    restart,
)
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.ops.survey import Snapshot, loss_action_of, require_parameters
from busproto.plan.load import Role
from busproto.wire.messages import State, Status
from busproto.wire.parameters import BY_NAME, RawValue, parameter_named

MS: Final = 1_000_000
START_FRACTION: Final = 0.3
LEAST_WAY_DEG: Final = 1.0
"""deg. Shorter ways are not evaluated: the sensor's step is a twentieth of this."""
SOFT_START_SLACK_MS: Final = 60.0
SOFT_START_SLACK: Final = 0.2
LOSS_EARLY_MS: Final = 30.0
LOSS_LATE_MS: Final = 100.0
"""ms. Allowed deviation of the measured loss time-out from the planned one, beyond the time between two reports."""
SETTLED_CDEG: Final = 50
RESTART_NS: Final = 300 * MS
LONGEST_NS: Final = 8_000 * MS
WATCH_NS: Final = 1_500 * MS
LATER_NS: Final = 1_000 * MS
"""ns. After an actuator did not arrive once, it is waited for this long and twice its way."""
SLOW_EXCHANGE_NS: Final = 20 * MS
"""ns. The time of one exchange through a slow adapter."""
BEYOND_STOPS_CDEG: Final = BY_NAME["correction"].high
"""A sensor that is off by more than any correction table could mend is no sensor."""
NEEDED: Final = frozenset({"travel", "neutral", "direction", "end-low", "end-high", "slew-limit", "loss-time-out"})
"""Parameters without which nothing can be tried."""
TOO_FAST: Final = 2.0
"""No arm moves this many times as fast as its model without load."""


@dataclass(frozen=True, slots=True)
class Subject:
    """One actuator under trial.

    Attributes:
        role: what is planned.
        snapshot: what was read of it; it is alone at the planned address.
    """

    role: Role
    snapshot: Snapshot

    @property
    def address(self) -> int:
        """Address of the actuator, 1..239."""
        return self.snapshot.address

    def planned(self, name: str) -> int:
        """A planned setting, raw; never a table. Raises LacksParameterError where the actuator does not have it."""
        require_parameter(self.snapshot.parameters, self.address, name)
        raw = self.role.settings[name]
        assert isinstance(raw, int)
        return raw

    @property
    def settings(self) -> Mapping[str, RawValue]:
        """As planned; what is not planned (the correction table, which is measured) as the actuator reports it."""
        lacks = self.snapshot.parameters.lacks
        planned = {name: raw for name, raw in self.role.settings.items() if name not in lacks}
        return Held(self.address, {**self.snapshot.working, **planned}, self.snapshot.parameters)

    def standing_deg(self, fraction: float) -> float:
        """Where the plan has it stand for a share of its travel, by its own sensor, deg."""
        return standing_deg(fraction, self.settings, self.snapshot.description.mechanical_travel_cdeg)

    @property
    def speed_deg_s(self) -> float:
        """The highest speed it can have: its slew limit, or what its model can do."""
        raw = self.snapshot.working["slew-limit"]
        assert isinstance(raw, int)
        return min(raw / 10, float(self.snapshot.description.no_load_speed_deg_s))


@dataclass
class Findings:
    """The results of one actuator; None for a part that was not tried.

    Attributes:
        limp_at_start: limp after a restart, until the first demand.
        soft_start_ms: as measured.
        centred_at_deg: where it stood at demand 0.
        reached_deg: the furthest it stood below and above its neutral when moved each way, and what was demanded.
        loss_action: what it did when the signal was taken away; "" for nothing.
        loss_after_ms: between which two moments after the last demand it began.
        wrong: what is not as planned, in words, by the part of the trial that showed it.
    """

    limp_at_start: bool | None = None
    soft_start_ms: float | None = None
    centred_at_deg: float | None = None
    reached_deg: dict[str, tuple[float, float]] = field(default_factory=dict)
    loss_action: str | None = None
    loss_after_ms: tuple[float, float] | None = None
    wrong: dict[str, list[str]] = field(default_factory=dict)

    def add(self, part: str, text: str) -> None:
        """Add a difference from the plan, in words, under its part."""
        self.wrong.setdefault(part, []).append(text)

    @property
    def faults(self) -> tuple[str, ...]:
        """All that is wrong, in words; empty where all is as planned."""
        return tuple(text for texts in self.wrong.values() for text in texts)


PARTS: Final = ("start", "centre", "move", "loss")
"""The parts of a trial, in their order."""


@dataclass
class _Run:
    """A trial under way.

    Attributes:
        subjects: the actuators still in the trial.
        findings: by address.
        part: which part is being done.
        late: addresses of actuators that did not arrive once.
        seen: the last report of each: when, ns, and where, 0.01 deg.
    """

    subjects: list[Subject]
    findings: dict[int, Findings]
    part: str = "start"
    late: set[int] = field(default_factory=set)
    seen: dict[int, tuple[int, int]] = field(default_factory=dict)

    def makes_sense(self, subject: Subject, position_cdeg: int) -> Steps[bool]:
        """Whether the reported position is possible; if not, the actuator is released and taken out of the trial."""
        time_ns = yield from now()
        before_ns, before_cdeg = self.seen.get(subject.address, (time_ns, position_cdeg))
        self.seen[subject.address] = (time_ns, position_cdeg)
        about = subject.snapshot.description
        stop_cdeg, passed_s = about.mechanical_travel_cdeg / 2, (time_ns - before_ns) / 1e9
        most_cdeg = BEYOND_STOPS_CDEG + 100 * TOO_FAST * about.no_load_speed_deg_s * passed_s
        if abs(position_cdeg) > stop_cdeg + BEYOND_STOPS_CDEG:
            why = f"it reports {position_cdeg / 100:.2f} deg, its stops are at +-{stop_cdeg / 100:.2f} deg"
        elif abs(position_cdeg - before_cdeg) > most_cdeg:
            why = (
                f"from {before_cdeg / 100:.2f} to {position_cdeg / 100:.2f} deg in {passed_s * 1000:.0f} ms, its model "
                f"goes {about.no_load_speed_deg_s} deg/s at most"
            )
        else:
            return True
        self.findings[subject.address].add(
            self.part, f"its reports make no sense ({why}); it was left out from there on: look at its sensor and arm"
        )
        self.subjects.remove(subject)
        yield from release(subject.address)
        return False


def trial(
    subjects: Sequence[Subject], parts: Sequence[str], fraction: float, *, actuators: Collection[OnLine] | None = None
) -> Steps[tuple[dict[int, Findings], LetGo]]:
    """Do the parts of a trial, and let go however it ends; gives the findings by address, and what was seen at the end.

    Args:
        subjects: the actuators to try; each has an address of its own.
        parts: of PARTS.
        fraction: how far each is moved from its centre, 0..1 of half its travel.
        actuators: those that are known to be on the line, also those that are not tried; None: those that are tried.

    Raises:
        LacksParameterError: an actuator lacks a parameter that the trial needs; nothing was moved.
    """
    needed = {*NEEDED, *(("soft-start",) if "start" in parts else ()), *(("loss-action",) if "loss" in parts else ())}
    require_parameters((subject.snapshot for subject in subjects), needed)
    run = _Run(list(subjects), {subject.address: Findings() for subject in subjects})
    return (
        yield from ending_limp(_try(run, parts, fraction), actuators_at(subjects) if actuators is None else actuators)
    )


def actuators_at(subjects: Sequence[Subject]) -> list[OnLine]:
    """Those of a trial or a match, for letting go."""
    return [OnLine(one.address, one.snapshot.uid, loss_action_of(one.snapshot)) for one in subjects]


def _try(run: _Run, parts: Sequence[str], fraction: float) -> Steps[dict[int, Findings]]:
    subjects = tuple(run.subjects)
    for number, subject in enumerate(subjects):
        if "start" in parts:
            yield Progress("starting softly", number, len(subjects))
            yield from _start(run, subject)
        if subject in run.subjects:
            yield from run.makes_sense(subject, (yield from _restarted(subject)).position_cdeg)
    if {"centre", "move", "loss"} & set(parts) and run.subjects:
        run.part = "centre"
        yield from _centre(run)
    if "move" in parts and run.subjects:
        run.part = "move"
        yield from _move(run, fraction)
    if "loss" in parts and run.subjects:
        run.part = "loss"
        yield from _lose(run)
    return run.findings


def longest_ns(subjects: Sequence[Subject], parts: Sequence[str]) -> int:
    """How long a trial takes at most, whatever the actuators report; each has to answer, else it ends there."""
    channels = {subject.role.channel for subject in subjects}
    whole_ns = len(subjects) * ((2 if "start" in parts else 1) * RESTART_NS)
    drives = 1 + (3 * len(channels) if "move" in parts else 0) + ("loss" in parts)
    if "start" in parts:
        whole_ns += len(subjects) * LONGEST_NS
    if {"centre", "move", "loss"} & set(parts):
        # each can be late once; from then on it is waited for no longer than its way takes
        later_ns = max(_later_ns(subject) for subject in subjects)
        whole_ns += len(subjects) * LONGEST_NS + drives * max(later_ns, DEMAND_PERIOD_NS)
    if "loss" in parts:
        whole_ns += max(LONGEST_NS, max(subject.planned("loss-time-out") for subject in subjects) * MS + WATCH_NS)
    # each look at the clock comes behind a round at most
    return whole_ns + (2 * drives + 8) * len(subjects) * SLOW_EXCHANGE_NS


def _later_ns(subject: Subject) -> int:
    """How long an actuator is waited for after it did not arrive once, ns."""
    way_ns = subject.planned("travel") / 100 / subject.speed_deg_s * 1e9
    return min(LONGEST_NS, LATER_NS + round(2 * way_ns))


# --- soft start -----------------------------------------------------------------------------------------------


def _restarted(subject: Subject) -> Steps[Status]:
    """Start an actuator again, as after power-up, and hear what it says then."""
    yield from restart(subject.address)
    began_ns = yield from now()
    while True:
        try:
            return (yield from report(subject.address))
        except ReplyTimeoutError:
            if (yield from now()) - began_ns > RESTART_NS:
                raise
            yield Pause(DEMAND_PERIOD_NS)


def _start(run: _Run, subject: Subject) -> Steps[None]:
    found = run.findings[subject.address]
    status = yield from _restarted(subject)
    if not (yield from run.makes_sense(subject, status.position_cdeg)):
        return
    found.limp_at_start = is_limp(status)
    if not found.limp_at_start:
        found.add("start", "it does not stay limp after power-up")
    here = degrees_to_fraction(status.position_cdeg / 100, subject.snapshot.working)
    target = max(-1.0, min(1.0, here + (START_FRACTION if here < 0 else -START_FRACTION)))
    way_deg = abs(standing_deg(target, subject.snapshot.working) - status.position_cdeg / 100)
    began_ns = yield from now()
    samples: list[tuple[float, float]] = []
    start_cdeg = status.position_cdeg
    while True:
        moving = yield from demand(subject.address, target)
        if not (yield from run.makes_sense(subject, moving.position_cdeg)):
            return
        passed_ns = (yield from now()) - began_ns
        if not samples:  # it took hold when it heard this one, an answer's length ago
            began_ns, passed_ns, start_cdeg = began_ns + passed_ns, 0, moving.position_cdeg
        gone_deg = abs(moving.position_cdeg - start_cdeg) / 100
        samples.append((passed_ns / 1e9, gone_deg))
        if gone_deg > 0.9 * way_deg or passed_ns > LONGEST_NS:
            break
    found.soft_start_ms = soft_start_ms(samples, subject.speed_deg_s)
    wanted_ms = float(subject.planned("soft-start"))
    if found.soft_start_ms is None:
        found.add("start", "it did not move at its first demand")
    elif found.soft_start_ms < wanted_ms - max(SOFT_START_SLACK_MS, SOFT_START_SLACK * wanted_ms):
        found.add("start", f"its soft start takes {found.soft_start_ms:.0f} ms, planned {wanted_ms:.0f} ms")


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


def _drive(run: _Run, fractions: Mapping[int, float]) -> Steps[dict[int, Status]]:
    """Demand shares by channel and hear reports in turn, until all have arrived or were waited for long enough.

    Returns:
        The last report of each whose reports make sense, by address.
    """
    ask = demand_channels(fractions)
    shortest_ns = min(subject.planned("loss-time-out") for subject in run.subjects) * MS
    period_ns = min(DEMAND_PERIOD_NS, shortest_ns // 3)
    patience_ns = {
        subject.address: _later_ns(subject) if subject.address in run.late else LONGEST_NS for subject in run.subjects
    }
    began_ns = yield from now()
    demanded_ns = began_ns - period_ns
    reports: dict[int, Status] = {}
    while True:
        for subject in tuple(run.subjects):
            if (yield from now()) - demanded_ns >= period_ns:
                demanded_ns = yield from now()
                yield from exchange(ask)
            status = yield from report(subject.address)
            if (yield from run.makes_sense(subject, status.position_cdeg)):
                reports[subject.address] = status
            else:
                reports.pop(subject.address, None)
        passed_ns = (yield from now()) - began_ns
        missing = {address for address, one in reports.items() if not _has_arrived(one)}
        if passed_ns > period_ns and all(passed_ns > patience_ns[address] for address in missing):
            run.late |= missing
            yield from exchange(ask)
            return reports


def _has_arrived(status: Status) -> bool:
    return status.state is State.FOLLOWING and abs(status.position_cdeg - status.demand_cdeg) <= ARRIVED_CDEG


def _centre(run: _Run) -> Steps[None]:
    yield Progress("centring", 0, 1)
    reports = yield from _drive(run, {subject.role.channel: 0.0 for subject in run.subjects})
    for subject in run.subjects:
        status, found = reports[subject.address], run.findings[subject.address]
        found.centred_at_deg = status.position_cdeg / 100
        wanted_deg = subject.standing_deg(0.0)
        if is_limp(status) or abs(found.centred_at_deg - wanted_deg) > SETTLED_CDEG / 100:
            found.add("centre", f"centred it stands at {found.centred_at_deg:.2f} deg, planned {wanted_deg:.2f} deg")
    yield Progress("centring", 1, 1)


def _move(run: _Run, fraction: float) -> Steps[None]:
    channels = sorted({subject.role.channel for subject in run.subjects})
    still = dict.fromkeys(channels, 0.0)
    for number, channel in enumerate(channels):
        yield Progress("moving", number, len(channels))
        for name, to in (("low", -fraction), ("high", fraction)):
            if not run.subjects:
                return
            reports = yield from _drive(run, {**still, channel: to})
            for subject in run.subjects:
                if subject.role.channel == channel:
                    _judge_move(subject, run.findings[subject.address], reports[subject.address], name, to)
        if run.subjects:
            yield from _drive(run, still)
    yield Progress("moving", len(channels), len(channels))


def _judge_move(subject: Subject, found: Findings, status: Status, name: str, fraction: float) -> None:
    wanted_deg = subject.standing_deg(fraction)
    at_deg = status.position_cdeg / 100
    found.reached_deg[name] = (at_deg, wanted_deg)
    if abs(at_deg - wanted_deg) > SETTLED_CDEG / 100:
        found.add("move", f"at {fraction * 100:+.0f} % it stands at {at_deg:.2f} deg, planned {wanted_deg:.2f} deg")


# --- loss -----------------------------------------------------------------------------------------------------


def _lose(run: _Run) -> Steps[None]:
    """Take the demand away and watch what each does, when, and where it ends."""
    before = yield from _drive(run, {subject.role.channel: 0.0 for subject in run.subjects})
    if not run.subjects:
        return
    began_ns = yield from now()
    looked_ms = dict.fromkeys(before, 0.0)
    longest_ns = max(subject.planned("loss-time-out") for subject in run.subjects) * MS + WATCH_NS
    last: dict[int, Status] = dict(before)
    while run.subjects:
        for subject in tuple(run.subjects):
            found = run.findings[subject.address]
            status = yield from report(subject.address)
            if not (yield from run.makes_sense(subject, status.position_cdeg)):
                continue
            last[subject.address] = status
            passed_ms = ((yield from now()) - began_ns) / MS
            action = LOSS_ACTION_OF_STATE.get(status.state, "")
            if action and found.loss_after_ms is None:
                found.loss_action, found.loss_after_ms = action, (looked_ms[subject.address], passed_ms)
            looked_ms[subject.address] = passed_ms
        passed_ns = (yield from now()) - began_ns
        acted = sum(run.findings[subject.address].loss_after_ms is not None for subject in run.subjects)
        yield Progress("watching the loss of the signal", acted, len(run.subjects))
        if passed_ns >= longest_ns and (passed_ns >= LONGEST_NS or _have_come_to_rest(run.subjects, last)):
            break
    for subject in run.subjects:
        _judge_loss(subject, run.findings[subject.address], before[subject.address], last[subject.address])


def _have_come_to_rest(subjects: Sequence[Subject], last: Mapping[int, Status]) -> bool:
    return all(
        last[subject.address].state is not State.LOST_PRESET
        or abs(last[subject.address].position_cdeg - last[subject.address].demand_cdeg) <= ARRIVED_CDEG
        for subject in subjects
    )


def _judge_loss(subject: Subject, found: Findings, before: Status, last: Status) -> None:
    wanted = parameter_named("loss-action").text(subject.planned("loss-action"))
    due_ms = subject.planned("loss-time-out")
    if found.loss_after_ms is None:
        found.loss_action = ""
        found.add("loss", f"the signal gone, it does nothing within {due_ms} ms and a while; planned {wanted}")
        return
    if found.loss_action != wanted:
        found.add("loss", f"the signal gone, its action is {found.loss_action}, planned {wanted}")
    early_ms, late_ms = found.loss_after_ms
    if late_ms < due_ms - LOSS_EARLY_MS or early_ms > due_ms + LOSS_LATE_MS:
        found.add("loss", f"it acts {late_ms:.0f} ms after the last demand, planned {due_ms} ms")
    if found.loss_action == "hold" and abs(last.position_cdeg - before.position_cdeg) > SETTLED_CDEG:
        found.add(
            "loss", f"holding, it went from {before.position_cdeg / 100:.2f} to {last.position_cdeg / 100:.2f} deg"
        )
    if found.loss_action == "limp" and not is_limp(last):
        found.add("loss", "it went limp, and then took hold again")
    if found.loss_action == "preset":
        stops_cdeg = subject.snapshot.description.mechanical_travel_cdeg
        wanted_deg = limited_deg(subject.planned("preset") / 100, subject.settings, stops_cdeg)
        if abs(last.position_cdeg / 100 - wanted_deg) > SETTLED_CDEG / 100:
            at = f"{last.position_cdeg / 100:.2f} deg, planned {wanted_deg:.2f} deg"
            found.add("loss", f"its preset ends at {at}")


# --- as data ----------------------------------------------------------------------------------------------------


def findings_json(subject: Subject, found: Findings) -> dict[str, Any]:
    """What was found about one actuator, as data; a trial file is a list of these."""
    return {
        "function": subject.role.function,
        "uid": subject.snapshot.uid.hex(),
        "address": subject.address,
        "limp_at_start": found.limp_at_start,
        "soft_start_ms": None if found.soft_start_ms is None else round(found.soft_start_ms),
        "centred": None if found.centred_at_deg is None else "centre" not in found.wrong,
        "centred_at_deg": found.centred_at_deg,
        "throws": {
            name: {"position_deg": at, "planned_deg": round(wanted, 2)}
            for name, (at, wanted) in found.reached_deg.items()
        },
        "loss_action_seen": found.loss_action,
        "loss_after_ms": None if found.loss_after_ms is None else [round(one) for one in found.loss_after_ms],
        "as_planned": not found.faults,
        "problems": list(found.faults),
        "problems_by_part": {part: list(texts) for part, texts in found.wrong.items()},
    }
