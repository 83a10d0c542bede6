"""A real browser on the page, headless, against a bus that runs in this process in real time."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Final

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("playwright", reason="the browser tests are driven by playwright: pip install playwright")

from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from busproto.plan.calibration.gang_match import load_matches
from busproto.plan.card.card import load_trial
from busproto.plan.load import Plan, load
from busproto.sim.bus import VirtualBus
from busproto.web.serving import Server
from tests.web.helpers import PATIENCE_S, RIG, Port, rig_plan, serving

CHROMIUM: Final = shutil.which("chromium") or shutil.which("chromium-browser")
WIDE: Final = {"width": 1280, "height": 800}
PHONE: Final = {"width": 390, "height": 844}

pytestmark = [
    pytest.mark.realtime,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium on this machine: apt-get install chromium"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield made
        made.close()


class Desk:
    """A server and pages on it.

    Attributes:
        server: the whole of it.
        port: made the buses.
        complaints: errors and warnings that any page printed.
    """

    def __init__(self, browser: Browser, server: Server, port: Port) -> None:
        self.server = server
        self.port = port
        self.complaints: list[str] = []
        self._browser = browser
        self._contexts: list[BrowserContext] = []

    @property
    def bus(self) -> VirtualBus:
        return self.port.buses[-1]

    def page(self, size: dict[str, int] = WIDE, url: str | None = None, **options: str) -> Page:
        context = self._browser.new_context(viewport=size, **options)  # type: ignore[arg-type]
        context.set_default_timeout(PATIENCE_S * 1000)
        self._contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda one: self.complaints.append(one.text) if one.type in {"error", "warning"} else None)
        page.goto(url or self.server.place.url)
        return page

    def close(self) -> None:
        for context in self._contexts:
            context.close()


@contextmanager
def at_desk(browser: Browser, scenario: str | Path = RIG, plan: Plan | None = None) -> Iterator[Desk]:
    port = Port(scenario)
    with serving(port, plan) as server:
        desk = Desk(browser, server, port)
        try:
            yield desk
        finally:
            desk.close()


expect.set_options(timeout=PATIENCE_S * 1000)


def find(page: Page) -> None:
    page.get_by_role("tab", name="Tasks").click()
    page.locator("#task-list").get_by_role("button", name="Find actuators").click()
    expect(page.locator("[data-flow-state=done]")).to_be_visible()


def arm(page: Page) -> None:
    page.get_by_role("button", name="Cautions, to arm").click()
    for tick in page.locator("#caution-list input").all():
        tick.check()
    page.get_by_role("button", name="Arm: let demands through").click()
    expect(page.locator("#arm-state")).to_have_text("ARMED: demands go through")


def test_finding_shows_the_actuators_the_clash_and_the_proof(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        page.get_by_role("button", name="Find actuators").first.click()
        expect(page.locator(".flow-lines")).to_contain_text("3 actuators, proven complete")
        expect(page.locator("article.tile")).to_have_count(3)
        expect(page.locator("article.clash")).to_have_count(2)
        expect(page.locator("article.clash .chip").first).to_have_text("clash")
        tail = page.locator("article[data-uid='70a9000000005003']")
        expect(tail).to_have_attribute("aria-label", "address 7")
        expect(tail.locator(".chip")).to_have_text("limp")
        expect(tail.locator("dd").first).to_have_text("10.0°")
        assert "token" not in page.url
        assert desk.complaints == []


def test_claim_with_the_scripted_hand(browser: Browser, tmp_path: Path) -> None:
    with at_desk(browser, plan=rig_plan(tmp_path)) as desk:
        page = desk.page()
        page.get_by_role("tab", name="Tasks").click()
        page.get_by_role("button", name="Claim by hand").click()
        question = page.get_by_role("group", name="scratch addresses")
        expect(question).to_be_visible()
        question.get_by_role("button", name="yes").click()
        expect(page.locator(".flow-lines")).to_contain_text("Move by hand: aileron, left")
        expect(page.locator(".flow-lines")).to_contain_text("3 of 3 functions are claimed")
        expect(page.locator("[data-flow-state=done]")).to_be_visible()
        expect(page.locator("article[data-uid='70a9000000005003'] .sub")).to_contain_text("elevator")
        assert (tmp_path / "rig-airframe.assignment.json").is_file()
        assert desk.complaints == []


def test_a_setting_is_changed_read_back_stored_and_undone(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        find(page)
        page.get_by_role("tab", name="Settings").click()
        field = page.get_by_label("neutral", exact=False)
        field.fill("3.25")
        page.get_by_role("button", name="Set", exact=True).click()
        expect(page.locator("#settings-status")).to_contain_text("neutral 0.00 deg -> 3.25 deg, read back")
        expect(page.locator("tr", has_text="neutral").first).to_contain_text("≠ stored: 0.00 deg")
        page.get_by_role("button", name="Undo to stored").click()
        expect(field).to_have_value("0.00")
        field.fill("200")
        page.get_by_role("button", name="Set", exact=True).click()
        expect(page.locator("#settings-status")).to_contain_text("outside -30.00..30.00 deg")
        assert desk.bus.labelled("tail").settings.working["neutral"] == 0
        assert desk.complaints == []


def test_a_demand_moves_the_arm_only_when_armed_and_the_space_bar_ends_it(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        find(page)
        slider = page.get_by_role("slider", name="Demand for address 7")
        expect(slider).to_be_disabled()
        arm(page)
        expect(slider).to_be_enabled()
        slider.focus()
        for _ in range(20):
            slider.press("ArrowRight")
        tail = page.locator("article[data-uid='70a9000000005003']")
        expect(tail.locator(".chip")).to_have_text("following")
        expect(tail.locator("dd").first).to_have_text("12.0°")
        slider.press("Space")
        expect(page.locator("#arm-state")).to_have_text("Not armed: this bench moves nothing")
        expect(tail.locator(".chip")).to_have_text("let go, limp")
        expect(page.locator("#arm-why")).to_contain_text("all limp was asked for")
        expect(slider).to_be_disabled()
        for tick in page.locator("#caution-list input").all():
            assert not tick.is_checked()
        assert desk.complaints == []


def test_a_clash_is_seen_as_a_waveform_with_a_row_for_each_driver(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        find(page)
        page.get_by_role("button", name="Let them answer at once").first.click()
        page.get_by_role("tab", name="Line").click()
        overlap = page.locator(".entry.overlap", has_text="left and right")
        expect(overlap).to_be_visible()
        overlap.click()
        expect(page.locator(".wave .label")).to_have_text(["left", "right", "the line"])
        paths = [one.get_attribute("d") or "" for one in page.locator(".wave .level").all()]
        assert all(path.count("V") > 50 for path in paths)
        assert len(set(paths)) == 3
        before = page.locator(".wave svg").get_attribute("width")
        page.get_by_role("button", name="Zoom in").click()
        assert page.locator(".wave svg").get_attribute("width") != before
        page.locator(".entry.frame", has_text="describe").first.click()
        expect(page.locator("#explained h3")).to_contain_text("describe")  # the overlap has fields of that name too
        expect(page.locator("#explained .frame").first).to_contain_text("destination")
        field = page.locator("#explained .frame tr", has_text="destination").first
        field.focus()
        expect(page.locator("#explained .hex code.lit")).to_have_count(1)
        assert desk.complaints == []


def test_the_connection_is_lost_and_comes_back_and_nothing_is_armed_then(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        find(page)
        arm(page)
        page.evaluate("bench.connection.drop()")
        expect(page.locator("#alert")).not_to_be_empty()
        expect(page.locator("#lost")).to_be_hidden()
        expect(page.locator("#role")).to_have_text("You operate")
        expect(page.locator("#arm-state")).to_have_text("Not armed: this bench moves nothing")
        expect(page.locator("article.tile")).to_have_count(3)
        assert page.evaluate("bench.figures.connections") == 2
        find(page)
        page.reload()
        expect(page.locator("article.tile")).to_have_count(3)  # the token is kept for this tab
        assert page.evaluate("bench.figures.gaps") == 0


def test_two_pages_one_operates_and_hands_over(browser: Browser) -> None:
    with at_desk(browser) as desk:
        first, second = desk.page(), desk.page(PHONE)
        find(first)
        expect(first.locator("#role")).to_have_text("You operate")
        expect(second.locator("#role")).to_have_text("You look on")
        expect(second.locator("article.tile")).to_have_count(3)
        second.get_by_role("tab", name="Tasks").click()
        expect(second.locator("#task-list").get_by_role("button", name="Find actuators")).to_be_disabled()
        first.get_by_role("button", name="Hand over").click()
        expect(second.locator("#role")).to_have_text("You operate")
        expect(first.locator("#role")).to_have_text("You look on")
        second.close()
        first.get_by_role("button", name="Operate").click()
        expect(first.locator("#role")).to_have_text("You operate")
        assert desk.complaints == []


def test_without_its_token_the_page_says_what_to_do(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page(url=f"http://127.0.0.1:{desk.server.place.port}/")
        expect(page.locator("#lost")).to_contain_text("without its token")


def test_faults_of_the_virtual_bus_at_a_click(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        find(page)
        page.get_by_role("tab", name="Virtual bus").click()
        page.locator("[data-plug=tail]").click()
        expect(page.locator("[data-plug=tail]")).to_have_text("plug in")
        tail = page.locator("article[data-uid='70a9000000005003']")
        expect(tail.locator(".chip")).to_have_text("no answer")
        page.locator("[data-plug=tail]").click()
        expect(tail.locator(".chip")).to_have_text("limp")
        page.locator("#virtual-pick").select_option("tail")
        page.get_by_role("button", name="Hand moves it to").click()
        expect(tail.locator("dd").first).to_have_text("20.0°")
        page.get_by_role("button", name="Warm it to").click()
        page.get_by_role("button", name="Lose power in byte").click()
        page.locator("[data-fault=stuck-low]").click()
        page.get_by_role("tab", name="Tasks").click()
        expect(page.locator("#said")).to_contain_text("tail is at 120 degC now")
        expect(page.locator("#said")).to_contain_text("tail loses power in byte 20 of what it stores next")
        expect(page.locator("#said")).to_contain_text("stuck-low for 1 s")
        assert desk.complaints == []


def test_everything_by_the_keyboard_alone(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page()
        page.get_by_role("tab", name="Tasks").focus()
        page.keyboard.press("ArrowRight")
        expect(page.get_by_role("tab", name="Settings")).to_be_focused()
        expect(page.locator("#settings")).to_be_visible()
        page.get_by_role("button", name="Find actuators").first.focus()
        page.keyboard.press("Enter")
        expect(page.locator("article.tile")).to_have_count(3)
        page.get_by_role("button", name="Cautions, to arm").focus()
        page.keyboard.press("Enter")
        for _ in range(4):
            page.keyboard.press("Tab")
            page.keyboard.press("Tab") if _ == 0 else None  # the limp button stands between
            page.keyboard.press("Space")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.locator("#arm-state")).to_have_text("ARMED: demands go through")
        page.keyboard.press("Space")
        expect(page.locator("#arm-state")).to_have_text("Not armed: this bench moves nothing")
        assert desk.complaints == []


def test_the_signal_is_taken_away_and_a_gang_is_matched(browser: Browser, tmp_path: Path) -> None:
    shutil.copytree(files("busproto.plan").joinpath("examples", "rudder"), tmp_path / "rudder")  # type: ignore[arg-type]
    with at_desk(browser, "rudder-gang", load(tmp_path / "rudder" / "rudder.toml")) as desk:
        page = desk.page()
        find(page)
        expect(page.get_by_role("button", name="Match a gang")).to_be_disabled()
        arm(page)
        page.get_by_role("button", name="Take the signal away").click()
        expect(page.locator(".flow-lines")).to_contain_text("All did as planned.")
        expect(page.locator(".flow-lines")).to_contain_text("rudder: not matched.")
        expect(page.locator("#flow tbody tr")).to_have_count(3)
        expect(page.locator("#flow tbody tr").first).to_contain_text("hold")
        expect(page.locator("#arm-state")).to_have_text("Not armed: this bench moves nothing")
        arm(page)
        page.get_by_label("places").fill("12")
        page.get_by_label("looks").fill("1")
        page.get_by_role("button", name="Match a gang").click()
        expect(page.locator("#flow .progress")).to_contain_text("matching")
        expect(page.locator("#flow")).to_contain_text("The tables are stored, and were read back.")
        expect(page.locator("svg.curves .curve")).to_have_count(4)
        assert desk.bus.labelled("rudder, middle").settings.working["correction"]
        tried = load_trial(str(tmp_path / "rudder" / "rudder.trial.json"))
        assert len(tried.actuators) == 3
        assert list(load_matches(tmp_path / "rudder" / "rudder.match.json").gangs) == ["rudder"]
        assert desk.complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phones_width_needs_no_sideways_scrolling_on_any_tab(browser: Browser, scheme: str) -> None:
    with at_desk(browser) as desk:
        page = desk.page(PHONE, color_scheme=scheme)
        find(page)
        for tab in page.get_by_role("tab").all():
            tab.click()
            assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        page.get_by_role("tab", name="Actuators").click()
        page.get_by_role("button", name="Let them answer at once").first.click()
        page.get_by_role("tab", name="Line").click()
        page.locator(".entry.overlap", has_text="left and right").click()
        expect(page.locator(".wave svg")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        limp = page.locator("#limp").bounding_box()
        assert limp is not None
        assert limp["height"] >= 44  # a thumb's width, common practice, no source
        assert desk.complaints == []
