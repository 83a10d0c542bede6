"""A virtual bus with devices in C on it, alone or beside actuators in Python."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.bus import VirtualBus
from busproto.sim.kernel import Kernel
from busproto.sim.native.device import Device
from busproto.wire.frame import UNADDRESSED
from busproto.wire.parameters import RawValue
from tests.ops.helpers import MODEL, Box, uid_of


@dataclass
class DeviceBox(Box):
    """A bus and a link, with devices."""

    def device(
        self,
        uid: int | bytes,
        address: int = UNADDRESSED,
        *,
        label: str = "",
        at_deg: float = 0.0,
        model: ActuatorModel = MODEL,
        settings: Mapping[str, RawValue] | None = MappingProxyType({}),
        clock_ppm: int = 0,
        **stored: RawValue,
    ) -> Device:
        """Plug in a device; `settings` are stored raw settings, `stored` too, with _ for -; None: empty memory."""
        bus = self.bus
        made = Device(
            bus.kernel,
            bus.line,
            label=label or f"number {len(bus.actuators)}",
            uid=uid if isinstance(uid, bytes) else uid_of(uid),
            model=model,
            address=address,
            stored=None
            if settings is None
            else {**settings, **{name.replace("_", "-"): value for name, value in stored.items()}},
            position_deg=at_deg,
            supply_mv=lambda: bus.supply_mv,
            clock_ppm=clock_ppm,
        )
        bus.add(made)
        return made

    def either(self, in_c: bool, *arguments: Any, **named: Any) -> Any:
        """A device in C, or an actuator in Python."""
        return self.device(*arguments, **named) if in_c else self.add(*arguments, **named)


def device_box(seed: int = 0, *, baud: int = 115_200, echo: bool = True) -> DeviceBox:
    """An empty bus with a link."""
    return DeviceBox(VirtualBus(Kernel(seed), baud=baud, echo=echo))
