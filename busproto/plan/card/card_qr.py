"""A fingerprint as a QR code (ISO/IEC 18004). The library for it is optional; the card is whole without."""

from __future__ import annotations

from typing import Final

from busproto.errors import InputError

QUIET_MODULES: Final = 4
"""Width of the white border that a reader needs, in modules, as the standard has it."""


def qr_rows(text: str) -> tuple[tuple[bool, ...], ...]:
    """The modules of the code, True for dark, without the quiet border.

    Raises:
        InputError: the library is not installed.
    """
    try:
        import segno
    except ImportError as error:
        raise InputError(
            "the QR code needs the library segno: pip install 'busproto[card]', or say --no-qr for a card without"
        ) from error
    code = segno.make_qr(text, error="m")
    return tuple(tuple(bool(module) for module in row) for row in code.matrix)


def qr_path(rows: tuple[tuple[bool, ...], ...]) -> str:
    """The dark modules as one SVG path, one unit each, the quiet border in front; runs in a row are joined."""
    parts = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            end = x
            while end < len(row) and row[end]:
                end += 1
            if end > x:
                parts.append(f"M{x + QUIET_MODULES} {y + QUIET_MODULES}h{end - x}v1h-{end - x}z")
            x = end + 1
    return "".join(parts)


def qr_size(rows: tuple[tuple[bool, ...], ...]) -> int:
    """Width of the code with its quiet border, modules."""
    return len(rows) + 2 * QUIET_MODULES
