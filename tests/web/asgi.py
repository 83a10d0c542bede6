"""The page's server behind the ASGI test client, which needs no socket: what the tests of it share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from starlette.testclient import TestClient, WebSocketTestSession

from busproto.web.flows.table import FLOWS
from busproto.web.server.app import PROTOCOL, Doors, make_app
from busproto.web.server.hub import Hub
from busproto.web.worker.bus_worker import BusWorker
from tests.web.helpers import (
    ALL_TICKED,
    RIG,
    Port,
    Talk,
)

HOST: Final = "127.0.0.1:8765"
ORIGIN: Final = f"http://{HOST}"
TOKEN: Final = "a token for the test"


@contextmanager
def client(scenario: str | Path = RIG, port: Port | None = None) -> Iterator[tuple[TestClient, Port]]:
    port = port or Port(scenario)
    hub = Hub()
    worker = BusWorker(port, hub.publish, hub.to_one, FLOWS)
    with TestClient(make_app(hub, worker, Doors(TOKEN, 8765)), base_url=ORIGIN) as made:
        yield made, port


def come_in(
    one: TestClient, *, token: str = TOKEN, origin: str | None = ORIGIN, host: str = HOST
) -> WebSocketTestSession:
    headers = {"host": host} | ({} if origin is None else {"origin": origin})
    return one.websocket_connect("/bus", subprotocols=[PROTOCOL, f"token.{token}"], headers=headers)


def talk(session: WebSocketTestSession) -> Talk:
    return Talk(session.send_text, session.receive_text)


def find_and_arm(page: Talk) -> None:
    page.flow("find")
    page.order("arm", ticked=ALL_TICKED)
    page.wait("arm", lambda body: body["armed"])
