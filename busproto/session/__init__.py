"""Requests and replies as a state machine without I/O. Imports the wire format and nothing above."""

from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.session.session import Session
from busproto.session.states import SessionEvent, SessionState

__all__ = ["Ask", "Expect", "Heard", "Session", "SessionEvent", "SessionState", "Verdict"]
