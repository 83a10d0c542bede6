"""How an actuator waits for its turn in discovery: it counts idle mini-slots only, and senses before it sends.

Rules, as on the format page: the first slot begins FIRST_SLOT_NS after the query; the counter falls by one after
each unbroken idle mini-slot; any start bit freezes it; at zero, after the actuator's own start jitter, it senses
once more and sends; where the line has become busy it waits for the next idle mini-slot.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from busproto.wire.timing import DETECT_NS, FIRST_SLOT_NS, MINI_SLOT_NS, START_JITTER_NS, START_LEAD_NS
from sim.kernel import Event
from sim.line import Line
from sim.waveform import PPM


class Countdown:
    """One actuator's wait for one transmission; `send` is called once, unless `cancel` comes first."""

    def __init__(
        self,
        line: Line,
        slots: int,
        stream: random.Random,
        send: Callable[[], None],
        *,
        query_end_ns: int,
        clock_ppm: int = 0,
        jitter_ns: int = START_JITTER_NS,
        slot_ns: int = MINI_SLOT_NS,
        lead_ns: int = START_LEAD_NS,
    ) -> None:
        self._line = line
        self._left = slots
        self._stream = stream
        self._send = send
        self._event: Event | None = None
        self._lead_ns = lead_ns
        self._slot_ns = slot_ns * PPM // (PPM + clock_ppm)
        self._jitter_ns = jitter_ns
        self._counting_from_ns = query_end_ns + FIRST_SLOT_NS * PPM // (PPM + clock_ppm)
        line.watch(self)
        if not line.is_busy:
            self._schedule()

    def cancel(self) -> None:
        """Stop waiting."""
        self._line.unwatch(self)
        if self._event is not None:
            self._event.cancel()

    def line_busy(self, time_ns: int) -> None:
        """Freeze, unless the own start is already too near to be stopped by what is seen."""
        if self._event is None or self._event.time_ns < time_ns + DETECT_NS:
            return
        self._event.cancel()
        self._event = None
        passed = max(0, time_ns - self._counting_from_ns) // self._slot_ns
        self._left -= min(passed, self._left)

    def line_idle(self, time_ns: int) -> None:
        """Go on counting; at least one idle mini-slot comes first."""
        if self._event is None:
            self._counting_from_ns = max(time_ns, self._counting_from_ns)
            if self._counting_from_ns == time_ns:
                self._left = max(1, self._left)
            self._schedule()

    def _schedule(self) -> None:
        jitter_ns = self._stream.randrange(self._jitter_ns + 1)
        due_ns = self._counting_from_ns + self._left * self._slot_ns + self._lead_ns + jitter_ns
        self._event = self._line.kernel.at(due_ns, self._due)

    def _due(self) -> None:
        self._event = None
        if self._line.seen_busy(self._line.kernel.now_ns):
            self._left = 0
            return
        self._line.unwatch(self)
        self._send()
