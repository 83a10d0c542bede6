"""The handbook on the page: the same Markdown as in the terminal, rendered here to HTML without script.

Like the page's own files it needs no token: it contains no data of this bench. HTML within a page is shown as text; a
page may use CommonMark and tables.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import PurePosixPath
from typing import Final

from markdown_it import MarkdownIt
from markdown_it.token import Token
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from busproto import handbook
from busproto.errors import InputError
from busproto.handbook.parts.drawing import is_drawing, svg

ROOT: Final = "/handbook"
OK, UNKNOWN = 200, 404
_MARKDOWN: Final = MarkdownIt("commonmark", {"html": False}).enable("table")
_FRAME: Final = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{title} - busproto handbook</title>
<link rel="icon" href="/static/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/static/handbook.css">
</head>
<body>
<nav aria-label="Topics"><a href="{root}">Handbook</a> {links}</nav>
<main>
{body}</main>
</body>
</html>
"""


def page_html(name: str) -> str:
    """A page, or the index, as a whole HTML document. Raises InputError where there is no such topic."""
    if name == handbook.INDEX:
        return _framed("Handbook", rendered(handbook.index_text()), "")
    page = handbook.topic(name)
    return _framed(page.title, rendered(page.text()), page.name)


def rendered(markdown: str) -> str:
    """Markdown as HTML: everything in it escaped, headings with names, links between pages led to this server."""
    tokens = _MARKDOWN.parse(markdown)
    _name_headings(tokens)
    _draw(tokens)
    for token in _all_of(tokens):
        token.attrs.pop("style", None)  # of aligned cells: the page's policy allows styles from files only
        if "href" in token.attrs:
            token.attrs["href"] = _led(str(token.attrs["href"]))
    return str(_MARKDOWN.renderer.render(tokens, _MARKDOWN.options, {}))


def _all_of(tokens: Sequence[Token]) -> list[Token]:
    return [one for token in tokens for one in (token, *_all_of(token.children or ()))]


def _name_headings(tokens: Sequence[Token]) -> None:
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            token.attrs["id"] = handbook.anchor(tokens[at + 1].content)


def _draw(tokens: Sequence[Token]) -> None:
    """Put schematics in the place of the letters that draw them. What they hold is escaped where they are made."""
    for token in tokens:
        if token.type == "fence" and token.info == "text" and is_drawing(token.content):
            token.type, token.content = "html_block", svg(token.content)


def _led(target: str) -> str:
    """The link to another page as this server names it; other links stay as they are."""
    if target.startswith(("#", "https://", "http://")):
        return target
    path, _, name = target.partition("#")
    stem = PurePosixPath(path).stem if path.endswith(handbook.ENDING) else path
    return f"{ROOT}/{stem}" + (f"#{name}" if name else "")


def _framed(title: str, body: str, here: str) -> str:
    links = " ".join(
        f'<a href="{ROOT}/{one}"{" aria-current=page" if one == here else ""}>{one}</a>' for one in handbook.TOPICS
    )
    return _FRAME.format(title=html.escape(title), root=ROOT, links=links, body=body)


def handbook_routes() -> list[Route]:
    """``/handbook``: the index; ``/handbook/TOPIC``: a page."""

    async def index(_: Request) -> Response:
        return HTMLResponse(page_html(handbook.INDEX))

    async def one(request: Request) -> Response:
        name = str(request.path_params["name"])
        try:
            return HTMLResponse(page_html(name), OK)
        except InputError as error:
            return HTMLResponse(_framed("Not there", f"<p>{html.escape(str(error))}</p>\n", ""), UNKNOWN)

    return [Route(ROOT, index), Route(f"{ROOT}/{{name}}", one)]
