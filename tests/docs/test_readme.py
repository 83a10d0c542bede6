"""README, DEVELOPERS, the overview: commands and examples are run, links lead somewhere, tables say what the code does.

A block that must not be run has ``<!-- not run: reason -->`` on the line before. A command that is meant to fail says
so behind it: ``# exit code 2``.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from busproto.cautions import DISCLAIMER
from busproto.cli import GROUPS, exit_codes, run
from busproto.sim.scene import scenario
from busproto.wire.parameters import BY_NAME
from tests.docs import markdown
from tests.docs.examples import assert_runs
from tests.docs.markdown import ROOT, Block

PAGES: Final = ("README.md", "DEVELOPERS.md")
OVERVIEW: Final = "busproto/handbook/pages/commands.md"
VIRTUAL_BUS: Final = "busproto/handbook/pages/virtual-bus.md"
MOST_LINES: Final = 150
"""Of README: it is read before anything else, and leads to the rest."""
PATIENCE_S: Final = 120
_SHELL: Final = re.compile(r"\s*(?:\||&&|;|>|2>)\s*")
_EXPECTED: Final = re.compile(r"#\s*exit code (\d+)")
_EXPORT: Final = re.compile(r"^\$ export (\w+)=(.*)$")


@dataclass(frozen=True)
class Shown:
    """A command that a page shows.

    Attributes:
        where: page and line of the block.
        arguments: of busproto.
        environment: what the page has set before.
        code: the exit code that it says; None where it says none.
    """

    where: str
    arguments: tuple[str, ...]
    environment: tuple[tuple[str, str], ...]
    code: int | None

    def __str__(self) -> str:
        return f"{self.where}: busproto {' '.join(self.arguments)}"

    @property
    def port(self) -> str:
        """The port it talks to, "" where it names none."""
        if "--port" in self.arguments:
            return self.arguments[self.arguments.index("--port") + 1]
        return dict(self.environment).get("BUSPROTO_PORT", "")

    @property
    def can_be_run_here(self) -> bool:
        """Whether nothing real is needed, and it ends by itself at once."""
        if {"-h", "--help", "--version"} & set(self.arguments):
            return True
        if self.arguments[0] in {"spec", "ports", "lesson"}:
            return True
        return self.arguments[0] not in {"bus", "demo"} and self.port.startswith("sim://")


def shown_in(block: Block) -> list[Shown]:
    """The busproto commands of a block, those that go on in the next line put together."""
    found = []
    environment: dict[str, str] = {}
    for line in block.text.replace("\\\n", " ").splitlines():
        exported = _EXPORT.match(line)
        if exported:
            environment[exported.group(1)] = shlex.split(exported.group(2))[0]
        if not line.startswith("$ busproto "):
            continue
        expected = _EXPECTED.search(line)
        command = _SHELL.split(line.removeprefix("$ busproto "))[0]
        arguments = tuple(shlex.split(command, comments=True))
        code = int(expected.group(1)) if expected else None
        found.append(Shown(str(block), arguments, tuple(environment.items()), code))
    return found


def runnable_blocks(*languages: str) -> list[Block]:
    return [
        block
        for page in PAGES
        for block in markdown.blocks(page)
        if block.language in languages and block.not_run is None
    ]


COMMANDS_SHOWN: Final = [one for block in runnable_blocks("console", "bash", "sh") for one in shown_in(block)]


@pytest.mark.parametrize("shown", [one for one in COMMANDS_SHOWN if one.can_be_run_here], ids=str)
def test_a_command_that_is_shown_does_what_is_said(
    shown: Shown, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name, value in shown.environment:
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)
    code = run(shown.arguments)
    out, err = capsys.readouterr()
    if shown.code is None:
        assert code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}, err
        assert out
    else:
        assert code == shown.code, err


def test_readme_is_short_and_its_first_commands_are_run() -> None:
    assert len((ROOT / "README.md").read_text("utf-8").splitlines()) <= MOST_LINES
    assert {one.arguments[0] for one in COMMANDS_SHOWN if one.can_be_run_here} >= {"find", "show", "address", "set"}


def test_the_overview_has_every_command_below_its_group() -> None:
    text = (ROOT / OVERVIEW).read_text("utf-8")
    at = 0
    for job, commands in GROUPS.items():
        heading = text.index(f"\n### {re.split('[;:]', job)[0]}", at)
        assert heading > at, job
        for name in commands:
            at = text.index(f"\n| `{name}", heading)
            assert text.count("\n### ", heading + 1, at) == 0, name


@pytest.mark.parametrize("block", runnable_blocks("python"), ids=str)
def test_an_example_runs(block: Block, tmp_path: Path) -> None:
    assert_runs(block, tmp_path)


def test_a_block_that_is_not_run_says_why() -> None:
    every = [block for page in PAGES for block in markdown.blocks(page)]
    assert any(block.language == "python" for block in every)
    assert [str(block) for block in every if block.not_run == ""] == []


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(page: str) -> None:
    targets = list(markdown.links(page))
    lost = []
    for target in targets:
        if re.match(r"[a-z][a-z0-9+.-]*:", target):
            continue
        path, _, anchor = target.partition("#")
        file = ROOT / path if path else ROOT / page
        if not file.exists() or (anchor and anchor not in markdown.anchors(file)):
            lost.append(target)
    assert lost == []
    assert targets or page != "README.md"


_PATH: Final = re.compile(r"`((?:busproto|sim|tests|captures|\.ci)/[\w./-]*|[\w.-]+(?:/[\w.-]+)+\.(?:py|js|md|toml))`")
_MODULE: Final = re.compile(r"python -m ((?:busproto|tests)[\w.]*)")


def test_paths_that_the_pages_name_exist() -> None:
    """Such as `sim/actuators/actuator.py`: names with a folder and an ending, in code spans."""
    lost = []
    for page in PAGES:
        text = (ROOT / page).read_text("utf-8")
        for name in _PATH.findall(text):
            if "NAME" not in name and not (ROOT / name).exists():
                lost.append(f"{page}: {name}")
    assert lost == []


def test_modules_that_the_pages_run_exist() -> None:
    """Such as `python -m tests.capture.make`: a module, or a package with a `__main__`."""
    lost = []
    for page in PAGES:
        for name in _MODULE.findall((ROOT / page).read_text("utf-8")):
            path = ROOT / name.rstrip(".").replace(".", "/")
            if not path.with_suffix(".py").exists() and not (path / "__main__.py").exists():
                lost.append(f"{page}: {name}")
    assert lost == []


def test_ci_runs_the_very_commands_that_readme_shows() -> None:
    """Either word for word, or by taking them out of README; then what it takes out must be what stands there."""
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    for marker in ("test command", "demo command"):
        wanted = markdown.block_behind("README.md", marker).text
        assert wanted.strip()
        lines = [line.strip().removeprefix("$ ") for line in wanted.splitlines() if line.strip()]
        if all(line in script for line in lines):
            continue
        taken = re.search(rf'bash [^\n]*"\$\((\w+) \'{marker}\'\)"\n', script)
        assert taken, f".ci/run does not run the {marker} of README"
        function = re.search(rf"^{taken.group(1)}\(\) \{{.*?^\}}", script, re.MULTILINE | re.DOTALL)
        assert function
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", f"{function.group()}\n{taken.group(1)} '{marker}'"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=True,
        )
        assert done.stdout == wanted


def test_the_test_command_runs_pytest_on_everything() -> None:
    command = markdown.block_behind("README.md", "test command").text
    assert re.search(r"\bpytest( -n auto)?\s*$", command.strip())


def test_the_exit_codes_in_the_overview_are_those_of_the_code() -> None:
    text = (ROOT / OVERVIEW).read_text("utf-8")
    rows = re.findall(r"^\| (\d+) \| (.*?) \|$", text, re.MULTILINE)
    assert {int(code): meaning for code, meaning in rows} == exit_codes.TEXTS


def test_readme_repeats_the_disclaimer_word_for_word() -> None:
    assert DISCLAIMER in " ".join((ROOT / "README.md").read_text("utf-8").split())


def test_the_scenarios_that_are_told_are_those_that_are_shipped() -> None:
    text = (ROOT / VIRTUAL_BUS).read_text("utf-8")
    assert set(re.findall(r"^\| `([a-z-]+)` \|", text, re.MULTILINE)) == set(scenario.names())
    shown = set(re.findall(r"sim://([a-z][a-z-]*)", text + (ROOT / "README.md").read_text("utf-8")))
    assert shown <= set(scenario.names())


def test_parameters_set_in_the_pages_exist() -> None:
    names = {
        text.partition("=")[0]
        for one in COMMANDS_SHOWN
        if one.arguments[0] == "set"
        for text in one.arguments[2:]
        if "=" in text and "://" not in text
    }
    assert names
    assert names <= set(BY_NAME)


def test_the_reader_of_pages_itself() -> None:
    lines = ["a", "", "<!-- not run: needs a port -->", "```python", "x = 1", "```"]
    lines += ["b", "~~~", "```", "~~~", "```console", "$ busproto \\", "  spec", "```"]
    text = "\n".join(lines)
    first, second, third = markdown.blocks("README.md", text)
    assert (first.language, first.text, first.line, first.not_run) == ("python", "x = 1\n", 4, "needs a port")
    assert (second.language, second.text, second.not_run) == ("", "```\n", None)
    assert [one.arguments for one in shown_in(third)] == [("spec",)]
