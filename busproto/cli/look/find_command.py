"""``busproto find``."""

from __future__ import annotations

import random
from typing import Final

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    PortOptions,
    address_text,
    address_value,
    console,
    engaged_json,
    open_link,
    port_options,
    print_engaged,
    print_json,
    uid_text,
)
from busproto.errors import InputError
from busproto.ops.discovery.methods import METHODS
from busproto.ops.discovery.roster import gone_text
from busproto.ops.discovery.search import PATIENCE_NS, Roster, find
from busproto.ops.moving.letting_go import holding_actuators
from busproto.ops.steps import Steps
from busproto.ops.survey import roster_actuators

_BEST: Final = next(iter(METHODS))
_METHODS_TEXT: Final = "\n".join(f"  {method.name:10}{method.text}" for method in METHODS.values())


def _list_methods(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or context.resilient_parsing:
        return
    if context.params.get("as_json"):
        rows = [
            {"name": method.name, "how": method.text, "cannot": method.cannot, "proves": not method.cannot}
            for method in METHODS.values()
        ]
        print_json({"methods": rows, "default": _BEST})
    else:
        from rich.table import Table

        table = Table("method", "how it works", "what it cannot do", box=None)
        for method in METHODS.values():
            table.add_row(method.name, method.text, method.cannot or "(it proves its list)")
        console().print(table)
    context.exit()


@click.command(
    epilog=f"""\b
Examples:
  busproto find --port /dev/ttyUSB0
  busproto find --port sim://tow-plane?seed=1 --json
  busproto find --port sim://bench-four?seed=1 --method tree-2
\b
Methods (all but {_BEST} are for teaching and comparison: their list is never proven):
{_METHODS_TEXT}
\b
JSON: "port", "method", "proven", "reason", "remaining_error", "actuators" (uid, address, clash),
"clashes" (address, uids), "unaddressed", "gone", "twins" (uids each), "wall"
(counts and times of the search, which differ from run to run on a real port),
"engaged" (address, state: those that are not limp; one look behind the search).
Exit code 3: not proven, or a clash.
\b
A list is proven for what can be known: an actuator without power, or that hears or
says nothing in all that time, is like none; compare with the plan. Where anything is
odd the proof takes 1 s and more, up to 20 s; what cannot be worked off is told."""
)
@port_options
@click.option("--expect", type=click.IntRange(1, 239), help="About how many there are; a help, never trusted.")
@click.option(
    "--wanted-error",
    type=FloatRange(0, 1, min_open=True, max_open=True),
    help="Go on proving until the chance that one is missing is at most this.",
)
@click.option("--seed", type=int, help="Draw epoch and salts from this seed, to repeat a run on a virtual bus.")
@click.option(
    "--method",
    "name",
    type=click.Choice(list(METHODS)),
    default=_BEST,
    show_default=True,
    help="How to find them; see Methods below.",
)
@click.option(
    "--list-methods",
    is_flag=True,
    expose_value=False,
    callback=_list_methods,
    help="Print every method, how it works and what it cannot do; needs no port.",
)
@click.option("--json", "as_json", is_flag=True, is_eager=True, help="Print the result as JSON, with stable keys.")
def command(
    port: PortOptions,
    expect: int | None,
    wanted_error: float | None,
    seed: int | None,
    name: str,
    as_json: bool,
) -> int:
    """Find every actuator, also several at one address, and prove that none is missing.

    Changes nothing and moves nothing.
    """
    rng = random.SystemRandom() if seed is None else random.Random(seed)
    steps: Steps[Roster]
    if name == _BEST:
        steps = find(expected=expect, rng=rng, wanted_error=wanted_error, patience_ns=PATIENCE_NS)
    elif expect is not None or wanted_error is not None:
        raise InputError(f"--expect and --wanted-error belong to the method {_BEST}; {name} knows neither")
    else:
        steps = METHODS[name].run(rng, port.baud)
    with open_link(port) as link:
        roster = link.run(steps)
        engaged = link.run(holding_actuators(roster_actuators(roster)))
    if as_json:
        print_json({"port": port.url, "method": name, **roster.as_json(), "engaged": engaged_json(engaged)})
    else:
        print_roster(roster)
        print_engaged(engaged)
        if name != _BEST:
            console().print(f"{name}: {roster.calls} queries in {roster.searching_ns / 1e6:.0f} ms on the line.")
    return 0 if roster.proven and not roster.clashes else exit_codes.NOT_AS_WANTED


def print_roster(roster: Roster) -> None:
    """A roster as a table, with what it means."""
    from rich.table import Table

    out = console()
    if roster.found:
        table = Table("address", "uid", "", box=None)
        for one in roster.found:
            note = ""
            if one.address in roster.clashes:
                note = f"[red]clash: {len(roster.clashes[one.address])} actuators share this address[/red]"
            elif address_value(one.address) is None:
                note = "[yellow]has no address yet[/yellow]"
            table.add_row(address_text(one.address), uid_text(one.uid), note)
        out.print(table)
    out.print(proof_text(roster))
    for uid in roster.gone:
        out.print(f"[yellow]{gone_text(uid)}[/yellow]")
    if roster.clashes or roster.unaddressed:
        out.print("Next: give each its own address: busproto address UID ADDRESS --port ...")


def proof_text(roster: Roster) -> str:
    """What the proof says, on one line, in the colour of how good that is."""
    from rich.markup import escape

    colour = "green" if roster.proven else "red"
    return f"[{colour}]{escape(roster.summary)}[/{colour}]"
