"""The library: one interface for programs. ``import busproto`` is enough; it has every public name of this room.

The library asks no question before anything moves. Before you call `move`: propeller off or motor disarmed, airframe
held, fingers clear, the pack within every actuator's rating (`CAUTIONS`). What works on the bench is not cleared for
flight.

Find all, and work with one of them (`sim://` is a virtual bus; a device name does as well)::

    import busproto

    with busproto.open("sim://bench-four?seed=3") as bus:
        found = bus.find()
        print(found.proven, len(found), 3 in found)     # True 4 True
        one = bus[3]
        one.settings["neutral"] = -0.4                   # deg; set, and read back
        print(one.settings["neutral"], one.settings["loss-action"])
        print(one.move("12.5deg").arrived)               # True; ends limp
        print(one.report().state)                        # released

Two actuators share address 7. Their uids distinguish them, and each gets an address of its own::

    import busproto

    with busproto.open("sim://bench-four?seed=3") as bus:
        for uid in bus.find().clashes[7][1:]:
            bus[uid].give_address(8, channel=8)
        print(sorted(one.address for one in bus.find()))

Compare a plan with the bus, apply it, save a record (for the files see ``busproto plan new``)::

    import busproto

    with busproto.open("sim://hauler?seed=2") as bus:
        audit = bus.audit("tug/hauler-mended.toml")
        print(audit.is_clean, sum(row.status == "as planned" for row in audit.rows))
        try:
            bus.apply("tug/hauler-mended.toml", agree=lambda proposal: print(proposal) or False, by_address=True,
                      wrong_hardware="leave")
        except busproto.NotAgreedError as error:
            print(error)
        saved = bus.save("now.record.json", as_it_is=True)
        print(saved.record.fingerprint)

The same under asyncio. As ``[]`` cannot be awaited, settings have `get` and `set` there::

    import asyncio
    import busproto


    async def main() -> None:
        async with busproto.open_async("sim://taxi?seed=1") as bus:
            found = await bus.find()
            for one in found:
                print(one.uid.hex(), (await bus[one.uid].report()).position_deg)


    asyncio.run(main())

Errors are `BusError`: `InputError` for the program's arguments, `OperationError` for an actuator, `TransportError` for
the port. `Bus` and `AsyncBus` run the same operations (`work`, `planning`).
"""

from __future__ import annotations

from collections.abc import Callable

from busproto.library.actuator import Actuator, Settings
from busproto.library.async_bus import AsyncActuator, AsyncBus, AsyncSettings
from busproto.library.bus import Bus
from busproto.library.planning import Outcome, Proposal, Restored, Saved
from busproto.library.values import About, ActuatorReport, Moved
from busproto.opening import open_port
from busproto.ops.discovery.roster import Found, Roster
from busproto.ops.moving.letting_go import LetGo
from busproto.ops.steps import Progress
from busproto.plan.airframe.record_file import (
    load_record,
)
from busproto.plan.load import load as load_plan
from busproto.wire.frame import DEFAULT_BAUD

__all__ = [
    "About",
    "Actuator",
    "ActuatorReport",
    "AsyncActuator",
    "AsyncBus",
    "AsyncSettings",
    "Bus",
    "Found",
    "LetGo",
    "Moved",
    "Outcome",
    "Progress",
    "Proposal",
    "Restored",
    "Roster",
    "Saved",
    "Settings",
    "load_plan",
    "load_record",
    "open",
    "open_async",
]


def open(
    url: str,
    *,
    baud: int = DEFAULT_BAUD,
    latency_ms: float | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> Bus:
    """Open a bus, to be used by ``with`` (see `Bus`). Sends nothing. Whether the line echoes is detected later.

    Args:
        url: a device name such as ``/dev/ttyUSB0``, ``socket://HOST:PORT``, or a virtual bus such as
            ``sim://tow-plane?seed=1``, which is fresh each time and in virtual time.
        baud: 1200..4 000 000 bits per second.
        latency_ms: how long the adapter may hold bytes back, 0..1000 ms; None for the port's own figure, or 20 ms.
        on_progress: called with the progress of long operations.

    Raises:
        InputError: a value is of the wrong kind or outside its range, or a scenario cannot be used; nothing was opened.
        PortBusyError: another program has the port; its settings were not touched.
        PortUnavailableError: the port could not be opened.
    """
    return Bus(open_port(url, baud, latency_ms), on_progress=on_progress)


def open_async(
    url: str,
    *,
    baud: int = DEFAULT_BAUD,
    latency_ms: float | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> AsyncBus:
    """As `open`, for ``async with``. Opening blocks for up to some tenths of a second."""
    return AsyncBus(open_port(url, baud, latency_ms), on_progress=on_progress)
