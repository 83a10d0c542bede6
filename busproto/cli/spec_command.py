"""``busproto spec``."""

from __future__ import annotations

import click

from busproto.cli.common import json_option, print_json


@click.command(epilog="JSON keys are stable within a frame version, which is its first key.")
@json_option
def command(as_json: bool) -> None:
    """Print the bus format: frame, operations, parameters, codes, worked examples."""
    from busproto.wire import specification

    if as_json:
        print_json(specification.specification())
    else:
        click.echo(specification.markdown(), nl=False)
