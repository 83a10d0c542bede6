"""Running the page: the socket, the worker with its table of flows, uvicorn."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from types import FrameType
from typing import Final

import uvicorn

from busproto.endpoints import is_loopback
from busproto.errors import InputError
from busproto.interrupts import INTERRUPTS
from busproto.plan.load import Plan
from busproto.transport import Transport, open_transport
from busproto.web.bus.live_bus import LiveBus
from busproto.web.flows.table import FLOWS
from busproto.web.orders import MAX_ORDER_BYTES
from busproto.web.server.app import Doors, make_app
from busproto.web.server.hub import Hub
from busproto.web.server.patience import PatientProtocol
from busproto.web.worker.bus_worker import BusWorker
from busproto.wire.frame import DEFAULT_BAUD

SIM_SCHEME: Final = "sim://"
TOKEN_BYTES: Final = 24


def port_opener(url: str, baud: int | None, latency_ms: float | None) -> Callable[[], Transport]:
    """A function that opens the port: a virtual bus in this process for ``sim://``, else a real port.

    Raises:
        InputError: the URL or its scenario cannot be used. ScenarioError: the scenario is wrong.
    """
    if not url.startswith(SIM_SCHEME):
        latency_ns = None if latency_ms is None else round(latency_ms * 1e6)
        return lambda: open_transport(url, baud or DEFAULT_BAUD, latency_ns=latency_ns)
    from busproto.sim.handlers.protocol_sim import parse_url

    try:
        wanted = parse_url(url)
    except ValueError as error:
        raise InputError(str(error)) from error
    scenario = wanted.load()
    return lambda: LiveBus(url, scenario.build(wanted.seed, baud=baud))


@dataclass(frozen=True, slots=True)
class Place:
    """The address of the page.

    Attributes:
        url: to be opened, with the token.
        host, port: that it listens at.
    """

    url: str
    host: str
    port: int


class _Unforced(uvicorn.Server):
    """A uvicorn server that ignores a second interrupt, which would break off the release of the actuators."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """See uvicorn; it ends soon, in its own order."""
        super().handle_exit(sig, frame)
        self.force_exit = False


class Server:
    """The server of one bus. `run` blocks until it is told to end; `stop` may be called from any thread."""

    def __init__(
        self,
        open_port: Callable[[], Transport],
        *,
        plan: Plan | None = None,
        beside_receiver: bool = False,
        host: str = "127.0.0.1",
        port: int = 0,
        on_ready: Callable[[], None] = lambda: None,
    ) -> None:
        """Open the socket. Raises InputError where that fails."""
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            self._socket = socket.create_server((host, port), family=family)
        except OSError as error:
            raise InputError(f"cannot listen at {host}:{port}: {error.strerror or error}") from error
        port = self._socket.getsockname()[1]
        token = secrets.token_urlsafe(TOKEN_BYTES)
        shown = f"[{host}]" if ":" in host else host
        self.place = Place(f"http://{shown}:{port}/#token={token}", host, port)
        is_local = is_loopback(host)
        doors = Doors(token, port, is_open=not is_local, own_name="" if is_local else host)
        self.hub = Hub()
        self.worker = BusWorker(
            open_port, self.hub.publish, self.hub.to_one, FLOWS, plan=plan, beside_receiver=beside_receiver
        )
        config = uvicorn.Config(
            make_app(self.hub, self.worker, doors, on_ready=on_ready),
            log_config=None,
            access_log=False,
            lifespan="on",
            http=PatientProtocol,
            ws="websockets-sansio",
            ws_max_size=MAX_ORDER_BYTES,
            ws_per_message_deflate=False,
            timeout_graceful_shutdown=2,
            server_header=False,
        )
        self._server = _Unforced(config)

    def run(self) -> None:
        """Serve until Ctrl-C, a termination signal, a hang-up, or `stop`; then the worker releases the actuators
        (`BusWorker.let_go`).

        Raises:
            KeyboardInterrupt: a signal ended it; the worker has released the actuators then too.
        """
        with INTERRUPTS.deferred(self.stop):
            try:
                self._server.run(sockets=[self._socket])
            finally:
                self._socket.close()
                self.worker.close()  # a second signal makes uvicorn skip what it does at its end

    def stop(self) -> None:
        """Ask `run` to end; returns at once."""
        self._server.should_exit = True
