"""What moves, only when armed, and what ends it: by the ASGI test client, on a virtual bus in real time."""

from __future__ import annotations

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("httpx2", reason="the ASGI test client needs httpx2")

from starlette.testclient import TestClient

from busproto.web.bus.live_bus import LiveBus
from busproto.web.flows.table import FLOWS
from busproto.web.server.app import Doors, make_app
from busproto.web.server.hub import Hub
from busproto.web.worker.bus_worker import BusWorker
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.messages import Release, State
from tests.web.asgi import ORIGIN, TOKEN, client, come_in, find_and_arm, talk
from tests.web.helpers import (
    ALL_TICKED,
    RIG,
    Port,
)

pytestmark = pytest.mark.realtime


def test_nothing_moves_before_every_caution_is_ticked_and_after_all_limp() -> None:
    with client() as (one, port), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("demand", address=7, fraction=0.5)
        assert "not armed" in page.wait("refused")["text"]
        for ticked in ([], [0, 1, 2], [0, 1, 2, 9], [3, 3, 3, 3]):
            page.order("arm", ticked=ticked)
            assert "every caution" in page.wait("refused")["text"]
        page.order("start", flow="nudge", **{"with": {"address": 7}})
        assert "arm first" in page.wait("refused")["text"]
        page.order("arm", ticked=ALL_TICKED)
        page.wait("arm", lambda body: body["armed"])
        page.order("demand", address=7, fraction=0.5)
        page.wait("pos", lambda body: any(row[1] == "following" and row[2] == 3000 for row in body["rows"]))
        page.order("limp")
        assert page.wait("arm", lambda body: not body["armed"])["demands"] == {}
        page.wait("pos", lambda body: any(row[1] == "released" for row in body["rows"]))
        assert port.buses[-1].labelled("tail").state is State.RELEASED
        page.order("demand", address=7, fraction=-0.5)
        assert "not armed" in page.wait("refused")["text"]


class LosingReleases(Port):
    """Buses on which no broadcast that lets go arrives; none answers one, so the host does not know."""

    def __call__(self) -> LiveBus:
        made = super().__call__()
        self.lost = 0

        def write(data: bytes) -> None:
            frames = [found for found in Decoder().feed(data) if isinstance(found, Frame)]
            if any(isinstance(message_of(one), Release) and one.destination == BROADCAST_ADDRESS for one in frames):
                self.lost += 1
            else:
                LiveBus.write(made, data)

        made.write = write  # type: ignore[method-assign]
        return made


def test_one_that_did_not_hear_the_broadcast_is_let_go_by_its_address() -> None:
    with client(port=LosingReleases(RIG)) as (one, port), come_in(one) as session:
        page = talk(session)
        find_and_arm(page)
        page.order("demand", address=7, fraction=0.5)
        page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        page.order("limp")
        said = page.wait("arm", lambda body: not body["armed"])
        assert said["limp"].startswith("All ")
        assert said["limp"].endswith(" known actuators were seen limp.")
        assert isinstance(port, LosingReleases)
        assert port.lost >= 3
        assert port.buses[-1].labelled("tail").state is State.RELEASED


def test_all_limp_is_for_every_page_and_interrupts_a_task() -> None:
    with client() as (one, port), come_in(one) as session, come_in(one) as other:
        page, looker = talk(session), talk(other)
        find_and_arm(page)
        page.order("start", flow="nudge", **{"with": {"address": 7}})
        page.wait("pos", lambda body: any(row[1] in {"soft-starting", "following"} for row in body["rows"]))
        looker.order("limp")
        assert page.wait("flow", lambda body: body["state"] != "running")["state"] == "stopped"
        page.wait("arm", lambda body: not body["armed"])
        assert port.buses[-1].labelled("tail").state is State.RELEASED


def test_the_bench_is_disarmed_when_the_operator_leaves() -> None:
    with client() as (one, port), come_in(one) as session:
        with come_in(one) as other:
            first = talk(session)
            first.flow("find")
            first.order("hand-over", to=2)
            page = talk(other)
            page.wait("role", lambda body: body["operator"] == 2)
            page.order("arm", ticked=ALL_TICKED)
            page.wait("arm", lambda body: body["armed"])
            page.order("demand", address=7, fraction=0.5)
            page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        assert "left" in first.wait("arm", lambda body: not body["armed"] and bool(body["reason"]))["reason"]
        assert port.buses[-1].labelled("tail").state is State.RELEASED


@pytest.mark.parametrize("visible", [None, False], ids=["silent", "hidden"])
def test_the_bench_is_disarmed_when_the_operator_is_not_there(visible: bool | None) -> None:
    now = [0.0]
    port, hub = Port(RIG), Hub()
    worker = BusWorker(port, hub.publish, hub.to_one, FLOWS, clock=lambda: now[0])
    with TestClient(make_app(hub, worker, Doors(TOKEN, 8765)), base_url=ORIGIN) as one, come_in(one) as session:
        page = talk(session)
        find_and_arm(page)
        if visible is not None:
            for now[0] in (2.0, 4.0, 6.0):
                page.order("alive", visible=visible)
                for _ in range(20):
                    page.wait("pos")
        now[0] += 1.5 if visible is False else 4.0
        why = page.wait("arm", lambda body: not body["armed"] and bool(body["reason"]))["reason"]
        assert ("hidden" if visible is False else "nothing was heard") in why


def test_an_actuator_that_stops_answering_disarms_the_bench() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        find_and_arm(page)
        page.order("demand", address=7, fraction=0.2)
        page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        page.order("control", line="unplug tail")
        assert "error" in page.wait("arm", lambda body: not body["armed"])["reason"]
        page.wait("pos", lambda body: any(row[1] == "silent" for row in body["rows"]))
