"""``busproto serve``."""

from __future__ import annotations

import threading
import webbrowser
from pathlib import Path
from typing import Any

import click

from busproto.cli import exit_codes
from busproto.cli.common import FloatRange, json_option
from busproto.cli.completion import complete_port
from busproto.endpoints import parse_endpoint
from busproto.errors import InputError
from busproto.opening import MAX_LATENCY_MS
from busproto.ops.moving.letting_go import LetGo
from busproto.shown import json_text
from busproto.transport.port_lock import require_free
from busproto.transport.serial_port import MAX_BAUD, MIN_BAUD

DEFAULT_URL = "sim://hauler?seed=1"
USUAL_PORT = 8765
DEFAULT_LISTEN = f"127.0.0.1:{USUAL_PORT}"


@click.command(
    epilog="""\b
Examples:
  busproto serve
  busproto serve --port sim://rudder-gang --airframe bench/rudder.toml
  busproto serve --port sim://taxi --beside-receiver
  busproto serve --port /dev/ttyUSB0 --airframe hauler.toml --no-browser
\b
The page is for this machine only; its URL carries a token that changes each time.
Nothing moves before the cautions were ticked on the page. Ctrl-C disarms.
\b
JSON (one line, when the page is there): "url", "port", "listen", "airframe"; another at
the end: "ended", "let_go" (what was seen when it last let go, see 'busproto move
--help'; null where nothing had been armed).
Exit code 1: an actuator was not seen limp at the end."""
)
@click.option(
    "--port",
    "url",
    envvar="BUSPROTO_PORT",
    show_envvar=True,
    default=DEFAULT_URL,
    show_default=True,
    metavar="URL",
    shell_complete=complete_port,
    help="Device name or URL; sim://SCENARIO?seed=N runs that virtual bus in real time.",
)
@click.option(
    "--baud",
    type=click.IntRange(MIN_BAUD, MAX_BAUD),
    help="Line rate in bits per second (default: 115200, on sim:// that of the scenario).",
)
@click.option(
    "--latency-ms",
    type=FloatRange(0, MAX_LATENCY_MS),
    help="How long the adapter may keep bytes back (default: 20).",
)
@click.option("--airframe", type=click.Path(path_type=Path), help="What the bus is to become; for claim, match, trial.")
@click.option(
    "--listen", default=DEFAULT_LISTEN, show_default=True, metavar="HOST:PORT", help="Port 0 takes a free one."
)
@click.option("--open-to-network", is_flag=True, help="Allow a HOST that other machines can reach.")
@click.option(
    "--beside-receiver",
    is_flag=True,
    help="Another host demands on this line: only look, in the gaps between its frames.",
)
@click.option("--no-browser", is_flag=True, help="Only print the URL.")
@click.option("--for", "for_s", type=FloatRange(min=0, min_open=True), help="End after so many seconds.")
@json_option
def command(
    url: str,
    baud: int | None,
    latency_ms: float | None,
    airframe: Path | None,
    listen: str,
    open_to_network: bool,
    beside_receiver: bool,
    no_browser: bool,
    for_s: float | None,
    as_json: bool,
) -> int:
    """Open the bench as a page in the browser: every actuator as it moves, sliders, tasks, the line bit by bit."""
    from busproto.plan.load import load

    try:
        from busproto.web.serving import Server, port_opener
    except ModuleNotFoundError as error:
        if str(error.name).partition(".")[0] == "busproto":
            raise
        raise InputError("the page needs starlette, uvicorn and websockets: pip install 'busproto[web]'") from error
    host, listen_port = parse_endpoint("--listen", listen, USUAL_PORT, open_to_network)
    plan = None if airframe is None else load(airframe)
    open_port = port_opener(url, baud, latency_ms)
    require_free(url)
    server = Server(
        open_port,
        plan=plan,
        beside_receiver=beside_receiver,
        host=host,
        port=listen_port,
        on_ready=lambda: ready(),
    )

    def ready() -> None:
        if as_json:
            body: dict[str, Any] = {"url": server.place.url, "port": url, "listen": f"{host}:{server.place.port}"}
            click.echo(json_text({**body, "airframe": None if plan is None else plan.title}))
        else:
            click.echo(f"page: {server.place.url}")
            click.echo("Ctrl-C ends it; what was armed goes limp.", err=True)
        if for_s is not None:
            timer = threading.Timer(for_s, server.stop)
            timer.daemon = True
            timer.start()
        if not no_browser:
            threading.Thread(target=webbrowser.open, args=(server.place.url,), daemon=True).start()

    try:
        server.run()
    except KeyboardInterrupt:
        click.echo("page ended", err=True)
    return tell_end(server.worker.let_go, server.worker.not_told, as_json)


def tell_end(seen: LetGo | None, not_told: str, as_json: bool) -> int:
    """Say how the actuators were left, as the bench has it; gives the exit code."""
    if as_json:
        click.echo(json_text({"ended": True, "let_go": None if seen is None else seen.as_json()}))
    elif seen is not None:
        click.echo(seen.text, err=True)
    if not_told:
        click.echo(f"busproto: {not_told}", err=True)
    return exit_codes.FAILED if not_told or (seen is not None and not seen.is_limp) else exit_codes.DONE
