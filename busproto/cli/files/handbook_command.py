"""``busproto handbook``: the pages that come with the program, drawn on a terminal, plain where they are piped."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING, Final

import click

from busproto import handbook
from busproto.cli.common import console, json_option, print_json
from busproto.cli.completion import complete_topic
from busproto.shown import ours

if TYPE_CHECKING:
    from rich.console import Console

WIDTH: Final = 88
"""Columns of a page: longer lines are hard to read (common practice, no source)."""
CODE_COLOURS: Final = "ansi_light"
"""Of fenced blocks: the terminal's own colours, on its own ground, so that light and dark both do."""


@click.command(
    epilog="""\b
Examples:
  busproto handbook
  busproto handbook begin
  busproto handbook answers | less
  busproto handbook --list
\b
JSON: "topics" (name, kind, title, summary) for the index and --list; for a page "name",
"kind", "title", "summary", "text" (Markdown).
On a terminal a page that is longer than the screen goes through the pager ($PAGER);
into a pipe or a file it goes as the Markdown that it is."""
)
@click.argument("name", metavar="[TOPIC]", required=False, shell_complete=complete_topic)
@click.option("--list", "wants_list", is_flag=True, help="List the topics, a line each.")
@json_option
def command(name: str | None, wants_list: bool, as_json: bool) -> None:
    """Show a page of the handbook, or its index. No network and no bus is needed."""
    if wants_list and name is not None:
        raise click.UsageError("--list takes no TOPIC", click.get_current_context())
    page = None if name in {None, handbook.INDEX} else handbook.topic(str(name))
    if as_json:
        print_json({"topics": [_row(one) for one in handbook.TOPICS.values()]} if page is None else _whole(page))
    elif wants_list:
        _list()
    else:
        _show(handbook.index_text() if page is None else page.text())


def _row(one: handbook.Topic) -> dict[str, str]:
    return {"name": one.name, "kind": one.kind, "title": one.title, "summary": one.line}


def _whole(page: handbook.Topic) -> dict[str, str]:
    return {**_row(page), "text": page.text()}


def _list() -> None:
    width = max(map(len, handbook.TOPICS))
    kind_width = max(len(one.kind) for one in handbook.TOPICS.values())
    for one in handbook.TOPICS.values():
        click.echo(f"{one.name:{width}}  {one.kind:{kind_width}}  {one.line}")


def _show(text: str) -> None:
    """A page: drawn on a terminal, through the pager where it is longer than that; else as it is."""
    if not sys.stdout.isatty():
        click.echo(text, nl=False)
        return
    out = console()
    drawn = _drawn(out, text)
    if drawn.count("\n") < out.height or not sys.stdin.isatty():
        click.echo(drawn, file=ours(sys.stdout), nl=False)
        return
    with contextlib.redirect_stdout(ours(sys.stdout)):  # where there is no pager, it is printed: its colours are ours
        click.echo_via_pager(drawn)


def _drawn(out: Console, text: str) -> str:
    """A page with the colours of a terminal, as text. Links show where they lead."""
    from rich.markdown import Markdown

    with out.capture() as captured:
        out.print(Markdown(text, code_theme=CODE_COLOURS, hyperlinks=False), width=min(out.width, WIDTH))
    return captured.get()
