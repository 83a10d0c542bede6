"""The table of flows: what can be started from the page, over the same operations as the command line."""

from __future__ import annotations

from typing import Final

from busproto.web import bus_flows, plan_flows
from busproto.web.desk import Desk, Kind, Stopped

FLOWS: Final[dict[str, Kind]] = {kind.name: kind for kind in (*bus_flows.KINDS, *plan_flows.KINDS)}
"""Every flow by its name."""

__all__ = ["FLOWS", "Desk", "Kind", "Stopped"]
