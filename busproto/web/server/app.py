"""The web application: admission of requests, the page's files, and the WebSocket.

Host and Origin are checked first, so that no other site in the same browser gets through; then a random token that only
the opened URL carries. Nothing on the page is inline, and it may load from this server only.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.web.bus.board import WORDS, parameters_json
from busproto.web.orders import MAX_ORDER_BYTES
from busproto.web.server.handbook import handbook_routes
from busproto.web.server.hub import Hub, Page, encode
from busproto.web.server.lessons import LessonDesk, lesson_routes
from busproto.web.worker.bus_worker import BusWorker

PROTOCOL: Final = "busproto-bench"
TOKEN_PREFIX: Final = "token."
BEARER: Final = "Bearer "
POLICY_VIOLATION: Final = 1008
TOO_BIG: Final = 1009
TEXT_ONLY: Final = 1003
HEADERS: Final = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        b"base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


@dataclass(frozen=True, slots=True)
class Doors:
    """Decides which requests are admitted.

    Attributes:
        token: secret that a page has to present.
        port: port of the server.
        is_open: whether other machines may connect; then any numeric address, but no foreign name, counts as this
            server's.
        own_name: the name at which the server listens, where it is not one of this machine.
    """

    token: str
    port: int
    is_open: bool = False
    own_name: str = ""

    def is_ours(self, host: str) -> bool:
        """Whether a Host header names this server."""
        try:
            parts = urlsplit(f"//{host}")
            name, port = parts.hostname or "", parts.port or 80
        except ValueError:
            return False
        if port != self.port or parts.username is not None or parts.path:
            return False
        if name == "localhost" or (self.own_name and name == self.own_name.lower()):
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or self.is_open

    def may_connect(self, host: str, origin: str, protocols: list[str]) -> bool:
        """Whether a WebSocket may be opened."""
        given = next((one.removeprefix(TOKEN_PREFIX) for one in protocols if one.startswith(TOKEN_PREFIX)), "")
        return self.is_ours(host) and origin == f"http://{host}" and PROTOCOL in protocols and self._is_token(given)

    def may_ask(self, authorization: str) -> bool:
        """Whether a request's Authorization header carries the token."""
        return authorization.startswith(BEARER) and self._is_token(authorization.removeprefix(BEARER))

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.token.encode())


class _Guard:
    """Refuses foreign hosts, and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self._app = app
        self._doors = doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                names = {name for name, _ in HEADERS}
                kept = [pair for pair in message["headers"] if pair[0].lower() not in names]
                message = {**message, "headers": [*kept, *HEADERS]}
            await send(message)

        headers = dict(scope["headers"])
        origin = headers.get(b"origin", b"").decode("latin-1")
        host = headers.get(b"host", b"").decode("latin-1")
        app: ASGIApp = self._app
        if not self._doors.is_ours(host) or origin not in {"", f"http://{host}"}:
            app = PlainTextResponse("this bench answers to its own address only\n", status_code=403)
        await app(scope, receive, send_on)


def make_app(
    hub: Hub,
    worker: BusWorker,
    doors: Doors,
    *,
    on_ready: Callable[[], None] = lambda: None,
    lesson_desk: LessonDesk | None = None,
) -> Starlette:
    """The application. The worker runs as long as the application; `on_ready` is called when it has started."""
    lesson_desk = lesson_desk or LessonDesk()

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        hub.begin(worker.submit)
        hub.on_pages = worker.watched
        worker.start()
        on_ready()
        try:
            yield
        finally:
            await asyncio.gather(asyncio.to_thread(worker.close), asyncio.to_thread(lesson_desk.close))

    async def bench_socket(socket: WebSocket) -> None:
        headers = socket.headers
        protocols = list(socket.scope.get("subprotocols", ()))
        if not doors.may_connect(headers.get("host", ""), headers.get("origin", ""), protocols):
            await socket.close(POLICY_VIOLATION)
            return
        await socket.accept(PROTOCOL)
        page = hub.join()
        page.put_private(encode({"k": "hello", "you": page.number, **hello}))
        sending = asyncio.create_task(_send_all(socket, page))
        try:
            await _receive_all(socket, page, hub)
        finally:
            hub.leave(page)
            sending.cancel()
            with contextlib.suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError, OSError):
                await sending

    static = resources.files("busproto.web").joinpath("static")
    hello = hello_json(worker)
    index = FileResponse(str(static.joinpath("index.html")))

    async def page_itself(_: Any) -> Response:
        return index

    app = Starlette(
        routes=[
            Route("/", page_itself),
            *lesson_routes(lesson_desk, doors.may_ask),
            *handbook_routes(),
            WebSocketRoute("/bus", bench_socket),
            Mount("/static", StaticFiles(directory=str(static))),
        ],
        lifespan=lifespan,
    )
    app.add_middleware(_Guard, doors=doors)
    return app


async def _send_all(socket: WebSocket, page: Page) -> None:
    while True:
        for text in await page.next():
            await socket.send_text(text)


async def _receive_all(socket: WebSocket, page: Page, hub: Hub) -> None:
    while True:
        message = await socket.receive()
        if message["type"] == "websocket.disconnect":
            return
        text = message.get("text")
        if text is None:
            await socket.close(TEXT_ONLY)
            return
        if len(text) > MAX_ORDER_BYTES:
            await socket.close(TOO_BIG)
            return
        hub.order(page, text)


def hello_json(worker: BusWorker) -> dict[str, Any]:
    """The first message to a page."""
    plan = worker.plan
    airframe: Mapping[str, Any] | None = None
    if plan is not None:
        airframe = {
            "title": plan.title,
            "functions": {
                role.function: {"address": role.address, "channel": role.channel, "gang": role.gang}
                for role in plan.roles.values()
            },
            "gangs": {name: list(gang.members) for name, gang in plan.gangs.items()},
        }
    return {
        "cautions": list(CAUTIONS),
        "disclaimer": DISCLAIMER,
        "states": dict(WORDS),
        "parameters": parameters_json(),
        "airframe": airframe,
        "only_looks": worker.only_looks,
        "flows": {
            kind.name: {"title": kind.title, "moves": kind.moves, "needs_plan": kind.needs_plan}
            for kind in worker.flows.values()
        },
    }
