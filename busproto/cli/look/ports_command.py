"""``busproto ports``."""

from __future__ import annotations

import click

from busproto.cli.common import console, json_option, print_json


@click.command(epilog='JSON: "ports" (device, description), "scenarios" (url, title).')
@json_option
def command(as_json: bool) -> None:
    """List the ports of this machine, and the scenarios that are shipped as virtual buses."""
    from serial.tools import list_ports

    from busproto.sim.scene import scenario

    ports = [{"device": port.device, "description": port.description} for port in sorted(list_ports.comports())]
    scenarios = [{"url": f"sim://{name}", "title": scenario.load(name).title} for name in scenario.names()]
    if as_json:
        print_json({"ports": ports, "scenarios": scenarios})
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table("port", "what it is", box=None)
    for port in ports:
        table.add_row(escape(str(port["device"])), escape(str(port["description"])))
    for row in scenarios:
        table.add_row(row["url"], f"virtual: {row['title']}")
    console().print(table)
    if not ports:
        console().print("No serial port was found on this machine; the virtual buses above always work.")
