"""What the tests of the page share: a server in this process, and talking to it as a page does."""

from __future__ import annotations

import contextlib
import json
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from busproto.plan.load import Plan, load
from busproto.sim.bus import VirtualBus
from busproto.sim.scene.scenario import load as load_scenario
from busproto.transport import Transport
from busproto.web.bus.live_bus import LiveBus
from busproto.web.server.app import PROTOCOL, TOKEN_PREFIX
from busproto.web.serving import Server

DATA: Final = Path(__file__).parent / "data"
RIG: Final = DATA / "rig.toml"
PATIENCE_S: Final = 60
"""How long to wait for something before the test gives up on it; nothing is concluded from how long it took."""
ALL_TICKED: Final = [0, 1, 2, 3]


class Port:
    """What opens the bus of a scenario, and remembers the buses it made.

    Attributes:
        buses: the last one is in use.
    """

    def __init__(self, scenario: str | Path, seed: int = 1) -> None:
        self._scenario = load_scenario(str(scenario))
        self._seed = seed
        self.buses: list[VirtualBus] = []

    def __call__(self) -> LiveBus:
        self.buses.append(self._scenario.build(self._seed))
        return LiveBus("sim://rig", self.buses[-1])


def rig_plan(folder: Path) -> Plan:
    """The small airframe, in a folder of the test's own: claims are kept beside the file."""
    for name in ("rig-airframe.toml", "fleet.toml"):
        shutil.copy(DATA / name, folder / name)
    return load(folder / "rig-airframe.toml")


def token_of(server: Server) -> str:
    return server.place.url.partition("token=")[2]


def origin_of(server: Server) -> str:
    return f"http://127.0.0.1:{server.place.port}"


def protocols_of(server: Server) -> list[str]:
    return [PROTOCOL, TOKEN_PREFIX + token_of(server)]


@contextlib.contextmanager
def serving(
    open_port: Callable[[], Transport], plan: Plan | None = None, *, beside_receiver: bool = False
) -> Iterator[Server]:
    """The whole server, uvicorn and all, on a free port of this machine."""
    ready = threading.Event()
    server = Server(open_port, plan=plan, beside_receiver=beside_receiver, on_ready=ready.set)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        assert ready.wait(PATIENCE_S)
        yield server
    finally:
        server.stop()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


class Talk:
    """A page's side of a WebSocket: orders out, messages in until the one that is waited for.

    Attributes:
        seen: every message so far.
    """

    def __init__(self, send: Callable[[str], object], receive: Callable[[], str]) -> None:
        self._send, self._receive = send, receive
        self.seen: list[dict[str, Any]] = []

    def order(self, do: str, **fields: Any) -> None:
        self._send(json.dumps({"do": do, **fields}))

    def next(self) -> dict[str, Any]:
        body: dict[str, Any] = json.loads(self._receive())
        self.seen.append(body)
        return body

    def wait(self, kind: str, where: Callable[[dict[str, Any]], bool] = lambda _: True) -> dict[str, Any]:
        """The next message of a kind for which `where` holds."""
        while True:
            body = self.next()
            if body["k"] == kind and where(body):
                return body

    def flow(self, name: str, answer: str = "yes", **fields: Any) -> dict[str, Any]:
        """Run a flow to its end, giving one answer to every question."""
        self.order("start", flow=name, **({"with": fields} if fields else {}))
        answered = 0
        while True:
            body = self.next()
            assert body["k"] != "refused", body
            if body["k"] != "flow" or body["flow"] != name:
                continue
            if body["state"] != "running":
                return body
            if body["question"] and body["question"]["n"] > answered:
                answered = body["question"]["n"]
                self.order("answer", question=answered, answer=answer)


def read_on(receive: Callable[[], object]) -> None:
    """Read until that raises."""
    while True:
        receive()
