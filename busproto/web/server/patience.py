"""Limits of the page's connections: the time for a request, and the number of connections.

uvicorn waits without limit for the rest of a request. A client that sends a byte now and then would keep a connection
for ever, and a few hundred of them would block the server.
"""

from __future__ import annotations

import asyncio
from typing import Final

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_S: Final = 10.0
"""Longest time, s, from the begin of a connection, or the answer before, to the end of a request."""
MAX_CONNECTIONS: Final = 128
"""Most connections at a time, without WebSockets, which have shown the token."""


class PatientProtocol(H11Protocol):
    """uvicorn's HTTP protocol, with a time limit for requests."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """See `asyncio.Protocol`."""
        super().connection_made(transport)
        if len(self.connections) > MAX_CONNECTIONS:
            transport.abort()
        else:
            self._await_request()

    def connection_lost(self, exc: Exception | None) -> None:
        """See `asyncio.Protocol`."""
        self._await_no_more()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """The next request may come."""
        self._await_request()
        super().on_response_complete()

    def _await_request(self) -> None:
        self._await_no_more()
        self._late = self.loop.call_later(REQUEST_S, self._is_late)

    def _await_no_more(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _is_late(self) -> None:
        is_answering = not getattr(self.cycle, "response_complete", True)  # there is none before the first request
        if not is_answering and self.transport.get_protocol() is self:  # else it has become a WebSocket
            self.transport.abort()
