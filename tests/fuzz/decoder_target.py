"""The Python decoder under atheris: ``python -m tests.fuzz.decoder_target [libFuzzer's options] [FOLDER...]``.

``--broken NAME`` breaks the decoder on purpose first, so that a test can see that it is found. ``--whole`` reads every
input as a capture too, as a replay does.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import atheris

with atheris.instrument_imports(include=["busproto.wire", "busproto.capture"]):
    from busproto.wire import codec, decoder
    from busproto.wire.message import REPLIES, REQUESTS
    from busproto.wire.messages import Refused
from busproto.errors import ChecksumError, DecodeError
from tests.fuzz.decoder_checks import check


def _instrument_generated() -> None:
    """The code that is made from the definitions comes from no file, so it is done by hand."""
    classes: set[Any] = {*REQUESTS.values(), *REPLIES.values(), Refused}
    for cls in classes:
        atheris.instrument_func(cls.parse)
        atheris.instrument_func(cls.build)
    atheris.instrument_func(codec._parse_body)
    atheris.instrument_func(codec._build_body)


def _loses_a_byte() -> None:
    """Of a piece that comes in portions, what came before is cut by one where the piece is nearly too long."""
    keep = decoder.Decoder._keep

    def broken(self: Any, piece: bytes) -> None:
        keep(self, piece)
        if len(self._kept) == decoder.KEPT_BYTES - 1:
            del self._kept[-1]

    decoder.Decoder._keep = broken  # type: ignore[method-assign]


def _raises_another() -> None:
    """A frame of another version raises what no caller expects."""
    decode = codec.decode_chunk

    def broken(chunk: bytes) -> Any:
        try:
            return decode(chunk)
        except ChecksumError:
            raise
        except DecodeError as error:
            if len(chunk) > 12 and "version" in str(error):
                raise KeyError("version") from error
            raise

    decoder.__dict__["decode_chunk"] = broken


BROKEN: Final[dict[str, Callable[[], None]]] = {"loses a byte": _loses_a_byte, "another error": _raises_another}


def main(arguments: list[str]) -> None:
    """See the module; ends the process."""
    _instrument_generated()
    if "--broken" in arguments:
        at = arguments.index("--broken")
        BROKEN[arguments[at + 1]]()
        del arguments[at : at + 2]
    many = True if "--whole" in arguments else None
    arguments = [argument for argument in arguments if argument != "--whole"]
    with tempfile.TemporaryDirectory(prefix="busproto-fuzz-") as place:
        scratch = Path(place) / "many.pcapng"
        atheris.Setup(arguments, lambda data: check(data, scratch, many=many))
        atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
