"""The shared line: the bits of all drivers on one wire or one pair, as each listener's UART receives them.

Rules: a transmission's bits are fixed when it begins. Where it is alone on the line, no fault is active, and all
clocks are near enough, its bytes arrive unchanged at its end (the fast path). Otherwise the waveform is formed, by
wired AND or as a differential pair whose level is undefined where drivers disagree, and each listener's own receiver
samples it, framing errors included. Both ways give the same bytes at the same moments; a test holds them together.
Not modelled: slopes, reflections, ground shift, drivers that enable late.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, MutableSequence, Sequence
from functools import partial

from busproto.sim.errors import LimitError
from busproto.sim.kernel import LINE_FIRST, Event, Kernel
from busproto.sim.line.hearing import Audience, Ear, LineKind, Reception, Transmission, Watcher
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import (
    BITS_PER_BYTE,
    bits_ns,
    differential,
    inverted_between,
    joined,
    mixed,
    rate_of,
    whole_bits,
    wired_and,
)
from busproto.wire.timing import DETECT_NS


class _Progress:
    """How much of the current transmissions one audience has received."""

    __slots__ = ("audience", "heard_until_ns", "passed_on")

    def __init__(self, audience: Audience) -> None:
        self.audience = audience
        self.passed_on = 0
        self.heard_until_ns = 0


class Line:
    """The medium.

    Attributes:
        kind: how drivers share it (`LineKind`).
        baud: nominal bits per second.
        frames: number of transmissions begun so far.
        overlaps: number of groups in which at least two transmissions overlapped.
        always_bits: the fast path is never taken (for tests and measurements).
        sampled: how often a waveform was sampled by receivers, in place of the fast path.
        record: when a list, every transmission is kept in it.
        flip_record: when a list, every flipped bit is kept in it: owner of the ear, begin, end.
    """

    def __init__(
        self,
        kernel: Kernel,
        baud: int,
        *,
        kind: LineKind = LineKind.OPEN_DRAIN,
        max_frames: int | None = None,
        always_bits: bool = False,
    ) -> None:
        self.kernel = kernel
        self.kind = kind
        self.baud = baud
        self.frames = 0
        self.overlaps = 0
        self.always_bits = always_bits
        self.sampled = 0
        self.record: MutableSequence[Transmission] | None = None
        self.flip_record: list[tuple[Ear, int, int]] | None = None
        self._max_frames = max_frames
        self._progress: list[_Progress] = []
        self._watchers: list[Watcher] = []
        self._driving: list[Transmission] = []
        self._group: list[Transmission] = []
        self._is_bitwise = False
        self._wave: list[int] | None = None
        self._in_wave = 0
        self._rest: Event | None = None
        self._busy_since_ns: int | None = None
        self._noises: list[tuple[float, Callable[[Ear], bool]]] = []
        self._odd_clocks: dict[tuple[int, int], bool] = {}
        self._undefined_seed = kernel.stream("undefined levels").getrandbits(63)

    # --- listeners --------------------------------------------------------------------------------------------

    def listen(self, audience: Audience) -> None:
        """Deliver to `audience` what its receivers hear from now on."""
        self._progress.append(_Progress(audience))

    def watch(self, watcher: Watcher) -> None:
        """Tell `watcher` when the line becomes busy and idle, until `unwatch`."""
        if watcher not in self._watchers:
            self._watchers.append(watcher)

    def unwatch(self, watcher: Watcher) -> None:
        """End of `watch`; harmless when it was not watching."""
        if watcher in self._watchers:
            self._watchers.remove(watcher)

    @property
    def watchers(self) -> Sequence[Watcher]:
        """The watchers, in the order in which they were added."""
        return self._watchers

    def seen_busy(self, time_ns: int) -> bool:
        """Whether a start bit can be detected at `time_ns`: detection takes DETECT_NS."""
        return self._busy_since_ns is not None and self._busy_since_ns + DETECT_NS <= time_ns

    @property
    def is_busy(self) -> bool:
        """Whether any driver drives the line now."""
        return bool(self._driving)

    def clocks_changed(self) -> None:
        """Call this when a receiver was added or has changed its rate."""
        self._odd_clocks.clear()

    def new_ear(self, owner: object, name: str, receiver: Receiver) -> Ear:
        """The receiver of a new listener; `name` names its random stream."""
        ear = Ear(owner, receiver, self.kernel.stream(f"noise at {name}"))
        self.clocks_changed()
        if self._noises:
            ear.set_flip_rate(self._flip_rate(ear))
        return ear

    def add_noise(self, rate_per_byte: float, hits: Callable[[Ear], bool] = lambda _: True) -> Callable[[], None]:
        """From now on each byte has one bit flipped with this probability, drawn for each listener by itself.

        Start and stop bits are hit like any other. `hits` tells which listeners; all unless given. Returns the
        function that ends it.
        """
        noise = (rate_per_byte, hits)
        self._noises.append(noise)
        self._noise_changed(hits)

        def end() -> None:
            if noise in self._noises:
                self._noises.remove(noise)
                self._noise_changed(hits)

        return end

    def _flip_rate(self, ear: Ear) -> float:
        unharmed = math.prod(1.0 - rate for rate, hits in self._noises if hits(ear))
        return float(1.0 - unharmed ** (1 / BITS_PER_BYTE))

    def _noise_changed(self, hits: Callable[[Ear], bool]) -> None:
        for progress in self._progress:
            for ear in progress.audience.ears:
                if hits(ear):
                    ear.set_flip_rate(self._flip_rate(ear))

    # --- driving ----------------------------------------------------------------------------------------------

    def transmit(self, sender: object, data: bytes, *, rate: int | None = None) -> Transmission:
        """Drive `data` (at least one byte) onto the line from now on, at the line's own rate where none is given.

        Raises:
            LimitError: more transmissions than the scenario allows.
        """
        return self._begin(Transmission(self.kernel.now_ns, data, rate or rate_of(self.baud), sender))

    def pull_low(self, sender: object, until_ns: int) -> Transmission:
        """Something holds the line low until then."""
        now = self.kernel.now_ns
        return self._begin(Transmission(now, b"", rate_of(self.baud), sender, edges=[now, until_ns], end_ns=until_ns))

    def disturb(self, sender: object, until_ns: int, stream: random.Random) -> Transmission:
        """A burst of random levels until then."""
        now = self.kernel.now_ns
        step_ns = max(1, bits_ns(1, rate_of(self.baud)) // 2)
        edges: list[int] = []
        for moment in range(now, until_ns, step_ns):
            if stream.getrandbits(1) != 1 - len(edges) % 2:
                edges.append(moment)
        if len(edges) % 2:
            edges.append(until_ns)
        return self._begin(Transmission(now, b"", rate_of(self.baud), sender, edges=edges, end_ns=until_ns))

    def _begin(self, sent: Transmission) -> Transmission:
        self.frames += 1
        if self._max_frames is not None and self.frames > self._max_frames:
            raise LimitError("frames", self._max_frames, "frames")
        if self.record is not None:
            self.record.append(sent)
        now = self.kernel.now_ns
        if self._group:
            if not self._is_bitwise or len(self._driving) == len(self._group):
                self.overlaps += 1
            self._go_bitwise()
            if self._rest is not None:
                self._rest.cancel()
            self._begin_to_attend(sent)
        self._group.append(sent)
        self._driving.append(sent)
        if self.always_bits or not sent.data:
            self._go_bitwise()
        self.kernel.at(sent.end_ns, partial(self._ended, sent), priority=LINE_FIRST)
        if len(self._driving) == 1:
            self._busy_since_ns = now
            for watcher in tuple(self._watchers):
                watcher.line_busy(now)
        return sent

    def _begin_to_attend(self, sent: Transmission) -> None:
        """Audiences that ignored the earlier senders but take this one look for start bits from now on."""
        before = [one.sender for one in self._group]
        for progress in self._progress:
            if progress.audience.attends([*before, sent.sender]) and not progress.audience.attends(before):
                progress.heard_until_ns = sent.start_ns
                for ear in progress.audience.ears:
                    ear.receiver.look_from(sent.start_ns)

    def _go_bitwise(self) -> None:
        """From here on the waveform of this group is sampled by each receiver."""
        if self._is_bitwise:
            return
        self._is_bitwise = True
        first = self._group[0]
        for progress in self._progress:
            progress.heard_until_ns = first.start_ns
            for ear in progress.audience.ears:
                if progress.passed_on:
                    progress.heard_until_ns = first.decided_ns(progress.passed_on - 1, ear.receiver)
                ear.receiver.look_from(progress.heard_until_ns)
                ear.flips.clear()
            progress.passed_on = 0

    def cut_off(self, sender: object) -> None:
        """The driver loses power: the rest of the current byte and all later bytes never reach the line."""
        now = self.kernel.now_ns
        for old in [one for one in self._driving if one.sender is sender]:
            kept = Transmission(old.start_ns, old.data[: old.complete_bytes(now)], old.rate, sender)
            self._driving.remove(old)
            self._group[self._group.index(old)] = kept
            self._wave = None
            if self.record is not None:
                self.record[self.record.index(old)] = kept
            self._finish(kept)

    def _ended(self, sent: Transmission) -> None:
        if sent in self._driving:
            self._driving.remove(sent)
            self._finish(sent)

    def _finish(self, sent: Transmission) -> None:
        now = self.kernel.now_ns
        if self._is_bitwise:
            busy_until_ns = self._hear(now)
            if not self._driving:
                self._close_group(busy_until_ns)
        else:
            self._group.clear()
            for progress in self._progress:
                self._pass_on(progress, sent, len(sent.data))
                progress.passed_on = 0
        if not self._driving:
            self._busy_since_ns = None
            for watcher in tuple(self._watchers):
                watcher.line_idle(now)

    def _close_group(self, busy_until_ns: int | None) -> None:
        """The end of a group, once no receiver is in the middle of a byte that a collision left behind."""
        if busy_until_ns is not None:
            self._rest = self.kernel.at(
                busy_until_ns, lambda: self._close_group(self._hear(busy_until_ns)), priority=LINE_FIRST
            )
            return
        self._group.clear()
        self._wave = None
        self._is_bitwise = False
        self._rest = None

    # --- hearing ----------------------------------------------------------------------------------------------

    def flush(self) -> None:
        """Deliver to eager audiences the bytes that have arrived of unfinished transmissions."""
        now = self.kernel.now_ns
        for progress in self._progress:
            if not progress.audience.is_eager:
                continue
            if self._is_bitwise:
                self._hear_by(progress, now)
            elif self._driving:
                sent, receiver = self._driving[0], progress.audience.ears[0].receiver
                self._pass_on(progress, sent, sent.decided_bytes(now, receiver))

    def _pass_on(self, progress: _Progress, sent: Transmission, complete: int) -> None:
        """The fast path: deliver those bytes of an undisturbed transmission that are complete and not yet delivered."""
        audience = progress.audience
        first, progress.passed_on = progress.passed_on, complete
        data = sent.data[first:complete]
        if not data or not audience.attends((sent.sender,)):
            return
        whole = Reception(data, (), (sent,), self.kernel.now_ns)
        apart: list[Ear] = []
        for ear in audience.ears if self._noises or self._has_odd_clocks(audience, sent.rate) else ():
            hits = ear.flips_within(len(data) * BITS_PER_BYTE)
            if hits or not ear.is_near(sent.rate):
                apart.append(ear)
                self._hear_flipped(audience, ear, sent, first, hits)
        audience.heard_alike(whole, apart)

    def _has_odd_clocks(self, audience: Audience, rate: int) -> bool:
        """Whether a receiver of this audience may misread a driver of this rate."""
        known = self._odd_clocks.get((id(audience), rate))
        if known is None:
            known = self._odd_clocks[id(audience), rate] = not all(ear.is_near(rate) for ear in audience.ears)
        return known

    def _hear_flipped(self, audience: Audience, ear: Ear, sent: Transmission, first: int, hits: list[int]) -> None:
        """One receiver samples an undisturbed transmission in which some bits are flipped for it alone."""
        edges: list[int] = sent.edges
        for hit in hits:
            bit = first * BITS_PER_BYTE + hit
            begin, end = (sent.start_ns + bits_ns(bit + step, sent.rate) for step in (0, 1))
            if self.flip_record is not None:
                self.flip_record.append((ear, begin, end))
            edges = inverted_between(edges, begin, end)
        ear.receiver.look_from(sent.start_ns + bits_ns(first * BITS_PER_BYTE, sent.rate))
        now = self.kernel.now_ns
        # what comes behind is idle: a byte that a flip has shifted ends there
        received, _ = ear.receiver.receive(edges, now + bits_ns(BITS_PER_BYTE, rate_of(self.baud)))
        received = [byte for byte in received if byte.start_ns < now]
        audience.heard_apart(ear, Reception(bytes(b.value for b in received), tuple(received), (sent,), now))

    def _hear(self, until_ns: int) -> int | None:
        """Each receiver samples the waveform of the group up to a moment.

        Returns when the last receiver will have finished its current byte, ns; None where none is within a byte.
        """
        ends = [end_ns for progress in self._progress if (end_ns := self._hear_by(progress, until_ns)) is not None]
        return max(ends, default=None)

    def _hear_by(self, progress: _Progress, until_ns: int) -> int | None:
        """As `_hear`, for one audience."""
        audience, rate = progress.audience, rate_of(self.baud)
        group = tuple(self._group)
        from_ns, progress.heard_until_ns = progress.heard_until_ns, until_ns
        if not audience.attends([one.sender for one in group]):
            return None
        self.sampled += 1
        wave = self._waveform()
        bits = max(0, whole_bits(until_ns - from_ns, rate))
        last_ns: int | None = None
        for ear in audience.ears:
            for hit in ear.flips_within(bits):
                begin, end = (from_ns + bits_ns(hit + step, rate) for step in (0, 1))
                ear.flips.append((begin, end))
                if self.flip_record is not None:
                    self.flip_record.append((ear, begin, end))
            edges = wave
            for begin, end in ear.flips:
                edges = inverted_between(edges, begin, end)
            received, end_ns = ear.receiver.receive(edges, until_ns)
            if end_ns is not None and (last_ns is None or end_ns > last_ns):
                last_ns = end_ns
            if received:
                data = bytes(byte.value for byte in received)
                audience.heard_apart(ear, Reception(data, tuple(received), group, until_ns))
        return last_ns

    def _waveform(self) -> list[int]:
        """The waveform of the group. The part before its newest transmission began is reused."""
        if self._wave is None:
            self._wave = self.waveform_of(self._group)
        elif newest := self._group[self._in_wave :]:
            from_ns = min(one.start_ns for one in newest)
            driving = [one for one in self._group if one.end_ns > from_ns]
            self._wave = joined(self._wave, self.waveform_of(driving), from_ns)
        self._in_wave = len(self._group)
        return self._wave

    def waveform_of(self, group: Sequence[Transmission]) -> list[int]:
        """The edges of the line while these transmissions are on it."""
        if self.kind is LineKind.OPEN_DRAIN or len(group) == 1:
            return wired_and(one.edges for one in group)
        drives = [(one.edges, one.start_ns, one.end_ns) for one in group]
        return differential(drives, bits_ns(1, rate_of(self.baud)), self._undefined_level)

    def _undefined_level(self, cell: int) -> int:
        return mixed(self._undefined_seed ^ cell) & 1
