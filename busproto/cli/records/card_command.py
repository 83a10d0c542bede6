"""``busproto card``."""

from __future__ import annotations

from pathlib import Path

import click

from busproto.atomic_files import check_writable, require_own, write_whole
from busproto.cli import exit_codes
from busproto.cli.common import console, json_option, print_json
from busproto.cli.records.save_command import count_text, open_record
from busproto.errors import InputError
from busproto.plan.airframe.record import (
    ENDING,
)
from busproto.plan.airframe.results import TRIAL_ENDING
from busproto.plan.calibration.gang_match import matches_of
from busproto.plan.card import card_html
from busproto.plan.card.card import Card, Verdict, card_of, load_trial
from busproto.plan.card.card_qr import qr_rows
from busproto.plan.load import load


@click.command(
    epilog="""\b
Examples:
  busproto card --airframe hauler.toml
  busproto card --record bench.record.json --trial t.json -o card.html
\b
Record and trial are NAME.record.json and NAME.trial.json beside the airframe file,
unless --record and --trial say others; gang figures come from NAME.match.json.
The QR code holds the fingerprint's 64 digits.
\b
JSON: "file", "title", "fingerprint", "actuator_count",
"passed_count", "failed_count", "not_tested_count", "warnings" (texts).
Exit code 3: written, but a test failed, a gang is not matched (with --airframe), or
there is another warning on it."""
)
@click.option("--record", "record_file", metavar="FILE", help="The record that the card is of.")
@click.option("--airframe", metavar="FILE", help="The airframe file: names of gangs, the map's defaults.")
@click.option("--trial", "trial_file", metavar="FILE", help="The results of a trial.")
@click.option("-o", "--output", metavar="FILE", help="The HTML file to write (default: NAME.card.html, by the record).")
@click.option("--no-qr", is_flag=True, help="Without the QR code.")
@json_option
def command(
    record_file: str | None,
    airframe: str | None,
    trial_file: str | None,
    output: str | None,
    no_qr: bool,
    as_json: bool,
) -> int:
    """Write the commissioning card of a record: one page for the phone and for the binder.

    Addresses, settings that differ from the map's, the loss action, what the trial found, the fingerprint, and lines
    to sign. Talks to no bus.
    """
    plan = load(airframe) if airframe is not None else None
    if record_file is None and plan is None:
        raise InputError("--record FILE is wanted, or --airframe FILE, beside which the record stands")
    path = Path(record_file) if record_file is not None else plan.beside(ENDING) if plan is not None else Path()
    record = open_record(str(path), edited_is_fine=True)
    if trial_file is None and plan is not None and plan.beside(TRIAL_ENDING).exists():
        trial_file = str(plan.beside(TRIAL_ENDING))
    trial = load_trial(trial_file) if trial_file is not None else None
    card = card_of(record, plan, trial, matches_of(plan) if plan is not None else None)
    rows = None if no_qr else qr_rows(card.fingerprint)
    page = Path(output) if output is not None else _beside(path)
    text = card_html.card_html(card, rows)
    require_own(page, card_html.MARK, "a card")
    check_writable(page)
    write_whole(page, text)
    counts = _counts(card)
    if as_json:
        print_json(
            {
                "file": str(page),
                "title": card.title,
                "fingerprint": card.fingerprint,
                "actuator_count": len(card.rows),
                **counts,
                "warnings": [note.text for note in card.warnings],
            }
        )
    else:
        _print(card, counts, page)
    return exit_codes.NOT_AS_WANTED if counts["failed_count"] or card.warnings else exit_codes.DONE


def _beside(record: Path) -> Path:
    """Where the card of a record goes unless something else is said."""
    return record.with_name(f"{record.name.removesuffix('.json').removesuffix('.record')}.card.html")


def _counts(card: Card) -> dict[str, int]:
    names = {Verdict.GOOD: "passed_count", Verdict.BAD: "failed_count", Verdict.OPEN: "not_tested_count"}
    counts = dict.fromkeys(names.values(), 0)
    for row in card.rows:
        has_failed = row.trial_faults or Verdict.BAD in {
            row.loss_test.verdict,
            row.soft_start.verdict,
            row.throw.verdict,
        }
        counts["failed_count" if has_failed else names[row.loss_test.verdict]] += 1
    return counts


def _print(card: Card, counts: dict[str, int], file: Path) -> None:
    from rich.markup import escape

    out = console()
    for note in card.warnings:
        out.print(f"[yellow]{note.heading}: {escape(note.text)}[/yellow]")
    tested = (
        f"{counts['passed_count']} passed, {counts['failed_count']} failed, {counts['not_tested_count']} not tested"
    )
    out.print(f"{escape(card.title)}: {count_text(len(card.rows))}, {tested}; fingerprint {card.short}")
    out.print(f"written: '{escape(str(file))}'")
