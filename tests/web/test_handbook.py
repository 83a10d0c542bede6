"""The handbook on the page: the same text as in the terminal, escaped, within the page's policy, and linked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from importlib import resources

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("httpx2", reason="the ASGI test client needs httpx2")

from starlette.applications import Starlette
from starlette.testclient import TestClient

from busproto import handbook
from busproto.web.flows.table import FLOWS
from busproto.web.server.app import Doors, _Guard, make_app
from busproto.web.server.handbook import ROOT, handbook_routes, rendered
from busproto.web.server.hub import Hub
from busproto.web.worker.bus_worker import BusWorker
from tests.web.helpers import RIG, Port

HOST = "127.0.0.1:8765"
PLACES = [ROOT, *(f"{ROOT}/{name}" for name in handbook.TOPICS)]


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    app = Starlette(routes=handbook_routes())
    app.add_middleware(_Guard, doors=Doors("a token", 8765))
    with TestClient(app, base_url=f"http://{HOST}") as made:
        yield made


class Page(HTMLParser):
    """What is in a document: elements, links, names, and the text of it all."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        self.text += " " * (tag == "text")

    def handle_data(self, data: str) -> None:
        self.text += data

    def all_of(self, name: str) -> list[str]:
        return [value or "" for key, value in self.attributes if key == name]


@pytest.mark.parametrize("place", PLACES)
def test_a_page_has_no_script_no_style_of_its_own_and_links_that_lead_somewhere(place: str, client: TestClient) -> None:
    got = client.get(place)
    assert got.status_code == 200
    assert got.headers["content-type"] == "text/html; charset=utf-8"
    assert "default-src 'none'" in got.headers["content-security-policy"]
    page = Page(got.text)
    assert not {"script", "style", "iframe", "object", "form"} & set(page.tags)
    assert not [key for key, _ in page.attributes if key == "style" or key.startswith("on")]
    names = page.all_of("id")
    for target in [*page.all_of("href"), *page.all_of("src")]:
        if target.startswith(("https://", "/static/")):
            continue
        path, _, anchor = target.partition("#")
        there = Page(client.get(path).text).all_of("id") if path else names
        assert path in {*PLACES, ""}, target
        assert not anchor or anchor in there, target


@pytest.mark.parametrize("topic", handbook.TOPICS.values(), ids=lambda topic: topic.name)
def test_it_says_what_the_terminal_says(topic: handbook.Topic, client: TestClient) -> None:
    shown = re.sub(r"\W+", " ", Page(client.get(f"{ROOT}/{topic.name}").text).text)
    for line in topic.text().splitlines():
        if line and not re.search(r"[`|*\[\]&<>\\]", line):
            assert re.sub(r"\W+", " ", re.sub(r"^\d+\. ", "", line)).strip() in shown, line


def test_what_stands_in_a_page_is_escaped() -> None:
    text = rendered(
        "# <b>x</b>\n\n<script>alert(1)</script> `<i>` [a](javascript:alert(1))\n\n| a |\n| --: |\n| <u> |\n"
    )
    assert "<script" not in text
    assert "<b>" not in text
    assert "&lt;script&gt;" in text
    assert "&lt;i&gt;" in text
    assert "&lt;u&gt;" in text
    assert "style=" not in text
    assert 'href="javascript' not in text


def test_an_unknown_topic_is_told_with_the_near_ones(client: TestClient) -> None:
    got = client.get(f"{ROOT}/%3Cb%3Ebegni")
    assert got.status_code == 404
    assert "&lt;b&gt;begni" in got.text
    assert "near that: begin" in client.get(f"{ROOT}/begni").text


def test_it_answers_to_its_own_address_only(client: TestClient) -> None:
    assert client.get(ROOT, headers={"host": "rebound.example:8765"}).status_code == 403


def test_the_bench_page_leads_to_it() -> None:
    hub = Hub()
    app = make_app(hub, BusWorker(Port(RIG), hub.publish, hub.to_one, FLOWS), Doors("a token", 8765))
    assert {ROOT, f"{ROOT}/{{name}}"} <= {getattr(route, "path", "") for route in app.routes}
    index = resources.files("busproto.web").joinpath("static", "index.html").read_text("utf-8")
    assert f'<a href="{ROOT}" target="_blank" rel="noopener">' in index
