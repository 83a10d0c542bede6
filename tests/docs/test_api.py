"""The API reference: it is made without a warning and without a network, and leaves no public name out."""

from __future__ import annotations

import html
import importlib
import pkgutil
import re
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

import busproto
from busproto import handbook
from tests.cli.helpers import PATIENCE_S

pytest.importorskip("pdoc", reason="the API reference is made by pdoc: pip install 'busproto[docs]'")

from tests.docs import api

WITHOUT_ALL: Final = {"busproto.conformance", "busproto.sim", "busproto.web"}
"""Packages that are used by a command line of their own alone."""
_TAG: Final = re.compile(r"<[^>]+>")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages, made as DEVELOPERS says, where no name can be looked up and every warning is an error."""
    directory = tmp_path_factory.mktemp("api")
    offline = "import socket, sys; socket.socket.connect = socket.getaddrinfo = None; import runpy; "
    run = f"sys.argv[1:] = [{str(directory)!r}]; runpy.run_module('tests.docs.api', run_name='__main__')"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", offline + run], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    return directory


def page(made: Path, name: str) -> str:
    return (made / f"{name.replace('.', '/')}.html").read_text("utf-8")


def sections(text: str) -> dict[str, str]:
    """What stands below each name of a package, up to the next one."""
    parts = re.split(r'<section id="([\w.]+)">', text)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize("name", api.PACKAGES)
def test_every_public_name_stands_there_with_what_it_is(name: str, made: Path) -> None:
    there = sections(page(made, name))
    public = importlib.import_module(name).__all__
    assert [one for one in public if one not in there] == []
    told = {one: re.search(r'<div class="docstring">(.+?)</div>', there[one], re.DOTALL) for one in public}
    bare = [one for one, found in told.items() if not found or len(_TAG.sub("", found.group(1)).strip()) < 10]
    assert bare == [], "without a docstring"


def test_constants_have_the_docstrings_of_the_modules_they_come_from(made: Path) -> None:
    assert "Every parameter by its number." in sections(page(made, "busproto"))["PARAMETERS"]
    assert "CRC-24 of a byte string" in sections(page(made, "busproto.wire"))["crc24"]
    assert api.told_at_home("no_such_name", busproto) == ""


def test_blocks_of_code_are_shown_as_such(made: Path) -> None:
    for name in ("busproto", "busproto.library", "busproto.ops", "busproto.errors"):
        text = page(made, name)
        assert "<pre><code>" in text
        assert not re.search(r"::</p>|<p>::", text)


def test_what_bus_and_link_say_of_threads_stands_there(made: Path) -> None:
    for package, name in (("busproto.library", "Bus"), ("busproto.ops", "Link")):
        assert "Not thread-safe" in html.unescape(sections(page(made, package))[name])


def test_nothing_is_loaded_from_a_network(made: Path) -> None:
    pages = list(made.rglob("*.html"))
    assert len(pages) == len(api.PACKAGES) + 1
    for one in pages:
        assert not re.search(r"""<(?:script|img|link)[^>]+(?:src|href)=["'](?:https?:)?//""", one.read_text("utf-8")), (
            one
        )


def test_each_package_says_what_is_public_and_it_is_there() -> None:
    for found in pkgutil.iter_modules(busproto.__path__, "busproto."):
        if not found.ispkg or found.name in WITHOUT_ALL:
            continue
        package = importlib.import_module(found.name)
        assert len(set(package.__all__)) == len(package.__all__) > 0, found.name
        for name in package.__all__:
            assert hasattr(package, name) or importlib.import_module(f"{found.name}.{name}")


def test_the_stable_names_are_those_of_the_reference() -> None:
    text = " ".join(handbook.TOPICS["changes"].source().split())
    told = re.search(r"\*\*Names in `__all__`\*\* of (.*?)\. What may change", text)
    assert told
    assert set(re.findall(r"`(busproto[\w.]*)`", told.group(1))) == set(api.PACKAGES)
