"""``busproto replay``."""

from __future__ import annotations

import signal
import time
from typing import TYPE_CHECKING, Any, Final

import click

from busproto.cli import exit_codes
from busproto.cli.bus.bus_command import parse_tcp
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    clear_option,
    code_of,
    json_option,
    open_link,
    port_options,
    print_json,
    print_let_go,
    require_clearance,
)
from busproto.cli.files.decode_command import warn_of_cut
from busproto.errors import FileError
from busproto.interrupts import INTERRUPTS
from busproto.shown import json_text

if TYPE_CHECKING:
    from busproto.capture.pcapng import Capture
    from busproto.capture.replay import Difference, RecordedBus
    from busproto.sim.server import Endpoint

SHOWN: Final = 5
LONGEST_WAIT_S: Final = 0.25
LINGER_NS: Final = 1_000_000_000
"""How long a bus that ends by itself stays open behind its last byte, so that the host can read it."""


def _port_may_be_missing(function: Any) -> Any:
    """The port options, of which none must be given: a bus needs no port."""
    wrapped = port_options(function)
    for option in wrapped.__click_params__:
        if option.name == "port_url":
            option.required = False
    return wrapped


@click.command(
    epilog="""\b
Examples:
  busproto replay search.pcapng --port /dev/ttyUSB0
  busproto replay search.pcapng --port sim://tow-plane?seed=1 --ignore temperature_cdeg
  busproto replay search.pcapng --as-bus --pty
  busproto replay search.pcapng --as-bus --tcp 127.0.0.1:7000 --once
\b
JSON: "alike", "request_count", "reply_count" (as the host only), "differences" (number, asked,
text), all of them, "let_go" (as the host: what was seen at the end, see 'busproto move
--help'; null where nothing that moves or changes was sent). As the bus, --json prints
{"port": ...} on the first line.
Exit code 1: an actuator was not seen limp at the end. Exit code 3: something differs
from the capture, or its end is cut."""
)
@click.argument("file")
@click.option("--as-bus", is_flag=True, help="Be the bus: wait for a host and answer as recorded.")
@click.option("--pty", is_flag=True, help="With --as-bus: on a pseudo-terminal, whose name is printed.")
@click.option("--tcp", metavar="HOST:PORT", help="With --as-bus: on a TCP port of this machine; 0 for any free one.")
@click.option("--once", is_flag=True, help="With --as-bus: end when everything recorded has been asked.")
@click.option("--for", "for_s", type=FloatRange(0.001, 86_400), help="With --as-bus: end after so many seconds.")
@click.option("--ignore", "ignored", multiple=True, metavar="FIELD", help="Do not compare this field; may be repeated.")
@_port_may_be_missing
@clear_option
@json_option
def command(
    file: str,
    as_bus: bool,
    pty: bool,
    tcp: str | None,
    once: bool,
    for_s: float | None,
    ignored: tuple[str, ...],
    port: PortOptions,
    clear: bool,
    as_json: bool,
) -> int:
    """Play a capture FILE back and show the first difference.

    As the host (--port): sends the recorded requests again at the recorded pace and compares the replies field by
    field. Requests that move or change something do so again: the cautions are asked first, and all are limp at the
    end. As the bus (--as-bus): answers whatever host opens the port as the actuators did then.
    """
    from busproto.capture.pcapng import read

    context = click.get_current_context()
    if as_bus != (pty or tcp is not None):
        raise click.UsageError("--as-bus goes with --pty or --tcp", context)
    if pty and tcp is not None:
        raise click.UsageError("one of --pty and --tcp, not both", context)
    if not as_bus and (once or for_s is not None):
        raise click.UsageError("--once and --for go with --as-bus", context)
    if as_bus and context.get_parameter_source("port_url") is click.core.ParameterSource.COMMANDLINE:
        raise click.UsageError("either --port or --as-bus, not both", context)
    if not as_bus and port.url is None:
        raise click.UsageError("where to? --port, or --as-bus, is wanted", context)
    for name in ignored:
        _require_field(name, context)
    capture = read(file)
    if not any(packet.is_sent for packet in capture.packets):
        raise FileError(file, ["it holds no request that could be played back"])
    if as_bus:
        return _as_bus(capture, pty, tcp, once, for_s, as_json)
    return _as_host(capture, port, frozenset(ignored), clear, as_json)


def _require_field(name: str, context: click.Context) -> None:
    from busproto.wire.field_rows import HEADER_ROWS, REFUSAL_ROW, REPLY_ROWS

    rows = (*REPLY_ROWS.values(), REFUSAL_ROW)
    known = {row.name for row in HEADER_ROWS} | {"setting", "outcome"}
    known |= {field.name for row in rows for field in row.fields}
    known |= {f"{row.key}.{field.name}" for row in rows for field in row.fields}
    if name not in known:
        raise click.UsageError(f"--ignore '{name}': no reply has such a field ('busproto spec' lists them)", context)


def _as_host(capture: Capture, port: PortOptions, ignored: frozenset[str], clear: bool, as_json: bool) -> int:
    from busproto.capture.replay import HostReplay, bursts, disturbing
    from busproto.cli.common import ProgressLine, clear_progress
    from busproto.ops.moving.letting_go import LetGo, let_go, let_go_after
    from busproto.ops.steps import Progress

    found = disturbing(bursts(capture))
    if found:
        what = ", ".join(f"{count} x {name}" for name, count in found.items())
        require_clearance(clear, f"sending again what moves or changes something ({what})")
    seen: LetGo | None = None
    with open_link(port) as link, ProgressLine() as progress, INTERRUPTS.deferred():
        replay = HostReplay(link.transport, capture, ignored)
        try:
            outcome = replay.run(lambda at, of: progress.show(Progress("playing back", at, of)))
        except BaseException as error:
            if replay.is_disturbed:
                link.run(let_go_after(error, None))
            raise
        if replay.is_disturbed:
            seen = link.run(let_go(None))
    clear_progress()
    body = {"alike": not outcome.differences, "request_count": outcome.asked, "reply_count": outcome.replies}
    if as_json:
        limp = None if seen is None else seen.as_json()
        print_json({**body, "differences": [_difference_json(one) for one in outcome.differences], "let_go": limp})
    else:
        _print(outcome.differences)
        click.echo(f"{outcome.asked} times asked, {outcome.replies} replies, {_amount(outcome.differences)}.")
        if seen is not None:
            print_let_go(seen)
    cut = warn_of_cut(capture.source, capture.cut)
    code = exit_codes.NOT_AS_WANTED if outcome.differences or cut else exit_codes.DONE
    return code if seen is None else code_of(seen, code)


def _difference_json(one: Difference) -> dict[str, Any]:
    return {"number": one.packet, "asked": one.asked, "text": one.text}


def _amount(differences: list[Difference]) -> str:
    count = len(differences)
    return "all as recorded" if not count else f"{count} difference{'s' if count > 1 else ''}"


def _print(differences: list[Difference]) -> None:
    for number, one in enumerate(differences[:SHOWN]):
        lead = "first difference" if not number else "then"
        click.echo(f"{lead}: packet {one.packet}, {one.asked}: {one.text}")
    if len(differences) > SHOWN:
        click.echo(f"and {len(differences) - SHOWN} more (--json lists all)")


def _as_bus(capture: Capture, pty: bool, tcp: str | None, once: bool, for_s: float | None, as_json: bool) -> int:
    from busproto.capture.replay import RecordedBus
    from busproto.sim.server import PseudoTerminal, TcpPort

    endpoint: Endpoint = PseudoTerminal() if tcp is None else TcpPort(*parse_tcp(tcp, False))
    bus = RecordedBus(capture)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # before anyone knows that there is something to end
    try:
        if as_json:
            click.echo(json_text({"port": endpoint.name, "baud": capture.baud}))
        else:
            click.echo(f"port: {endpoint.name}")
            click.echo(f"answering as recorded, {capture.baud} Bd; Ctrl-C ends it.", err=True)
        _serve(bus, endpoint, once, for_s)
    except KeyboardInterrupt:
        click.echo("replay ended", err=True)
    finally:
        endpoint.close()
    if as_json:
        differences = [_difference_json(one) for one in bus.differences]
        click.echo(json_text({"alike": not differences, "request_count": bus.asked, "differences": differences}))
    else:
        _print(bus.differences)
        click.echo(f"{bus.asked} requests came, {_amount(bus.differences)}.")
    cut = warn_of_cut(capture.source, capture.cut)
    return exit_codes.NOT_AS_WANTED if bus.differences or cut else exit_codes.DONE


def _serve(bus: RecordedBus, endpoint: Endpoint, once: bool, for_s: float | None) -> None:
    """Answer the host at the endpoint until it is over."""
    begin_ns = time.monotonic_ns()
    over_ns: int | None = None
    while True:
        now_ns = time.monotonic_ns()
        data = bus.take(now_ns)
        if data:
            endpoint.write(data)
        if for_s is not None and now_ns - begin_ns >= for_s * 1e9:
            return
        if once and bus.is_over:
            over_ns = now_ns if over_ns is None else over_ns
            if now_ns - over_ns >= LINGER_NS:
                return
        wait_s = LONGEST_WAIT_S
        if bus.next_ns is not None:
            wait_s = min(wait_s, max(0, bus.next_ns - time.monotonic_ns()) / 1e9)
        received, _ = endpoint.wait(wait_s)
        if received:
            over_ns = None
            bus.heard(received, time.monotonic_ns())
