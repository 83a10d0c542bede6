"""Makes the API reference, pages of HTML from the docstrings: ``python -m tests.docs.api DIRECTORY``.

Needs the extra `docs` and no network. What stands in it are the names in ``__all__`` of the packages below, and nothing
else: these are the names that are kept stable.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import pdoc.doc
import pdoc.doc_ast
import pdoc.render

PACKAGES: Final = (
    "busproto",
    "busproto.library",
    "busproto.errors",
    "busproto.ops",
    "busproto.transport",
    "busproto.session",
    "busproto.wire",
)
"""Of which there is a page, from the top down."""
_MARK: Final = re.compile(r"^::$|(?<=:):$", re.MULTILINE)


def page_of(name: str) -> pdoc.doc.Module:
    """The documentation of one package, also of its constants, which Python itself keeps no docstrings of."""
    module = importlib.import_module(name)
    for public in module.__all__:  # some are loaded when they are first asked for
        getattr(module, public)
    page = pdoc.doc.Module(module)
    for member in page.members.values():
        member.docstring = member.docstring or told_at_home(member.name, module)
    without_marks(page)
    return page


def without_marks(page: pdoc.doc.Namespace[Any]) -> None:
    """Docstrings as Markdown has them: an indented block is code there, without the two colons that lead to it."""
    page.docstring = _MARK.sub("", page.docstring)
    for member in page.own_members:
        if isinstance(member, pdoc.doc.Class):
            without_marks(member)
        else:
            member.docstring = _MARK.sub("", member.docstring)


def told_at_home(name: str, module: ModuleType) -> str:
    """The docstring below a constant, wherever a package has it from; "" where there is none."""
    told = pdoc.doc_ast.walk_tree(module).var_docstrings
    if name in told:
        return told[name]
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.ImportFrom) and node.module:
            for one in node.names:
                if (one.asname or one.name) == name:
                    return told_at_home(one.name, importlib.import_module(node.module))
    return ""


def build(directory: Path) -> dict[str, pdoc.doc.Module]:
    """Write all pages and an index into a directory, which is made where it is missing; gives what is in them."""
    pdoc.render.configure(docformat="google", show_source=False, search=False)
    pages = {name: page_of(name) for name in PACKAGES}
    for name, page in pages.items():
        file = directory / f"{name.replace('.', '/')}.html"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(pdoc.render.html_module(page, pages), "utf-8")
    (directory / "index.html").write_text(pdoc.render.html_index(pages), "utf-8")
    return pages


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("python -m tests.docs.api DIRECTORY")
    build(Path(sys.argv[1]))
