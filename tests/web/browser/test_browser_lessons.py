"""Lessons in a real browser, headless: every one of them, every scene; searches by hand and played; the question."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")
pytest.importorskip("playwright", reason="the browser tests are driven by playwright: pip install playwright")

from playwright.sync_api import Browser, Locator, Page, expect

from busproto.lessons import LESSONS, as_json, lesson_named
from tests.web.browser.test_browser import PHONE, WIDE, Desk, at_desk, browser, pytestmark

__all__ = ["browser", "pytestmark"]  # the fixture and the marks of the other browser tests hold here too

SEARCHES = ("tree", "slots", "backoff")
SEED = 3


@pytest.fixture(scope="module")
def desk(browser: Browser) -> Iterator[Desk]:
    """One server for all that only take lessons: they leave nothing behind in it."""
    with at_desk(browser) as made:
        yield made


@contextmanager
def lessons(desk: Desk, size: dict[str, int] = WIDE, *, refused: str = "", **options: str) -> Iterator[Page]:
    """A page with the list of lessons open. Nothing may be printed to its console, but what the browser itself prints
    of a refusal that the test asks for.
    """
    desk.complaints.clear()
    page = desk.page(size, **options)
    page.get_by_role("tab", name="Lessons").click()
    expect(page.locator(".lesson-list button")).to_have_count(len(LESSONS))
    yield page
    assert [one for one in desk.complaints if not refused or refused not in one] == []
    page.context.close()


def scene_title(page: Page) -> Locator:
    return page.locator(".lesson-scene-title")


def open_lesson(page: Page, name: str, seed: int = SEED) -> dict[str, Any]:
    """Choose one from the list and run it with a seed; what the server's lesson is."""
    page.locator(f"[data-lesson={name}]").click()
    body = as_json(name, 1)
    expect(scene_title(page)).to_have_text(body["scenes"][0]["title"])
    if seed != 1:
        page.get_by_label("seed").fill(str(seed))
        page.get_by_role("button", name="Run with this seed").click()
        expect(page.locator("#lessons")).to_contain_text(f"virtual bus of seed {seed}.")
        body = as_json(name, seed)
    return body


def turn_to(page: Page, title: str) -> None:
    page.get_by_role("navigation", name="Scenes").get_by_role("button", name=title).click()
    expect(scene_title(page)).to_have_text(title)


def truth_of(name: str, seed: int) -> str:
    question = lesson_named(name).question(seed)
    return question.form.show(question.solve().value)


def search_in(body: dict[str, Any]) -> dict[str, Any]:
    return next(scene for scene in body["scenes"] if "steps" in scene)


def fits(page: Page, width: int) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth") <= width)


def test_a_lesson_by_the_keyboard_alone_from_the_list_to_the_right_answer(desk: Desk) -> None:
    body = as_json("tree", 1)
    steps = search_in(body)["steps"]
    with lessons(desk, refused="status of 400") as page:
        page.locator("[data-lesson=tree]").focus()
        page.keyboard.press("Enter")
        expect(page.locator(".lesson-title")).to_have_text(body["title"])
        expect(page.locator(".lesson-title")).to_be_focused()
        expect(page.locator("#lesson-scene")).to_contain_text(body["scenes"][0]["text"][0])
        page.get_by_role("button", name="Next scene").press("Enter")
        expect(scene_title(page)).to_have_text("The search")
        expect(scene_title(page)).to_be_focused()
        said, note = page.locator(".lesson-said"), page.locator(".lesson-note")
        expect(said).to_have_text(steps[0]["text"].strip())
        on = page.get_by_role("button", name="Step on")
        on.focus()
        for step in steps[1:]:
            page.keyboard.press("Enter")
            expect(said).to_have_text(step["text"].strip())
            expect(note).to_contain_text(step["note"])
        count = len(steps[-1]["board"]["rows"])
        expect(note).to_contain_text(f"Found {count} of {count}.")
        expect(on).to_be_focused()  # also at the end
        page.keyboard.press("ArrowLeft")
        expect(said).to_have_text(steps[-2]["text"].strip())
        slider = page.get_by_role("slider", name="Step of the search")
        slider.press("Home")
        expect(said).to_have_text(steps[0]["text"].strip())
        expect(note).to_contain_text("Found 0 of")
        slider.press("End")
        expect(page.locator(".lesson-log li")).to_have_text([step["text"] for step in steps])
        page.get_by_role("button", name="Next scene").press("Enter")
        expect(scene_title(page)).to_have_text(body["scenes"][2]["title"])
        page.get_by_role("button", name="To the question").press("Enter")
        expect(scene_title(page)).to_be_focused()
        expect(page.locator("#lesson-scene")).to_contain_text(body["question"]["text"])
        answer, verdict = page.get_by_label("Your answer"), page.locator(".lesson-verdict")
        answer.fill("many")
        answer.press("Enter")
        expect(verdict).to_contain_text("a whole number")
        truth = truth_of("tree", 1)
        answer.fill(str(int(truth) + 1))
        answer.press("Enter")
        expect(verdict).to_contain_text(f"✗ Wrong: {int(truth) + 1}. It is {truth}.")
        expect(verdict).to_contain_text("still broke")
        answer.fill(truth)
        answer.press("Enter")
        expect(verdict).to_contain_text(f"✓ Right: {truth}.")
        page.get_by_role("button", name="All lessons").press("Enter")
        expect(page.locator("[data-lesson=tree]")).to_be_focused()
        expect(page.locator("[data-lesson=tree]")).to_contain_text("✓ answered")


@pytest.mark.parametrize("name", LESSONS)
def test_every_scene_of_every_lesson_shows_what_is_in_it(desk: Desk, name: str) -> None:
    with lessons(desk, PHONE) as page:
        body = open_lesson(page, name)
        for number, scene in enumerate(body["scenes"]):
            turn_to(page, scene["title"])
            shown = page.locator("#lesson-scene")
            for text in (*scene["text"], *scene.get("after", ())):
                expect(shown).to_contain_text(text.removeprefix("- "))
            expect(shown.locator(".lesson-scope")).to_have_count(int("scope" in scene))
            expect(shown.locator(".lesson-plot")).to_have_count(int("plot" in scene))
            expect(shown.locator(".lesson-player")).to_have_count(int("steps" in scene))
            if "scope" in scene:
                waves = scene["scope"]["waves"]
                expect(shown.locator(".lesson-wave-name b")).to_have_text([wave["name"] for wave in waves])
                expect(shown.locator(".level")).to_have_count(len(waves))
                expect(shown.locator(".lesson-letter")).to_have_text(re.findall(r"\S", scene["scope"]["ruler"]))
            if "plot" in scene:
                expect(shown.locator(".lesson-curve-name")).to_have_text(
                    [one["name"] for one in scene["plot"]["curves"]]
                )
                expect(shown.locator(".lesson-marks li")).to_have_count(len(scene["plot"]["marks"]))
            if "table" in scene:
                rows = shown.locator("table").last.locator("tbody tr")
                if "steps" in scene:
                    page.get_by_role("slider", name="Step of the search").press("End")
                expect(rows).to_have_count(len(scene["table"]["rows"]))
                for row, cells in zip(rows.all(), scene["table"]["rows"], strict=True):
                    expect(row.locator("th, td")).to_have_text(cells)
            assert fits(page, PHONE["width"]), (name, number)
        turn_to(page, "Question")
        expect(page.locator("#lesson-scene")).to_contain_text(body["question"]["text"])
        page.get_by_label("Your answer").fill(truth_of(name, SEED))
        page.get_by_role("button", name="Check", exact=True).click()
        expect(page.locator("[data-verdict=right]")).to_contain_text("✓ Right")
        assert fits(page, PHONE["width"])


def test_waves_say_who_pulls_the_line_low_and_grow_when_zoomed(desk: Desk) -> None:
    with lessons(desk) as page:
        scope = open_lesson(page, "and")["scenes"][0]["scope"]

        def is_low(edges: list[int], at_ns: float) -> bool:
            return sum(edge <= at_ns for edge in edges) % 2 == 1

        *drivers, line = scope["waves"]
        middles = [scope["from_ns"] + (bit + 0.5) * scope["bit_ns"] for bit in range(scope["bits"])]
        pulled = [
            sum(is_low(line["edges"], at) and not is_low(wave["edges"], at) for at in middles) for wave in drivers
        ]
        assert sum(pulled) > 0
        widths = page.evaluate(
            "[...document.querySelectorAll('.lesson-wave g')].map((row) =>"
            " [...row.querySelectorAll('.lesson-pulled')].reduce((sum, one) => sum + one.width.baseVal.value, 0))"
        )
        picture = page.locator(".lesson-wave svg")
        before = float(picture.get_attribute("width") or 0)
        per_bit = before / scope["bits"]
        assert [round(width / per_bit) for width in widths] == [*pulled, 0]
        spoken = (picture.get_attribute("aria-label") or "").split("; ")
        assert spoken == [
            f"{wave['name']}: {''.join('0' if is_low(wave['edges'], at) else '1' for at in middles)}"
            for wave in scope["waves"]
        ]
        page.get_by_role("button", name="Zoom in").click()
        assert float(picture.get_attribute("width") or 0) == pytest.approx(2 * before, abs=2)


@pytest.mark.parametrize(
    ("name", "motion"), [("tree", "no-preference"), ("tree", "reduce"), ("slots", "reduce"), ("backoff", "reduce")]
)
def test_a_search_plays_to_its_end_pauses_and_is_counted_right(desk: Desk, name: str, motion: str) -> None:
    with lessons(desk, reduced_motion=motion) as page:
        search = search_in(open_lesson(page, name))
        turn_to(page, search["title"])
        steps = search["steps"]
        play, said = page.locator("[data-player=play]"), page.locator(".lesson-said")
        expect(play).to_contain_text("Play")
        expect(said).to_have_text(re.sub(r"\s+", " ", steps[0]["text"].strip()))
        page.get_by_label("pace").select_option("quick")
        play.press("Enter")
        expect(play).to_contain_text("Play again")
        expect(page.locator(".lesson-log li")).to_have_count(len(steps))
        found = re.match(r"Found (\d+) of (\d+)", page.locator(".lesson-note").inner_text())
        assert found is not None
        assert found.group(1) == found.group(2) != "0"
        expect(page.locator(".lesson-theory").first).to_be_attached()  # theory stands beside what was found
        begun_and_paused = page.evaluate(  # in one go, so that no step can come between
            "() => { const play = document.querySelector('[data-player=play]');"
            " const look = () => [play.textContent, document.querySelectorAll('.lesson-log li').length];"
            " play.click(); const begun = look(); play.click(); return [begun, look()]; }"
        )
        assert begun_and_paused == [["❚❚ Pause", 1], ["▶ Play", 1]]  # from the first step again
        moving = page.evaluate("document.getAnimations().length")
        assert motion == "no-preference" or moving == 0


@pytest.mark.parametrize("name", SEARCHES)
@pytest.mark.parametrize("seed", [1, 2, 5])
def test_the_course_of_every_search_is_drawn_with_its_theory(desk: Desk, name: str, seed: int) -> None:
    with lessons(desk) as page:
        search = search_in(open_lesson(page, name, seed))
        turn_to(page, search["title"])
        slider = page.get_by_role("slider", name="Step of the search")
        slider.press("End")
        steps = search["steps"]
        told = sum(step["course"]["expected_found"] is not None for step in steps)
        expect(page.locator(".lesson-theory")).to_have_count(1 if name == "tree" else told)
        count = len(set(re.findall(r"\b[A-Z]\b", search_names(steps))))
        label = f"Found after {len(steps)} of {len(steps)} steps: {count} of {count}"
        expect(page.locator(".lesson-course svg")).to_have_attribute("aria-label", label)
        expect(page.locator(".lesson-node")).to_have_count(len(steps) if name == "tree" else 0)


def search_names(steps: list[dict[str, Any]]) -> str:
    """Everything in the boards that may be the letter of an actuator."""
    return " ".join(cell for step in steps for row in step["board"]["rows"] for cell in row[:2])


def test_a_reload_comes_back_to_the_same_scene_and_seed_and_the_token_is_not_in_the_address(browser: Browser) -> None:
    with at_desk(browser) as desk, lessons(desk) as page:
        body = open_lesson(page, "loss", 7)
        turn_to(page, body["scenes"][1]["title"])
        assert page.url.endswith("/#lesson=loss&seed=7&scene=2")
        page.reload()
        expect(page.locator("#lessons")).to_be_visible()
        expect(scene_title(page)).to_have_text(body["scenes"][1]["title"])
        expect(page.locator("#lessons")).to_contain_text("virtual bus of seed 7.")
        expect(page.locator("#role")).to_have_text("You operate")
        page.get_by_role("tab", name="Tasks").click()
        expect(page).to_have_url(re.compile(r"/$"))
        page.get_by_role("tab", name="Lessons").click()
        expect(page).to_have_url(re.compile("lesson=loss&seed=7&scene=2$"))
        page.get_by_role("button", name="All lessons").click()
        expect(page).to_have_url(re.compile(r"/$"))


def test_a_lesson_may_be_in_the_address_beside_the_token_and_nonsense_there_is_said(browser: Browser) -> None:
    with at_desk(browser) as desk:
        page = desk.page(url=f"{desk.server.place.url}&lesson=slots&seed=4&scene=2")
        expect(scene_title(page)).to_have_text("The search")
        assert "token" not in page.url
        assert desk.complaints == []
        other = desk.page(url=f"{desk.server.place.url}&lesson=nothing")
        expect(other.locator("#lessons [role=alert]")).to_contain_text("no lesson of that name")
        other.get_by_role("button", name="All lessons").click()
        expect(other.locator(".lesson-list button")).to_have_count(len(LESSONS))


def test_another_seed_is_another_bus_and_a_bad_one_is_refused_by_the_field(desk: Desk) -> None:
    with lessons(desk) as page:
        first = open_lesson(page, "frame", 1)
        page.get_by_label("seed").fill("12")
        page.get_by_label("seed").press("Enter")
        other = as_json("frame", 12)
        assert first["scenes"][0]["text"] != other["scenes"][0]["text"]
        expect(page.locator("#lesson-scene")).to_contain_text(other["scenes"][0]["text"][0])
        page.get_by_label("seed").fill("-3")
        page.get_by_role("button", name="Run with this seed").click()
        assert page.evaluate("document.querySelector('[name=seed]:invalid') !== null")
        expect(page.locator("#lesson-scene")).to_contain_text(other["scenes"][0]["text"][0])
        page.get_by_role("button", name="Another seed").click()
        expect(page.get_by_label("seed")).not_to_have_value("-3")
        expect(page).to_have_url(re.compile(r"lesson=frame&seed=\d+&scene=1$"))


def test_who_looks_on_takes_a_lesson_and_what_operates_goes_on(browser: Browser) -> None:
    with at_desk(browser) as desk, lessons(desk) as page:
        looker = desk.page(PHONE)
        expect(looker.locator("#role")).to_have_text("You look on")
        looker.get_by_role("tab", name="Lessons").click()
        expect(looker.locator("#lessons")).to_contain_text("nothing real moves")
        open_lesson(looker, "stuck")
        turn_to(looker, "Question")
        looker.get_by_label("Your answer").fill(truth_of("stuck", SEED))
        looker.get_by_role("button", name="Check", exact=True).click()
        expect(looker.locator("[data-verdict=right]")).to_be_visible()
        page.get_by_role("button", name="Find actuators").first.click()
        expect(page.locator("article.tile")).to_have_count(3)


def test_the_plot_is_read_by_the_keyboard(desk: Desk) -> None:
    with lessons(desk) as page:
        scene = open_lesson(page, "loss")["scenes"][1]
        turn_to(page, scene["title"])
        slider = page.get_by_role("slider", name="Read the curves")
        slider.press("End")
        ends = [f"{curve['name']} {curve['points'][-1][1]:.1f}" for curve in scene["plot"]["curves"]]
        expect(page.locator(".lesson-read")).to_contain_text(f"{', '.join(ends)} deg")
        assert (slider.get_attribute("aria-valuetext") or "").endswith(f"{', '.join(ends)} deg")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_list_and_a_search_fit_a_phone(desk: Desk, scheme: str) -> None:
    with lessons(desk, PHONE, color_scheme=scheme) as page:
        assert fits(page, PHONE["width"])
        search = search_in(open_lesson(page, "backoff"))
        turn_to(page, search["title"])
        page.get_by_role("slider", name="Step of the search").press("End")
        assert fits(page, PHONE["width"])
        for button in page.locator(".lesson-controls button").all():
            box = button.bounding_box()
            assert box is not None
            assert box["height"] >= 24  # WCAG 2.2, success criterion 2.5.8, target size (minimum): 24 CSS pixels


def test_a_server_that_does_not_answer_is_said_and_asked_again(desk: Desk) -> None:
    with lessons(desk, refused="ERR_FAILED") as page:
        page.route("**/lessons/and**", lambda route: route.abort())
        page.locator("[data-lesson=and]").click()
        expect(page.locator("#lessons [role=alert]")).to_have_text("The server does not answer.")
        page.unroute("**/lessons/and**")
        page.get_by_role("button", name="Try again").click()
        expect(page.locator(".lesson-title")).to_have_text(lesson_named("and").title)
