"""``busproto address``."""

from __future__ import annotations

import click

from busproto.cli import exit_codes
from busproto.cli.common import PortOptions, code_of, json_option, open_link, port_options, print_json, uid_text
from busproto.ops.addressing import parse_address, parse_uid, require_free
from busproto.ops.giving import give_address
from busproto.ops.survey import firmware_text
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import MAX_CHANNELS


@click.command(
    epilog="""\b
Examples:
  busproto address b0a7000000000104 8 --port /dev/ttyUSB0
  busproto address b0a7000000000104 8 --channel 8 --port /dev/ttyUSB0
  busproto address b0a7000000000104 none --port /dev/ttyUSB0
\b
JSON: "uid", "address" (null where taken away), "model", "firmware", "channel"
(null where not asked for), "let_go" (what was seen at the end, see 'busproto move
--help'; null where it has no address any more).
Exit code 1: it was not seen limp at the end."""
)
@click.argument("uid")
@click.argument("address")
@click.option("--channel", type=click.IntRange(0, MAX_CHANNELS), help="Set and store the channel it follows too.")
@port_options
@json_option
def command(uid: str, address: str, channel: int | None, port: PortOptions, as_json: bool) -> int:
    """Give the actuator with this UID an ADDRESS (1..239, or 'none'), and read it back.

    Refused, and nothing written, where another actuator answers at that address. The actuator goes limp.
    """
    wanted_uid = parse_uid(uid)
    wanted = UNADDRESSED if address.strip().lower() == "none" else parse_address(address)
    if channel is not None and wanted == UNADDRESSED:
        raise click.UsageError("--channel needs an address", click.get_current_context())
    with open_link(port) as link:
        link.run(require_free(wanted_uid, wanted))
        description, seen = link.run(give_address(wanted_uid, wanted, channel))
    if as_json:
        print_json(
            {
                "uid": uid_text(wanted_uid),
                "address": None if wanted == UNADDRESSED else wanted,
                "model": description.model if description else None,
                "firmware": firmware_text(description) if description else None,
                "channel": channel,
                "let_go": seen.as_json() if description else None,
            }
        )
    elif description is None:
        click.echo(
            f"{uid_text(wanted_uid)} has no address any more, so it is limp by the format; it cannot be looked at."
        )
    else:
        follows = "" if channel is None else f", follows channel {channel}"
        click.echo(
            f"{uid_text(wanted_uid)} has address {wanted}{follows}: "
            f"{description.model}, firmware {firmware_text(description)}. {seen.text}"
        )
    return code_of(seen, exit_codes.DONE)
