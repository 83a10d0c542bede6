"""What a request does beyond asking: which ones may change or move something, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from busproto.wire.message import Message
from busproto.wire.messages import (
    NO_DEMAND,
    AddressList,
    Assign,
    Commit,
    Demand,
    DemandAll,
    Describe,
    DescribeParameter,
    Engage,
    LinkTest,
    Match,
    MemberList,
    Read,
    Release,
    Report,
    ReportRound,
    Restart,
    RollCall,
    ShowYourself,
    SlottedCall,
    Suppress,
    Undo,
    Write,
)

HARMLESS: Final[frozenset[type[Message]]] = frozenset(
    {
        RollCall,
        MemberList,
        AddressList,
        Suppress,
        Match,
        SlottedCall,
        Describe,
        DescribeParameter,
        Read,
        Report,
        LinkTest,
    }
)
"""Requests that change nothing and move nothing; to be suppressed lasts for one search."""
_MOVED: Final = "actuators were told to move"
_SET: Final = "settings were sent"
EFFECTS: Final[Mapping[type[Message], str]] = {
    Assign: "addresses were sent",
    Write: _SET,
    Commit: _SET,
    Undo: _SET,
    DemandAll: _MOVED,
    Demand: _MOVED,
    ReportRound: _MOVED,
    Engage: _MOVED,
    ShowYourself: "actuators were told to make themselves known",
    Release: "actuators were told to go limp",
    Restart: "actuators were started again",
}
"""What each of the others may do. Told also where no reply came: the request may have been carried out."""


def lets_move(message: Message) -> bool:
    """Whether this request can make a limp arm move, or hold. A setting cannot, nor can "show yourself": they act on
    one that is engaged."""
    if isinstance(message, ReportRound | DemandAll):
        return any(demand != NO_DEMAND for demand in message.demands)
    return isinstance(message, Demand | Engage)


def effect_of(message: Message) -> str:
    """What this request may do, in words; "" where it only asks."""
    if isinstance(message, ReportRound) and all(demand == NO_DEMAND for demand in message.demands):
        return ""
    return EFFECTS.get(type(message), "")
