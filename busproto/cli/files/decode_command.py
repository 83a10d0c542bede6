"""``busproto decode``."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import click

from busproto.cli import exit_codes
from busproto.cli.common import FloatRange
from busproto.errors import InputError
from busproto.shown import clean, json_text, ours

if TYPE_CHECKING:
    from busproto.capture.decoding import Entry
    from busproto.wire.field_rows import Cell

MAX_SECONDS: Final = 1e9
UNIT_IN_NAME: Final = re.compile(r"_(c?deg(_s)?|m[vas]|mnm|cma|ds|us)$")
"""What is left out of a field's name, as its text shows the unit."""
HEAD: Final = f"{'no.':>6} {'seconds':>13}  {'':5}  {'from':>10}    {'to':<10}  what"


@click.command(
    epilog="""\b
Examples:
  busproto decode search.pcapng
  busproto decode search.pcapng --errors --fields
  busproto decode search.pcapng --operation report --address 5 --from 0.5 --to 2
  busproto decode search.pcapng --json
\b
JSON, one object on each line: "number", "time_ns", "origin" (sent, heard, echo),
"kind" (frame, bad frame, run, byte, answer), "bytes", "title", "problem", "detail",
"comment", "request" (number of the packet that it answers or echoes), "reply_us",
"retry"; of frames also "destination", "source", "sequence", "operation", "tag",
"fields" (by name; raw values, byte strings in hexadecimal). With --fields also "cells":
"name", "value", "text", "offset_bytes" (in the packet), "size_bytes".
Exit code 3: the end of the file is cut or damaged; what stands before it is shown."""
)
@click.argument("file")
@click.option(
    "--address", "addresses", multiple=True, help="Only what this actuator sends or is asked; may be repeated."
)
@click.option("--uid", "uids", multiple=True, help="The same by uid, as far as the capture tells it.")
@click.option(
    "--operation", "operations", multiple=True, metavar="NAME", help="Only this operation, such as report-round."
)
@click.option("--errors", is_flag=True, help="Only what is wrong: bad frames, stray bytes, clashes.")
@click.option("--from", "from_s", type=FloatRange(0, MAX_SECONDS), help="Seconds after the first packet.")
@click.option("--to", "to_s", type=FloatRange(0, MAX_SECONDS), help="Seconds after the first packet.")
@click.option("--echoes", is_flag=True, help="Show the echoes of what was sent, too.")
@click.option("--fields", "with_fields", is_flag=True, help="Explain every byte, field by field.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line, with stable keys.")
def command(
    file: str,
    addresses: tuple[str, ...],
    uids: tuple[str, ...],
    operations: tuple[str, ...],
    errors: bool,
    from_s: float | None,
    to_s: float | None,
    echoes: bool,
    with_fields: bool,
    as_json: bool,
) -> int:
    """Show what a capture FILE holds (see --capture of every command with a port): packets, messages, fields, errors.

    Needs no port and sends nothing.
    """
    from busproto.capture.decoding import Filter, decode
    from busproto.capture.pcapng import read
    from busproto.ops.addressing import parse_address, parse_uid

    wanted = Filter(
        frozenset(parse_address(one) for one in addresses),
        frozenset(parse_uid(one) for one in uids),
        frozenset(operation_number(one) for one in operations),
        errors,
        None if from_s is None else round(from_s * 1e9),
        None if to_s is None else round(to_s * 1e9),
        echoes,
    )
    capture = read(file)
    first_ns = capture.packets[0].time_ns if capture.packets else 0
    if not as_json:
        click.echo(HEAD)
    shown = bad = 0
    out = ours(sys.stdout)
    for entry in wanted.choose(decode(capture)):
        shown += 1
        bad += entry.is_error
        if as_json:
            click.echo(json_text(entry_json(entry, with_cells=with_fields)))
        else:
            click.echo(line_of(entry, first_ns), file=out)
            for line in field_lines(entry) if with_fields else ():
                click.echo(line)
    if not as_json:
        wrong = f", {bad} with something wrong" if bad else ", nothing wrong"
        click.echo(f"{shown} of {len(capture.packets)} packets shown{wrong if shown else ''}; {capture.baud} Bd")
    return warn_of_cut(file, capture.cut)


def warn_of_cut(file: str, cut: str) -> int:
    """Tell on stderr what is wrong with the end of a file; gives the exit code."""
    if not cut:
        return exit_codes.DONE
    click.echo(f"busproto: '{file}': {cut}", err=True)
    return exit_codes.NOT_AS_WANTED


def operation_number(text: str) -> int:
    """The number of an operation by its name, with blanks or hyphens, or by its number.

    Raises:
        InputError: there is none of that name.
    """
    from busproto.wire.message import OPERATIONS

    names = {one.name: number for number, one in OPERATIONS.items()}
    name = " ".join(text.lower().replace("-", " ").split())
    if name in names:
        return names[name]
    try:
        number = int(text, 0)
    except ValueError:
        number = -1
    if not 0 <= number <= 0xFF:
        known = ", ".join(one.replace(" ", "-") for one in names)
        raise InputError(f"there is no operation '{text}'; there are: {known}")
    return number


def direction_of(entry: Entry) -> str:
    """Who put the packet on the line, as a word: "sent" by the host, "heard" from another, or the host's own "echo"."""
    return "echo" if entry.packet.is_echo else "sent" if entry.packet.is_sent else "heard"


def _who(address: int) -> str:
    from busproto.wire.field_rows import ADDRESS_WORDS

    return ADDRESS_WORDS.get(address, str(address))


def line_of(entry: Entry, first_ns: int) -> str:
    """One packet on a line for a person."""
    seconds = (entry.packet.time_ns - first_ns) / 1e9
    direction = direction_of(entry)
    source, destination = ("host", "") if direction == "sent" else ("", "host")
    if entry.frame is not None:
        source, destination = _who(entry.frame.source), _who(entry.frame.destination)
    head = f"{entry.number:>6} {seconds:>13.6f}  {direction:5}  {source:>10} -> {destination:<10}"
    line = clean(f"{head}  {what_of(entry)}")
    return click.style(line, fg="red" if entry.reason else "yellow") if entry.is_error else line


def what_of(entry: Entry) -> str:
    """What a packet says, in a line."""
    if entry.frame is None:
        data = entry.packet.data
        text = f"{entry.title}: {data[:24].hex(' ')}" + (f" and {len(data) - 24} more" if len(data) > 24 else "")
    else:
        text = entry.title
        said = ", ".join(f"{name} {value}".strip() for name, value in short_fields(entry))
        text += f": {said}" if said else ""
    if entry.is_retry:
        text += " (again)"
    if entry.reply_ns is not None and entry.request_frame is not None and entry.request_frame.destination != 0xFF:
        text += f" [{entry.reply_ns / 1000:.0f} us]"
    if entry.frame is not None and entry.reason:
        text += f" ({entry.detail})"
    return text + (f"  # {entry.packet.comment}" if entry.packet.comment else "")


def short_fields(entry: Entry) -> Iterator[tuple[str, str]]:
    """Name and text of each field of the message; what parameters stand for in place of their bytes."""
    cells = [one for one in entry.cells() if "." in one.name or one.name in {"setting", "parameter"}]
    has_settings = any(one.name == "setting" for one in cells)
    for name, group in groupby(cells, key=lambda one: one.name):
        texts = [one.text for one in group]
        last = name.rpartition(".")[2]
        if name.count(".") > 1 or (last in {"number", "numbers"} and len(cells) > 1 and name != "describe_parameter"):
            continue  # single bits; numbers that are told by name
        if has_settings and last in {"value", "values"}:
            continue
        plain = "" if name in {"setting", "parameter"} else UNIT_IN_NAME.sub("", last).replace("_", " ")
        yield plain, ", ".join(texts)


def field_lines(entry: Entry) -> Iterator[str]:
    """Every byte of a packet with what it is, in order of its place."""
    data = entry.packet.data
    cells = [*framing_cells(entry), *entry.cells()]
    for cell in sorted(cells, key=lambda one: len(data) if one.at is None else one.at):
        raw = "" if cell.at is None else data[cell.at : cell.at + cell.size].hex(" ")
        where = "" if cell.at is None else str(cell.at)
        yield f"{where:>14}  {raw if len(raw) <= 23 else raw[:20] + '...':<23}  {cell.name} = {cell.text}"


def framing_cells(entry: Entry) -> Iterator[Cell]:
    """The bytes around what a frame says."""
    from busproto.wire.field_rows import Cell

    if entry.frame is None:
        return
    if entry.lead:
        yield Cell("delimiter", "00", "a frame begins", 0, 1)
    run = entry.packet.data[entry.lead]
    yield Cell("first_run", str(run), "bytes to the first zero byte of the body, or to its end", entry.lead, 1)
    yield Cell("delimiter", "00", "it ends", len(entry.packet.data) - 1, 1)


def entry_json(entry: Entry, *, with_cells: bool = False) -> dict[str, Any]:
    """One packet as ``decode --json`` prints it; `with_cells`: also field by field."""
    import dataclasses

    body: dict[str, Any] = {
        "number": entry.number,
        "time_ns": entry.packet.time_ns,
        "origin": direction_of(entry),
        "kind": entry.kind,
        "bytes": entry.packet.data.hex(),
        "title": entry.title,
        "problem": entry.reason or None,
        "detail": entry.detail or None,
        "comment": entry.packet.comment or None,
        "request": entry.request,
        "reply_us": None if entry.reply_ns is None else entry.reply_ns / 1000,
        "retry": entry.is_retry,
    }
    frame = entry.frame
    if frame is not None:
        body |= {
            "destination": frame.destination,
            "source": frame.source,
            "sequence": frame.sequence,
            "operation": frame.operation,
            "tag": frame.tag,
        }
        values: dict[str, Any] = {}
        if entry.message is not None:
            for field in dataclasses.fields(entry.message):  # type: ignore[arg-type]
                value = getattr(entry.message, field.name)
                values[field.name] = value.hex() if isinstance(value, bytes) else value
        body["fields"] = values
    if with_cells:
        body["cells"] = [
            {
                "name": cell.name,
                "value": cell.value,
                "text": cell.text,
                "offset_bytes": cell.at,
                "size_bytes": cell.size,
            }
            for cell in entry.cells()
        ]
    return body
