"""The server over real sockets: pages that are slow, too loud, or never read; a receiver beside; a claim by hand."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")

from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from busproto.web.server.hub import MAX_POSITIONS, Page
from busproto.web.serving import Server
from busproto.wire.messages import State
from tests.web.helpers import (
    ALL_TICKED,
    PATIENCE_S,
    RIG,
    Port,
    Talk,
    origin_of,
    protocols_of,
    read_on,
    rig_plan,
    serving,
)

pytestmark = pytest.mark.realtime


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


def test_a_page_that_never_reads_holds_no_other_up_and_has_an_end() -> None:
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
        assert any((row["source"], row["title"]) == ("receiver", "demand all") for row in seen)
        page.order("start", flow="find")
        page.order("stop")  # neither this nor the end takes demands from any actuator
        page.wait("flow", lambda body: body["state"] != "running")
    assert State.RELEASED not in {one.state for one in port.buses[-1].actuators}


def test_claim_by_the_scripted_hand(tmp_path: Path) -> None:
    plan = rig_plan(tmp_path)
    with serving(Port(RIG), plan) as server, socket_of(server) as made:
        done = talk_over(made).flow("claim")
    assert done["state"] == "done"
    assert done["result"]["functions"] == [
        {"function": "aileron, left", "uid": "70a9000000005001"},
        {"function": "aileron, right", "uid": "70a9000000005002"},
        {"function": "elevator", "uid": "70a9000000005003"},
    ]
    assert (tmp_path / "rig-airframe.assignment.json").is_file()
