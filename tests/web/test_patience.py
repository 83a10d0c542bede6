"""Connections that begin a request and do not end it, and too many of them."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")

from websockets.sync.client import connect

from busproto.web.server import patience
from busproto.web.serving import Server
from tests.web.helpers import PATIENCE_S, RIG, Port, origin_of, protocols_of, serving

pytestmark = pytest.mark.realtime


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[Server]:
    """One whose patience is short; nothing here is concluded from how long something took."""
    monkeypatch.setattr(patience, "REQUEST_S", 0.05)
    with serving(Port(RIG)) as made:
        yield made


def connected(server: Server) -> socket.socket:
    return socket.create_connection((server.place.host, server.place.port), PATIENCE_S)


def rest_of(client: socket.socket) -> bytes:
    """All that comes until the other end hangs up."""
    data = b""
    with contextlib.suppress(ConnectionResetError):
        while piece := client.recv(1 << 16):
            data += piece
    return data


@pytest.mark.parametrize("begun", [b"", b"G", b"GET / HTTP/1.1\r\nHost: a\r\nX: "])
def test_a_request_that_does_not_end_is_hung_up_on(begun: bytes, server: Server) -> None:
    with connected(server) as client:
        client.sendall(begun)
        assert rest_of(client) == b""


def test_one_behind_a_whole_request_is_hung_up_on_too(server: Server) -> None:
    host = f"Host: {server.place.host}:{server.place.port}\r\n".encode()
    with connected(server) as client:
        client.sendall(b"GET / HTTP/1.1\r\n" + host + b"\r\nGET / HTTP/1.1\r\n" + host)
        said = rest_of(client)
    assert said.count(b"HTTP/1.1 200 OK") == 1
    with connected(server) as client:  # a body that does not end
        client.sendall(b"POST / HTTP/1.1\r\n" + host + b"Content-Length: 5\r\n\r\nab")
        assert b"HTTP/1.1 405" in rest_of(client)


def test_a_page_stays_however_long_it_says_nothing(server: Server) -> None:
    with connect(
        f"ws://{server.place.host}:{server.place.port}/bus", origin=origin_of(server), subprotocols=protocols_of(server)
    ) as page:
        with connected(server) as client:
            assert rest_of(client) == b""  # by now patience is over for both
        assert page.recv(PATIENCE_S)


def test_there_is_an_end_to_how_many_there_are(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "REQUEST_S", PATIENCE_S)
    monkeypatch.setattr(patience, "MAX_CONNECTIONS", 3)
    with contextlib.ExitStack() as stack:
        kept = [stack.enter_context(connected(server)) for _ in range(3)]
        for _ in range(300):
            with connected(server) as one_more:
                assert rest_of(one_more) == b""
        host = f"Host: {server.place.host}:{server.place.port}\r\n".encode()
        kept[0].sendall(b"GET / HTTP/1.1\r\nConnection: close\r\n" + host + b"\r\n")
        assert rest_of(kept[0]).startswith(b"HTTP/1.1 200 OK")
