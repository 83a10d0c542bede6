"""How the commands print what has colours or columns: a console whose text is cleaned before it is coloured."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from busproto.shown import clean, ours

WIDTH = 100


class CleanConsole(Console):
    """A console on stdout or stderr. Controls in what it is given are shown as signs; its own go through."""

    def __init__(self, *, stderr: bool = False) -> None:
        """Coloured on a terminal only, as wide as the terminal or 100 columns."""
        stream = sys.stderr if stderr else sys.stdout
        super().__init__(file=ours(stream), highlight=False, width=None if stream.isatty() else WIDTH)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Every piece of everything that is printed comes through here."""
        for segment in super().render(renderable, options):
            text, style, control = segment
            yield segment if control else Segment(clean(text), style)
