"""Every page: what it shows is run, what it links to is there, what it quotes can be read on a terminal."""

from __future__ import annotations

import re
import shlex
import subprocess
import tomllib
from pathlib import Path
from typing import Final

import pytest

from busproto import __version__, handbook
from busproto.cli import run
from busproto.plan import assignment, files
from busproto.plan.airframe.record_file import FORMAT as RECORD_FORMAT
from busproto.plan.airframe.record_file import RECORD_KEY
from busproto.plan.airframe.results import TRIAL_FORMAT
from busproto.plan.calibration.gang_match import MATCH_FORMAT
from busproto.wire.frame import FRAME_VERSION
from tests.cli.helpers import ROOT, CommandLine, make_bench
from tests.docs.examples import assert_runs
from tests.docs.markdown import anchors
from tests.handbook.walking import blocks_of, bus_of, steps_in, walk

PAGES: Final = list(handbook.TOPICS.values())
OURS: Final = [page for page in PAGES if page.file.parent == handbook.HERE]
LONGEST: Final = 120
DRAWN: Final = 78
"""Columns of what is drawn with letters: a terminal of 80 shows it whole."""
_LINK: Final = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


def named(page: handbook.Topic) -> str:
    return page.name


WALKED_ELSEWHERE: Final = {"tour": "tests/cli/bus/test_tour.py, which looks at what it leaves, too"}


def has_console(page: handbook.Topic) -> bool:
    return page.name not in WALKED_ELSEWHERE and any(
        block.language == "console" and block.not_run is None for block in blocks_of(page)
    )


@pytest.mark.parametrize("page", [page for page in PAGES if has_console(page)], ids=named)
def test_what_a_page_shows_is_done_in_order(
    page: handbook.Topic, cli: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    scenario = bus_of(page)
    bench = None
    if scenario is not None:
        monkeypatch.setenv("BUSPROTO_PORT", "/dev/pts/N")
        bench = make_bench(monkeypatch, scenario, seed=1)
    assert walk(page, cli, bench, tmp_path)


@pytest.mark.parametrize("page", OURS, ids=named)
def test_a_block_that_is_not_run_says_why_and_its_commands_exist(page: handbook.Topic, cli: CommandLine) -> None:
    for block in blocks_of(page):
        assert block.not_run != "", str(block)
        if block.language == "console" and block.not_run is not None:
            for step in steps_in(block):
                if step.arguments:
                    words = [word for word in step.arguments if not word.startswith("-")]
                    assert cli(*words[: 2 if words[0] in {"bus", "plan"} else 1], "--help").code == 0, step.command


@pytest.mark.parametrize("page", OURS, ids=named)
def test_python_and_toml_of_a_page_are_sound(page: handbook.Topic, tmp_path: Path) -> None:
    for block in blocks_of(page):
        if block.language == "toml":
            tomllib.loads(block.text)
        if block.language == "python" and block.not_run is None:
            assert_runs(block, tmp_path)


@pytest.mark.parametrize("page", OURS, ids=named)
def test_every_link_leads_to_a_page_or_a_heading(page: handbook.Topic) -> None:
    for target in _LINK.findall(page.text()):
        if target.startswith("https://"):
            continue
        name, _, anchor = target.partition("#")
        path = Path(name)
        assert not name or path.stem in handbook.TOPICS, target
        file = handbook.TOPICS[path.stem].file if name else page.file
        assert not anchor or anchor in anchors(file), target


@pytest.mark.parametrize("page", OURS, ids=named)
def test_a_page_has_one_title_and_lines_that_can_be_read(page: handbook.Topic) -> None:
    text = page.text()
    assert text.startswith("# ")
    assert page.title != page.name
    assert page.line.endswith(".")
    drawn = {line for block in blocks_of(page) for line in block.text.splitlines() if block.language == "text"}
    for line in text.splitlines():
        is_command = line.startswith("$ busproto")
        assert len(line) <= LONGEST or is_command or line.startswith("|"), line
        assert line not in drawn or len(line) <= DRAWN, line
    assert re.search(r"\b(nobody|everyone|someone|everybody)\b", without_code(text)) is None


def without_code(text: str) -> str:
    """A page without its fenced blocks, code spans and quotations of what the program prints."""
    return re.sub(r"`[^`]*`", "", re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL))


def test_every_file_of_the_handbook_is_a_topic_and_every_kind_has_pages() -> None:
    assert {path.stem for path in handbook.HERE.glob("*.md")} == {page.name for page in OURS}
    assert {page.kind for page in PAGES} == set(handbook.KINDS)
    index = handbook.index_text()
    for page in PAGES:
        assert f"[{page.name}]({page.name}.md): {page.title}. {page.line}" in index
    assert handbook.without_comments("a\n<!-- b\nc -->\nd\n") == "a\nd\n"


@pytest.mark.parametrize("page", OURS, ids=named)
def test_the_commands_within_sentences_exist(page: handbook.Topic, capsys: pytest.CaptureFixture[str]) -> None:
    """Such as `busproto find --port X`: the command is there, and so is each option that it names."""
    for text in re.findall(r"`(busproto [^`]+)`", page.text()):
        assert_parses(" ".join(text.split()), capsys)


def assert_parses(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Command and options of a line stand in its help."""
    words = shlex.split(text)[1:]
    if words[0].isupper() or words[0].startswith("-"):
        return
    depth = 2 if words[0] in {"bus", "plan"} and len(words) > 1 else 1
    capsys.readouterr()
    assert run([*words[:depth], "--help"]) == 0, text
    help_page = capsys.readouterr().out
    for option in (word for word in words if word.startswith("--")):
        assert re.search(rf"{re.escape(option.partition('=')[0])}\b", help_page), text


def test_the_wheel_holds_the_pages(tmp_path: Path) -> None:
    """What is packed is every file below the package: hatchling takes all that version control does not ignore."""
    build = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert "busproto" in build["packages"]
    assert not {"exclude", "include", "only-include"} & set(build)
    ignored = subprocess.run(
        ["git", "check-ignore", *map(str, handbook.HERE.glob("*.*"))], cwd=ROOT, capture_output=True, text=True
    )
    assert ignored.stdout == ""


def test_the_glossary_is_short_sorted_and_says_each_word_once() -> None:
    entries = re.findall(r"^- \*\*(.+?)\*\*: (.+)$", handbook.TOPICS["glossary"].source(), re.MULTILINE)
    words = [word for word, _ in entries]
    assert words == sorted(set(words))
    assert 40 <= len(words) <= 60
    for word, text in entries:
        told = text.partition(" *Also: ")[0]
        assert told.endswith("."), word
        assert told.count(". ") <= 1, word


def test_the_options_of_the_harness_that_a_page_names_exist() -> None:
    from busproto.conformance import plugin

    known = Path(str(plugin.__file__)).read_text("utf-8")
    named = set(re.findall(r"--(?:dut[\w-]*|all-clear)", handbook.TOPICS["firmware"].source()))
    assert len(named) >= 6
    assert [option for option in sorted(named) if f'"{option}"' not in known] == []


def test_what_is_stable_names_the_versions_of_the_code() -> None:
    text = " ".join(handbook.TOPICS["changes"].source().split())
    assert f"frame version {FRAME_VERSION}," in text
    for key, number in ((RECORD_KEY, RECORD_FORMAT), *((kind, files.FORMAT) for kind in files.KINDS)):
        assert re.search(rf'`"?{key}"?(: | = ){number}`', text), key
    assert {assignment.FORMAT, TRIAL_FORMAT, MATCH_FORMAT} == {1}
    assert '`"format": 1` in claims (`NAME.assignment.json`), trial and match' in text
    assert re.search(
        rf"## Unreleased: {re.escape(__version__)} ### Added .* ### Renamed \| kind \| old \| new \|", text
    )
