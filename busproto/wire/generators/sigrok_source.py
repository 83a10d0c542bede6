"""A stacked decoder for the open logic analyser framework (libsigrokdecode, API 3), on top of its UART decoder.

Made from the same tables as the dissector (`busproto.wire.generators.lua_source.tables`); it cuts the stream as
`busproto.capture.pieces.Splitter` does and shows the same fields with the same text, each above the bits of the line
that it was read from.
"""

from __future__ import annotations

import pprint
from typing import Any, Final

from busproto.wire.generators.lua_source import tables
from busproto.wire.generators.template import filled

DECODER_NAME: Final = "busproto"
"""Name of the decoder, and of the directory that its files go into."""


def sigrok_files() -> dict[str, str]:
    """The files of the decoder by name; they belong into a directory `DECODER_NAME` among the user's decoders."""
    data: dict[str, Any] = tables()
    literal = pprint.pformat(data, width=118, compact=True, sort_dicts=False)
    return {"__init__.py": filled("init.py.in"), "pd.py": filled("pd.py.in", {"tables": f"T = {literal}"})}
