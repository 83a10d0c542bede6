"""``busproto bus run``."""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from busproto.cli.common import FloatRange, json_option
from busproto.endpoints import parse_endpoint

if TYPE_CHECKING:
    from sim.bus import VirtualBus

READ_BYTES = 4096


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
\b
While it runs, a line typed into it acts on the bus: plug NAME, unplug NAME,
hand NAME DEGREES, supply VOLTS, list.
\b
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
@click.option("--obey", is_flag=True, help="Follow lines on stdin also where that is no terminal.")
@click.option("--open-to-network", is_flag=True, help="Allow a HOST that other machines can reach.")
@json_option
def run_bus(
    scenario: str,
    pty: bool,
    tcp: str | None,
    seed: int,
    for_s: float | None,
    obey: bool,
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
        serve(
            bus,
            endpoint,
            is_over=lambda now_ns: for_s is not None and now_ns >= for_s * 1e9,
            meanwhile=_commands_from_stdin(bus) if obey or sys.stdin.isatty() else lambda: None,
        )
    except KeyboardInterrupt:
        click.echo("bus ended", err=True)
    finally:
        endpoint.close()


def _commands_from_stdin(bus: VirtualBus) -> Callable[[], None]:
    """What follows the lines that have been typed since the last call; never waits for one."""
    from sim.control import ControlError, obey

    pending = b""
    fd = sys.stdin.fileno()

    def follow() -> None:
        nonlocal pending, fd
        if fd < 0 or not _may_read(fd) or not select.select([fd], [], [], 0)[0]:
            return
        data = os.read(fd, READ_BYTES)
        if not data:
            fd = -1  # the other end has closed it
        *lines, pending = (pending + data).split(b"\n")
        for line in lines:
            if line.strip():
                try:
                    click.echo(obey(bus, line.decode("utf-8", "replace")), err=True)
                except ControlError as error:
                    click.echo(str(error), err=True)

    return follow


def _may_read(fd: int) -> bool:
    """Whether it can be looked at, and reading would not stop a process in the background of its terminal."""
    if sys.platform == "win32":  # select knows sockets only there
        return False
    return not os.isatty(fd) or not hasattr(os, "tcgetpgrp") or os.tcgetpgrp(fd) == os.getpgrp()


def parse_tcp(text: str, open_to_network: bool) -> tuple[str, int]:
    """HOST and PORT of what was given to --tcp. Raises InputError, see `parse_endpoint`."""
    return parse_endpoint("--tcp", text, 7000, open_to_network)
