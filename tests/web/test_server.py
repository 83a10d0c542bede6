"""The server by the ASGI test client and by real sockets: who is let in, who operates, what a bad page can do."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("httpx2", reason="the ASGI test client needs httpx2")

from starlette.testclient import TestClient, WebSocketTestSession
from starlette.websockets import WebSocketDisconnect
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from busproto.web.bus.live_bus import LiveBus
from busproto.web.flows.table import FLOWS
from busproto.web.orders import MAX_ORDER_BYTES
from busproto.web.server.app import PROTOCOL, Doors, make_app
from busproto.web.server.hub import MAX_POSITIONS, Hub, Page
from busproto.web.serving import Server
from busproto.web.worker.bus_worker import BusWorker
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.messages import Release, State
from tests.web.helpers import (
    ALL_TICKED,
    PATIENCE_S,
    RIG,
    Port,
    Talk,
    origin_of,
    protocols_of,
    rig_plan,
    serving,
)

pytestmark = pytest.mark.realtime

HOST = "127.0.0.1:8765"
ORIGIN = f"http://{HOST}"
TOKEN = "a token for the test"


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


def read_on(receive: Callable[[], object]) -> None:
    """Read until that raises."""
    while True:
        receive()


def talk(session: WebSocketTestSession) -> Talk:
    return Talk(session.send_text, session.receive_text)


def find_and_arm(page: Talk) -> None:
    page.flow("find")
    page.order("arm", ticked=ALL_TICKED)
    page.wait("arm", lambda body: body["armed"])


@pytest.mark.parametrize(
    "wrong",
    [
        {"token": "another"},
        {"token": ""},
        {"token": TOKEN + "x"},
        {"origin": "http://evil.example"},
        {"origin": "https://127.0.0.1:8765"},
        {"origin": "http://127.0.0.1:8766"},
        {"origin": "null"},
        {"origin": None},
        {"host": "evil.example:8765"},
        {"host": "evil.example:8765", "origin": "http://evil.example:8765"},
        {"host": "127.0.0.1:80", "origin": "http://127.0.0.1:80"},
        {"host": "192.168.1.5:8765", "origin": "http://192.168.1.5:8765"},
        {"host": "x@127.0.0.1:8765", "origin": "http://x@127.0.0.1:8765"},
    ],
    ids=str,
)
def test_a_wrong_token_origin_or_host_is_not_let_in(wrong: dict[str, Any]) -> None:
    with client() as (one, _):
        with pytest.raises(WebSocketDisconnect) as refused, come_in(one, **wrong):
            pass
        assert refused.value.code == 1008
        with come_in(one) as session:  # and who belongs here still is
            assert talk(session).wait("hello")["you"] == 1


@pytest.mark.parametrize("path", ["/", "/static/main.js", "/static/style.css"])
def test_pages_go_to_our_own_host_only_and_carry_the_policy(path: str) -> None:
    with client() as (one, _):
        good = one.get(path)
        assert good.status_code == 200
        policy = good.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-inline" not in policy
        assert "frame-ancestors 'none'" in policy
        assert one.get(path, headers={"host": "evil.example:8765"}).status_code == 403
        assert one.get(path, headers={"origin": "http://evil.example"}).status_code == 403


def test_nothing_outside_the_static_folder_is_served() -> None:
    with client() as (one, _):
        assert one.get("/static/..%2fapp.py").status_code == 404
        assert one.get("/static/%2e%2e/app.py").status_code == 404


def test_a_page_has_no_inline_script_or_style() -> None:
    with client() as (one, _):
        text = one.get("/").text
    assert "<script>" not in text
    assert " style=" not in text
    assert " onclick=" not in text
    assert "//" not in text.replace("<!doctype", "").replace("http://www.w3.org", "")


def test_the_second_page_looks_on_until_the_first_hands_over_or_leaves() -> None:
    with client() as (one, port), come_in(one) as first_session:
        first = talk(first_session)
        first.wait("role", lambda body: body["operator"] == body["you"] == 1)
        with come_in(one) as second_session:
            second = talk(second_session)
            second.wait("role", lambda body: (body["you"], body["operator"]) == (2, 1))
            for order in (
                {"do": "start", "flow": "find"},
                {"do": "arm", "ticked": ALL_TICKED},
                {"do": "demand", "address": 7, "share": 0.5},
                {"do": "control", "line": "unplug tail"},
                {"do": "hand-over", "to": 2},
            ):
                second_session.send_json(order)
                assert "only looks" in second.wait("refused")["text"]
            second.order("take")
            assert "somebody operates" in second.wait("refused")["text"]
            assert port.buses[-1].labelled("tail").is_powered
            first.order("hand-over", to=2)
            second.wait("role", lambda body: body["operator"] == 2)
            first.order("start", flow="find")
            assert "only looks" in first.wait("refused")["text"]
            assert second.flow("find")["state"] == "done"
        first.wait("role", lambda body: body["operator"] is None)
        first.order("take")
        first.wait("role", lambda body: body["operator"] == 1)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no json",
        "[]",
        '{"do": "fly"}',
        '{"do": "arm"}',
        '{"do": "demand", "address": 240, "share": 0}',
        '{"do": "demand", "address": 7, "share": 2}',
        '{"do": "demand", "address": 7, "share": NaN}',
        '{"do": "limp", "and": "more"}',
        '{"do": "start", "flow": "find", "with": {"x": 1}}',
        '{"do": "start", "flow": "nothing"}',
        '{"do": "start", "flow": "claim"}',
        '{"do": "fault", "what": "earthquake"}',
        '{"do": "fault", "what": "mute", "fields": {"actuator": "nobody"}}',
        '{"do": "fault", "what": "noise", "fields": {"rate": 7}}',
        '{"do": "control", "line": "explode"}',
        '{"do": "explain", "entry": 99999}',
        '{"do": "answer", "question": 1, "answer": "yes"}',
    ],
)
def test_what_makes_no_sense_is_refused_in_words_and_harms_nobody(text: str) -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.wait("hello")
        session.send_text(text)
        assert page.wait("refused")["text"]
        assert page.flow("find")["state"] == "done"


def test_nothing_moves_before_every_caution_is_ticked_and_after_all_limp() -> None:
    with client() as (one, port), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("demand", address=7, share=0.5)
        assert "not armed" in page.wait("refused")["text"]
        for ticked in ([], [0, 1, 2], [0, 1, 2, 9], [3, 3, 3, 3]):
            page.order("arm", ticked=ticked)
            assert "every caution" in page.wait("refused")["text"]
        page.order("start", flow="nudge", **{"with": {"address": 7}})
        assert "arm first" in page.wait("refused")["text"]
        page.order("arm", ticked=ALL_TICKED)
        page.wait("arm", lambda body: body["armed"])
        page.order("demand", address=7, share=0.5)
        page.wait("pos", lambda body: any(row[1] == "following" and row[2] == 3000 for row in body["rows"]))
        page.order("limp")
        assert page.wait("arm", lambda body: not body["armed"])["demands"] == {}
        page.wait("pos", lambda body: any(row[1] == "released" for row in body["rows"]))
        assert port.buses[-1].labelled("tail").state is State.RELEASED
        page.order("demand", address=7, share=-0.5)
        assert "not armed" in page.wait("refused")["text"]


class LosingReleases(Port):
    """Buses on which no broadcast that lets go arrives; nobody answers one, so nobody would know."""

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
        page.order("demand", address=7, share=0.5)
        page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        page.order("limp")
        said = page.wait("arm", lambda body: not body["armed"])
        assert said["limp"].startswith("All ")
        assert said["limp"].endswith(" known actuators were seen limp.")
        assert isinstance(port, LosingReleases)
        assert port.lost >= 3
        assert port.buses[-1].labelled("tail").state is State.RELEASED


def test_all_limp_is_for_everyone_and_interrupts_a_task() -> None:
    with client() as (one, port), come_in(one) as session, come_in(one) as other:
        page, looker = talk(session), talk(other)
        find_and_arm(page)
        page.order("start", flow="nudge", **{"with": {"address": 7}})
        page.wait("pos", lambda body: any(row[1] in {"easing", "following"} for row in body["rows"]))
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
            page.order("demand", address=7, share=0.5)
            page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        assert "left" in first.wait("arm", lambda body: not body["armed"] and bool(body["why"]))["why"]
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
        why = page.wait("arm", lambda body: not body["armed"] and bool(body["why"]))["why"]
        assert ("hidden" if visible is False else "nothing was heard") in why


def test_an_actuator_that_stops_answering_disarms_the_bench() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        find_and_arm(page)
        page.order("demand", address=7, share=0.2)
        page.wait("pos", lambda body: any(row[1] == "following" for row in body["rows"]))
        page.order("control", line="unplug tail")
        assert "error" in page.wait("arm", lambda body: not body["armed"])["why"]
        page.wait("pos", lambda body: any(row[1] == "silent" for row in body["rows"]))


def test_the_virtual_bus_can_be_powered_up_anew_and_stays_in_hand_meanwhile() -> None:
    with client() as (one, port), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("control", line="supply 6.5")
        page.wait("port", lambda body: body.get("supply_mv") == 6500)
        page.order("power-up")
        page.wait("tiles", lambda body: body["tiles"] == [])
        page.wait("port", lambda body: body.get("supply_mv") == 7400)
        assert len(port.buses) == 2
        assert page.flow("find")["result"]["proven"] is True


def test_a_setting_is_read_back_stored_and_undone() -> None:
    with client() as (one, port), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        done = page.flow("set", address=7, changes={"neutral": "2.5"})
        assert "neutral 0.00 deg -> 2.50 deg, read back" in done["lines"][0]
        actuator = port.buses[-1].labelled("tail")
        assert actuator.settings.working["neutral"] == 250
        page.flow("undo", address=7, to="stored")
        assert actuator.settings.working["neutral"] == 0
        assert page.flow("set", address=7, changes={"neutral": "2.5"}, store=True)["result"]["stored"] is True
        page.flow("undo", address=7, to="stored")
        assert actuator.settings.working["neutral"] == 250
        assert "outside" in page.flow("set", address=7, changes={"neutral": "99"})["problem"]
        assert "no parameter" in page.flow("set", address=7, changes={"wings": "2"})["problem"]


def test_an_overlap_is_explained_with_the_waveform_of_everyone_in_it() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("start", flow="together", **{"with": {"address": 5}})
        entry = None
        while entry is None:
            news = page.wait("line")["entries"]
            entry = next((row for row in news if row["kind"] == "overlap" and row["who"] == "left and right"), None)
        page.order("explain", entry=entry["n"])
        told = page.wait("explained")
        assert {piece["who"] for piece in told["pieces"]} == {"left", "right"}
        assert all(piece["edges_us"] for piece in told["pieces"])
        starts = [piece["start_us"] for piece in told["pieces"]]
        assert told["line_us"][0] == min(piece["edges_us"][0] for piece in told["pieces"]) == min(starts)


def test_a_frame_is_explained_field_by_field() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.flow("set", address=7, changes={"neutral": "2.5"})
        seen = [row for body in page.seen if body["k"] == "line" for row in body["entries"]]
        entry = next((row for row in seen if row["what"] == "write"), None)
        while entry is None:
            entry = next((row for row in page.wait("line")["entries"] if row["what"] == "write"), None)
        page.order("explain", entry=entry["n"])
        frame = page.wait("explained")["pieces"][0]["frames"][0]
        fields = {field["name"]: field for field in frame["fields"]}
        assert fields["destination"]["text"].startswith("7")
        assert "neutral" in " ".join(field["text"] for field in frame["fields"])
        assert all(
            field["at"] is None or field["at"] + field["size"] <= len(frame["hex"].split()) for field in frame["fields"]
        )


# --- over real sockets ------------------------------------------------------------------------------------------


def socket_of(server: Server) -> ClientConnection:
    return connect(
        f"ws://127.0.0.1:{server.place.port}/bus",
        origin=origin_of(server),  # type: ignore[arg-type]
        subprotocols=protocols_of(server),  # type: ignore[arg-type]
        max_size=None,
        compression=None,
    )


def talk_over(made: ClientConnection) -> Talk:
    return Talk(made.send, lambda: str(made.recv(PATIENCE_S)))


def test_a_page_that_comes_later_sees_what_went_over_the_line_before() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("start", flow="together", **{"with": {"address": 5}})
        page.wait("line", lambda body: any(entry["kind"] == "overlap" for entry in body["entries"]))
        number = page.seen[-1]["entries"][0]["n"]
        for _ in range(100):
            page.wait("pos")  # polling goes on meanwhile
        with come_in(one) as other:
            late = talk(other)
            told = late.wait("line", lambda body: any(entry["n"] == number for entry in body["entries"]))
            assert all(entry["kind"] != "round" for entry in told["entries"])
            late.order("explain", entry=number)
            assert late.wait("explained")["n"] == number


def test_ten_megabytes_close_that_page_only_and_lose_nothing_for_the_others() -> None:
    with serving(Port(RIG)) as server, socket_of(server) as good, socket_of(server) as bad:
        page = talk_over(good)
        page.flow("find")
        with contextlib.suppress(ConnectionClosed):  # it may be closed while this is still going out
            bad.send("x" * 10_000_000)
        with pytest.raises(ConnectionClosed):  # its reason may be lost with what is still on its way
            read_on(lambda: bad.recv(PATIENCE_S))
        first = page.wait("pos")["seq"]
        for at in range(1, 40):
            assert page.wait("pos")["seq"] == first + at
        assert page.flow("find")["state"] == "done"


def test_ten_megabytes_are_refused_as_too_big_as_soon_as_they_are_announced() -> None:
    with serving(Port(RIG)) as server:
        bad = raw_page(server)
        # RFC 6455, section 5.2: a final text frame, masked, its length in eight bytes
        bad.sendall(bytes([0x81, 0xFF]) + (10_000_000).to_bytes(8, "big") + bytes(4))
        stream = bad.makefile("rb")
        opcode, payload = 0, b""
        while opcode != 8:
            first, size = stream.read(2)
            opcode = first & 0x0F
            if size >= 126:
                size = int.from_bytes(stream.read(2 if size == 126 else 8), "big")
            payload = stream.read(size)
        stream.close()
        bad.close()
    assert int.from_bytes(payload[:2], "big") == 1009


def test_a_message_just_too_big_is_refused_by_the_application_too() -> None:
    with client() as (one, _), come_in(one) as session:
        session.send_text("x" * (MAX_ORDER_BYTES + 1))
        with pytest.raises(WebSocketDisconnect) as closed:
            read_on(session.receive_text)
        assert closed.value.code == 1009


def test_bytes_are_not_understood() -> None:
    with client() as (one, _), come_in(one) as session:
        session.send_bytes(b"\x00\x01")
        with pytest.raises(WebSocketDisconnect) as closed:
            read_on(session.receive_text)
        assert closed.value.code == 1003


def test_a_page_that_never_reads_holds_nobody_up_and_has_an_end() -> None:
    with serving(Port(RIG)) as server, socket_of(server) as good:
        page = talk_over(good)
        slow = raw_page(server)  # connected, and never read
        try:
            page.wait("role", lambda body: len(body["others"]) == 1)
            padding = "x" * 100_000
            for number in range(300):  # 30 MB: more than any buffer between server and page
                server.hub.publish("pos", {"k": "pos", "seq": number, "rows": [], "padding": padding})
                assert page.wait("pos")["seq"] == number
            lost = {number: one.lost for number, one in server.hub.pages.items()}
            assert lost[1] == 0
            assert lost[2] > 0
            assert page.flow("find")["state"] == "done"
        finally:
            slow.close()
        page.wait("role", lambda body: body["others"] == [])


def raw_page(server: Server) -> socket.socket:
    """A WebSocket by hand with a tiny receive buffer, which reads no more than the answer to its upgrade."""
    made = socket.socket()
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    made.settimeout(PATIENCE_S)
    made.connect(("127.0.0.1", server.place.port))
    lines = [
        "GET /bus HTTP/1.1",
        f"Host: 127.0.0.1:{server.place.port}",
        f"Origin: {origin_of(server)}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        f"Sec-WebSocket-Protocol: {', '.join(protocols_of(server))}",
        "",
        "",
    ]
    made.sendall("\r\n".join(lines).encode())
    head = b""
    while not head.endswith(b"\r\n\r\n"):
        head += made.recv(1)
    assert head.startswith(b"HTTP/1.1 101")
    return made


def test_a_slow_pages_queue_has_an_end_and_keeps_the_newest() -> None:
    async def run() -> list[str]:
        page = Page(1)
        for number in range(10 * MAX_POSITIONS):
            page.put("pos", json.dumps({"seq": number}))
            page.put("arm", json.dumps({"armed": number}))
        return await page.next()

    texts = asyncio.run(run())
    assert [json.loads(text)["seq"] for text in texts[1:]] == list(range(9 * MAX_POSITIONS, 10 * MAX_POSITIONS))
    assert json.loads(texts[0]) == {"armed": 10 * MAX_POSITIONS - 1}


def test_beside_a_receiver_it_only_looks_and_leaves_room() -> None:
    port = Port("taxi")
    with serving(port, beside_receiver=True) as server, socket_of(server) as made:
        page = talk_over(made)
        page.flow("find")
        page.order("arm", ticked=ALL_TICKED)
        assert "only looks" in page.wait("refused")["text"]
        page.wait("pos", lambda body: sum(row[1] == "following" for row in body["rows"]) == 13)
        seen = [row for one in page.seen if one["k"] == "line" for row in one["entries"]]
        assert any((row["who"], row["what"]) == ("receiver", "demand all") for row in seen)
        page.order("start", flow="find")
        page.order("stop")  # neither this nor the end takes anybody's demands away
        page.wait("flow", lambda body: body["state"] != "running")
    assert State.RELEASED not in {one.state for one in port.buses[-1].actuators}


def test_claim_by_the_scripted_hand(tmp_path: Path) -> None:
    plan = rig_plan(tmp_path)
    with serving(Port(RIG), plan) as server, socket_of(server) as made:
        done = talk_over(made).flow("claim")
    assert done["state"] == "done"
    assert done["result"]["seats"] == {
        "aileron, left": "70a9000000005001",
        "aileron, right": "70a9000000005002",
        "elevator": "70a9000000005003",
    }
    assert (tmp_path / "rig-airframe.seats.json").is_file()
