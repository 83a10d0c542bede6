"""``busproto claim``."""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from busproto.cli import exit_codes
from busproto.cli.common import (
    FloatRange,
    NotCleared,
    PortOptions,
    address_text,
    address_value,
    clear_option,
    clear_progress,
    console,
    json_option,
    open_link,
    port_options,
    print_json,
    require_clearance,
    uid_text,
)
from busproto.cli.find_command import proof_text
from busproto.cli.keys import typed_lines
from busproto.errors import InputError, PortClosedError
from busproto.ops.addressing import Move
from busproto.ops.discovery import Roster, find
from busproto.ops.link import Link
from busproto.ops.nudge import Nudged, nudge
from busproto.ops.parameter_access import describe
from busproto.ops.who_moved import CLEAR_DEG, Held, Member, Restless, Silent, Verdict
from busproto.plan import claim as claims
from busproto.plan.load import Plan, load
from busproto.plan.seating import ENDING, load_seating, save_seating

F = TypeVar("F", bound=Callable[..., Any])
PATIENCE_S: Final = 30.0
"""How long to wait for a hand where nobody sits at a terminal, unless told otherwise."""
KEYS: Final[Mapping[str, claims.Order]] = {"u": "undo", "s": "skip", "q": "stop"}
KEYS_TEXT: Final = "Keys: u Enter takes the last claim back, s Enter skips a surface, q Enter ends."
ANSWERS: Final = {"a": claims.Answer.AGAIN, "n": claims.Answer.NONE, "u": claims.Answer.UNDO, "q": claims.Answer.STOP}
LIMP_TEXT: Final = "All go limp now and stay so: support what would fall. Move surfaces gently, with your hands only."


def _port_may_be_left_out(function: F) -> F:
    """--exchange works on the file alone; everything else asks for --port itself."""
    for param in getattr(function, "__click_params__", []):
        if param.name == "port_url":
            param.required = False
    return function


@click.command(
    epilog=f"""\b
Examples:
  busproto claim tow.toml --port /dev/ttyUSB0
  busproto claim tow.toml --patience 60 --yes-addresses --json --port /dev/ttyUSB0
  busproto claim tow.toml --by-nudge --port /dev/ttyUSB0
  busproto claim tow.toml --nudge "rudder, upper" --port /dev/ttyUSB0
  busproto claim tow.toml --exchange "rudder, upper" "rudder, lower"
\b
{KEYS_TEXT}
What was claimed is kept beside the airframe file, in NAME.{ENDING}; an interrupted
command is run again and goes on. Planned addresses and settings are not written.
\b
JSON: "airframe", "seats" (function, uid, address, planned_address, model, on_line),
"open" (functions), "unclaimed" (uid, address, model), "silent" (uids), "scratch"
(uid, old, address), "unwatched" (uids without an address of their own), "advice",
"stopped", "complete" (the list is proven; null with --exchange). With --nudge:
"function", "uid", "address", "swing_deg", "peak_current_ma", "moved".
Exit code 3: a function is open, or its actuator is not on the line; with --nudge:
it did not move. Exit code 4: no agreement to moving, or to scratch addresses."""
)
@click.argument("airframe", type=click.Path(path_type=Path))
@click.option("--by-nudge", is_flag=True, help="The other way round: each swings a little, you say which it was.")
@click.option(
    "--nudge", "nudged", metavar="WHO", help="Let one swing a little and no more: its function, address or uid."
)
@click.option(
    "--exchange", nargs=2, default=None, metavar="FUNCTION FUNCTION", help="Exchange two claims; needs no port."
)
@click.option("--forget", multiple=True, metavar="FUNCTION", help="Drop this claim first; may be said several times.")
@click.option("--again", is_flag=True, help="Start anew: what was claimed before does not count.")
@click.option(
    "--patience",
    "patience_s",
    type=FloatRange(0.1, 86_400),
    help=f"Skip a surface that nobody moves for so many s (default: {PATIENCE_S:g}, at a terminal never).",
)
@click.option(
    "--least-deg",
    type=FloatRange(1, 45),
    default=CLEAR_DEG,
    show_default=True,
    help="The least movement of an arm that counts, deg.",
)
@click.option(
    "--yes-addresses",
    is_flag=True,
    help="Give scratch addresses to those who have none of their own without asking; they last.",
)
@clear_option
@_port_may_be_left_out
@port_options
@json_option
def command(
    airframe: Path,
    by_nudge: bool,
    nudged: str | None,
    exchange: tuple[str, str] | None,
    forget: tuple[str, ...],
    again: bool,
    patience_s: float | None,
    least_deg: float,
    yes_addresses: bool,
    clear: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Learn which actuator is which function of AIRFRAME, with nothing unplugged: move each surface by hand.

    All go limp and nothing is driven, unless --by-nudge or --nudge says so.
    """
    ways = [by_nudge, nudged is not None, exchange is not None]
    if sum(ways) > 1:
        raise click.UsageError("only one of --by-nudge, --nudge, --exchange", click.get_current_context())
    if exchange is None and not port.url:
        raise click.UsageError("Missing option '--port'", click.get_current_context())
    plan = load(airframe)
    seated = {} if again else load_seating(plan)
    for function in forget:
        plan.seat(function)
        seated.pop(function, None)
    if forget:
        save_seating(plan, seated)
    if exchange is not None:
        return _exchange(plan, seated, exchange, as_json)
    if nudged is not None:
        return _nudge(plan, seated, nudged, clear, port, as_json)
    if by_nudge and not sys.stdin.isatty():
        raise InputError("--by-nudge asks which surface it was, and nobody is there to answer")
    return _claim(plan, seated, _Wish(by_nudge, patience_s, least_deg, yes_addresses, clear), port, as_json)


@dataclass(frozen=True, slots=True)
class _Wish:
    by_nudge: bool
    patience_s: float | None
    least_deg: float
    yes_addresses: bool
    clear: bool


def _claim(plan: Plan, seated: dict[str, bytes], wish: _Wish, port: PortOptions, as_json: bool) -> int:
    try:
        with open_link(port) as link:
            roster = link.run(find())
            clear_progress()
            for warning in _warnings(plan, roster):
                click.echo(warning, err=True)
            moves = _agreed(claims.scratch_moves(plan, roster), roster, wish.yes_addresses)
            crew = link.run(claims.meet(roster, moves))
            talk = _Talk(plan, crew, dict(seated))
            talk.begin()
            ended = _by_nudge(link, talk, wish) if wish.by_nudge else _by_hand(link, talk, wish)
    except (KeyboardInterrupt, click.Abort, PortClosedError) as error:
        error.add_note(f"what was claimed is kept in '{plan.beside(ENDING)}'; run the command again to go on")
        raise
    outcome = _Outcome(plan, ended.seated, crew, roster, tuple(moves), ended)
    if as_json:
        print_json(outcome.json())
    else:
        outcome.print(port)
    return exit_codes.DONE if outcome.is_whole else exit_codes.NOT_AS_WANTED


# --- before ----------------------------------------------------------------------------------------------------


def _warnings(plan: Plan, roster: Roster) -> list[str]:
    texts = []
    if not roster.proven:
        texts.append(f"The list of actuators is not proven complete: {roster.reason}. Going on with those found.")
    for uid in roster.twins:
        texts.append(f"Several actuators seem to have the uid {uid_text(uid)}: they cannot be told apart here.")
    if len(roster.found) < len(plan.seats):
        texts.append(f"{len(roster.found)} actuators are on the line, {len(plan.seats)} functions want one.")
    return texts


def _agreed(moves: list[Move], roster: Roster, yes: bool) -> list[Move]:
    """The scratch addresses that may be written: all, or none where the person says no.

    Raises:
        NotCleared: there is nobody to ask, or nobody is left who could be watched.
    """
    if not moves:
        return moves
    noun = "actuator has" if len(moves) == 1 else "actuators have"
    click.echo(
        f"{len(moves)} {noun} no address of their own, so nobody can ask where the arm stands. Each would be given\n"
        "a scratch address that the plan does not use; it lasts until 'busproto apply' or 'busproto address':",
        err=True,
    )
    for move in moves:
        was = "had none" if address_value(move.old) is None else f"shared {move.old}"
        click.echo(f"  {uid_text(move.uid)}  {was:12} -> {move.new}", err=True)
    if yes:
        return moves
    if not sys.stdin.isatty():
        raise NotCleared(
            "nobody is there to agree to scratch addresses (--yes-addresses agrees beforehand)", "nothing was written"
        )
    with contextlib.redirect_stdout(sys.stderr):  # some versions of click let a blank of the question go to stdout
        question = "Give these addresses? [y/N]"
        if click.confirm(question, default=False, show_default=False, prompt_suffix=" ", err=True):
            return moves
    if len(moves) == len(roster.found):
        raise NotCleared("without addresses there is nobody to watch", "nothing was written")
    click.echo("Not given: these cannot be watched.", err=True)
    return []


# --- the two ways ----------------------------------------------------------------------------------------------


def _by_hand(link: Link, talk: _Talk, wish: _Wish) -> claims.Ended:
    typed = typed_lines()
    is_watched = sys.stdin.isatty()
    patience_s = wish.patience_s if wish.patience_s is not None else (None if is_watched else PATIENCE_S)
    click.echo(LIMP_TEXT, err=True)
    if typed is not None:
        click.echo(KEYS_TEXT, err=True)
    return link.run(
        claims.claim_by_hand(
            talk.plan,
            talk.crew,
            talk.seated,
            decide=Keys(typed).decide,
            tell=talk.tell,
            keep=talk.keep,
            patience_ns=None if patience_s is None else round(patience_s * 1e9),
            clear_deg=wish.least_deg,
        )
    )


def _by_nudge(link: Link, talk: _Talk, wish: _Wish) -> claims.Ended:
    require_clearance(wish.clear, "letting each actuator swing by a few degrees, one after another")
    try:
        return link.run(
            claims.claim_by_nudge(talk.plan, talk.crew, talk.seated, choose=talk.choose, tell=talk.tell, keep=talk.keep)
        )
    except PortClosedError as error:
        error.add_note("the one that was swinging could not be told to go limp: take its supply away")
        raise


def _nudge(plan: Plan, seated: Mapping[str, bytes], who: str, clear: bool, port: PortOptions, as_json: bool) -> int:
    uid, address = claims.whom(plan, seated, who)
    with open_link(port) as link:
        if address is None:
            address = claims.own_address(link.run(find()), uid)
        uid = link.run(describe(address)).uid
        function = next((name for name, seat_uid in seated.items() if seat_uid == uid), None)
        who_text = f"address {address}" + (f" ({function})" if function else "")
        require_clearance(clear, f"letting the actuator at {who_text} swing by a few degrees")
        try:
            nudged = link.run(nudge(address))
        except PortClosedError as error:
            error.add_note("it could not be told to go limp: take its supply away")
            raise
    if as_json:
        print_json(
            {
                "function": function,
                "uid": uid_text(uid),
                "address": address,
                "swing_deg": nudged.swing_deg,
                "peak_current_ma": nudged.peak_current_ma,
                "moved": nudged.was_seen,
            }
        )
    else:
        click.echo(f"{who_text}, uid {uid_text(uid)}: {_swing_text(nudged)}; now limp")
    return exit_codes.DONE if nudged.was_seen else exit_codes.NOT_AS_WANTED


def _swing_text(nudged: Nudged) -> str:
    if nudged.was_seen:
        return f"swung {nudged.swing_deg:.1f} deg, peak {nudged.peak_current_ma} mA"
    return f"was told to swing but did NOT move ({nudged.swing_deg:.2f} deg): blocked, or no drive"


def _exchange(plan: Plan, seated: Mapping[str, bytes], pair: tuple[str, str], as_json: bool) -> int:
    seated = claims.exchange_seats(plan, seated, *pair)
    save_seating(plan, seated)
    outcome = _Outcome(plan, seated)
    if as_json:
        print_json(outcome.json())
    else:
        for function in pair:
            click.echo(f"{function}: {uid_text(seated[function]) if function in seated else 'open'}")
    return exit_codes.DONE if outcome.is_whole else exit_codes.NOT_AS_WANTED


# --- what is typed and said ------------------------------------------------------------------------------------


class Keys:
    """Lines typed at a terminal, as orders."""

    def __init__(self, typed: Callable[[], str | None] | None) -> None:
        self._typed = typed
        self._pending = ""

    def decide(self) -> claims.Order | None:
        """The next order; never waits. The end of the input means stop."""
        text = self._typed() if self._typed is not None else ""
        if text is None:
            return "stop"
        self._pending += text
        line, newline, rest = self._pending.partition("\n")
        if not newline:
            return None
        self._pending = rest
        order = KEYS.get(line.strip().lower())
        if order is None:
            click.echo(KEYS_TEXT, err=True)
        return order


@dataclass
class _Talk:
    """Says on stderr what happens, and keeps what is claimed."""

    plan: Plan
    crew: Sequence[Member]
    seated: dict[str, bytes]
    at: dict[bytes, int] = field(init=False)

    def __post_init__(self) -> None:
        self.at = {member.uid: member.address for member in self.crew}

    def begin(self) -> None:
        """What is claimed already."""
        clear_progress()
        if self.seated:
            done = f"{len(self.seated)} of {len(self.plan.seats)}"
            click.echo(f"{done} functions are claimed already; going on (--again starts anew).", err=True)
        for function, uid in self.seated.items():
            if uid not in self.at:
                forget = _command(self.plan, "--forget", function)
                click.echo(f"  {function}: {uid_text(uid)} cannot be asked now; if it was replaced: {forget}", err=True)

    def keep(self, seated: Mapping[str, bytes]) -> None:
        self.seated = dict(seated)
        save_seating(self.plan, seated)

    def name(self, uid: bytes) -> str:
        function = next((name for name, one in self.seated.items() if one == uid), None)
        return f"'{function}' (already claimed)" if function else f"{uid_text(uid)} (address {self.at.get(uid, '?')})"

    def names(self, uids: Sequence[bytes]) -> str:
        return " and ".join(self.name(uid) for uid in uids)

    def tell(self, told: claims.Told) -> None:
        clear_progress()
        for line in _SAID[type(told)](self, told):
            click.echo(line, err=True)

    def choose(self, member: Member, nudged: Nudged, functions: tuple[str, ...]) -> str | claims.Answer:
        """Ask which one it was."""
        clear_progress()
        click.echo(f"Address {member.address}, {uid_text(member.uid)}: {_swing_text(nudged)}.", err=True)
        for number, function in enumerate(functions, 1):
            click.echo(f"  {number:2} {function}", err=True)
        while True:
            with contextlib.redirect_stdout(sys.stderr):
                question = "Which one was it? Its number; a again, n none of these, u undo, q stop"
                answer = str(click.prompt(question, prompt_suffix=": ", err=True)).strip().lower()
            if answer in ANSWERS:
                return ANSWERS[answer]
            if answer.isdecimal() and 1 <= int(answer) <= len(functions):
                return functions[int(answer) - 1]
            click.echo(f"'{answer}' is none of these: 1..{len(functions)}, a, n, u, q.", err=True)


def _say_asked(talk: _Talk, told: claims.Asked) -> list[str]:
    task = told.task
    how = [f"{len(task.members)} actuators"] if len(task.members) > 1 else []
    how += [task.positive] if task.positive else []
    how += ["to the side to which a positive demand is to take it"] if task.needs_side else []
    return [f"[{told.at}/{told.of}] Move by hand: {task.name}" + (f" ({'; '.join(how)})" if how else "")]


def _say_claimed(talk: _Talk, told: claims.Claimed) -> list[str]:
    by_deg = {one.uid: one.by_deg for one in told.moved}
    lines = [f"  {function}: {uid_text(uid)}, moved {by_deg[uid]:+.1f} deg" for function, uid in told.uids.items()]
    if told.by_order:
        lines.append("  Nothing tells these apart: they are taken in the order of uid.")
    if told.task.needs_side:
        lines.append("  Told apart by the sides to which they turned, as if a positive demand had taken it there.")
    if told.by_order or told.task.needs_side:
        pair = (told.by_order or tuple(told.uids))[:2]
        lines.append(f"  To exchange two: {_command(talk.plan, '--exchange', *pair)}")
    return [*lines, *(f"  LOOK: {text}" for text in told.advice)]


def _command(plan: Plan, *words: str) -> str:
    return shlex.join(["busproto", "claim", str(plan.path), *words])


def _say_not_claimed(talk: _Talk, told: claims.NotClaimed) -> list[str]:
    task, moved = told.task, told.judgement.moved
    who = talk.names(told.judgement.uids)
    farthest = f"{abs(moved[0].by_deg):.1f} deg"
    alone = "alone" if len(task.functions) == 1 else "and nothing else"
    texts = {
        Verdict.TAKEN: f"That is {who}. Wanted is: {task.name}.",
        Verdict.SEVERAL: f"These moved alike: {who}. Once more, please: {task.name} {alone}.",
        Verdict.FEW: f"Only {len(moved)} of {len(task.functions)} moved: {who}.\n  Once more, please, and farther. "
        "Skip it where they are not linked to the surface yet: --by-nudge claims those.",
        Verdict.SMALL: f"{who} moved by {farthest} only, which does not count: farther, please, if it is {task.name}.",
        Verdict.SHORT: f"{who} moved by {farthest}, but for a moment only: more slowly, please.",
    }
    return [f"  {texts[told.judgement.verdict]}"]


_SAID: Final[Mapping[type, Callable[[_Talk, Any], list[str]]]] = {
    claims.Asked: _say_asked,
    claims.Claimed: _say_claimed,
    claims.NotClaimed: _say_not_claimed,
    claims.BackAgain: lambda talk, told: [
        f"  {talk.names(told.uids)} only went back to where it was: once more, please."
    ],
    Restless: lambda talk, told: [f"  {talk.names(told.uids)} keeps moving: let it rest, so that it counts."],
    Held: lambda talk, told: [f"  {talk.name(told.uid)} was not limp; it was told so again."],
    Silent: lambda talk, told: [f"  {talk.name(told.uid)} does not answer; the others go on."],
    claims.Undone: lambda talk, told: [
        f"  Open again: {', '.join(told.functions)}" if told.functions else "  Nothing was claimed in this run."
    ],
    claims.Skipped: lambda talk, told: [
        f"  {'Nobody moved it' if told.is_late else 'Skipped'}: {told.task.name} stays open."
    ],
    claims.CannotSwing: lambda talk, told: [f"  {uid_text(told.member.uid)}: {told.why}"],
}


# --- after -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Outcome:
    """What is known at the end, for the table and for JSON."""

    plan: Plan
    seated: Mapping[str, bytes]
    crew: Sequence[Member] = ()
    roster: Roster | None = None
    scratch: tuple[Move, ...] = ()
    ended: claims.Ended | None = None

    @property
    def open(self) -> list[str]:
        return [function for function in self.plan.seats if function not in self.seated]

    @property
    def absent(self) -> list[str]:
        """Functions whose actuator cannot be asked; none where nobody looked."""
        at = {member.uid for member in self.crew}
        return [] if self.roster is None else [name for name, uid in self.seated.items() if uid not in at]

    @property
    def is_whole(self) -> bool:
        return not self.open and not self.absent

    @property
    def unclaimed(self) -> list[Member]:
        return [member for member in self.crew if member.uid not in self.seated.values()]

    @property
    def unwatched(self) -> list[bytes]:
        """Those on the line without an address of their own."""
        at = {member.uid for member in self.crew}
        return [] if self.roster is None else [one.uid for one in self.roster.found if one.uid not in at]

    def json(self) -> dict[str, Any]:
        members = {member.uid: member for member in self.crew}
        seats = []
        for function, seat in self.plan.seats.items():
            uid = self.seated.get(function)
            member = None if uid is None else members.get(uid)
            seats.append(
                {
                    "function": function,
                    "uid": None if uid is None else uid_text(uid),
                    "address": None if member is None else member.address,
                    "planned_address": seat.address,
                    "model": None if member is None else member.model or None,
                    "on_line": None if self.roster is None or uid is None else member is not None,
                }
            )
        return {
            "airframe": self.plan.title,
            "seats": seats,
            "open": self.open,
            "unclaimed": [
                {"uid": uid_text(one.uid), "address": one.address, "model": one.model or None} for one in self.unclaimed
            ],
            "silent": [uid_text(uid) for uid in self.ended.silent] if self.ended else [],
            "scratch": [
                {"uid": uid_text(move.uid), "old": address_value(move.old), "address": move.new}
                for move in self.scratch
            ],
            "unwatched": [uid_text(uid) for uid in self.unwatched],
            "advice": list(self.ended.advice) if self.ended else [],
            "stopped": self.ended.is_stopped if self.ended else False,
            "complete": self.roster.proven if self.roster else None,
        }

    def print(self, port: PortOptions) -> None:
        from rich.markup import escape
        from rich.table import Table

        assert self.roster is not None
        assert self.ended is not None
        members = {member.uid: member for member in self.crew}
        out = console()
        table = Table("function", "uid", "address now", "planned", "model", box=None)
        for function, seat in self.plan.seats.items():
            uid = self.seated.get(function)
            member = None if uid is None else members.get(uid)
            now = "[red]not there[/red]" if member is None else address_text(member.address)
            table.add_row(
                escape(function),
                "[yellow]open[/yellow]" if uid is None else uid_text(uid),
                "" if uid is None else now,
                address_text(seat.address),
                escape(member.model) if member is not None else "",
            )
        out.print(table)
        for line in self._remarks(port):
            out.print(line, soft_wrap=True)

    def _remarks(self, port: PortOptions) -> Iterator[str]:
        from rich.markup import escape

        assert self.roster is not None
        assert self.ended is not None
        for one in self.unclaimed:
            yield f"Not claimed: {uid_text(one.uid)}, address {address_text(one.address)}, {escape(one.model)}"
        for uid in self.unwatched:
            yield f"[yellow]Not watched, as it has no address of its own: {uid_text(uid)}[/yellow]"
        yield from (f"[red]Silent at the end: {uid_text(uid)}[/red]" for uid in self.ended.silent)
        yield from (f"[yellow]{escape(text)}[/yellow]" for text in self.ended.advice)
        if not self.roster.proven:
            yield proof_text(self.roster)
        rest = [str(self.plan.path), "--port", port.url]
        if self.is_whole:
            kept = escape(str(self.plan.beside(ENDING)))
            yield f"[green]All {len(self.plan.seats)} functions are claimed[/green], kept in {kept}."
            yield from (escape(f"Next: {shlex.join(['busproto', word, *rest])}") for word in ("audit", "apply"))
        else:
            left = [f"'{one}'" for one in self.open] + [f"'{one}' (its actuator is not there)" for one in self.absent]
            yield escape(f"Open: {', '.join(left)}")
            yield escape(f"To go on: {_command(self.plan, '--port', port.url)}")
