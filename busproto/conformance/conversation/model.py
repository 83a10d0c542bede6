"""The model: the simulator's own actuator, alone on a line of its own, told the same bytes at the same moments.

Its start jitter is zero, so that each answer begins at the earliest moment that the page allows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from busproto.sim.actuators.actuator import Actuator
from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.wire import messages as m
from busproto.wire.message import Message
from busproto.wire.parameters import FACTORY, Parameter, RawValue

LOOP: Final = ("stiffness", "damping", "minimum-drive")
"""Settings of the position loop, of which the page says how much only at their factory values."""


@dataclass(frozen=True, slots=True)
class Deadline:
    """A moment at which something changes by itself.

    Attributes:
        at_ns: by an exact clock.
        lasts_ns: time from its cause, by the clock of the actuator; what that may be wrong by follows from it.
    """

    at_ns: int
    lasts_ns: int


class Watched(Actuator):
    """The simulator's actuator, which also tells when it will change by itself.

    Attributes:
        fed_ns: when the loss time-out began last.
        held_ns: when the drive took hold last.
        shown_ns: when it was asked to show itself last.
    """

    fed_ns = held_ns = shown_ns = 0

    def _fed(self) -> None:
        super()._fed()
        self.fed_ns = self._kernel.now_ns

    def _take_hold(self) -> None:
        super()._take_hold()
        self.held_ns = self._kernel.now_ns

    def _show(self, message: m.ShowYourself) -> Message:
        self.shown_ns = self._kernel.now_ns
        return super()._show(message)

    def degc(self) -> float:
        """Temperature, degC."""
        return self._heat_watch.degc()

    def deadlines(self) -> list[Deadline]:
        """What will change by itself, if nothing else happens."""
        found = []
        if self.state in {m.State.SOFT_STARTING, m.State.FOLLOWING}:
            lasts_ns = self.settings.raw("loss-time-out") * 1_000_000
            found.append(Deadline(self.fed_ns + lasts_ns, lasts_ns))
        if self.state is m.State.SOFT_STARTING:
            lasts_ns = self.settings.raw("soft-start") * 1_000_000
            found.append(Deadline(self.held_ns + lasts_ns, lasts_ns))
        if self.showing_until_ns:
            found.append(Deadline(self.showing_until_ns, self.showing_until_ns - self.shown_ns))
        return found


class ModelSide:
    """The model on its line.

    Attributes:
        bus: its virtual bus.
        one: the actuator.
    """

    def __init__(
        self,
        *,
        uid: bytes,
        address: int,
        stored: Mapping[str, RawValue],
        rows: Sequence[Parameter],
        position_deg: float,
        supply_mv: int,
        baud: int,
    ) -> None:
        self.bus = VirtualBus(Kernel(0), baud=baud, echo=False)
        self.bus.supply_mv = supply_mv
        self._record: list[Any] = []
        self.bus.line.record = self._record
        self.one = Watched(
            self.bus.kernel,
            self.bus.line,
            label="model",
            uid=uid,
            model=ActuatorModel("model"),
            address=address,
            stored=dict(stored),
            position_deg=position_deg,
            supply_mv=lambda: self.bus.supply_mv,
            address_changed=lambda _: self.bus.index(),
            jitter_ns=0,
            rows=rows,
        )
        self.bus.add(self.one)

    @property
    def now_ns(self) -> int:
        """Its virtual time."""
        return self.bus.kernel.now_ns

    def run_until(self, time_ns: int) -> None:
        """Let time pass, and what it is sending come to its end."""
        kernel, line = self.bus.kernel, self.bus.line
        kernel.run_until(max(time_ns, kernel.now_ns))
        while line.is_busy:
            kernel.step()

    def told(self, start_ns: int, data: bytes, *, by_host: bool) -> None:
        """Have bytes begin on its line at `start_ns`."""
        kernel = self.bus.kernel
        kernel.run_until(max(start_ns, kernel.now_ns))
        if by_host:
            self.bus.host.write(data)
        else:
            self.bus.line.transmit(self, data)

    def spoken(self) -> list[tuple[int, bytes]]:
        """Its own transmissions since the last call, with their first start bit."""
        found = [(one.start_ns, one.data) for one in self._record if one.sender is self.one]
        self._record.clear()
        return found

    @property
    def is_limp(self) -> bool:
        """Whether its drive is off."""
        return self.one.arm.target_deg is None

    @property
    def is_moving(self) -> bool:
        """Whether its arm is on its way under its own drive."""
        self.one.arm.move_to(self.now_ns)
        return self.one.arm.is_moving

    @property
    def has_factory_loop(self) -> bool:
        """Whether its loop is the one for which the page says how near the arm comes."""
        return all(self.one.settings.raw(name) == FACTORY[name] for name in LOOP)

    def lay(self, position_deg: float) -> None:
        """A limp arm lies there from now on: where an arm was let go on its way is its own affair."""
        arm = self.one.arm
        if arm.target_deg is None:
            arm.move_to(self.now_ns)
            arm.place(position_deg, position_deg, self.now_ns)
