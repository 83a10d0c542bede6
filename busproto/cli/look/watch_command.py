"""``busproto watch``."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    address_text,
    clear_progress,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
)
from busproto.errors import AddressConflictError, InputError, OperationError
from busproto.opening import SIM_SCHEME
from busproto.ops.addressing import parse_address
from busproto.ops.holding import Held
from busproto.ops.link import Link
from busproto.ops.moving.demand_units import degrees_to_fraction
from busproto.ops.moving.watching import SHARED, SILENT, ListenBeforeTalk, Spread, Track, scan, watch
from busproto.ops.parameter_access import describe, read_all
from busproto.ops.steps import Progress, Steps
from busproto.wire.parameters import RawValue

if TYPE_CHECKING:
    from rich.table import Table

BAR_WIDTH: Final = 25
BAR_NEEDS: Final = {"neutral", "travel", "direction"}
"""Parameters that the bar is drawn by."""
SCALE_PASSES: Final = 2
REDRAW_NS: Final = 100_000_000
COLOURS: Final = {"following": "green", "soft-starting": "cyan", SILENT: "red", SHARED: "red", "faulted": "red"}


@click.command(
    epilog="""\b
Examples:
  busproto watch --port /dev/ttyUSB0 --airframe tow.toml
  busproto watch --port /dev/ttyUSB0 --for 20 --json
  busproto watch 3 7 --port /dev/ttyUSB0
The bar goes from demand -100 % to +100 %: "O" where the arm is, "=" where it has been.
\b
JSON: "duration_s", "actuators" (address, function, state, asked_count, missed_count,
lost_seen, lost_before, position_spread_deg, current_spread_ma, supply_spread_v and
temperature_spread_degc with min, max, mean and last,
states with at_s and state), "others_on_the_line".
Exit code 3: an actuator that was to be watched never answered or shares an address, or none was there."""
)
@click.argument("addresses", nargs=-1)
@click.option(
    "--for",
    "for_s",
    type=FloatRange(0, 86_400, min_open=True),
    metavar="S",
    help="For how many seconds; until Ctrl-C where not given.",
)
@click.option(
    "--airframe",
    metavar="FILE",
    help="The airframe file: names of functions, and which actuators must be there.",
)
@port_options
@json_option
def command(
    addresses: tuple[str, ...], for_s: float | None, airframe: str | None, port: PortOptions, as_json: bool
) -> int:
    """Watch what actuators do, those at ADDRESSES or all, while another host demands, for example a receiver.

    Asks for reports only, between whatever else is on the line. Changes nothing and moves nothing.
    """
    wanted = [parse_address(text) for text in addresses]
    functions = {} if airframe is None else _functions(airframe)
    is_virtual = port.url.startswith(SIM_SCHEME)
    is_live = sys.stdout.isatty() and not as_json
    if is_virtual and for_s is None and not is_live:
        raise InputError("in virtual time Ctrl-C comes too late: say --for how many seconds to watch")
    tracks: dict[int, Track] = {}
    passed_ns = 0
    hears_others = False
    with open_link(port) as link:
        listen_before_talk = ListenBeforeTalk(link.transport)
        link.transport = listen_before_talk
        there = [] if wanted else link.run(scan())
        for at in wanted or sorted({*there, *functions}):
            tracks[at] = Track(at)
        link.run(_scales(tracks))
        began_ns = link.transport.now_ns()
        try:
            _watch(link, tracks, functions, None if for_s is None else round(for_s * 1e9), is_live, is_virtual)
        except KeyboardInterrupt:
            clear_progress()  # it is how one ends this, and there is something to show
        passed_ns = link.transport.now_ns() - began_ns
        hears_others = listen_before_talk.has_heard_others
    if as_json:
        print_json(
            {
                "duration_s": round(passed_ns / 1e9, 3),
                "actuators": [_track_json(track, functions) for track in tracks.values()],
                "others_on_the_line": hears_others,
            }
        )
    else:
        _print(tracks, functions, passed_ns, is_live)
    is_whole = bool(tracks) and all(track.last is not None and track.state != SHARED for track in tracks.values())
    return exit_codes.DONE if is_whole else exit_codes.NOT_AS_WANTED


def _functions(path: str) -> dict[int, str]:
    """The functions of a plan by address."""
    from busproto.plan.load import load

    return {role.address: role.function for role in load(path).roles.values()}


def _scales(tracks: Mapping[int, Track]) -> Steps[None]:
    """Read the settings of every actuator, for the bar; one that is not read, on a busy line, is asked once more."""
    for again in range(SCALE_PASSES):
        left = [track for track in tracks.values() if track.settings is None and track.state != SHARED]
        for number, track in enumerate(left):
            yield Progress("reading settings" if not again else "reading settings again", number, len(left))
            try:
                yield from describe(track.address)  # hears whether it is alone
                track.settings = yield from read_all(track.address)
            except AddressConflictError:
                track.is_shared(0)
            except OperationError:
                continue


def _watch(
    link: Link,
    tracks: Mapping[int, Track],
    functions: Mapping[int, str],
    duration_ns: int | None,
    is_live: bool,
    is_virtual: bool,
) -> None:
    if not is_live:
        link.run(watch(tracks, duration_ns, pause_ns=0))
        return
    from rich.live import Live

    clear_progress()
    with Live(_table(tracks, functions), console=console(), auto_refresh=False) as live:
        on_round = _redraw(lambda: live.update(_table(tracks, functions), refresh=True), is_virtual)
        link.run(watch(tracks, duration_ns, on_round, pause_ns=0))
        live.update(_table(tracks, functions), refresh=True)


def _redraw(draw: Callable[[], None], is_virtual: bool) -> Callable[[int], None]:
    """Draws not too often; where time is virtual it waits for the person's, so that there is something to see."""
    began_ns = time.monotonic_ns()
    drawn_ns = -REDRAW_NS

    def on_round(passed_ns: int) -> None:
        nonlocal drawn_ns
        if passed_ns - drawn_ns >= REDRAW_NS:
            drawn_ns = passed_ns
            draw()
        if is_virtual:
            time.sleep(max(0, passed_ns - (time.monotonic_ns() - began_ns)) / 1e9)

    return on_round


def _table(tracks: Mapping[int, Track], functions: Mapping[int, str]) -> Table:
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("address", no_wrap=True)
    if functions:
        table.add_column("function", no_wrap=True)
    table.add_column("state", no_wrap=True, min_width=11)
    table.add_column("deg", justify="right", no_wrap=True, min_width=7)
    table.add_column("-100 %  ..  0  ..  +100 %", no_wrap=True)
    for name in ("min", "max"):
        table.add_column(name, justify="right", no_wrap=True, min_width=7)
    table.add_column("mA", justify="right", no_wrap=True, min_width=4)
    for track in tracks.values():
        row = [address_text(track.address)]
        if functions:
            row.append(escape(functions.get(track.address, "-")))
        state = track.state or ("never answered" if track.asked else "")
        colour = COLOURS.get(state, "yellow" if track.lost_seen else "")
        if state.startswith("lost") or state == "never answered":
            colour = "red"
        row.append(f"[{colour}]{state}[/{colour}]" if colour else state)
        if track.last is None:
            row += ["", "", "", "", ""]
        else:
            position = track.position
            row += [
                f"{position.last / 100:.2f}",
                escape(bar(position, track.settings)),
                f"{position.low / 100:.2f}",
                f"{position.high / 100:.2f}",
                str(track.current.last),
            ]
        table.add_row(*row)
    return table


def bar(position: Spread, settings: Mapping[str, RawValue] | None) -> str:
    """Where the arm is within its travel, and where it has been, as text; empty where the travel is not known."""
    if settings is None or (isinstance(settings, Held) and not settings.keys() >= BAR_NEEDS):
        return ""
    low, high, here = (_cell(cdeg, settings) for cdeg in (position.low, position.high, position.last))
    cells = ["|" if cell == BAR_WIDTH // 2 else "." for cell in range(BAR_WIDTH)]
    for cell in range(max(0, min(low, high)), min(BAR_WIDTH - 1, max(low, high)) + 1):
        cells[cell] = "="
    if 0 <= here < BAR_WIDTH:
        cells[here] = "O"
    else:
        cells[0 if here < 0 else -1] = "<" if here < 0 else ">"
    return "".join(cells)


def _cell(position_cdeg: int, settings: Mapping[str, RawValue]) -> int:
    """The cell of a position; below 0 or beyond the last where it is outside the travel."""
    fraction = degrees_to_fraction(position_cdeg / 100, settings)
    half = BAR_WIDTH // 2
    if abs(fraction) > 1.01:  # an arm at its end may stand a little beyond it
        return -1 if fraction < 0 else BAR_WIDTH
    return round(max(-1.0, min(1.0, fraction)) * half) + half


def _print(tracks: Mapping[int, Track], functions: Mapping[int, str], passed_ns: int, is_live: bool) -> None:
    from rich.markup import escape

    out = console()
    if not tracks:
        out.print("[yellow]No actuator reports: 'busproto find' tells what is on the line.[/yellow]")
        return
    if not is_live:
        out.print(_table(tracks, functions))
    out.print(f"Watched for {passed_ns / 1e9:.1f} s.")
    for track in tracks.values():
        name = functions.get(track.address)
        subject = f"Address {track.address}" + (f" ({escape(name)})" if name else "")
        missed = f"{track.missed} of {track.asked} questions without an answer"
        if track.state == SHARED:
            out.print(f"[red]{subject} is shared by several actuators: 'busproto find' tells which.[/red]")
            continue
        if track.last is None:
            out.print(f"[red]{subject} never answered.[/red]")
            continue
        if len(track.changes) > 1:
            states = ", ".join(f"{change.at_ns / 1e9:.2f} s {change.state}" for change in track.changes)
            out.print(f"{subject}: {states}" + (f"; {missed}" if track.missed else ""))
        elif track.missed:
            out.print(f"{subject}: {missed}")
        if track.lost_seen and not any(change.state.startswith("lost") for change in track.changes):
            out.print(f"[yellow]{subject} was without a demand, too briefly to be seen in its states.[/yellow]")


def _track_json(track: Track, functions: Mapping[int, str]) -> dict[str, Any]:
    return {
        "address": track.address,
        "function": functions.get(track.address),
        "state": track.state or None,
        "asked_count": track.asked,
        "missed_count": track.missed,
        "lost_seen": track.lost_seen,
        "lost_before": track.lost_before,
        "position_spread_deg": _spread_json(track.position, 100),
        "current_spread_ma": _spread_json(track.current, 1),
        "supply_spread_v": _spread_json(track.supply, 1000),
        "temperature_spread_degc": _spread_json(track.temperature, 100),
        "states": [{"at_s": round(change.at_ns / 1e9, 3), "state": change.state} for change in track.changes],
    }


def _spread_json(spread: Spread, counts_per_unit: int) -> dict[str, float] | None:
    """None where nothing was reported."""
    if not spread.count:
        return None
    return {
        "min": spread.low / counts_per_unit,
        "max": spread.high / counts_per_unit,
        "mean": round(spread.mean / counts_per_unit, 4),
        "last": spread.last / counts_per_unit,
    }
