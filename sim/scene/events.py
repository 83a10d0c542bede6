"""Events of a scenario: faults, disturbances, a hand. Each kind is one table class, checked as it is read.

`happenings` gives the moments at which an event begins and ends, with the action at each. Times are seconds after
power-up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated, Final, Literal

import msgspec
from msgspec import Meta

from busproto import toml_source
from busproto.sim.bus import VirtualBus
from busproto.sim.line.hearing import Ear
from busproto.sim.line.waveform import BITS_PER_BYTE, bits_ns, rate_of

NS_PER_S: Final = 1_000_000_000
BABBLE_BYTES: Final = 8

Seconds = Annotated[float, Meta(ge=0, le=86_400)]
Rate = Annotated[float, Meta(ge=0, le=1)]
Degrees = Annotated[float, Meta(ge=-180, le=180)]
Name = Annotated[str, Meta(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f-\x9f]*$")]  # no control characters
Happening = tuple[float, Callable[[], object]]
Wrong = tuple[toml_source.Path, str]
"""A place in a scenario, and what is wrong there."""


class Table(msgspec.Struct, forbid_unknown_fields=True, rename="kebab", frozen=True):
    """Base of all tables of a scenario file: unknown keys are refused."""


class UnplugEvent(Table, frozen=True, tag_field="what", tag="unplug"):
    """The actuator loses power at `at`, and gets it back at `until` or never."""

    at: Seconds
    actuator: Name
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        actuator = bus.labelled(self.actuator)
        yield self.at, actuator.power_off
        if self.until is not None:
            yield self.until, actuator.power_on


class BrownOutEvent(Table, frozen=True, tag_field="what", tag="brown-out"):
    """The actuator loses power in the middle of a byte of its next transmission after `at`, for `lasting` s.

    With `every-time` it loses power in every transmission from then on.
    """

    at: Seconds
    actuator: Name
    after_bytes: Annotated[int, Meta(ge=0, le=127)] = 8
    lasting: Seconds = 0.05
    every_time: bool = False

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        actuator, off_ns = bus.labelled(self.actuator), round(self.lasting * NS_PER_S)
        yield self.at, lambda: actuator.brown_out_while_sending(self.after_bytes, off_ns, every_time=self.every_time)


class MuteEvent(Table, frozen=True, tag_field="what", tag="mute"):
    """The actuator hears requests and acts on them, but does not answer."""

    at: Seconds
    actuator: Name
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        actuator = bus.labelled(self.actuator)
        yield self.at, lambda: setattr(actuator, "is_mute", True)
        if self.until is not None:
            yield self.until, lambda: setattr(actuator, "is_mute", False)


class DeafEvent(Table, frozen=True, tag_field="what", tag="deaf"):
    """The actuator misses requests: a fraction `share` of them at random, or all.

    With `every`, this holds for `lasting` s out of every `every` s.
    """

    at: Seconds
    actuator: Name
    share: Rate = 1.0
    lasting: Annotated[float, Meta(gt=0, le=3600)] = 0.01
    every: Annotated[float, Meta(ge=0.001, le=3600)] | None = None
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, number: int) -> Iterator[Happening]:
        """See the module."""
        actuator, stream = bus.labelled(self.actuator), bus.kernel.stream(f"deaf {number}")

        def misses() -> bool:
            since_s = bus.kernel.now_ns / NS_PER_S - self.at
            is_now = self.every is None or since_s % self.every < self.lasting
            return is_now and stream.random() < self.share

        yield self.at, lambda: setattr(actuator, "misses", misses)
        if self.until is not None:
            yield self.until, lambda: setattr(actuator, "misses", None)


class DoubledEvent(Table, frozen=True, tag_field="what", tag="doubled"):
    """The actuator sends each reply twice, the second time some milliseconds after the first."""

    at: Seconds
    actuator: Name
    by_ms: Annotated[float, Meta(ge=0, le=1000)] = 0.2
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        actuator = bus.labelled(self.actuator)
        yield self.at, lambda: setattr(actuator, "repeats_after_ns", round(self.by_ms * 1e6))
        if self.until is not None:
            yield self.until, lambda: setattr(actuator, "repeats_after_ns", None)


class LateEvent(Table, frozen=True, tag_field="what", tag="late"):
    """The actuator answers some milliseconds too late, in discovery too.

    A late answer is dropped when the actuator hears another request; with `for-good` it is sent all the same.
    """

    at: Seconds
    actuator: Name
    by_ms: Annotated[float, Meta(ge=0, le=1000)]
    for_good: bool = False
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        actuator = bus.labelled(self.actuator)

        def begin() -> None:
            actuator.late_ns, actuator.late_for_good = round(self.by_ms * 1e6), self.for_good

        yield self.at, begin
        if self.until is not None:
            yield self.until, lambda: setattr(actuator, "late_ns", 0)


class BabbleEvent(Table, frozen=True, tag_field="what", tag="babble"):
    """The actuator's driver sends random bytes without end, independent of its firmware."""

    at: Seconds
    actuator: Name
    until: Seconds

    def happenings(self, bus: VirtualBus, number: int) -> Iterator[Happening]:
        """See the module."""
        stream = bus.kernel.stream(f"babble {number}")
        driver, end_ns = object(), round(self.until * NS_PER_S)
        rate = rate_of(bus.labelled(self.actuator).own_baud or bus.line.baud)

        def go_on() -> None:
            left_ns = end_ns - bus.kernel.now_ns
            count = min(BABBLE_BYTES, left_ns // bits_ns(BITS_PER_BYTE, rate))
            if count > 0:
                sent = bus.line.transmit(driver, stream.randbytes(count), rate=rate)
                bus.kernel.at(sent.end_ns, go_on)

        yield self.at, go_on


class NoiseEvent(Table, frozen=True, tag_field="what", tag="noise"):
    """Each byte has one bit flipped with probability `rate`, drawn for each listener by itself.

    `ears` selects the listeners: all, the host alone, all but the host, or one `actuator`.
    """

    at: Seconds
    rate: Rate
    ears: Literal["all", "host", "actuators"] = "all"
    actuator: Name | None = None
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        ends: list[Callable[[], None]] = []
        one = None if self.actuator is None else bus.labelled(self.actuator)

        def hits(ear: Ear) -> bool:
            if one is not None:
                return ear.owner is one
            return self.ears == "all" or (ear.owner is bus.host) == (self.ears == "host")

        yield self.at, lambda: ends.append(bus.line.add_noise(self.rate, hits))
        if self.until is not None:
            yield self.until, lambda: ends.pop()()


class BurstEvent(Table, frozen=True, tag_field="what", tag="burst"):
    """Random levels on the line for `lasting` s, again every `every` s up to `until`."""

    at: Seconds
    lasting: Annotated[float, Meta(gt=0, le=1)] = 0.001
    every: Annotated[float, Meta(ge=0.001, le=3600)] | None = None
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, number: int) -> Iterator[Happening]:
        """See the module."""
        stream, source = bus.kernel.stream(f"burst {number}"), object()

        def burst() -> None:
            now = bus.kernel.now_ns
            bus.line.disturb(source, now + round(self.lasting * NS_PER_S), stream)
            if self.every is not None and (self.until is None or now + self.every * NS_PER_S < self.until * NS_PER_S):
                bus.kernel.at(now + round(self.every * NS_PER_S), burst)

        yield self.at, burst


class StuckLowEvent(Table, frozen=True, tag_field="what", tag="stuck-low"):
    """The line is held low, as by a damaged driver or a short."""

    at: Seconds
    until: Seconds

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        yield self.at, lambda: bus.line.pull_low(object(), round(self.until * NS_PER_S))


class NoEchoEvent(Table, frozen=True, tag_field="what", tag="no-echo"):
    """The host does not hear its own bytes for a while."""

    at: Seconds
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        before = bus.host.echo
        yield self.at, lambda: setattr(bus.host, "echo", False)
        if self.until is not None:
            yield self.until, lambda: setattr(bus.host, "echo", before)


class AdapterEvent(Table, frozen=True, tag_field="what", tag="adapter"):
    """The host's adapter passes bytes on in batches, as USB ones do, and loses or doubles some."""

    at: Seconds
    batch_ms: Annotated[float, Meta(ge=0, le=16)] = 0.0
    drop_rate: Rate = 0.0
    double_rate: Rate = 0.0
    until: Seconds | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        yield self.at, lambda: bus.host.set_adapter(round(self.batch_ms * 1e6), self.drop_rate, self.double_rate)
        if self.until is not None:
            yield self.until, lambda: bus.host.set_adapter(0, 0.0, 0.0)


class SupplyEvent(Table, frozen=True, tag_field="what", tag="supply"):
    """The open-circuit voltage of the supply changes to `volts`."""

    at: Seconds
    volts: Annotated[float, Meta(ge=0, le=60)]

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        yield self.at, lambda: setattr(bus, "supply_mv", round(self.volts * 1000))


class HandEvent(Table, frozen=True, tag_field="what", tag="hand"):
    """A hand moves the arm, if it is limp, within `over` s; a driven arm does not yield."""

    at: Seconds
    actuator: Name
    to: Degrees
    over: Seconds = 0.5

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""
        arm = bus.labelled(self.actuator).arm
        yield self.at, lambda: arm.hand(self.to, round(self.over * NS_PER_S), bus.kernel.now_ns)


class AirspeedEvent(Table, frozen=True, tag_field="what", tag="airspeed"):
    """The airspeed changes at `at`, at one surface or at all, m/s."""

    at: Seconds
    speed: Annotated[float, Meta(ge=0, le=150)]
    surface: Name | None = None

    def happenings(self, bus: VirtualBus, _: int) -> Iterator[Happening]:
        """See the module."""

        def blow() -> None:
            for one in bus.surfaces if self.surface is None else (bus.surface(self.surface),):
                one.set_airspeed(self.speed)

        yield self.at, blow


EventTable = (
    UnplugEvent
    | BrownOutEvent
    | MuteEvent
    | DeafEvent
    | DoubledEvent
    | LateEvent
    | BabbleEvent
    | NoiseEvent
    | BurstEvent
    | StuckLowEvent
    | NoEchoEvent
    | AdapterEvent
    | SupplyEvent
    | HandEvent
    | AirspeedEvent
)


def schedule(bus: VirtualBus, events: list[EventTable]) -> None:
    """Put all events on the kernel's heap."""
    for number, event in enumerate(events):
        for at_s, action in event.happenings(bus, number):
            bus.kernel.at(round(at_s * NS_PER_S), _without_result(action))


def _without_result(action: Callable[[], object]) -> Callable[[], None]:
    def run() -> None:
        action()

    return run
