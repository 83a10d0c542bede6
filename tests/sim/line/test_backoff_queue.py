"""Many backoffs on one line: those that sleep and catch up do exactly what those do that count all the time.

`Awake` is the backoff in its plain form: it has an event of its own at all times, and acts on each start bit and each
end of one. Whatever happens on the line, both send at the same moments.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

from hypothesis import example, given
from hypothesis import strategies as st

from busproto.sim.kernel import LINE_FIRST, Event, Kernel
from busproto.sim.line.backoff import TIDY_ABOVE, Backoff, backoff_queue_of
from busproto.sim.line.hearing import Ear, Reception
from busproto.sim.line.line import Line
from busproto.sim.line.waveform import PPM, mixed
from busproto.wire.timing import (
    DETECT_NS,
    FIRST_SLOT_NS,
    MINI_SLOT_NS,
    ORDERED_SLOT_LEAD_NS,
    ORDERED_SLOT_NS,
    START_JITTER_NS,
    START_LEAD_NS,
)
from tests.sim.helpers import MS, Tap

BAUD = 1_000_000
BYTE_NS = 10_000


class Awake:
    """The plain form."""

    def __init__(
        self,
        line: Line,
        slots: int,
        jitter: Callable[[int], int],
        send: Callable[[], None],
        *,
        query_end_ns: int,
        clock_ppm: int,
        slot_ns: int,
        lead_ns: int,
    ) -> None:
        self._line = line
        self._left = slots
        self._jitter = jitter
        self._send = send
        self._event: Event | None = None
        self._lead_ns = lead_ns
        self._slot_ns = slot_ns * PPM // (PPM + clock_ppm)
        self._counting_from_ns = query_end_ns + FIRST_SLOT_NS * PPM // (PPM + clock_ppm)
        line.watch(self)
        if not line.is_busy:
            self._schedule()

    def cancel(self) -> None:
        self._line.unwatch(self)
        if self._event is not None:
            self._event.cancel()

    def line_busy(self, time_ns: int) -> None:
        if self._event is None or self._event.time_ns < time_ns + DETECT_NS:
            return
        self._event.cancel()
        self._event = None
        passed = max(0, time_ns - self._counting_from_ns) // self._slot_ns
        self._left -= min(passed, self._left)

    def line_idle(self, time_ns: int) -> None:
        if self._event is None:
            self._counting_from_ns = max(time_ns, self._counting_from_ns)
            if self._counting_from_ns == time_ns:
                self._left = max(1, self._left)
            self._schedule()

    def _schedule(self) -> None:
        begin_ns = self._counting_from_ns + self._left * self._slot_ns + self._lead_ns
        self._event = self._line.kernel.at(begin_ns + self._jitter(self._counting_from_ns), self._due)

    def _due(self) -> None:
        self._event = None
        if self._line.seen_busy(self._line.kernel.now_ns):
            self._left = 0
            return
        self._line.unwatch(self)
        self._send()


@dataclass(frozen=True)
class One:
    """One that waits.

    Attributes:
        begins_ns: when its wait begins; None for the end of each query, as one that heard it.
        cancel_ns: when it is cancelled, None for never.
        says: how many bytes it sends; 0 where it is mute.
    """

    slots: int
    begins_ns: int | None = None
    clock_ppm: int = 0
    in_order: bool = False
    cancel_ns: int | None = None
    says: int = 1
    widest_ns: int = START_JITTER_NS


@dataclass(frozen=True)
class Other:
    """What another device puts on the line; `lasts_ns` where it breaks off earlier than at its end."""

    at_ns: int
    count: int = 1
    is_query: bool = False
    lasts_ns: int | None = None


@dataclass
class Run:
    """What is sent by those who wait, and when."""

    make: type[Backoff] | type[Awake]
    waiting: Sequence[One]
    others: Sequence[Other]
    kernel: Kernel = field(default_factory=Kernel)
    sent: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = Line(self.kernel, BAUD)
        run = self

        class Hearing(Tap):
            def heard_alike(self, reception: Reception, but: Sequence[Ear]) -> None:
                run.heard(reception)

            def heard_apart(self, ear: Ear, reception: Reception) -> None:
                run.heard(reception)

        self.line.listen(Hearing(self.line))

    def heard(self, reception: Reception) -> None:
        if any(type(sent.sender) is Other and sent.sender.is_query for sent in reception.transmissions):
            for number, one in enumerate(self.waiting):
                if one.begins_ns is None:
                    self.begin(number, one)

    def begin(self, number: int, one: One) -> None:
        def send() -> None:
            self.sent.append((self.kernel.now_ns, number))
            if one.says:
                self.line.transmit(number, b"\x5a" * one.says)

        made = self.make(
            self.line,
            one.slots,
            lambda from_ns: mixed(number << 50 ^ from_ns) % (one.widest_ns + 1),
            send,
            query_end_ns=self.kernel.now_ns,
            clock_ppm=one.clock_ppm,
            slot_ns=ORDERED_SLOT_NS if one.in_order else MINI_SLOT_NS,
            lead_ns=ORDERED_SLOT_LEAD_NS if one.in_order else START_LEAD_NS,
        )
        if one.cancel_ns is not None:
            self.first(self.kernel.now_ns + one.cancel_ns, made.cancel)

    def first(self, at_ns: int, action: Callable[[], object]) -> None:
        """Before all that those who wait do at that moment: in which order they act then is not part of the rules."""

        def act() -> None:
            action()

        self.kernel.at(at_ns, act, priority=LINE_FIRST)

    def play(self) -> list[tuple[int, int]]:
        for number, one in enumerate(self.waiting):
            if one.begins_ns is not None:
                self.first(one.begins_ns, partial(self.begin, number, one))
        for other in self.others:
            self.first(other.at_ns, partial(self.line.transmit, other, b"\x5a" * other.count))
            if other.lasts_ns is not None:
                self.first(other.at_ns + other.lasts_ns, partial(self.line.cut_off, other))
        self.kernel.run_until(100 * MS)
        return sorted(self.sent)


MOMENTS = st.integers(0, 3 * MS)
ONES = st.builds(
    One,
    slots=st.integers(0, 30),
    begins_ns=st.none() | MOMENTS,
    clock_ppm=st.integers(-30_000, 30_000) | st.just(0),
    in_order=st.booleans(),
    cancel_ns=st.none() | st.none() | MOMENTS,
    says=st.integers(0, 3),
    widest_ns=st.sampled_from([START_JITTER_NS, START_JITTER_NS, 0, 6_000]),
)
OTHERS = st.builds(
    Other,
    at_ns=MOMENTS,
    count=st.integers(1, 20),
    is_query=st.booleans(),
    lasts_ns=st.none() | st.integers(1, 60_000),
)


@given(st.lists(ONES, max_size=16), st.lists(OTHERS, max_size=10))
@example([One(place, in_order=True) for place in range(32)], [Other(0, is_query=True)])
@example([One(2), One(2, clock_ppm=10_000), One(3, says=0), One(9)], [Other(0, is_query=True), Other(600_000)])
@example(  # each pause is a slot by the fast clock, and none by the slow one
    [One(20, clock_ppm=30_000), One(22, clock_ppm=-30_000)],
    [Other(0, is_query=True), *(Other(540_000 + 48_000 * number) for number in range(10))],
)
def test_sleepers_send_when_those_do_that_count_all_the_time(waiting: list[One], others: list[Other]) -> None:
    assert Run(Backoff, waiting, others).play() == Run(Awake, waiting, others).play()


@given(st.integers(2, 60), st.integers(1, 12), st.integers(0, 2**40))
def test_a_full_window_too(count: int, slots: int, seed: int) -> None:
    """All hear one query, all clocks are a little off, many share a slot."""
    waiting = [
        One(mixed(seed + number) % slots, clock_ppm=mixed(seed - number) % 20_001 - 10_000) for number in range(count)
    ]
    query = [Other(0, is_query=True)]
    assert Run(Backoff, waiting, query).play() == Run(Awake, waiting, query).play()


def test_only_those_near_their_turn_have_an_event() -> None:
    """Sixty wait; the jitter of one alone is asked for before the first sends."""
    kernel = Kernel()
    line = Line(kernel, BAUD)
    asked: list[int] = []

    def jitter(number: int, _: int) -> int:
        asked.append(number)
        return 0

    line.transmit("host", b"\x5a")
    for number in range(60):
        Backoff(line, 2 * number, partial(jitter, number), lambda: None, query_end_ns=BYTE_NS)
    kernel.run_until(BYTE_NS + FIRST_SLOT_NS)
    assert asked == [0]


def test_those_cancelled_do_not_pile_up() -> None:
    """A host that asks anew without a pause, before anyone's turn comes: its old questions leave nothing behind."""
    kernel = Kernel()
    line = Line(kernel, BAUD)
    waiting: list[Backoff] = []
    for _ in range(200):
        line.transmit("host", b"\x5a")
        kernel.run_until(kernel.now_ns + BYTE_NS)
        before, waiting = waiting, []
        for number in range(40):  # as on the bus: each gives up its old wait, and begins its new one, in turn
            if before:
                before[number].cancel()
            waiting.append(Backoff(line, 20, lambda _: 0, lambda: None, query_end_ns=kernel.now_ns))
        kernel.run_until(kernel.now_ns + 1)
    backoff_queue = backoff_queue_of(line)
    assert len(backoff_queue._asleep) <= TIDY_ABOVE + 3 * 40
    assert len(backoff_queue._periods) <= 20
