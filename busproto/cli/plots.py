"""Pictures as files: what every command that draws one has to look at before anything is sent."""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path
from typing import Any, Final

from busproto.atomic_files import require_own, write_whole
from busproto.errors import InputError

MARK: Final = "drawn by busproto"
"""Stands in every picture of ours, where its kind of file keeps such things."""
MAX_PICTURE_BYTES: Final = 64 << 20
ENDINGS: Final = (".svg", ".png", ".pdf")


def require_plots(file: str) -> None:
    """Raises InputError where the plotting library is missing, or the file could not be written."""
    path = Path(file)
    if path.suffix.lower() not in ENDINGS:
        raise InputError(f"picture '{file}': a name that ends in {', '.join(ENDINGS)} is wanted")
    require_own(path, MARK, "a picture", within=MAX_PICTURE_BYTES)
    if importlib.util.find_spec("matplotlib") is None:
        raise InputError("a picture needs matplotlib: pip install 'busproto[plot]'")


def save_picture(figure: Any, file: Path | str) -> None:
    """Write a figure of matplotlib, whole or not at all.

    Raises:
        InputError: it cannot be written, or something stands there that is no picture of ours.
    """
    path = Path(file)
    kind = path.suffix.lower().removeprefix(".")
    require_plots(str(file))
    drawn = io.BytesIO()
    figure.savefig(drawn, format=kind, metadata={"Software" if kind == "png" else "Creator": MARK})
    write_whole(path, drawn.getvalue())
