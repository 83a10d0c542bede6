"""Steering by hand: a person moves one actuator, or all that follow a channel, by one command at a time.

The caller must have shown the cautions (`busproto.cautions`). Every actuator is limp until the first command that
moves; it then engages where its arm is. However the steering ends, also by Ctrl-C, all are released. A demand never
goes beyond the travel or the end limits of the actuators it is for.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from busproto.errors import InputError
from busproto.ops.moving.demand_units import degrees_to_fraction, standing_deg
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.moving.motion import (
    ARRIVED_CDEG,
    DEMAND_PERIOD_NS,
    demand,
    demand_channels,
    engage,
    release,
    report,
)
from busproto.ops.parameter_access import describe, read_all
from busproto.ops.steps import Pause, Progress, Steps, exchange, now
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import LIMP_STATES, MAX_CHANNELS, MAX_DEMAND, State, Status
from busproto.wire.parameters import RawValue, parameter_named

MS: Final = 1_000_000
SMALL_FRACTION: Final = 0.005
LARGE_FRACTION: Final = 0.1
SWEEP_FRACTION_PER_S: Final = 0.4
"""ns. A sweep from one end to the other takes 5 s."""
REPORTS_A_PERIOD: Final = 4
"""If more actuators than this follow a channel they report in turn, so that the demand is not late."""
COMMANDS_A_PERIOD: Final = 16
SETTLE_MARGIN_NS: Final = 1000 * MS
PERIODS_A_TIME_OUT: Final = 3


class Command(enum.Enum):
    """One command of the person who steers."""

    LESS = "a small step down"
    MORE = "a small step up"
    MUCH_LESS = "a large step down"
    MUCH_MORE = "a large step up"
    CENTRE = "centre"
    SWEEP = "sweep from end to end and back"
    LIMP = "limp, or engaged again"
    QUIT = "quit"


@dataclass(frozen=True, slots=True)
class Steered:
    """The actuators that are steered.

    Attributes:
        settings: by address, the raw settings by name.
        channel: 1..32 if demands go to a channel; 0 for one actuator by its address.
        low, high: the least and greatest demand, fraction of the travel.
    """

    settings: Mapping[int, Mapping[str, RawValue]]
    channel: int
    low: float
    high: float

    @property
    def addresses(self) -> tuple[int, ...]:
        """Addresses that are steered, 1..239 each."""
        return tuple(self.settings)


@dataclass(frozen=True, slots=True)
class View:
    """The state of the steering, for display.

    Attributes:
        fraction: demand, -1..+1 of the travel; None while all are limp.
        is_sweeping: whether a sweep is under way.
        end: -1 or +1 where the demand stands at the lower or upper end, else 0.
        reports: the last report of each actuator, by address.
    """

    fraction: float | None
    is_sweeping: bool
    end: int
    reports: Mapping[int, Status]


@dataclass(frozen=True, slots=True)
class Reached:
    """One command, and the state before the next one.

    Attributes:
        command: the command.
        fraction: the demand it led to, -1..+1; None for limp.
        at_end: the demand was cut off at an end of the travel.
        arrived: whether every arm came within 0.3 deg of its demand.
        reports: the last report of each actuator, by address.
    """

    command: Command
    fraction: float | None
    at_end: bool
    arrived: bool
    reports: Mapping[int, Status]


@dataclass(frozen=True, slots=True)
class Steering:
    """The result of a steering.

    Attributes:
        reached: each command, in order; quitting is none.
        peak_current_ma: the highest current that each actuator reported, mA, by address.
        let_go: what was seen after the release at the end.
    """

    reached: tuple[Reached, ...]
    peak_current_ma: Mapping[int, int]
    let_go: LetGo


def steer_address(address: int) -> Steps[Steered]:
    """Look at the actuator at an address (1..239) before it is steered.

    Raises:
        InputError: its end limits leave nothing of its travel.
        OperationError: no actuator answers there, or several do.
    """
    yield from describe(address)
    return _steered({address: (yield from read_all(address))}, 0)


def steer_channel(channel: int, addresses: Sequence[int]) -> Steps[Steered]:
    """Look which actuators at these addresses follow a channel (1..32), before they are steered.

    Raises:
        InputError: no such channel, or no actuator follows it, or the end limits of all together leave nothing of the
            travel.
    """
    if not 1 <= channel <= MAX_CHANNELS:
        raise InputError(f"channel {channel}: 1..{MAX_CHANNELS} are allowed")
    followers: dict[int, Mapping[str, RawValue]] = {}
    others: set[int] = set()
    for number, address in enumerate(addresses):
        yield Progress("looking which actuators follow the channel", number, len(addresses))
        if address == UNADDRESSED:
            continue
        settings = yield from read_all(address)
        follows = settings.get("channel")  # an actuator without this parameter follows no channel
        if follows == channel:
            followers[address] = settings
        elif isinstance(follows, int):
            others.add(follows)
    yield Progress("looking which actuators follow the channel", len(addresses), len(addresses))
    if not followers:
        used = ", ".join(map(str, sorted(others - {0}))) or "none"
        raise InputError(f"no actuator follows channel {channel}; channels in use: {used}")
    return _steered(followers, channel)


def _steered(settings: Mapping[int, Mapping[str, RawValue]], channel: int) -> Steered:
    """The actuators, with the part of the travel that the end limits of all of them leave. Raises InputError: none."""
    low, high = -1.0, 1.0
    for address, one in settings.items():
        ends = []
        for name in ("end-low", "end-high"):
            raw = one[name]
            assert isinstance(raw, int)
            ends.append(degrees_to_fraction(raw / 100, one))
        low, high = max(low, min(ends)), min(high, max(ends))
        if low > high:
            raise InputError(
                f"the end limits of the actuator at address {address} leave nothing of the travel to steer in"
            )
    return Steered(settings, channel, low, high)


class _Hand:
    """The state of one steering, changed by commands and by time. It sends nothing."""

    def __init__(self, steered: Steered, small: float, large: float, wants_settled: bool) -> None:
        self.steered = steered
        self.fraction: float | None = None
        self.reports: dict[int, Status] = {}
        self.peak_ma: dict[int, int] = {}
        self.reached: list[Reached] = []
        self.changed_ns = 0
        self.way: list[float] = []
        self._fresh: set[int] = set()
        self._steps = {
            Command.LESS: -small,
            Command.MORE: small,
            Command.MUCH_LESS: -large,
            Command.MUCH_MORE: large,
        }
        self._wants_settled = wants_settled
        self._last: Reached | None = None
        soft_ms, way_s = 0, 0.0
        for one in steered.settings.values():
            soft, travel, slew = one["soft-start"], one["travel"], one["slew-limit"]
            assert isinstance(soft, int)
            assert isinstance(travel, int)
            assert isinstance(slew, int)
            soft_ms, way_s = max(soft_ms, soft), max(way_s, travel / 100 / (slew / 10))
        self._patience_ns = soft_ms * MS + 2 * round(way_s * 1e9) + SETTLE_MARGIN_NS

    def period_ns(self) -> int:
        """The time between two demands, ns: short enough for the shortest loss time-out."""
        time_outs = [raw for one in self.steered.settings.values() if isinstance(raw := one["loss-time-out"], int)]
        return min(DEMAND_PERIOD_NS, min(time_outs) * MS // PERIODS_A_TIME_OUT)

    def where_it_is(self) -> float:
        """The demand, -1..+1, that leaves the first arm where it is, as near as the travel allows."""
        address, settings = next(iter(self.steered.settings.items()))
        return self._within(degrees_to_fraction(self.reports[address].position_cdeg / 100, settings))

    def _within(self, fraction: float) -> float:
        fraction = min(self.steered.high, max(self.steered.low, fraction))
        return round(fraction * MAX_DEMAND) / MAX_DEMAND

    def obey(self, command: Command, now_ns: int) -> None:
        """Change the demand by a command. For every command but LIMP the actuators must be engaged."""
        self.note_reached()
        self._begin(now_ns)
        at_end = False
        if command is Command.LIMP:
            self.fraction = None
        else:
            assert self.fraction is not None
            if command is Command.SWEEP:
                self.way = [self.steered.low, self.steered.high, self.fraction]
            else:
                wanted = 0.0 if command is Command.CENTRE else self.fraction + self._steps[command]
                self.fraction = self._within(wanted)
                at_end = abs(self.fraction - wanted) > 1 / MAX_DEMAND
        self._last = Reached(command, self.fraction, at_end, False, {})

    def _begin(self, now_ns: int) -> None:
        """The demand changes now: reports from before do not count for it."""
        self.way, self.changed_ns = [], now_ns
        self._fresh.clear()

    def heard(self, address: int, status: Status) -> None:
        """Note the report of an actuator."""
        self.reports[address] = status
        self.peak_ma[address] = max(self.peak_ma.get(address, 0), status.current_ma)
        self._fresh.add(address)

    def resume(self, command: Command, now_ns: int) -> None:
        """Go on after the actuators were engaged, from where the arms are."""
        self.note_reached()
        self._begin(now_ns)
        self.fraction = self.where_it_is()
        if command is Command.LIMP:
            self._last = Reached(command, self.fraction, False, False, {})

    def note_reached(self) -> None:
        """Keep the result of the last command, before the next one is taken."""
        if self._last is not None:
            self.reached.append(
                replace(self._last, fraction=self.fraction, arrived=self.has_arrived(), reports=dict(self.reports))
            )
            self._last = None

    def has_arrived(self) -> bool:
        """Whether every arm is where its demand puts it, or is limp if that was the command."""
        if len(self._fresh) < len(self.steered.settings):
            return False
        if self.fraction is None:
            return all(one.state in LIMP_STATES for one in self.reports.values())
        return not self.way and all(
            self._is_there(address, one, self.fraction) for address, one in self.reports.items()
        )

    def _is_there(self, address: int, status: Status, fraction: float) -> bool:
        """Whether the actuator follows, its arm stands at the reported goal, and the goal is that of the demand."""
        settings = self.steered.settings[address]
        wanted_cdeg = 100 * standing_deg(fraction, settings)
        return (
            status.state is State.FOLLOWING
            and abs(status.position_cdeg - status.demand_cdeg) <= ARRIVED_CDEG
            and abs(status.position_cdeg - wanted_cdeg) <= ARRIVED_CDEG
        )

    def is_ready(self, now_ns: int) -> bool:
        """Whether the next command may be taken."""
        if not self._wants_settled or self._last is None:
            return True
        since_ns = now_ns - self.changed_ns
        if self.way or since_ns < 2 * self.period_ns():  # a demand that was lost in noise has been repeated by then
            return False
        return self.has_arrived() or since_ns >= self._patience_ns

    def pass_time(self, duration_ns: int, now_ns: int) -> None:
        """Move the demand of a sweep on by `duration_ns`."""
        left = SWEEP_FRACTION_PER_S * duration_ns / 1e9
        while self.way and left > 0 and self.fraction is not None:
            way = self.way[0] - self.fraction
            if abs(way) <= left:
                left -= abs(way)
                self.fraction = self.way.pop(0)
                self.changed_ns = now_ns
            else:
                self.fraction += left if way > 0 else -left
                left = 0.0

    def view(self) -> View:
        """The state now, for display."""
        end = 0
        if self.fraction is not None:
            edge = 0.5 / MAX_DEMAND
            end = -1 if self.fraction <= self.steered.low + edge else int(self.fraction >= self.steered.high - edge)
        return View(self.fraction, bool(self.way), end, dict(self.reports))


def steer(
    steered: Steered,
    next_command: Callable[[], Command | None],
    on_view: Callable[[View], None],
    *,
    small: float = SMALL_FRACTION,
    large: float = LARGE_FRACTION,
    wants_settled: bool = False,
) -> Steps[Steering]:
    """Carry out commands until QUIT or an error, then release all.

    Args:
        steered: from `steer_address` or `steer_channel`.
        next_command: called once a period; returns None where there is no command.
        on_view: called once a period.
        small, large: the steps, fraction of the travel, above 0, at most 2.
        wants_settled: take the next command only when the arms have arrived, or have had enough time; for scripts.

    Raises:
        InputError: a step is outside its range; nothing was sent.
        OperationError: an actuator does not answer, or refuses because of a fault; all were released.
    """
    for name, fraction in (("small", small), ("large", large)):
        if not 0 < fraction <= 2:
            raise InputError(f"{name} step {fraction * 100:g} %: more than 0 and at most 200 % are allowed")
    hand = _Hand(steered, small, large, wants_settled)
    for address in steered.addresses:
        hand.heard(address, (yield from report(address)))
    loss = parameter_named("loss-action")
    actuators = [OnLine(address, loss_action=loss.text(one[loss.name])) for address, one in steered.settings.items()]
    _, seen = yield from ending_limp(_steer(hand, next_command, on_view), actuators, to_all=False)
    return Steering(tuple(hand.reached), dict(hand.peak_ma), seen)


def _steer(hand: _Hand, next_command: Callable[[], Command | None], on_view: Callable[[View], None]) -> Steps[None]:
    """Carry out commands until QUIT."""
    steered, addresses = hand.steered, hand.steered.addresses
    period_ns = hand.period_ns()
    turn = 0
    last_ns = yield from now()
    while True:
        now_ns = yield from now()
        hand.pass_time(now_ns - last_ns, now_ns)
        last_ns = now_ns
        command = None
        for _ in range(COMMANDS_A_PERIOD):  # repeated keys come faster than demands are sent
            command = next_command() if hand.is_ready(now_ns) else None
            if command is None or command is Command.QUIT:
                break
            yield from _obey(hand, command, now_ns)
        if command is Command.QUIT:
            break
        if hand.fraction is not None:
            yield from _demand(steered, hand.fraction)
        for _ in range(min(REPORTS_A_PERIOD, len(addresses))):
            address = addresses[turn % len(addresses)]
            turn += 1
            hand.heard(address, (yield from report(address)))
        on_view(hand.view())
        passed_ns = (yield from now()) - now_ns
        yield Pause(max(0, period_ns - passed_ns))
    hand.note_reached()


def _obey(hand: _Hand, command: Command, now_ns: int) -> Steps[None]:
    """Carry out one command. Where the actuators are limp and it moves, engage them where their arms are first."""
    if hand.fraction is None:
        for address in hand.steered.addresses:
            hand.reports[address] = yield from report(address)
            yield from engage(address)
        hand.resume(command, now_ns)
        if command is Command.LIMP:
            return
    elif command is Command.LIMP:
        for address in hand.steered.addresses:
            yield from release(address)
    hand.obey(command, now_ns)


def _demand(steered: Steered, fraction: float) -> Steps[None]:
    if steered.channel:
        yield from exchange(demand_channels({steered.channel: fraction}))
    else:
        yield from demand(steered.addresses[0], fraction)
