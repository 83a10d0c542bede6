"""The transition table, row by row, and every missing row."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from busproto.errors import EncodeError, LocalProtocolError
from busproto.session import Ask, Expect, Session, SessionEvent, SessionState
from busproto.session.states import TRANSITIONS, next_state
from busproto.wire.messages import Report

S, E = SessionState, SessionEvent

ROWS = [
    (S.IDLE, E.BEGIN, S.SENDING),
    (S.SENDING, E.SENT, S.LISTENING),
    (S.LISTENING, E.HEARD, S.LISTENING),
    (S.LISTENING, E.SETTLE, S.SETTLED),
    (S.SETTLED, E.TAKE, S.IDLE),
    (S.IDLE, E.CLOSE, S.CLOSED),
    (S.SENDING, E.CLOSE, S.CLOSED),
    (S.LISTENING, E.CLOSE, S.CLOSED),
    (S.SETTLED, E.CLOSE, S.CLOSED),
]
"""The table once more, by hand."""

MISSING = sorted(
    set(itertools.product(S, E)) - {(state, event) for state, event, _ in ROWS},
    key=lambda pair: (pair[0].value, pair[1].value),
)


def test_the_table_is_the_one_of_the_docstring() -> None:
    assert dict(TRANSITIONS) == {(state, event): after for state, event, after in ROWS}


@pytest.mark.parametrize(("state", "event", "after"), ROWS)
def test_row(state: SessionState, event: SessionEvent, after: SessionState) -> None:
    assert next_state(state, event) is after


def test_rows_and_missing_rows_are_all_there_can_be() -> None:
    assert len(ROWS) + len(MISSING) == len(S) * len(E)
    assert len(MISSING) == 21


@pytest.mark.parametrize(("state", "event"), MISSING)
def test_missing_row_is_a_mistake_of_the_caller(state: SessionState, event: SessionEvent) -> None:
    with pytest.raises(LocalProtocolError) as caught:
        next_state(state, event)
    assert (caught.value.state, caught.value.event) == (state.value, event.value)
    assert str(caught.value) == f"'{event.value}' is not allowed while the session is '{state.value}'"


def session_in(state: SessionState) -> Session:
    """A session that was led to this state by its own methods."""
    session = Session(baud=1_000_000)
    if state is S.IDLE:
        return session
    session.begin(Ask.one(Report(), 5), 0)
    if state is S.SENDING:
        return session
    session.sent(0)
    if state is S.LISTENING:
        return session
    if state is S.SETTLED:
        session.expire(session.deadline_ns)
        return session
    session.close()
    return session


CALLS: dict[SessionEvent, Callable[[Session], object]] = {
    E.BEGIN: lambda session: session.begin(Ask.one(Report(), 5), 0),
    E.SENT: lambda session: session.sent(0),
    E.HEARD: lambda session: session.heard(b"\x00", 0),
    E.TAKE: lambda session: session.take(),
}


@pytest.mark.parametrize(("state", "event"), [(state, event) for state, event in MISSING if event in CALLS])
def test_a_call_that_is_not_allowed_leaves_the_state(state: SessionState, event: SessionEvent) -> None:
    session = session_in(state)
    with pytest.raises(LocalProtocolError):
        CALLS[event](session)
    assert session.state is state


@pytest.mark.parametrize("state", [S.IDLE, S.SENDING, S.CLOSED])
def test_expire_is_for_listening_only(state: SessionState) -> None:
    session = session_in(state)
    with pytest.raises(LocalProtocolError):
        session.expire(0)
    assert session.state is state


def test_expire_twice_is_once() -> None:
    session = session_in(S.LISTENING)
    session.expire(7)
    session.expire(9)
    assert session.state is S.SETTLED
    assert session.take().ended_ns == 7


@pytest.mark.parametrize("state", list(S))
def test_close_ends_every_state_and_may_come_twice(state: SessionState) -> None:
    session = session_in(state)
    session.close()
    session.close()
    assert session.state is S.CLOSED


def test_a_request_that_cannot_be_sent_leaves_state_and_sequence() -> None:
    session = Session(baud=1_000_000, first_sequence=9)
    with pytest.raises(EncodeError):
        session.begin(Ask(Report(), 0xF5, Expect.ONE, 0xF5), 0)
    assert session.state is S.IDLE
    assert session.next_sequence == 9
