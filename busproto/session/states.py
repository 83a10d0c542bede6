"""The states of one exchange on the bus, as a table. It knows no clock, no port and no message.

::

    idle --begin--> sending --sent--> listening --settled--> settled --take--> idle
                                      listening --heard----> listening
    and from every state but closed: --close--> closed

An event without a row is an error of the caller: `LocalProtocolError`, and the state does not change.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from busproto.errors import LocalProtocolError


class SessionState(enum.Enum):
    """The states of the session."""

    IDLE = "idle"
    SENDING = "sending"
    LISTENING = "listening"
    SETTLED = "settled"
    CLOSED = "closed"


class SessionEvent(enum.Enum):
    """The events that change the state."""

    BEGIN = "begin"
    SENT = "sent"
    HEARD = "heard"
    SETTLE = "settle"
    TAKE = "take"
    CLOSE = "close"


S, E = SessionState, SessionEvent
TRANSITIONS: Final[Mapping[tuple[SessionState, SessionEvent], SessionState]] = MappingProxyType(
    {
        (S.IDLE, E.BEGIN): S.SENDING,
        (S.SENDING, E.SENT): S.LISTENING,
        (S.LISTENING, E.HEARD): S.LISTENING,
        (S.LISTENING, E.SETTLE): S.SETTLED,
        (S.SETTLED, E.TAKE): S.IDLE,
        (S.IDLE, E.CLOSE): S.CLOSED,
        (S.SENDING, E.CLOSE): S.CLOSED,
        (S.LISTENING, E.CLOSE): S.CLOSED,
        (S.SETTLED, E.CLOSE): S.CLOSED,
    }
)


def next_state(state: SessionState, event: SessionEvent) -> SessionState:
    """The state after `event`. Raises LocalProtocolError where the table has no row."""
    try:
        return TRANSITIONS[state, event]
    except KeyError:
        raise LocalProtocolError(state.value, event.value) from None
