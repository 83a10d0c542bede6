"""The server by the ASGI test client: who is let in, which page operates, what a bad page can do."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("httpx2", reason="the ASGI test client needs httpx2")

from starlette.websockets import WebSocketDisconnect

from busproto.web.orders import MAX_ORDER_BYTES
from tests.web.asgi import TOKEN, client, come_in, talk
from tests.web.helpers import ALL_TICKED, read_on

pytestmark = pytest.mark.realtime


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
                {"do": "demand", "address": 7, "fraction": 0.5},
                {"do": "control", "line": "unplug tail"},
                {"do": "hand-over", "to": 2},
            ):
                second_session.send_json(order)
                assert "only looks" in second.wait("refused")["text"]
            second.order("take")
            assert "another page operates" in second.wait("refused")["text"]
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
        '{"do": "fault", "what": "mute", "fields": {"actuator": "unknown"}}',
        '{"do": "fault", "what": "noise", "fields": {"rate": 7}}',
        '{"do": "control", "line": "explode"}',
        '{"do": "explain", "entry": 99999}',
        '{"do": "answer", "question": 1, "answer": "yes"}',
    ],
)
def test_what_makes_no_sense_is_refused_in_words_and_harms_nothing(text: str) -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.wait("hello")
        session.send_text(text)
        assert page.wait("refused")["text"]
        assert page.flow("find")["state"] == "done"


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
        assert page.flow("find")["result"]["remaining_error"] < 0.001


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


def test_an_overlap_is_explained_with_the_waveform_of_each_actuator_in_it() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.order("start", flow="together", **{"with": {"address": 5}})
        entry = None
        while entry is None:
            news = page.wait("line")["entries"]
            entry = next((row for row in news if row["kind"] == "overlap" and row["source"] == "left and right"), None)
        page.order("explain", entry=entry["n"])
        told = page.wait("explained")
        assert {piece["source"] for piece in told["pieces"]} == {"left", "right"}
        assert all(piece["edges_us"] for piece in told["pieces"])
        starts = [piece["start_us"] for piece in told["pieces"]]
        assert told["line_us"][0] == min(piece["edges_us"][0] for piece in told["pieces"]) == min(starts)


def test_a_frame_is_explained_field_by_field() -> None:
    with client() as (one, _), come_in(one) as session:
        page = talk(session)
        page.flow("find")
        page.flow("set", address=7, changes={"neutral": "2.5"})
        seen = [row for body in page.seen if body["k"] == "line" for row in body["entries"]]
        entry = next((row for row in seen if row["title"] == "write"), None)
        while entry is None:
            entry = next((row for row in page.wait("line")["entries"] if row["title"] == "write"), None)
        page.order("explain", entry=entry["n"])
        frame = page.wait("explained")["pieces"][0]["frames"][0]
        fields = {field["name"]: field for field in frame["fields"]}
        assert fields["destination"]["text"].startswith("7")
        assert "neutral" in " ".join(field["text"] for field in frame["fields"])
        assert all(
            field["offset_bytes"] is None or field["offset_bytes"] + field["size_bytes"] <= len(frame["hex"].split())
            for field in frame["fields"]
        )


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
