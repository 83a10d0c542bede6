"""The table of flows that can be started from the page; they use the same operations as the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from busproto.web.flows import bus_flows, claim_flow, plan_flows
from busproto.web.flows.desk import Kind

FLOWS: Final[Mapping[str, Kind]] = {
    kind.name: kind for kind in (*bus_flows.KINDS, *claim_flow.KINDS, *plan_flows.KINDS)
}
"""Every flow by its name."""
