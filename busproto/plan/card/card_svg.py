"""The card as one SVG page, A4: the same rows as on the HTML card, drawn as small as they have to be to fit.

SVG does not wrap text, so this does: by the width that letters have at most in common typefaces. What is too much
for the page makes everything smaller; nothing is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from typing import Final

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.plan.card.card import Card, Result, Row, Verdict, printable
from busproto.plan.card.card_html import SIGNATURES, SIGNS
from busproto.plan.card.card_qr import qr_path, qr_size

MARK: Final = "<!-- busproto card -->"
WIDTH_MM, HEIGHT_MM, EDGE_MM = 210.0, 297.0, 11.0
INNER_MM: Final = WIDTH_MM - 2 * EDGE_MM
BASE_MM: Final = 3.1
"""Size of the letters where there is room."""
LETTER: Final = 0.58
"""Width of a letter, in sizes, that hardly any typeface exceeds on average; bold and monospaced ones need more."""
WIDE_LETTER: Final = 0.64
LEADING: Final = 1.28
QR_MM: Final = 25.0
INK, SOFT, LINE, BAND = "#000", "#444", "#bbb", "#f3f3f3"
COLOURS: Final = {Verdict.GOOD: "#004b82", Verdict.BAD: "#9c3d00", Verdict.OPEN: SOFT, Verdict.NOTHING: SOFT}

_COLUMNS: Final = (
    ("function", "Function", 0.145),
    ("address", "Addr.", 0.045),
    ("channel", "Chan.", 0.045),
    ("gang", "Gang", 0.09),
    ("neutral", "Neutral, deg", 0.065),
    ("ends", "Ends, deg", 0.085),
    ("loss", "On loss of signal", 0.125),
    ("soft_start", "Trial: soft start", 0.085),
    ("throw", "Trial: centre, throw", 0.085),
    ("loss_test", "Trial: loss", 0.13),
    ("match", "Gang match", 0.1),
)
"""Field, heading, and share of the width."""


@dataclass
class _Page:
    """What has been drawn so far, and how far down; all in mm.

    Attributes:
        size: of the letters.
    """

    size: float
    y: float = EDGE_MM
    parts: list[str] = field(default_factory=list)

    def text(self, x: float, y: float, text: str, *, scale: float = 1.0, look: str = "", colour: str = INK) -> None:
        """A line of text, its foot at y."""
        fill = "" if colour == INK else f' fill="{colour}"'
        self.parts.append(
            f'<text x="{x:.2f}" y="{y:.2f}" font-size="{self.size * scale:.3f}"{fill}{look}>{_safe(text)}</text>'
        )

    def rule(self, y: float, *, x: float = EDGE_MM, width: float = INNER_MM, colour: str = LINE) -> None:
        """A horizontal line."""
        self.parts.append(f'<path d="M{x:.2f} {y:.2f}h{width:.2f}" stroke="{colour}" stroke-width=".2" fill="none"/>')

    def lines(
        self, x: float, width: float, text: str, *, scale: float = 1.0, look: str = "", colour: str = INK
    ) -> None:
        """Text in as many lines as it needs, from y on down; moves y."""
        for line in wrapped(text, width, self.size * scale, letter=WIDE_LETTER if look else LETTER):
            self.y += self.size * scale * LEADING
            self.text(x, self.y, line, scale=scale, look=look, colour=colour)


_BOLD: Final = ' font-weight="700"'
_MONO: Final = ' font-family="DejaVu Sans Mono, monospace"'


def _safe(text: str) -> str:
    return escape(printable(text))


def wrapped(text: str, width: float, size: float, *, letter: float = LETTER) -> list[str]:
    """A text in lines of at most this width; a word that is longer is broken."""
    most = max(1, int(width / (size * letter)))
    lines: list[str] = []
    for word in text.split(" "):
        while len(word) > most:
            lines.append(word[:most])
            word = word[most:]
        if lines and len(lines[-1]) + 1 + len(word) <= most:
            lines[-1] += f" {word}"
        elif word or not lines:
            lines.append(word)
    return lines


def card_svg(card: Card, qr: tuple[tuple[bool, ...], ...] | None = None) -> str:
    """The whole file, one page whatever stands on it.

    Args:
        card: what stands on it.
        qr: modules of the code of the fingerprint; None for a card without.
    """
    size = BASE_MM
    page = _drawn(card, qr, size)
    while page.y > HEIGHT_MM - EDGE_MM:
        size *= 0.96
        page = _drawn(card, qr, size)
    body = "\n".join(page.parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm" '
        f'viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" font-family="system-ui, DejaVu Sans, sans-serif" fill="{INK}">\n'
        f"{MARK}\n<title>{_safe(card.title)}, {_safe(card.day)}, {_safe(card.short)}</title>\n"
        f'<rect width="{WIDTH_MM:g}" height="{HEIGHT_MM:g}" fill="#fff"/>\n{body}\n</svg>\n'
    )


def _drawn(card: Card, qr: tuple[tuple[bool, ...], ...] | None, size: float) -> _Page:
    page = _Page(size)
    _head(page, card, qr)
    notes = [f"{note.heading}: {note.text}" for note in card.warnings]
    for text in (*(["LOOK AT THIS FIRST"] if notes else []), *notes):
        page.lines(EDGE_MM, INNER_MM, text, look=_BOLD, colour=COLOURS[Verdict.BAD])
    page.y += size * 0.8
    _table_head(page)
    for number, row in enumerate(card.rows):
        _row(page, row, is_band=bool(number % 2))
    page.rule(page.y)
    _foot(page, card)
    return page


def _head(page: _Page, card: Card, qr: tuple[tuple[bool, ...], ...] | None) -> None:
    top, right = page.y, 58.0
    left = INNER_MM - right - (QR_MM if qr is not None else 0.0) - 3
    page.lines(EDGE_MM, left, "COMMISSIONING CARD", scale=0.8, colour=SOFT)
    page.lines(EDGE_MM, left, card.title, scale=1.9, look=_BOLD)
    for text in (
        *([card.airframe] if card.airframe else []),
        f"Settings as stored on {card.day}",
        card.search,
        f"Trial: {card.trial or 'none, so nothing here was tested'}",
    ):
        page.lines(EDGE_MM, left, text)
    foot = page.y
    x = WIDTH_MM - EDGE_MM - right
    page.y = top
    page.lines(x, right, "FINGERPRINT", scale=0.8, colour=SOFT)
    page.lines(x, right, card.short, scale=1.5, look=_BOLD + _MONO)
    for at in range(0, len(card.fingerprint), 32):
        page.lines(x, right, card.fingerprint[at : at + 32], scale=0.8, look=_MONO, colour=SOFT)
    page.y = max(page.y, foot)
    if qr is not None:
        scale = QR_MM / qr_size(qr)
        page.parts.append(
            f'<g transform="translate({x - QR_MM - 2:.2f} {top:.2f}) scale({scale:.5f})" '
            f'shape-rendering="crispEdges"><path d="{qr_path(qr)}" fill="#000"/></g>'
        )
        page.y = max(page.y, top + QR_MM)
    page.y += page.size * 0.6


def _table_head(page: _Page) -> None:
    x, top, deepest = EDGE_MM, page.y, page.y
    for _, label, share in _COLUMNS:
        page.y = top
        page.lines(x, share * INNER_MM - 0.5, label, scale=0.75, colour=SOFT)
        deepest = max(deepest, page.y)
        x += share * INNER_MM
    page.y = deepest + page.size * 0.4


def _row(page: _Page, row: Row, *, is_band: bool) -> None:
    top = page.y
    ground = len(page.parts)
    x, deepest = EDGE_MM, top
    for name, _, share in _COLUMNS:
        value = getattr(row, name)
        page.y = top
        width = share * INNER_MM - 1
        if isinstance(value, Result):
            sign = "" if value.verdict is Verdict.NOTHING else SIGNS[value.verdict] + " "
            look = _BOLD if value.verdict is Verdict.BAD else ""
            page.lines(x, width, sign + value.text, scale=0.9, look=look, colour=COLOURS[value.verdict])
        elif name in {"function", "address"}:
            page.lines(x, width, str(value) or "no function", look=_BOLD)
        else:
            page.lines(x, width, str(value), scale=0.9)
        deepest = max(deepest, page.y)
        x += share * INNER_MM
    page.y = deepest + page.size * 0.25
    settings = ", ".join(f"{name} {value} ({default})" for name, value, default in row.settings)
    about = f"{row.kind}, uid {row.uid}" + (f"; Settings: {settings}" if settings else "")
    page.lines(EDGE_MM, INNER_MM, about, scale=0.8, colour=SOFT)
    if row.direction.verdict is not Verdict.NOTHING:
        text = f"Direction: {SIGNS[row.direction.verdict]} {row.direction.text}"
        page.lines(EDGE_MM, INNER_MM, text, scale=0.85, colour=COLOURS[row.direction.verdict])
    for fault in row.trial_faults:
        text = f"Trial: {SIGNS[Verdict.BAD]} {fault}"
        page.lines(EDGE_MM, INNER_MM, text, scale=0.85, look=_BOLD, colour=COLOURS[Verdict.BAD])
    page.y += page.size * 0.5
    fill = BAND if is_band else "#fff"
    page.parts.insert(
        ground,
        f'<rect x="{EDGE_MM}" y="{top:.2f}" width="{INNER_MM}" height="{page.y - top:.2f}" fill="{fill}"/>'
        f'<path d="M{EDGE_MM} {top:.2f}h{INNER_MM}" stroke="{LINE}" stroke-width=".2"/>',
    )


def _foot(page: _Page, card: Card) -> None:
    text = f"The settings listed differ from those of {card.defaults}, which stand in brackets."
    page.lines(EDGE_MM, INNER_MM, text, scale=0.8)
    page.y += page.size * 0.5
    page.lines(EDGE_MM, INNER_MM, "Before anything moves", look=_BOLD)
    for caution in CAUTIONS:
        page.lines(EDGE_MM, INNER_MM, f"\N{BULLET} {caution}", scale=0.85)
    page.lines(EDGE_MM, INNER_MM, DISCLAIMER, scale=0.9, look=_BOLD)
    page.y += page.size * 0.5
    page.lines(EDGE_MM, INNER_MM, "Notes", look=_BOLD)
    for _ in range(2):
        page.y += max(4.5, 2.2 * page.size)
        page.rule(page.y)
    page.y += max(7.5, 3 * page.size)
    width = INNER_MM / len(SIGNATURES)
    for number, label in enumerate(SIGNATURES):
        page.rule(page.y, x=EDGE_MM + number * width, width=width - 4, colour=INK)
        page.text(EDGE_MM + number * width, page.y + page.size, label, scale=0.8, colour=SOFT)
    page.y += page.size * 1.2
