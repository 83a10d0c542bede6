"""A line at 1 MBd of which everything is kept that happens on it.

At 1 MBd a bit lasts 1000 ns and a byte 10,000 ns; a byte 0xFF pulls the line low in its start bit only, so that the
wired AND of such bytes can be worked out by hand. Bit k of a byte that began at t is sampled at t + 1500 + 1000 k."""

from __future__ import annotations

from dataclasses import dataclass, field

from busproto.sim.kernel import Kernel
from busproto.sim.line.hearing import Reception
from busproto.sim.line.line import Line
from tests.sim.helpers import Tap, send_at

A, B, C = "a", "b", "c"


@dataclass
class Wire:
    """A line at 1 MBd and everything that happened on it."""

    kernel: Kernel = field(default_factory=Kernel)
    line: Line = field(init=False)
    tap: Tap = field(init=False)
    sensed: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = Line(self.kernel, 1_000_000)
        self.tap = Tap(self.line)
        self.line.listen(self.tap)

    @property
    def receptions(self) -> list[Reception]:
        return self.tap.receptions

    @property
    def heard(self) -> list[tuple[int, int, bytes]]:
        """(when it was told, when its last stop bit was sampled or ended, bytes) of everything."""
        return [
            (one.end_ns, one.details[-1].end_ns if one.details else one.end_ns, one.data) for one in self.receptions
        ]

    def line_busy(self, time_ns: int) -> None:
        assert time_ns == self.kernel.now_ns
        self.sensed.append((time_ns, "busy"))

    def line_idle(self, time_ns: int) -> None:
        assert time_ns == self.kernel.now_ns
        self.sensed.append((time_ns, "idle"))

    def send(self, at_ns: int, sender: str, data: bytes) -> None:
        send_at(self.line, at_ns, sender, data)

    def cut(self, at_ns: int, sender: str) -> None:
        self.kernel.at(at_ns, lambda: self.line.cut_off(sender))

    def run(self) -> None:
        self.kernel.run_until(1_000_000)
