"""Pictures as files: what every command that draws one has to look at before anything is sent."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Final

from busproto.errors import InputError

ENDINGS: Final = (".svg", ".png", ".pdf")


def require_plots(file: str) -> None:
    """Raises InputError where the plotting library is missing, or the file could not be written."""
    path = Path(file)
    if path.suffix.lower() not in ENDINGS:
        raise InputError(f"picture '{file}': a name that ends in {', '.join(ENDINGS)} is wanted")
    if not path.absolute().parent.is_dir():
        raise InputError(f"picture '{file}': there is no directory '{path.parent}'")
    if importlib.util.find_spec("matplotlib") is None:
        raise InputError("a picture needs matplotlib: pip install 'busproto[plot]'")
