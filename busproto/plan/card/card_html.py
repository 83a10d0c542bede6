"""The card as one HTML file: a table on paper and on a wide screen, one block for each actuator on a phone.

Nothing is loaded from elsewhere, nothing runs. Every text is escaped. Verdicts are words with a sign; the colours
(blue, vermilion: told apart by the colour-blind too) only repeat them.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Final

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.plan.card.card import NO_GANG, Card, Result, Row, Verdict, printable
from busproto.plan.card.card_qr import qr_path, qr_size

MARK: Final = '<meta name="generator" content="busproto card">'
"""Stands in every card, so that one is known again before it is written over."""

ROOMY_ROWS: Final = 12
"""Actuators that fit a printed page in comfortable letters; more are printed smaller."""

SIGNS: Final = {Verdict.GOOD: "✓", Verdict.BAD: "✗", Verdict.OPEN: "○", Verdict.NOTHING: "–"}

_STYLE: Final = """
:root { color-scheme: light dark; --ink: #16191d; --soft: #59626c; --line: #c9ced4; --band: #f1f3f5; --page: #fff;
  --good: #005a9c; --bad: #b34700; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8eaed; --soft: #a3abb5; --line: #434a52; --band: #22262b;
  --page: #16191d; --good: #6db9f2; --bad: #ff9e57; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--page); color: var(--ink); font: 15px/1.4 system-ui, "Segoe UI", "DejaVu Sans",
  sans-serif; overflow-wrap: anywhere; }
main { max-width: 68rem; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.5rem; line-height: 1.15; margin: 0 0 .3rem; }
h2 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
p { margin: .15rem 0; }
.kind { color: var(--soft); letter-spacing: .06em; text-transform: uppercase; font-size: .75rem; }
.head { display: flex; gap: 1rem; justify-content: space-between; align-items: flex-start; flex-wrap: wrap; }
.head > div:first-child { flex: 1 1 15rem; }
.print { display: flex; gap: .7rem; align-items: center; }
.print svg { width: 7.5rem; height: 7.5rem; flex: none; background: #fff; border-radius: 3px; }
.short { font: 700 1.25rem/1.2 ui-monospace, "DejaVu Sans Mono", monospace; overflow-wrap: normal; }
.short span { display: inline-block; margin-right: .45em; }
.long, .uid { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .75rem; color: var(--soft); }
.long { max-width: 17em; }
.warn { border: 2px solid var(--bad); border-radius: 4px; padding: .5rem .7rem; margin: .8rem 0; }
.warn strong { color: var(--bad); }
.warn h2 { margin: .4rem 0 0; font-size: .85rem; }
table { border-collapse: collapse; width: 100%; margin-top: .8rem; }
th { text-align: left; font-size: .75rem; color: var(--soft); font-weight: 600; vertical-align: bottom;
  overflow-wrap: normal; }
th, td { padding: .28rem .4rem; }
td { vertical-align: top; }
tbody { border-top: 1px solid var(--line); }
tbody:nth-of-type(even) { background: var(--band); }
.function { font-weight: 700; }
.ends, .neutral, .channel { white-space: nowrap; font-variant-numeric: tabular-nums; }
.function { overflow-wrap: normal; min-width: 7em; }
.match, .gang, .soft_start, .throw { overflow-wrap: normal; }
.address { font-weight: 700; font-variant-numeric: tabular-nums; }
.more td { padding-top: 0; font-size: .8rem; color: var(--soft); }
.more b { color: var(--ink); font-weight: 600; }
.set { white-space: nowrap; }
.head_of { letter-spacing: .06em; text-transform: uppercase; font-size: .9em; margin-right: .3em; }
.good { color: var(--good); } .bad { color: var(--bad); font-weight: 700; }
.open, .nothing { color: var(--soft); }
ul { margin: .2rem 0; padding-left: 1.2rem; }
.sign { display: grid; grid-template-columns: repeat(auto-fit, minmax(11rem, 1fr)); gap: 1.9rem 1.5rem;
  margin-top: 2.2rem; }
.sign div, .rule { border-top: 1px solid var(--ink); font-size: .75rem; color: var(--soft); padding-top: .15rem; }
.rule { border-color: var(--line); height: 1.7rem; }
@media screen and (max-width: 46rem) {
  thead { display: none; }
  table, tbody, tr, td { display: block; }
  tbody { padding: .55rem .5rem; }
  tr.main { display: grid; grid-template-columns: repeat(6, 1fr); gap: 0 .8rem; }
  td { padding: .12rem 0; }
  td[data-name]::before { content: attr(data-name); display: block; font-size: .7rem; color: var(--soft);
    font-weight: 400; }
  tr.main td { grid-column: span 3; }
  tr.main td.function { font-size: 1.1rem; grid-column: span 4; align-self: end; }
  tr.main td.address { font-size: 1.1rem; grid-column: span 2; text-align: right; }
  tr.main td.channel, tr.main td.neutral, tr.main td.ends { grid-column: span 2; }
  tr.main td.soft_start, tr.main td.throw, tr.main td.gang, tr.main td.match { grid-column: span 2; order: 1; }
  tr.main td.nothing { display: none; }
  td.address::before { display: inline !important; content: "address " !important; }
  .more { margin-top: .25rem; }
}
@page { size: A4; margin: 9mm 11mm; }
@media print {
  :root { --ink: #000; --soft: #444; --line: #bbb; --band: #f3f3f3; --page: #fff; --good: #004b82; --bad: #9c3d00; }
  body { font-size: 8pt; line-height: 1.2; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  .dense { font-size: 6.8pt; }
  main { max-width: none; padding: 0; }
  h1 { font-size: 17pt; } h2 { margin: 2mm 0 .5mm; font-size: 9pt; }
  .head p { font-size: 8.5pt; margin: .4mm 0; } .head .short { font-size: 15pt; } .head .kind { font-size: 7pt; }
  .print svg { width: 23mm; height: 23mm; }
  table { margin-top: 2mm; } th, td { padding: .5mm .8mm; } th { font-size: .85em; }
  thead { display: table-header-group; } tbody { break-inside: avoid; }
  .more td, .long, .uid { font-size: .85em; } .head .long { font-size: 6.8pt; }
  .warn { margin: 1.5mm 0; padding: 1mm 2mm; } .warn h2 { margin: .5mm 0 0; font-size: 8pt; }
  .foot { break-inside: avoid; font-size: 7.5pt; }
  .foot ul { columns: 2; }
  .sign { grid-template-columns: repeat(4, 1fr); gap: 5mm; margin-top: 7mm; }
  .rule { height: 6mm; } .sign div { font-size: 7pt; }
}
"""

_HEADS: Final = (
    ("function", "Function"),
    ("address", "Address"),
    ("channel", "Channel"),
    ("neutral", "Neutral, deg"),
    ("ends", "Ends, deg"),
    ("gang", "Gang"),
    ("loss", "On loss of signal"),
    ("soft_start", "Trial: soft start"),
    ("throw", "Trial: centre, throw"),
    ("loss_test", "Trial: loss"),
    ("match", "Gang match"),
)


def card_html(card: Card, qr: tuple[tuple[bool, ...], ...] | None = None) -> str:
    """The whole file.

    Args:
        card: what stands on it.
        qr: modules of the code of the fingerprint; None for a card without.
    """
    return "\n".join(_parts(card, qr)) + "\n"


def _safe(text: str) -> str:
    return escape(printable(text))


def _parts(card: Card, qr: tuple[tuple[bool, ...], ...] | None) -> Iterator[str]:
    yield '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield MARK
    yield f"<title>{_safe(card.title)}, {_safe(card.day)}, {_safe(card.short)}</title>"
    dense = ' class="dense"' if len(card.rows) > ROOMY_ROWS else ""
    yield f"<style>{_STYLE}</style>\n</head>\n<body>\n<main{dense}>"
    yield from _head(card, qr)
    if card.warnings:
        yield '<div class="warn"><strong>Look at this first</strong>'
        for heading in dict.fromkeys(note.heading for note in card.warnings):
            texts = [note.text for note in card.warnings if note.heading == heading]
            items = "".join(f"<li>{_safe(text)}</li>" for text in texts)
            yield f"<h2>{_safe(heading)}</h2><ul>{items}</ul>"
        yield "</div>"
    yield "<table>\n<thead><tr>" + "".join(f'<th scope="col">{label}</th>' for _, label in _HEADS) + "</tr></thead>"
    for row in card.rows:
        yield from _row(row)
    yield "</table>"
    yield from _foot(card)
    yield "</main>\n</body>\n</html>"


def _head(card: Card, qr: tuple[tuple[bool, ...], ...] | None) -> Iterator[str]:
    yield '<header class="head"><div><p class="kind">Commissioning card</p>'
    yield f"<h1>{_safe(card.title)}</h1>"
    if card.airframe:
        yield f"<p>{_safe(card.airframe)}</p>"
    yield f"<p>Settings as stored on <strong>{_safe(card.day)}</strong></p>"
    yield f"<p>{_safe(card.search)}</p>"
    yield f"<p>Trial: {_safe(card.trial) if card.trial else 'none, so nothing here was tested'}</p></div>"
    digits = "".join(f"<span>{_safe(four)}</span>" for four in card.short.split())
    yield '<div class="print">'
    if qr is not None:
        size = qr_size(qr)
        yield (
            f'<svg viewBox="0 0 {size} {size}" role="img" aria-label="the fingerprint as a QR code" '
            f'shape-rendering="crispEdges"><rect width="{size}" height="{size}" fill="#fff"/>'
            f'<path d="{qr_path(qr)}" fill="#000"/></svg>'
        )
    yield f'<div><p class="kind">Fingerprint</p><p class="short">{digits}</p>'
    yield f'<p class="long">{_safe(card.fingerprint)}</p></div></div></header>'


def _row(row: Row) -> Iterator[str]:
    yield '<tbody><tr class="main">'
    for name, label in _HEADS:
        value = getattr(row, name)
        if name in {"function", "address"}:
            label_text = ' data-name=""' if name == "address" else ""
            yield f'<td class="{name}"{label_text}>{_safe(str(value)) or "no function"}</td>'
        elif isinstance(value, Result):
            yield f'<td data-name="{label}" class="{name} {value.verdict.value}">{_result_text(value)}</td>'
        else:
            empty = " nothing" if value == NO_GANG else ""
            yield f'<td data-name="{label}" class="{name}{empty}">{_safe(value)}</td>'
    about = f'{_safe(row.kind)}, uid <span class="uid">{_safe(row.uid)}</span>'
    settings = ", ".join(
        f'<span class="set"><b>{_safe(name)} {_safe(value)}</b> ({_safe(default)})</span>'
        for name, value, default in row.settings
    )
    more = about
    if settings:
        more += f'; <span class="head_of">Settings</span> {settings}'
    if row.direction.verdict is not Verdict.NOTHING:
        more += (
            f'<br><span class="head_of">Direction</span> '
            f'<span class="{row.direction.verdict.value}">{_result_text(row.direction)}</span>'
        )
    if row.trial_faults:
        faults = (f'<span class="bad">{SIGNS[Verdict.BAD]}&nbsp;{_safe(fault)}</span>' for fault in row.trial_faults)
        more += '<br><span class="head_of">Trial</span> ' + "<br>".join(faults)
    yield f'</tr><tr class="more"><td colspan="{len(_HEADS)}">{more}</td></tr></tbody>'


def _result_text(result: Result) -> str:
    if result.verdict is Verdict.NOTHING:
        return _safe(result.text)
    return f"{SIGNS[result.verdict]}&nbsp;{_safe(result.text)}"


def _foot(card: Card) -> Iterator[str]:
    yield '<div class="foot">'
    yield f"<p>The settings in bold differ from those of {_safe(card.defaults)}, which stand in brackets.</p>"
    yield "<h2>Before anything moves</h2><ul>"
    yield "".join(f"<li>{_safe(caution)}</li>" for caution in CAUTIONS)
    yield f"</ul><p><strong>{_safe(DISCLAIMER)}</strong></p>"
    yield "<h2>Notes</h2>" + '<div class="rule"></div>' * 3
    yield '<div class="sign">' + "".join(f"<div>{text}</div>" for text in SIGNATURES) + "</div></div>"


SIGNATURES: Final = ("Set up by", "Checked by", "Place, date", "Fingerprint compared")
