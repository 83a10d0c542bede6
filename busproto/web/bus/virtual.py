"""Faults that a page can start on a virtual bus, besides typed commands (`busproto.sim.control`), and its state."""

from __future__ import annotations

from typing import Any

import msgspec

from busproto.errors import InputError
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.events import EventTable, schedule
from busproto.web.bus.live_bus import LiveBus
from busproto.web.orders import Fault


def arrange(bus: VirtualBus, order: Fault) -> str:
    """Start an event of `busproto.sim.scene.events` now, for `lasting` s where it has an end. Returns it in words.

    Raises:
        InputError: there is no such event, or its fields do not fit; nothing happens.
    """
    at_s = bus.kernel.now_ns / 1e9
    table: dict[str, Any] = {**order.fields, "what": order.what, "at": at_s}
    if order.lasting is not None:
        table["until"] = at_s + order.lasting
    try:
        schedule(bus, [msgspec.convert(table, EventTable)])
    except msgspec.ValidationError as error:
        raise InputError(f"{order.what}: {error}") from error
    except KeyError as error:
        raise InputError(f"{order.what}: there is no {error}") from error
    lasting = f" for {order.lasting:g} s" if order.lasting is not None else ""
    told = ", ".join(f"{name} {value}" for name, value in order.fields.items())
    return f"{order.what}{lasting}" + (f" ({told})" if told else "")


def bus_json(port: LiveBus) -> dict[str, Any]:
    """The actuators of a virtual bus, plugged in or not, its supply and its surfaces."""
    bus = port.bus
    return {
        "actuators": [{"label": one.label, "uid": one.uid.hex(), "powered": one.is_powered} for one in bus.actuators],
        "supply_mv": bus.supply_mv,
        "surfaces": [surface.name for surface in bus.surfaces],
    }
