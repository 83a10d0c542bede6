"""The template files of other languages: their places are filled, and what comes out is good in its language."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest

from busproto.wire.generators.lua_source import lua_source
from busproto.wire.generators.sigrok_source import sigrok_files
from busproto.wire.generators.template import filled

TEXTS = resources.files("busproto.wire.generators").joinpath("texts")


def test_a_place_without_a_part_and_a_part_without_a_place_are_errors() -> None:
    with pytest.raises(ValueError, match="pack body"):
        filled("bp_frame.c.in", {"numbers": ""})
    with pytest.raises(ValueError, match="nowhere"):
        filled("init.py.in", {"nowhere": ""})


def test_nothing_is_left_to_fill_in() -> None:
    for text in (lua_source(), *sigrok_files().values()):
        assert not re.search(r"@[a-z ]+@", text)


def test_the_decoder_is_good_python() -> None:
    for name, text in sigrok_files().items():
        compile(text, name, "exec")


def test_the_templates_in_python_pass_the_linter(tmp_path: Path) -> None:
    if importlib.util.find_spec("ruff") is None:
        pytest.skip("ruff is not installed; pip install -e '.[dev]' brings it")
    for name, text in sigrok_files().items():
        (tmp_path / name).write_text(text, "utf-8")
    options = ["--isolated", "--select", "F,B,E9", "--ignore", "F401"]
    command = [sys.executable, "-m", "ruff", "check", *options, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_every_template_is_used() -> None:
    used = set()
    for file in Path(str(TEXTS)).parent.glob("*.py"):
        used |= set(re.findall(r'filled\(\s*"([^"]+)"', file.read_text("utf-8")))
    assert used == {file.name for file in TEXTS.iterdir()}
