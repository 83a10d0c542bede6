"""``busproto demo``: the whole job once, over a real (pseudo) serial port."""

from __future__ import annotations

import contextlib
import json
import os
import random
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import click

from busproto.cautions import CAUTIONS, DISCLAIMER
from busproto.cli import exit_codes
from busproto.cli.common import (
    ProgressLine,
    address_text,
    address_value,
    clear_progress,
    code_of,
    console,
    json_option,
    print_json,
    print_let_go,
    uid_text,
)
from busproto.cli.look.find_command import proof_text
from busproto.errors import PortUnavailableError
from busproto.ops.addressing import assign_all, ordered_moves
from busproto.ops.discovery.address_proof import prove_addresses
from busproto.ops.discovery.search import Roster, find
from busproto.ops.holding import Held
from busproto.ops.link import Link
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.moving.motion import (
    LossResult,
    is_limp,
    report,
    stream,
    take_demand_away,
)
from busproto.ops.parameter_access import commit, describe, read_all, write
from busproto.ops.steps import Progress, Steps
from busproto.ops.survey import firmware_text
from busproto.transport import open_transport
from busproto.wire.messages import STATE_TEXTS, Description, Status
from busproto.wire.parameters import RawValue, parameter_named

if TYPE_CHECKING:
    from rich.console import Console

SCENARIO: Final = "tow-plane"
CENTRE_NS: Final = 3_000_000_000
LOSS_MARGIN_NS: Final = 1_500_000_000
LATENCY_NS: Final = 100_000_000
CENTRED_CDEG: Final = 30
START_PATIENCE_S: Final = 20


@dataclass(frozen=True, slots=True)
class Role:
    """Where one actuator belongs, by the scenario's map."""

    function: str
    uid: bytes
    address: int
    channel: int
    gang: int
    place: int


@dataclass(frozen=True, slots=True)
class Row:
    """What came of one actuator."""

    role: Role
    was_address: int
    description: Description
    settings: Mapping[str, RawValue]
    centred: Status
    loss: LossResult

    @property
    def wanted_action(self) -> str:
        """The loss action it is set to."""
        return parameter_named("loss-action").text(self.settings["loss-action"])

    @property
    def is_centred(self) -> bool:
        """Whether it stood where demand 0 puts it."""
        return not is_limp(self.centred) and abs(self.centred.position_cdeg - self.centred.demand_cdeg) <= CENTRED_CDEG

    @property
    def supply_fits(self) -> bool:
        """Whether the supply was within its rating."""
        return self.description.supply_min_mv <= self.centred.supply_mv <= self.description.supply_max_mv

    @property
    def is_good(self) -> bool:
        """Whether all of it is as it should be."""
        return self.is_centred and self.supply_fits and self.loss.action == self.wanted_action


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of the demo."""

    before: Roster
    after: Roster
    address_proof: str
    writes: int
    rows: Sequence[Row]
    wall_s: float
    let_go: LetGo

    @property
    def is_complete(self) -> bool:
        """Every actuator was found, alone at the planned address, centred, and lost the demand as set."""
        return (
            self.before.proven
            and self.after.proven
            and not self.address_proof
            and not self.after.clashes
            and all(self.after.address_of(row.role.uid) == row.role.address for row in self.rows)
            and len(self.rows) == len(self.after.found)
            and all(row.is_good for row in self.rows)
        )


@click.command(
    epilog="""\b
Examples:
  busproto demo
  busproto demo --seed 7 --json
\b
JSON: "as_planned", "scenario", "seed", "clashes" (address, uids), "unaddressed" (uids),
"address_write_count", "actuators" (function, uid, was_address, address, planned_address,
channel, gang_number, place, model, firmware, supply_v, supply_fits, centred_at_deg, centred,
loss_action_set, loss_action_seen, as_planned), "let_go", "cautions", "wall" (port, counts and times,
which differ from run to run).
Exit code 3: something is not as it should be."""
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**63 - 1),
    default=1,
    show_default=True,
    help="The same seed gives the same airframe and the same result.",
)
@json_option
def command(seed: int, as_json: bool) -> int:
    """Do the whole job once, on a virtual airframe behind a pseudo-terminal.

    A process of its own runs the bus; this one talks to it through the port like to any other: finds every actuator,
    shows the clashes, gives each the address and channel of the map by uid, reads back, centres, takes the demand
    away and shows what each did. Nothing real is connected, so nothing real moves.
    """
    out = None if as_json else console()
    with virtual_airframe(seed) as port, ProgressLine() as progress:
        outcome = do_the_job(port, seed, progress, out)
    if as_json:
        print_json(outcome_json(outcome, port, seed))
    return code_of(outcome.let_go, exit_codes.DONE if outcome.is_complete else exit_codes.NOT_AS_WANTED)


@contextlib.contextmanager
def virtual_airframe(seed: int) -> Iterator[str]:
    """A bus in a process of its own; gives the name of its port.

    Raises:
        PortUnavailableError: it did not start.
    """
    behind = ["--pty"] if hasattr(os, "openpty") else ["--tcp", "127.0.0.1:0"]
    arguments = [sys.executable, "-m", "busproto", "bus", "run", SCENARIO, *behind, "--seed", str(seed), "--json"]
    # it ends by itself, whatever becomes of us
    process = subprocess.Popen(
        [*arguments, "--for", "600"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=os.name == "posix",  # a Ctrl-C at the terminal is for us: its actuators are let go first
    )
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        try:
            port = str(json.loads(line)["port"])
        except (ValueError, KeyError) as error:
            raise PortUnavailableError(SCENARIO, "the virtual bus did not start") from error
        yield port
    finally:
        process.terminate()
        try:
            process.communicate(timeout=START_PATIENCE_S)
        except subprocess.TimeoutExpired:  # pragma: no cover - it listens to terminate
            process.kill()
            process.communicate()


def roles(seed: int) -> list[Role]:
    """The scenario's map, with the uids of this seed."""
    from busproto.sim.scene.scenario import load

    scenario = load(SCENARIO)
    uids = scenario.uids(seed)
    return [
        Role(row.function, uids[row.actuator], row.address, row.channel, row.gang, row.place) for row in scenario.wanted
    ]


def do_the_job(port: str, seed: int, progress: ProgressLine, out: Console | None) -> Outcome:
    """The job on a port. `out` is told of each part; None for silence."""
    rng = random.Random(seed)
    wanted = roles(seed)
    with Link(open_transport(port, latency_ns=LATENCY_NS), on_progress=progress.show) as link:
        began_ns = link.transport.now_ns()
        before = link.run(find(rng=rng))
        _tell_found(out, port, before)
        moves = ordered_moves(before, {role.uid: role.address for role in wanted})
        link.run(assign_all(moves))
        settings = link.run(_set_up(wanted))
        after = link.run(find(rng=rng))
        address_proof = link.run(prove_addresses({role.uid: role.address for role in wanted}, rng=rng))
        _tell_addressed(out, len(moves), after, address_proof)
        longest_ms = max(int(values["loss-time-out"]) for values, _ in settings.values())  # type: ignore[arg-type]
        steps = _centre_and_lose(wanted, longest_ms * 1_000_000 + LOSS_MARGIN_NS)
        loss = parameter_named("loss-action")
        actuators = [OnLine(at, one.uid, loss.text(values[loss.name])) for at, (values, one) in settings.items()]
        (centred, lost), seen = link.run(ending_limp(steps, actuators))
        took_s = (link.transport.now_ns() - began_ns) / 1e9
    rows = [
        Row(
            role,
            before.address_of(role.uid) or 0,
            settings[role.address][1],
            settings[role.address][0],
            centred[role.address],
            lost[role.address],
        )
        for role in wanted
    ]
    outcome = Outcome(before, after, address_proof, len(moves), rows, took_s, seen)
    _tell_result(out, outcome)
    return outcome


def _set_up(wanted: Sequence[Role]) -> Steps[dict[int, tuple[Held, Description]]]:
    """Set channel, gang and place, store them, read everything back."""
    found = {}
    for number, role in enumerate(wanted):
        yield Progress("setting up", number, len(wanted))
        description = yield from describe(role.address)
        yield from write(role.address, {"channel": role.channel, "gang": role.gang, "place": role.place})
        yield from commit(role.address, description=description)
        found[role.address] = ((yield from read_all(role.address)), description)
    yield Progress("setting up", len(wanted), len(wanted))
    return found


def _centre_and_lose(wanted: Sequence[Role], watch_ns: int) -> Steps[tuple[dict[int, Status], dict[int, LossResult]]]:
    """How each stood when it was centred, and what it did when the demand was taken away."""
    yield from stream({role.channel: 0.0 for role in wanted}, CENTRE_NS)
    centred = yield from _reports(wanted)
    return centred, (yield from take_demand_away([role.address for role in wanted], watch_ns))


def _reports(wanted: Sequence[Role]) -> Steps[dict[int, Status]]:
    """One report of each, with the demand kept up meanwhile."""
    reports = {}
    shares = {role.channel: 0.0 for role in wanted}
    for role in wanted:
        reports[role.address] = yield from report(role.address)
        yield from stream(shares, 0)
    return reports


def _tell_found(out: Console | None, port: str, before: Roster) -> None:
    if out is None:
        return
    clear_progress()
    out.print(f"[bold]1. What is on the line?[/bold]  (a virtual tow plane, at {port})")
    out.print("   " + proof_text(before))
    for address, uids in before.clashes.items():
        shared = ", ".join(uid.hex() for uid in uids)
        out.print(f"   [red]clash at address {address_text(address)}:[/red] {shared}")
    fresh = ", ".join(uid.hex() for uid in before.unaddressed)
    out.print(f"   [yellow]no address yet:[/yellow] {fresh}")


def _tell_addressed(out: Console | None, writes: int, after: Roster, address_proof: str) -> None:
    if out is None:
        return
    clear_progress()
    out.print(f"[bold]2. Each to its place,[/bold] by uid: {writes} addresses written and read back")
    out.print("   " + proof_text(after))
    if address_proof:
        out.print(f"   [red]addresses NOT PROVEN: {address_proof}[/red]")
    else:
        out.print("   [green]every one answers alone at the address of the map[/green]")
    out.print("[bold]3. Before anything moves[/bold] (here only virtual arms do):")
    for caution in CAUTIONS:
        out.print(f"   - {caution}")


def _tell_result(out: Console | None, outcome: Outcome) -> None:
    if out is None:
        return
    clear_progress()
    from rich.table import Table

    out.print("[bold]4. Centred, then the demand taken away[/bold]")
    table = Table("function", "uid", "was", "address", "ch", "centred at", "set to", "did", "after", box=None)
    for row in outcome.rows:
        did = STATE_TEXTS[row.loss.status.state].removeprefix("demand lost: ")
        colour = "green" if row.is_good else "red"
        table.add_row(
            row.role.function,
            row.role.uid.hex(),
            address_text(row.was_address).split(" ")[0],
            str(row.role.address),
            str(row.role.channel),
            f"{row.centred.position_cdeg / 100:+.2f} deg",
            row.wanted_action,
            f"[{colour}]{row.loss.action or did}[/{colour}]",
            f"{row.loss.after_ns / 1e9:.2f} s",
        )
    out.print(table)
    if outcome.is_complete:
        out.print(f"[green]All {len(outcome.rows)} as planned,[/green] in {outcome.wall_s:.1f} s.")
    else:
        out.print("[red]Not all is as planned.[/red]")
    print_let_go(outcome.let_go)
    out.print(DISCLAIMER)


def outcome_json(outcome: Outcome, port: str, seed: int) -> dict[str, Any]:
    """The outcome as data; the same seed gives the same but for "wall"."""
    return {
        "as_planned": outcome.is_complete,
        "scenario": SCENARIO,
        "seed": seed,
        "clashes": [
            {"address": address, "uids": [uid.hex() for uid in uids]}
            for address, uids in outcome.before.clashes.items()
        ],
        "unaddressed": [uid_text(uid) for uid in outcome.before.unaddressed],
        "address_write_count": outcome.writes,
        "actuators": [
            {
                "function": row.role.function,
                "uid": row.role.uid.hex(),
                "was_address": address_value(row.was_address),
                "address": outcome.after.address_of(row.role.uid),
                "planned_address": row.role.address,
                "channel": row.settings["channel"],
                "gang_number": row.settings["gang"],
                "place": row.settings["place"],
                "model": row.description.model,
                "firmware": firmware_text(row.description),
                "supply_v": row.centred.supply_mv / 1000,
                "supply_fits": row.supply_fits,
                "centred_at_deg": row.centred.position_cdeg / 100,
                "centred": row.is_centred,
                "loss_action_set": row.wanted_action,
                "loss_action_seen": row.loss.action,
                "as_planned": row.is_good,
            }
            for row in outcome.rows
        ],
        "let_go": outcome.let_go.as_json(),
        "cautions": [*CAUTIONS, DISCLAIMER],
        "wall": {
            "port": port,
            "duration_s": round(outcome.wall_s, 3),
            "searching_ms": round(outcome.before.searching_ns / 1e6, 3),
            "proving_ms": round(outcome.before.proving_ns / 1e6, 3),
            "roll_call_count": outcome.before.calls,
            "pass_count": outcome.before.passes,
            "losses_after_ms": {str(row.role.address): round(row.loss.after_ns / 1e6) for row in outcome.rows},
        },
    }
