"""The page's JavaScript: its JSDoc types held by the TypeScript compiler, its style by a linter; both are pinned.

Both come from `javascript/package.json` by npm, into a folder that git does not know; the page itself needs neither.
"""

from __future__ import annotations

import fcntl
import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

TOOLS: Final = Path(__file__).parent / "javascript"
STATIC: Final = Path(__file__).parents[2] / "busproto" / "web" / "static"
LONGEST_LINE: Final = 120
LONGEST_FILE: Final = 500

needs_node = pytest.mark.skipif(
    shutil.which("node") is None or shutil.which("npm") is None,
    reason="there is no node with npm on this machine: apt-get install npm",
)


@pytest.fixture(scope="module")
def tools() -> Path:
    """Where the programs are; installed as `package-lock.json` has them, where that was not done yet."""
    with (TOOLS / ".installing").open("w") as lock:  # tests run in several processes
        fcntl.flock(lock, fcntl.LOCK_EX)
        installed, wanted = TOOLS / "node_modules" / ".package-lock.json", TOOLS / "package-lock.json"
        if not installed.exists() or installed.stat().st_mtime < wanted.stat().st_mtime:
            done = subprocess.run(["npm", "ci"], cwd=TOOLS, capture_output=True, text=True)
            assert done.returncode == 0, f"npm ci in {TOOLS} failed: {done.stderr}"
            installed.touch()
    return TOOLS / "node_modules" / ".bin"


def run(*words: str | Path) -> str:
    """What a program complains of; "" where it is content."""
    done = subprocess.run(words, cwd=TOOLS, capture_output=True, text=True)
    return "" if done.returncode == 0 else done.stdout + done.stderr


def lint(tools: Path, *what: Path) -> str:
    return run(tools / "biome", "ci", "--error-on-warnings", "--colors=off", f"--config-path={TOOLS}", *what)


@needs_node
def test_the_types_hold(tools: Path) -> None:
    assert run(tools / "tsc", "--project", TOOLS) == ""


@needs_node
def test_the_linter_and_the_formatter_are_content(tools: Path) -> None:
    assert lint(tools, STATIC) == ""


@needs_node
def test_the_checks_see_a_wrong_type_a_long_function_and_an_unused_name(tools: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.js"
    wrong.write_text(f'import {{ byId }} from "{STATIC}/base/dom.js";\nbyId(7).hidden = missing;\n')
    config = tmp_path / "tsconfig.json"
    config.write_text(f'{{"extends": "{TOOLS}/tsconfig.json", "include": ["wrong.js"]}}')
    told = run(tools / "tsc", "--project", config)
    assert "TS2345" in told  # a number where a string is wanted
    assert "TS2304" in told  # a name that is not there
    steps = "\n".join(f"  out.push({number});" for number in range(50))
    wrong.write_text(f"export function long(out) {{\n{steps}\n}}\nconst unused = 1;\n")
    told = lint(tools, wrong)
    assert "noExcessiveLinesPerFunction" in told
    assert "noUnusedVariables" in told


def test_files_and_lines_are_short_and_folders_hold_few_files() -> None:
    for file in STATIC.rglob("*.js"):
        lines = file.read_text("utf-8").splitlines()
        assert lines[0].startswith("// "), f"{file.name} does not say what it is"
        assert len(lines) < LONGEST_FILE, file.name
        assert [number for number, line in enumerate(lines, 1) if len(line) > LONGEST_LINE] == [], file.name
    for folder in [STATIC, *(one for one in STATIC.rglob("*") if one.is_dir())]:
        assert sum(one.is_file() for one in folder.iterdir()) <= 15, folder.name
