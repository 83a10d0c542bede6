"""``busproto bus run``."""

from __future__ import annotations

import ipaddress
import json
import signal
from typing import Any

import click

from busproto.cli.common import FloatRange, json_option
from busproto.errors import InputError


@click.group(no_args_is_help=False)
def command() -> None:
    """Virtual buses."""


@command.command(
    "run",
    short_help="Run a scenario in real time until it is interrupted.",
    epilog="""\b
Examples:
  busproto bus run tow-plane --pty
  busproto bus run my-airframe.toml --tcp 127.0.0.1:7000 --seed 4
JSON (one line, when the bus is ready): "port", "scenario", "seed", "baud".""",
)
@click.argument("scenario")
@click.option("--pty", is_flag=True, help="Behind a pseudo-terminal, which any program opens like a serial port.")
@click.option("--tcp", metavar="HOST:PORT", help="Behind a TCP port, for one host at a time; port 0 takes a free one.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**63 - 1),
    default=0,
    show_default=True,
    help="The same seed gives the same bus.",
)
@click.option("--for", "for_s", type=FloatRange(min=0, min_open=True), help="End after so many seconds.")
@click.option("--open-to-network", is_flag=True, help="Allow a HOST that other machines can reach.")
@json_option
def run_bus(
    scenario: str,
    pty: bool,
    tcp: str | None,
    seed: int,
    for_s: float | None,
    open_to_network: bool,
    as_json: bool,
) -> None:
    """Run SCENARIO (a shipped name or a file) in real time until it is interrupted."""
    from sim.scenario import load
    from sim.server import Endpoint, PseudoTerminal, TcpPort, serve

    if pty == (tcp is not None):
        raise click.UsageError("one of --pty and --tcp is wanted", click.get_current_context())
    loaded = load(scenario)
    bus = loaded.build(seed)
    endpoint: Endpoint = PseudoTerminal() if tcp is None else TcpPort(*parse_tcp(tcp, open_to_network))
    body: dict[str, Any] = {"port": endpoint.name, "scenario": scenario, "seed": seed, "baud": bus.line.baud}
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # before anyone knows that there is something to end
    try:
        if as_json:
            click.echo(json.dumps(body))
        else:
            click.echo(f"port: {endpoint.name}")
            click.echo(
                f"{loaded.title}: {len(bus.actuators)} actuators at {bus.line.baud} Bd, seed {seed}; Ctrl-C ends it.",
                err=True,
            )
        serve(bus, endpoint, is_over=lambda now_ns: for_s is not None and now_ns >= for_s * 1e9)
    except KeyboardInterrupt:
        click.echo("bus ended", err=True)
    finally:
        endpoint.close()


def parse_tcp(text: str, open_to_network: bool) -> tuple[str, int]:
    """HOST and PORT of HOST:PORT. Only an address of this machine, unless the network was asked for.

    Raises:
        InputError: not of that form, or open to the network without having been asked for.
    """
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or len(port) > 5 or int(port) > 65535:
        raise InputError(f"--tcp '{text}': HOST:PORT is wanted, with a port of 0..65535, such as 127.0.0.1:7000")
    try:
        is_local = host == "localhost" or ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        is_local = False
    if not is_local and not open_to_network:
        raise InputError(f"--tcp '{text}': other machines could reach that; use 127.0.0.1, or say --open-to-network")
    return host.strip("[]"), int(port)
