"""The text of the generated C: strict compilers, what it may use; and the command that writes it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from busproto.sim.native.device_build import STRICT
from busproto.wire.generators.c_source import sources
from tests.cli.helpers import CommandLine


@pytest.mark.parametrize("level", ["-O0", "-O2"])
@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_it_passes_a_strict_compiler(compiler: str, level: str, tmp_path: Path) -> None:
    found = shutil.which(compiler)
    if found is None:
        pytest.skip(f"there is no {compiler} here")
    for name, text in sources().items():
        (tmp_path / name).write_text(text, "utf-8")
    for name in sources():
        if name.endswith(".c"):
            done = subprocess.run(
                [found, *STRICT, level, "-c", name, "-o", os.devnull], cwd=tmp_path, capture_output=True, text=True
            )
            assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", list(sources()))
def test_it_uses_nothing_but_memcpy_and_memset(name: str) -> None:
    text = re.sub(r"/\*.*?\*/", "", sources()[name], flags=re.DOTALL)
    assert set(re.findall(r"#include (\S+)", text)) <= {"<stddef.h>", "<stdint.h>", "<string.h>", '"bp_wire.h"'}
    text = re.sub(r'"(?:[^"\\]|\\.)*"', "", text)
    words = {"if", "for", "while", "switch", "return", "sizeof", "UINT32_C"}
    called = set(re.findall(r"\b(?!bp_|BP_)(\w+)\(", text)) - words
    assert called <= {"memcpy", "memset"}


def test_a_header_is_good_cplusplus(tmp_path: Path) -> None:
    found = shutil.which("g++")
    if found is None:
        pytest.skip("there is no g++ here")
    (tmp_path / "bp_wire.h").write_text(sources()["bp_wire.h"], "utf-8")
    (tmp_path / "use.cpp").write_text('#include "bp_wire.h"\nint main() { return bp_get_u8(0); }\n', "utf-8")
    command = [found, "-Wall", "-Wextra", "-Werror", "-fsyntax-only", "use.cpp"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_command_writes_the_files(tmp_path: Path, cli: CommandLine) -> None:
    place = tmp_path / "made" / "by it"
    result = cli("spec", "--c", str(place))
    assert (result.code, result.err) == (0, "")
    assert result.out == "".join(f"written: '{place / name}'\n" for name in sources())
    assert {path.name: path.read_text("utf-8") for path in place.iterdir()} == sources()
    again = cli("spec", "--c", str(place), "--json")
    assert again.json == {"files": [str(place / name) for name in sources()]}


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path, cli: CommandLine) -> None:
    taken = tmp_path / "taken"
    taken.write_text("no directory")
    result = cli("spec", "--c", str(taken))
    assert (result.code, result.out) == (2, "")
    assert str(taken) in result.error_line
    assert taken.read_text() == "no directory"
