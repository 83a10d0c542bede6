"""``busproto handbook``: the index, a page, plain where it is piped, drawn and paged on a terminal only."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from busproto import handbook
from busproto.cli import exit_codes
from busproto.shown import UNSAFE
from tests.cli.helpers import PATIENCE_S, CommandLine


def test_without_a_topic_it_shows_the_index(cli: CommandLine) -> None:
    for arguments in ("handbook", "handbook index"):
        done = cli(arguments)
        assert (done.code, done.err) == (exit_codes.DONE, "")
        assert done.out == handbook.index_text()


def test_a_page_is_plain_markdown_where_it_is_piped(cli: CommandLine) -> None:
    done = cli("handbook begin")
    assert done.out == handbook.TOPICS["begin"].text()
    assert "<!--" not in done.out
    assert "\x1b" not in done.out


def test_the_bus_format_is_the_very_file(cli: CommandLine) -> None:
    assert cli("handbook format").out == cli("spec").out


def test_the_list_has_a_line_for_each(cli: CommandLine) -> None:
    lines = cli("handbook --list").out.splitlines()
    assert [line.split()[0] for line in lines] == list(handbook.TOPICS)
    assert all(line.endswith(one.line) for line, one in zip(lines, handbook.TOPICS.values(), strict=True))
    assert max(map(len, lines)) <= 110


def test_json_of_the_list_and_of_a_page(cli: CommandLine) -> None:
    rows = cli("handbook --list --json").json["topics"]
    assert rows == cli("handbook --json").json["topics"]
    assert [row["name"] for row in rows] == list(handbook.TOPICS)
    assert all(row["title"] and row["summary"] and row["kind"] in handbook.KINDS for row in rows)
    page = cli("handbook begin --json").json
    assert page == {**rows[0], "text": handbook.TOPICS["begin"].text()}


@pytest.mark.parametrize(
    ("name", "near"), [("begni", "begin"), ("BEGIN.md", "begin"), ("fromat", "format"), ("shel", "shell")]
)
def test_an_unknown_topic_names_the_near_ones(name: str, near: str, cli: CommandLine) -> None:
    done = cli("handbook", name)
    assert (done.code, done.out) == (exit_codes.USAGE, "")
    assert done.error_line.startswith(f"the handbook has no topic '{name}'; near that: {near}")


def test_where_nothing_is_near_all_are_named(cli: CommandLine) -> None:
    done = cli("handbook", "xqz", "--json")
    assert done.code == exit_codes.USAGE
    assert f"there are: {', '.join(handbook.TOPICS)}" in done.json["error"]["text"]
    assert cli("handbook begin --list").code == exit_codes.USAGE


def on_a_terminal(*arguments: str, pager: str) -> str:
    """What a command draws where stdin and stdout are a terminal of 24 lines."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "PAGER": pager, "COLUMNS": "90", "LINES": "24"}
    process = subprocess.Popen(
        [sys.executable, "-m", "busproto", *arguments], stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    )
    os.close(theirs)
    told = b""
    try:
        while piece := os.read(ours, 65536):
            told += piece
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    assert process.wait(PATIENCE_S) == 0
    return told.decode()


@pytest.mark.realtime
def test_on_a_terminal_a_long_page_is_drawn_and_goes_through_the_pager(tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    pager = tmp_path / "pager"
    pager.write_text(f"#!/bin/sh\ncat > {taken}\n", "utf-8")
    pager.chmod(0o755)
    assert on_a_terminal("handbook", "begin", pager=str(pager)) == ""
    text = taken.read_text("utf-8")
    assert "From the box to the card" in text
    assert "```" not in text
    assert "busproto find" in re.sub("\x1b\\[[0-9;]*m", "", text)
    drawn = on_a_terminal("handbook", "begin", pager="cat")
    assert "From the box to the card" in drawn
    assert UNSAFE.search(re.sub("\x1b\\[[0-9;]*m", "", drawn.replace("\r\n", "\n"))) is None


@pytest.mark.realtime
def test_on_a_terminal_a_short_page_needs_no_pager() -> None:
    drawn = on_a_terminal("handbook", "--list", pager="false")
    assert "begin" in drawn
