"""Makes the README's picture: what the demo prints, on the virtual bus in virtual time, as an SVG.

``python -m tests.picture`` writes it; a test keeps it equal to what the demo prints now.
"""

from __future__ import annotations

import io
import re
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme

import busproto.sim  # noqa: F401 - makes the sim:// URL known
from busproto.cli.bus.demo_command import SCENARIO, do_the_job
from busproto.cli.common import ProgressLine

PICTURE = Path(__file__).parent.parent / "captures" / "demo.svg"
SEED = 1
COLUMNS = 104
_MARGIN = 9
_FONT = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, monospace"
_THEME = TerminalTheme(
    (24, 26, 31),
    (214, 217, 224),
    [
        (24, 26, 31),
        (235, 111, 111),
        (124, 200, 130),
        (224, 188, 100),
        (110, 160, 235),
        (190, 140, 220),
        (100, 190, 200),
        (214, 217, 224),
    ],
)
# No font is fetched from anywhere: the viewer's own monospace one is used.
_FORMAT = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 WIDTH HEIGHT" role="img">
<title>busproto demo</title>
<style>
.{unique_id}-matrix {{ font-family: FONT; font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<rect fill="#181a1f" width="WIDTH" height="HEIGHT" rx="8"/>
<defs><clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/></clipPath>
{lines}
</defs>
<g transform="translate(MARGIN, MARGIN)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


def picture() -> str:
    """The SVG text."""
    console = Console(
        record=True, file=io.StringIO(), width=COLUMNS, force_terminal=True, color_system="standard", highlight=False
    )
    console.print("[bold]$ busproto demo[/bold]")
    do_the_job(f"sim://{SCENARIO}?seed={SEED}", SEED, ProgressLine(), console)
    text = console.export_svg(
        theme=_THEME,
        code_format=_FORMAT.replace("FONT", _FONT).replace("MARGIN", str(_MARGIN)),
        unique_id="demo",
    )
    clip = re.search(r'<rect x="0" y="0" width="([\d.]+)" height="([\d.]+)"/></clipPath>', text)
    assert clip is not None, "the text's own size is not told any more"
    for word, size in zip(("WIDTH", "HEIGHT"), clip.groups(), strict=True):  # the text's, which the margin surrounds
        text = text.replace(word, f"{float(size) + 2 * _MARGIN:g}")
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
