"""``busproto stats``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from busproto.cli.common import console, json_option, print_json
from busproto.cli.files.decode_command import warn_of_cut

if TYPE_CHECKING:
    from busproto.capture.statistics import Statistics, Tally


@click.command(
    epilog="""\b
Examples:
  busproto stats search.pcapng
  busproto stats search.pcapng --json
\b
JSON: "baud", "duration_s", "packet_count", "frame_count", "bad_frame_count", "run_count",
"single_byte_count", "echo_count", "load_percent", "sent_percent", "heard_percent", "total", "actuators" (address, ...),
"operations" (number, name, ...); each of these with "request_count",
"reply_count", "unanswered_count", "retry_count", "refused_count", "clash_count", "bad_count"
and "reply_spread_us" (min, mean, max, or null).
Exit code 3: the end of the file is cut or damaged; what stands before it is counted."""
)
@click.argument("file")
@json_option
def command(file: str, as_json: bool) -> int:
    """Count a capture FILE: load of the line, reply times, retries, errors, by actuator and by operation.

    Reply times run from the last stop bit of a request to the first start bit of its reply, by the clock of the port
    and as if every clock were exact: what an adapter held back is in them. Needs no port and sends nothing.
    """
    from busproto.capture.statistics import statistics_of

    found, cut = statistics_of(file)
    if as_json:
        print_json(found.as_json())
    else:
        _print(file, found)
    return warn_of_cut(file, cut)


def _print(file: str, found: Statistics) -> None:
    from rich.markup import escape
    from rich.table import Table

    from busproto.cli.common import address_text
    from busproto.wire.field_rows import OPERATION_WORDS

    body = found.as_json()
    out = console()
    out.print(
        f"{escape(file)}: {body['packet_count']} packets in {body['duration_s']:.6f} s at {found.baud} Bd",
        soft_wrap=True,
    )
    out.print(
        f"Line busy {body['load_percent']:.1f} % of the time: {body['sent_percent']:.1f} % sent, "
        f"{body['heard_percent']:.1f} % heard."
    )
    out.print(
        f"{body['frame_count']} frames, {body['bad_frame_count']} bad frames, "
        f"{body['run_count']} runs of bytes in no frame, "
        f"{body['single_byte_count']} single bytes; {body['echo_count']} echoes, not counted."
    )
    for title, rows in (
        ("actuator", [(address_text(key), one) for key, one in sorted(found.actuators.items())]),
        (
            "operation",
            [(OPERATION_WORDS.get(key, f"unknown {key:02X}"), one) for key, one in sorted(found.operations.items())],
        ),
    ):
        table = Table(title, box=None)
        for name in ("asked", "replies", "unanswered", "again", "refused", "clashes", "bad", "reply us min/mean/max"):
            table.add_column(name, justify="right")
        for name, one in (*rows, *([("all", found.total)] if title == "operation" else [])):
            table.add_row(name, *_cells(one))
        if rows:
            out.print()
            out.print(table)


def _cells(one: Tally) -> tuple[str, ...]:
    def bad(count: int) -> str:
        return f"[red]{count}[/red]" if count else "0"

    time: dict[str, Any] | None = one.as_json()["reply_spread_us"]
    return (
        str(one.requests),
        str(one.replies),
        bad(one.unanswered),
        bad(one.retries),
        bad(one.refused),
        bad(one.clashes),
        bad(one.bad),
        "" if time is None else f"{time['min']:.0f} / {time['mean']:.0f} / {time['max']:.0f}",
    )
