"""``busproto hand``."""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    clear_option,
    clear_progress,
    code_of,
    json_option,
    open_link,
    port_options,
    print_json,
    require_clearance,
)
from busproto.cli.keys import END, open_keys
from busproto.cli.look.show_command import status_json
from busproto.errors import InputError
from busproto.opening import SIM_SCHEME
from busproto.ops.addressing import parse_address
from busproto.ops.discovery.search import find
from busproto.ops.link import Link
from busproto.ops.moving.demand_units import fraction_to_pulse_us, standing_deg
from busproto.ops.moving.hand_control import Command, Steered, Steering, View, steer, steer_address, steer_channel
from busproto.ops.moving.motion import DEMAND_PERIOD_NS, fault_texts
from busproto.ops.reports import state_word
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import MAX_CHANNELS

if TYPE_CHECKING:
    from rich.console import RenderableType

CHANNEL_FORM: Final = re.compile(r"ch:(\d{1,3})")
BAR_WIDTH: Final = 41
COMMANDS: Final = {
    "left": Command.LESS,
    "a": Command.LESS,
    "right": Command.MORE,
    "d": Command.MORE,
    "down": Command.MUCH_LESS,
    "s": Command.MUCH_LESS,
    "up": Command.MUCH_MORE,
    "w": Command.MUCH_MORE,
    "c": Command.CENTRE,
    "v": Command.SWEEP,
    " ": Command.LIMP,
    "q": Command.QUIT,
    END: Command.QUIT,
}
"""What each key does."""
WORDS: Final = {
    Command.LESS: "small-down",
    Command.MORE: "small-up",
    Command.MUCH_LESS: "large-down",
    Command.MUCH_MORE: "large-up",
    Command.CENTRE: "centre",
    Command.SWEEP: "sweep",
    Command.LIMP: "limp",
}
"""Commands in JSON; "limp" is also the one that engages again."""


@click.command(
    epilog="""\b
Examples:
  busproto hand 3 --port /dev/ttyUSB0
  busproto hand ch:8 --large 5 --port /dev/ttyUSB0
  printf 'ddwcvq' | busproto hand 3 --clear --json --port sim://bench-four?seed=1
\b
Keys:
  left right, a d   small step        c      centre
  down up,    s w   large step        v      sweep slowly from end to end and back
  space             limp, or engage   q      quit, limp
From a pipe each key waits until the arm has arrived.
\b
JSON: "addresses", "channel" (null for an address), "low_percent", "high_percent" (ends of the demand),
"commanded" (command, percent, pulse_us, at_end, arrived, reached: address, wanted_deg and a report),
"peak_current_ma" (by address), "let_go" (see 'busproto move --help').
Exit code 1: an actuator was not seen limp at the end. Exit code 3: keys came from a pipe and an arm did not
arrive. Exit code 4: the cautions were not answered with yes."""
)
@click.argument("target", metavar="ADDRESS|ch:N")
@click.option(
    "--small", type=FloatRange(0.01, 100), default=0.5, show_default=True, help="Small step, percent of travel."
)
@click.option(
    "--large", type=FloatRange(0.01, 100), default=10.0, show_default=True, help="Large step, percent of travel."
)
@clear_option
@port_options
@json_option
def command(target: str, small: float, large: float, clear: bool, port: PortOptions, as_json: bool) -> int:
    """Steer the actuator at ADDRESS by the keys, or all that follow channel N.

    Limp until the first key that moves; it takes hold where the arm is. Quitting, Ctrl-C and errors leave it limp.
    """
    address, channel = parse_target(target)
    is_script = not sys.stdin.isatty()
    pace_s = 0.0 if is_script or not port.url.startswith(SIM_SCHEME) else DEMAND_PERIOD_NS / 1e9
    with open_link(port) as link:
        steered = link.run(steer_address(address)) if address else _followers(link, channel)
        names = " and ".join(map(str, steered.addresses))
        require_clearance(
            clear, f"steering {'them' if len(steered.addresses) > 1 else 'the actuator'} at address {names}"
        )
        clear_progress()
        with open_keys() as next_key, _Screen(steered, small, large, pace_s) as screen:
            steering = link.run(
                steer(
                    steered,
                    lambda: _next_command(next_key),
                    screen.show,
                    small=small / 100,
                    large=large / 100,
                    wants_settled=is_script,
                )
            )
    if as_json:
        print_json(_json(steered, steering))
    else:
        _print(steered, steering)
    has_arrived = all(one.arrived for one in steering.reached) or not is_script
    return code_of(steering.let_go, exit_codes.DONE if has_arrived else exit_codes.NOT_AS_WANTED)


def parse_target(text: str) -> tuple[int, int]:
    """Address and channel of what was typed; one of them is 0. Raises InputError."""
    form = CHANNEL_FORM.fullmatch(text.strip().lower())
    if form is None:
        return parse_address(text), 0
    channel = int(form[1])
    if not 1 <= channel <= MAX_CHANNELS:
        raise InputError(f"channel '{text}': ch:1..ch:{MAX_CHANNELS} are wanted")
    return 0, channel


def _followers(link: Link, channel: int) -> Steered:
    """Those who follow a channel. Who shares an address cannot be read; it is told that they may follow too."""
    roster = link.run(find())
    for address, uids in roster.clashes.items():
        if address != UNADDRESSED:
            text = f"{len(uids)} actuators share address {address}: whether they follow channel {channel} is not known"
            clear_progress()
            click.echo(f"Beware: {text}; 'busproto address' parts them.", err=True)
    alone = [at for at, uids in roster.by_address.items() if at != UNADDRESSED and len(uids) == 1]
    return link.run(steer_channel(channel, alone))


def _next_command(next_key: Callable[[], str | None]) -> Command | None:
    """What the next key means; None where there is none, or one that means nothing."""
    key = next_key()
    return None if key is None else COMMANDS.get(key, COMMANDS.get(key.lower()))


class _Screen:
    """The live report, on stderr, where a person looks at it."""

    def __init__(self, steered: Steered, small: float, large: float, pace_s: float) -> None:
        self._steered = steered
        self._pace_s = pace_s
        self._keys = (
            f"left/right a d {small:g} %   down/up s w {large:g} %   c centre   v sweep   space limp/engage   q quit"
        )
        self._live: Any = None

    def __enter__(self) -> _Screen:
        if sys.stderr.isatty():
            from rich.live import Live

            from busproto.cli.output import CleanConsole

            self._live = Live(console=CleanConsole(stderr=True), auto_refresh=False, transient=True)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def show(self, view: View) -> None:
        """How things are now. In virtual time a person would be overtaken: it waits a period of theirs."""
        if self._live is not None:
            self._live.update(self._drawn(view), refresh=True)
        if self._pace_s:
            time.sleep(self._pace_s)

    def _drawn(self, view: View) -> RenderableType:
        from rich.console import Group
        from rich.markup import escape
        from rich.table import Table
        from rich.text import Text

        table = Table(box=None, pad_edge=False)
        for name, width in (
            ("address", 8),
            ("demand", 9),
            ("position", 9),
            ("mA", 5),
            ("V", 5),
            ("degC", 5),
        ):
            table.add_column(name, justify="right" if name != "address" else "left", min_width=width, no_wrap=True)
        table.add_column("state")
        for address, status in view.reports.items():
            settings = self._steered.settings[address]
            wanted = "" if view.fraction is None else f"{standing_deg(view.fraction, settings):.2f} deg"
            state = "; ".join([state_word(status.state), *fault_texts(status.faults)])
            table.add_row(
                str(address),
                wanted,
                f"{status.position_cdeg / 100:.2f} deg",
                str(status.current_ma),
                f"{status.supply_mv / 1000:.2f}",
                f"{status.temperature_cdeg / 100:.1f}",
                escape(state),
            )
        return Group(Text.from_markup(_demand_line(view, self._steered)), table, Text(self._keys, style="dim"))


def _demand_line(view: View, steered: Steered) -> str:
    cells = ["|" if cell == BAR_WIDTH // 2 else "." for cell in range(BAR_WIDTH)]
    for cell in range(BAR_WIDTH):
        fraction = cell / (BAR_WIDTH // 2) - 1
        if not steered.low - 1e-9 <= fraction <= steered.high + 1e-9:
            cells[cell] = "x"  # beyond an end limit
    if view.fraction is None:
        return f"demand {'none: limp':>24}  {''.join(cells)}"
    cells[round((view.fraction + 1) * (BAR_WIDTH // 2))] = "O"
    note = "  sweeping" if view.is_sweeping else "  [yellow]end of the travel[/yellow]" if view.end else ""
    text = f"{view.fraction * 100:+.2f} %  {fraction_to_pulse_us(view.fraction):.1f} us"
    return f"demand [bold]{text:>24}[/bold]  {''.join(cells)}{note}"


def _json(steered: Steered, steering: Steering) -> dict[str, Any]:
    return {
        "addresses": list(steered.addresses),
        "channel": steered.channel or None,
        "low_percent": round(steered.low * 100, 2),
        "high_percent": round(steered.high * 100, 2),
        "commanded": [
            {
                "command": WORDS[one.command],
                "percent": None if one.fraction is None else round(one.fraction * 100, 2),
                "pulse_us": None if one.fraction is None else round(fraction_to_pulse_us(one.fraction), 3),
                "at_end": one.at_end,
                "arrived": one.arrived,
                "reached": [
                    {
                        "address": address,
                        "wanted_deg": None
                        if one.fraction is None
                        else round(standing_deg(one.fraction, steered.settings[address]), 4),
                        **status_json(status),
                    }
                    for address, status in one.reports.items()
                ],
            }
            for one in steering.reached
        ],
        "peak_current_ma": {str(address): peak for address, peak in steering.peak_current_ma.items()},
        "let_go": steering.let_go.as_json(),
    }


def _print(steered: Steered, steering: Steering) -> None:
    for command, run in groupby(steering.reached, lambda one: one.command):
        *before, one = run
        word = WORDS[command] + (f" x{len(before) + 1}" if before else "")
        wanted = (
            "limp"
            if one.fraction is None
            else f"{one.fraction * 100:+.2f} % ({fraction_to_pulse_us(one.fraction):.1f} us)"
        )
        where = ", ".join(f"{at} at {status.position_cdeg / 100:.2f} deg" for at, status in one.reports.items())
        notes = (", end of the travel" if one.at_end else "") + ("" if one.arrived else ", not there yet")
        click.echo(f"{word:14}  {wanted:22}  {where}{notes}")
    for address in steered.addresses:
        peak = steering.peak_current_ma.get(address, 0)
        click.echo(f"address {address}: peak {peak} mA")
    click.echo(steering.let_go.text)
