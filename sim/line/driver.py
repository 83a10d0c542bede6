"""How an actuator drives the line, and the faults of its sending: mute, late, doubled, garbled, brown-out."""

from __future__ import annotations

from collections.abc import Callable

from busproto.sim.kernel import Event, Kernel
from busproto.sim.line.line import Line
from busproto.sim.line.waveform import BITS_PER_BYTE, bits_ns, rate_of


class Driver:
    """The part of an actuator that sends.

    Attributes:
        is_powered: without power it neither hears nor drives.
        is_mute: it hears requests and acts on them, but never answers (a fault).
        own_baud: a line rate of its own (a fault); None for the rate of the line.
        clock_ppm: by how much its clock is fast, parts per million.
        late_ns: delay added to each answer, in discovery too (a fault). A reply that waits is dropped when the next
            request is heard, unless `late_for_good` is set.
        late_for_good: a late answer is sent also when another request was heard meanwhile (a fault).
        spoils: when set, changes the bytes before they are sent (a fault).
        repeats_after_ns: when set, each reply is sent a second time, this long after its end (a fault).
    """

    def __init__(self, kernel: Kernel, line: Line, own_baud: int | None, clock_ppm: int) -> None:
        self.is_powered = True
        self.is_mute = False
        self.own_baud = own_baud
        self.clock_ppm = clock_ppm
        self.late_ns = 0
        self.late_for_good = False
        self.spoils: Callable[[bytes], bytes] | None = None
        self.repeats_after_ns: int | None = None
        self._kernel = kernel
        self._line = line
        self._powers = 0
        self._sending_until_ns = 0
        self._late: Event | None = None
        self._brown_out: tuple[int, int, bool] | None = None

    def power_off(self) -> None:
        """Lose power now, also in the middle of a transmission or a write."""
        raise NotImplementedError

    def power_on(self) -> None:
        """Get power and start up."""
        raise NotImplementedError

    def set_clock(self, clock_us: int) -> None:
        """No effect: its clock counts from the start of the bus, without a limit. See `Device.set_clock`."""

    def _send_again(self, data: bytes, powers: int) -> None:
        if self.is_powered and self._powers == powers and self._kernel.now_ns >= self._sending_until_ns:
            self._send(data, again=True)

    def _send(self, data: bytes, *, again: bool = False) -> None:
        rate = rate_of(self.own_baud or self._line.baud, self.clock_ppm)
        sent = self._line.transmit(self, data if self.spoils is None else self.spoils(data), rate=rate)
        self._sending_until_ns = sent.end_ns
        if self.repeats_after_ns is not None and not again:
            powers = self._powers
            self._kernel.at(sent.end_ns + self.repeats_after_ns, lambda: self._send_again(data, powers))
        if self._brown_out is not None:
            after_bytes, off_ns, every_time = self._brown_out
            if not every_time:
                self._brown_out = None
            off_at_ns = sent.start_ns + bits_ns(after_bytes * BITS_PER_BYTE + BITS_PER_BYTE // 2, rate)
            self._kernel.at(min(off_at_ns, sent.end_ns - 1), self.power_off)
            self._kernel.at(off_at_ns + off_ns, self.power_on)

    def _speak(self, data: bytes) -> None:
        """Send an answer of discovery, unless mute."""
        if not self.is_powered or self.is_mute:
            return
        if not self.late_ns:
            self._send(data)
            return

        def late() -> None:
            if self._kernel.now_ns < self._sending_until_ns:  # still at its last one
                self._late = self._kernel.at(self._sending_until_ns, late)
            else:
                self._send(data)

        self._late = self._kernel.at(self._kernel.now_ns + self.late_ns, late)

    def brown_out_while_sending(self, after_bytes: int, off_ns: int, *, every_time: bool = False) -> None:
        """Cut power for `off_ns` in byte `after_bytes`, from 0, of the next transmission, or of every one.

        Where the transmission is shorter, power is cut in its last byte.
        """
        self._brown_out = (after_bytes, off_ns, every_time)
