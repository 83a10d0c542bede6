"""The card as a page: it is whole and escaped, and its QR code is the fingerprint."""

from __future__ import annotations

import re
import sys
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.errors import InputError
from busproto.plan.airframe.record import Record
from busproto.plan.card.card import Card, Trial, card_of, printable
from busproto.plan.card.card_html import ROOMY_ROWS, card_html
from busproto.plan.card.card_qr import QUIET_MODULES, qr_path, qr_rows, qr_size
from tests.plan.airframe.test_record import entry, record
from tests.plan.card.helpers import GLIDER, Page, many, trial_of

EVIL: Final = '"><script>alert(1)</script>&amp; <b>'


# --- the page -------------------------------------------------------------------------------------------------------


def everything_on(card: Card) -> list[str]:
    """All the texts that must stand on the page."""
    texts = [card.title, card.day, card.short, DISCLAIMER, *CAUTIONS, "Notes", "Set up by", "Checked by"]
    for row in card.rows:
        texts += [
            row.function,
            row.kind,
            row.uid,
            row.loss,
            row.loss_test.text,
            row.throw.text,
            row.match.text,
            *row.trial_faults,
        ]
        texts += [f"{name} {value}" for name, value, _ in row.settings]
    return [" ".join(text.replace("\N{NO-BREAK SPACE}", " ").split()) for text in texts]


@pytest.mark.parametrize("trial", [None, trial_of(), trial_of(as_planned=False, problems=("it limps",))])
def test_the_page_holds_everything(trial: Trial | None) -> None:
    card = card_of(GLIDER, None, trial)
    page = Page(card_html(card)).text
    for text in everything_on(card):
        assert text in page
    assert card.fingerprint in page


def test_nothing_is_loaded_and_nothing_runs() -> None:
    card = card_of(GLIDER, None, trial_of())
    page = card_html(card, qr_rows(card.fingerprint))
    assert re.search(r"http|url\(|@import|src=|href=|<script|<link|<iframe", page) is None


@pytest.mark.parametrize("text", [EVIL, "'\" onload=x ", "\N{EURO SIGN} \N{LATIN SMALL LETTER SHARP S} \u202e", "]]>"])
def test_no_text_breaks_out(text: str) -> None:
    made = record(entry(1, 3, text, model=text[:16]), title=text, airframe=text + "x", proven=False, reason=text)
    card = card_of(made, None, trial_of(as_planned=False, problems=(text,)))
    page = Page(card_html(card))
    assert "script" not in page.tags
    assert not [name for name in page.attributes if name.startswith("on")]
    assert " ".join(printable(text + "x").split()) in page.text, "the airframe, where a card names one"


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=60) | st.just("\x00\x0b\x1f\x85\ufffe"))
def test_any_title_gives_a_whole_page(title: str) -> None:
    card = card_of(record(entry(1, 3, title), title=title))
    assert " ".join(printable(title).split()) in Page(card_html(card)).text


def test_the_window_is_named_after_the_airframe() -> None:
    card = card_of(record(entry(1, 3), title="Tug & glider"))
    assert f"<title>Tug &amp; glider, {card.day}, {card.short}</title>" in card_html(card)


def test_many_are_printed_smaller() -> None:
    assert '<main class="dense">' in card_html(card_of(many(ROOMY_ROWS + 1)))
    assert "<main>" in card_html(card_of(many(ROOMY_ROWS)))


# --- the QR code ------------------------------------------------------------------------------------------------------


def modules_of(path: str, size: int) -> list[list[bool]]:
    """The modules that a path draws, quiet border and all."""
    drawn = [[False] * size for _ in range(size)]
    for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", path):
        for at in range(int(x), int(x) + int(length)):
            drawn[int(y)][at] = True
    return drawn


@pytest.mark.parametrize("made", [GLIDER, many(12), record()], ids=["three", "twelve", "none"])
def test_a_reader_finds_the_fingerprint_in_the_page(made: Record) -> None:
    """Read back by zxing-cpp, which is not the library that made it."""
    zxingcpp = pytest.importorskip("zxingcpp")
    image_of = pytest.importorskip("PIL.Image")
    card = card_of(made)
    qr = qr_rows(card.fingerprint)
    size = qr_size(qr)
    path = next(path for path in re.findall(r' d="([^"]*)"', card_html(card, qr)) if path == qr_path(qr))
    dots = [[0 if dark else 255 for dark in row for _ in range(4)] for row in modules_of(path, size) for _ in range(4)]
    image = image_of.frombytes("L", (4 * size, 4 * size), bytes(dot for row in dots for dot in row))
    found = zxingcpp.read_barcodes(image)
    assert [one.text for one in found] == [card.fingerprint]
    assert "QR" in found[0].format.name


def test_the_border_is_quiet() -> None:
    qr = qr_rows(GLIDER.fingerprint)
    drawn = modules_of(qr_path(qr), qr_size(qr))
    edge = [*range(QUIET_MODULES), *range(qr_size(qr) - QUIET_MODULES, qr_size(qr))]
    assert not any(drawn[y][x] or drawn[x][y] for y in edge for x in range(qr_size(qr)))
    assert [row[QUIET_MODULES:-QUIET_MODULES] for row in drawn[QUIET_MODULES:-QUIET_MODULES]] == [
        list(row) for row in qr
    ]


def test_without_the_library_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    with pytest.raises(InputError, match=r"pip install 'busproto\[card\]', or say --no-qr"):
        qr_rows("00")
