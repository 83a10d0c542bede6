"""``busproto bus run``."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import click

from busproto.cli.common import FloatRange, json_option, native_option
from busproto.cli.completion import complete_scenario
from busproto.endpoints import parse_endpoint
from busproto.shown import json_text

if TYPE_CHECKING:
    from busproto.sim.bus import VirtualBus

READ_BYTES = 4096
MAX_LINE_BYTES = 8192


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
  busproto bus run my-airframe.toml --pty --side 127.0.0.1:0
\b
While it runs, a line typed into it acts on the bus: plug NAME, unplug NAME,
fit SURFACE (puts its rods on), hand NAME DEGREES, supply VOLTS, warm NAME CELSIUS,
cut NAME BYTE (power is lost in that byte, from 0, of what it stores next), spoil
NAME COPY BYTE (a bit of stored memory, while it is unplugged), wear NAME COPY BYTE
(that cell, or 'all', can no longer be written), mend NAME (all can again), generation
NAME NUMBER (its stored memory is that of so many writes, while it is unplugged), clock
NAME MICROSECONDS (it loses power and starts anew, its clock at that count), list.
\b
At --side a program orders the same, and asks what was on the line and when; the
answers are JSON (pytest --dut-side, python -m pydoc busproto.sim.side_channel).
\b
JSON (one line, when the bus is ready): "port", "scenario", "seed", "baud",
"side" (null without --side).""",
)
@click.argument("scenario", shell_complete=complete_scenario)
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
@click.option("--side", metavar="HOST:PORT", help="Open a side channel there, for a program beside the host.")
@click.option("--open-to-network", is_flag=True, help="Allow a HOST that other machines can reach.")
@native_option
@json_option
def run_bus(
    scenario: str,
    pty: bool,
    tcp: str | None,
    seed: int,
    for_s: float | None,
    obey: bool,
    side: str | None,
    open_to_network: bool,
    native: bool,
    as_json: bool,
) -> None:
    """Run SCENARIO (a shipped name or a file) in real time until it is interrupted."""
    from busproto.sim.scene.scenario import load
    from busproto.sim.server import Beside, Endpoint, PseudoTerminal, SidePort, TcpPort, serve
    from busproto.sim.side_channel import SideChannel

    if pty == (tcp is not None):
        raise click.UsageError("one of --pty and --tcp is wanted", click.get_current_context())
    side_at = None if side is None else parse_endpoint("--side", side, 7000, open_to_network)
    loaded = load(scenario, native=native)
    bus = loaded.build(seed)
    endpoint: Endpoint = PseudoTerminal(_tell) if tcp is None else TcpPort(*parse_tcp(tcp, open_to_network), _tell)
    beside: list[Beside] = [_Keyboard(bus)] if obey or sys.stdin.isatty() else []
    side_port = None if side_at is None else SidePort(SideChannel(bus), *side_at)
    if side_port is not None:
        beside.append(side_port)
    body: dict[str, Any] = {"port": endpoint.name, "scenario": scenario, "seed": seed, "baud": bus.line.baud}
    body["side"] = None if side_port is None else side_port.name
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # before anyone knows that there is something to end
    try:
        if as_json:
            click.echo(json_text(body))
        else:
            click.echo(f"port: {endpoint.name}")
            if side_port is not None:
                click.echo(f"side: {side_port.name}")
            click.echo(
                f"{loaded.title}: {len(bus.actuators)} actuators at {bus.line.baud} Bd, seed {seed}; Ctrl-C ends it.",
                err=True,
            )
        serve(
            bus,
            endpoint,
            is_over=lambda now_ns: for_s is not None and now_ns >= for_s * 1e9,
            beside=beside,
        )
    except KeyboardInterrupt:
        click.echo("bus ended", err=True)
    finally:
        endpoint.close()
        if side_port is not None:
            side_port.close()


def _tell(text: str) -> None:
    click.echo(text, err=True)


class _Keyboard:
    """Follows the lines that are typed; never waits for one."""

    def __init__(self, bus: VirtualBus) -> None:
        self._bus = bus
        self._pending = b""
        self._fd = sys.stdin.fileno()

    def sources(self) -> list[int]:
        """See `busproto.sim.server.Beside`."""
        return [self._fd] if self._fd >= 0 and _may_read(self._fd) else []

    def behind(self) -> list[int]:
        """See `busproto.sim.server.Beside`."""
        return []

    def attend(self, ready: Iterable[object]) -> None:
        """See `busproto.sim.server.Beside`."""
        from busproto.sim.control import ControlError, obey

        for _ in ready:
            data = os.read(self._fd, READ_BYTES)
            if not data:
                self._fd = -1  # the other end has closed it
            *lines, self._pending = (self._pending + data).split(b"\n")
            if len(self._pending) > MAX_LINE_BYTES:
                click.echo(f"a line of more than {MAX_LINE_BYTES} bytes is none; it was thrown away", err=True)
                self._pending = b""
            for line in filter(bytes.strip, lines):
                try:
                    click.echo(obey(self._bus, line.decode("utf-8", "replace")), err=True)
                except ControlError as error:
                    click.echo(str(error), err=True)


def _may_read(fd: int) -> bool:
    """Whether it can be looked at, and reading would not stop a process in the background of its terminal."""
    if sys.platform == "win32":  # select knows sockets only there
        return False
    return not os.isatty(fd) or not hasattr(os, "tcgetpgrp") or os.tcgetpgrp(fd) == os.getpgrp()


def parse_tcp(text: str, open_to_network: bool) -> tuple[str, int]:
    """HOST and PORT of what was given to --tcp. Raises InputError, see `parse_endpoint`."""
    return parse_endpoint("--tcp", text, 7000, open_to_network)
