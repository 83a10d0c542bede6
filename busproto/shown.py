"""Clean text for a terminal. A control character in a name could move the cursor, hide text, or make the terminal send
an answer in the user's place. In every printed text, from whatever source, it is replaced by a visible sign.

Replaced are: C0 controls except tab and line end, DEL, C1 controls (ECMA-48), the marks and overrides of the writing
direction (Unicode Standard Annex 9, section 2), and the two separators that some terminals take for a line end.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Iterator
from typing import Any, Final, TextIO, cast

UNSAFE: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\N{ARABIC LETTER MARK}\u200e\u200f\u202a-\u202e\u2066-\u2069\u2028\u2029]"
)
_UNSAFE_OR_HALF: Final = re.compile(f"{UNSAFE.pattern}|[\ud800-\udfff]")
OF_OUTPUT: Final = "the output cannot be written"
_PICTURES: Final = 0x2400
_DEL: Final = 0x7F
_PICTURE_OF_DEL: Final = "\N{SYMBOL FOR DELETE}"
_UNKNOWN: Final = "\N{REPLACEMENT CHARACTER}"


def _sign(found: re.Match[str]) -> str:
    code = ord(found.group())
    return chr(_PICTURES + code) if code < 0x20 else _PICTURE_OF_DEL if code == _DEL else _UNKNOWN


def clean(text: str) -> str:
    """The text with a visible sign in place of each control character; of the same length."""
    return UNSAFE.sub(_sign, text)


def json_text(body: Any, *, indent: int | None = None) -> str:
    """JSON as it is printed: control characters, and characters that the output's encoding lacks, are escaped."""
    import json  # not needed for --version

    is_whole = (sys.stdout.encoding or "").lower().replace("-", "").startswith("utf")
    text = json.dumps(body, indent=indent, ensure_ascii=not is_whole)
    return _UNSAFE_OR_HALF.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def is_of_output(error: OSError) -> bool:
    """Whether an error is one of the output itself."""
    return OF_OUTPUT in getattr(error, "__notes__", ())


class Shown:
    """A text stream in front of another: text is cleaned, and characters that the other cannot encode are replaced."""

    def __init__(self, stream: TextIO, *, is_ours: bool = False) -> None:
        """Args: stream: the other stream; is_ours: the text is clean already, its controls (colours) are to be kept."""
        self.beneath = stream
        self._is_ours = is_ours

    def write(self, text: str) -> int:
        """Write a text. Returns the number of characters taken, as every text stream does."""
        shown = text if self._is_ours else clean(text)
        try:
            try:
                self.beneath.write(shown)
            except UnicodeEncodeError:
                encoding = self.beneath.encoding or "ascii"
                self.beneath.write(shown.encode(encoding, "replace").decode(encoding))
        except OSError as error:
            error.add_note(OF_OUTPUT)
            raise
        return len(text)

    def flush(self) -> None:
        """Flush the stream beneath. An OSError carries a note that it is about the output."""
        try:
            self.beneath.flush()
        except OSError as error:
            error.add_note(OF_OUTPUT)
            raise

    def writelines(self, lines: list[str]) -> None:
        """Write each of these lines."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # bytes written to the buffer would not be cleaned
            raise AttributeError(name)
        return getattr(self.beneath, name)


def ours(stream: TextIO) -> TextIO:
    """The stream for text that is clean already and has controls of busproto in it, such as colours."""
    beneath = stream.beneath if isinstance(stream, Shown) else stream
    return cast("TextIO", Shown(beneath, is_ours=True))


@contextlib.contextmanager
def clean_output() -> Iterator[None]:
    """Within the block all text to stdout and stderr is cleaned; text to a closed stream is discarded."""
    streams = sys.stdin, sys.stdout, sys.stderr
    opened: list[TextIO] = []
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            import os

            opened.append(cast("TextIO", open(os.devnull, mode, encoding="utf-8")))  # noqa: SIM115 - closed below
            setattr(sys, name, opened[-1])
    placed = {name: cast("TextIO", Shown(getattr(sys, name))) for name in ("stdout", "stderr")}
    for name, stream in placed.items():
        setattr(sys, name, stream)
    try:
        yield
    finally:
        for name, before in zip(("stdin", "stdout", "stderr"), streams, strict=True):
            now = getattr(sys, name)
            if now is placed.get(name, now):  # click replaces a stream without a reader by a silent one
                setattr(sys, name, before)
        for stream in opened:
            stream.close()
