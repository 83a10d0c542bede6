"""Which requests may change or move something, and in which words that is reported."""

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
    MemberList,
    PrefixQuery,
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
        PrefixQuery,
        SlottedCall,
        Describe,
        DescribeParameter,
        Read,
        Report,
        LinkTest,
    }
)
"""Requests that change nothing and move nothing. (Suppress ends with the search.)"""
_MOVED: Final = "demands to move were sent"
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
    ShowYourself: "actuators were asked to make themselves known",
    Release: "actuators were released",
    Restart: "restarts were sent",
}
"""What each other request may do, in words. Reported also without a reply: the request may have been carried out."""


def lets_move(message: Message) -> bool:
    """Whether this request can make a limp arm move, or hold. A setting or "show yourself" cannot: they act on an
    engaged actuator only."""
    if isinstance(message, ReportRound | DemandAll):
        return any(demand != NO_DEMAND for demand in message.demands)
    return isinstance(message, Demand | Engage)


def effect_of(message: Message) -> str:
    """What this request may change or move, in words; "" where it only asks."""
    if isinstance(message, ReportRound) and all(demand == NO_DEMAND for demand in message.demands):
        return ""
    return EFFECTS.get(type(message), "")
