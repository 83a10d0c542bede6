"""``busproto claim``."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import click

from busproto.atomic_files import check_writable, kept, now_text
from busproto.cli import exit_codes
from busproto.cli.change.applying import tell_harm
from busproto.cli.change.claim_outcome import Outcome
from busproto.cli.change.claim_talk import KEYS_TEXT, PATIENCE_S, Keys, Talk
from busproto.cli.common import (
    FloatRange,
    NotCleared,
    PortOptions,
    address_value,
    clear_option,
    code_of,
    json_option,
    open_link,
    port_options,
    print_json,
    print_let_go,
    require_clearance,
    uid_text,
)
from busproto.cli.keys import typed_lines
from busproto.cli.looking import Looker, looking_options
from busproto.errors import InputError, PortClosedError
from busproto.ops.addressing import Move
from busproto.ops.discovery.roster import twin_text
from busproto.ops.discovery.search import PATIENCE_NS, Roster, find
from busproto.ops.link import Link
from busproto.ops.moving.hand_movement import CLEAR_DEG
from busproto.ops.moving.letting_go import LetGo, OnLine, ending_limp
from busproto.ops.moving.motion import report
from busproto.ops.moving.nudge import nudge
from busproto.ops.parameter_access import describe
from busproto.ops.steps import Steps
from busproto.ops.survey import roster_actuators
from busproto.plan import claim_words
from busproto.plan.actuators import (
    alone_at,
    ask_what_they_are,
    harmed_of,
    meet,
    named_actuator,
    own_address,
    scratch_moves,
)
from busproto.plan.airframe import claim as claims
from busproto.plan.airframe.results import TRIAL_ENDING, check_result_place, keep_directions
from busproto.plan.assignment import ENDING, assignment_path, load_assignment, put_in_force, save_assignment
from busproto.plan.hardware import Harmed, harm_of
from busproto.plan.load import Plan, load
from busproto.plan.trials.direction import Tried, not_tried, surfaces_of, try_directions

F = TypeVar("F", bound=Callable[..., Any])


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
  busproto claim tow.toml --directions --seen-by "A. Pilot" --port /dev/ttyUSB0
\b
{KEYS_TEXT}
What was claimed is kept beside the airframe file, in NAME.{ENDING}; an interrupted
command is run again and goes on. Planned addresses and settings are not written.
With --again the earlier claims stay in force until the new ones are whole; they are
then kept as NAME.assignment.1.json, .2.json and so on.
\b
JSON: "harmed" (actuators that the pack or the supply harms, as 'audit' gives it), "airframe",
"functions" (function, uid, address, planned_address, model, on_line),
"open" (functions), "unclaimed" (uid, address, model), "silent" (uids), "scratch"
(uid, was_address, address), "unwatched" (uids without an address of their own), "advice",
"stopped", "proven" and "reason" (of the list; null with --exchange), "unfit" (model,
firmware, rating or supply not as planned: function, name, found, planned),
"directions" (function, positive, direction, way, reason, turned_deg, seen_by, date),
"in_force", "kept" (the claims before, or null). With --nudge:
"function", "uid", "address", "swing_deg", "peak_current_ma", "moved".
Exit code 3: a function is open, or its actuator is not on the line, or not the
hardware of the plan, or a surface went the other way or was not seen; with --nudge:
it did not move. Exit code 4: no agreement to moving, or to scratch addresses."""
)
@click.argument("airframe", type=click.Path(path_type=Path))
@click.option("--by-nudge", is_flag=True, help="The other way round: each swings a little, you say which it was.")
@click.option(
    "--nudge", "nudged", metavar="ACTUATOR", help="Let one swing a little and no more: its function, address or uid."
)
@click.option(
    "--exchange", nargs=2, default=None, metavar="FUNCTION FUNCTION", help="Exchange two claims; needs no port."
)
@click.option("--forget", multiple=True, metavar="FUNCTION", help="Drop this claim first; may be said several times.")
@click.option("--again", is_flag=True, help="Start anew, or go on with that; what was claimed before stays in force.")
@click.option(
    "--put-in-force", "use_draft", is_flag=True, help="Let what --again has so far take its place; needs no port."
)
@click.option(
    "--directions", is_flag=True, help="Then let each surface swing once, to see that it goes where the plan has it."
)
@looking_options
@click.option(
    "--patience",
    "patience_s",
    type=FloatRange(0.1, 86_400),
    help=f"Skip a surface that is not moved for so many s (default: {PATIENCE_S:g}, at a terminal never).",
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
    help="Give scratch addresses, without asking, to actuators that have none of their own; they are stored.",
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
    use_draft: bool,
    directions: bool,
    went: tuple[tuple[str, str], ...],
    seen_by: str | None,
    patience_s: float | None,
    least_deg: float,
    yes_addresses: bool,
    clear: bool,
    port: PortOptions,
    as_json: bool,
) -> int:
    """Learn which actuator is which function of AIRFRAME, with nothing unplugged: move each surface by hand.

    All go limp and nothing is driven, unless --by-nudge, --nudge or --directions says so. Actuators that the
    pack or the supply harms are named first.
    """
    ways = [by_nudge, nudged is not None, exchange is not None, use_draft]
    if sum(ways) > 1:
        text = "only one of --by-nudge, --nudge, --exchange, --put-in-force"
        raise click.UsageError(text, click.get_current_context())
    if exchange is None and not use_draft and not port.url:
        raise click.UsageError("Missing option '--port'", click.get_current_context())
    if by_nudge and not sys.stdin.isatty():
        raise InputError("--by-nudge asks which surface it was, and that needs a terminal")
    if (went or seen_by is not None) and not directions:
        raise InputError("--went and --seen-by belong to --directions: say that too")
    plan = load(airframe)
    looker = Looker(plan, went, seen_by) if directions else None
    if use_draft:
        return _put_in_force(plan, as_json)
    draft = again and assignment_path(plan).exists()
    assigned = load_assignment(plan, draft=draft)
    check_writable(assignment_path(plan, draft=draft))
    if directions:
        check_result_place(plan, TRIAL_ENDING)
    for function in forget:
        plan.role(function)
        assigned.pop(function, None)
    if forget:
        save_assignment(plan, assigned, draft=draft)
    if exchange is not None:
        return _exchange(plan, assigned, exchange, draft, as_json)
    if nudged is not None:
        return _nudge(plan, assigned, nudged, clear, port, as_json)
    wish = _Wish(by_nudge, patience_s, least_deg, yes_addresses, clear, draft, looker)
    return _claim(plan, assigned, wish, port, as_json)


@dataclass(frozen=True, slots=True)
class _Wish:
    by_nudge: bool
    patience_s: float | None
    least_deg: float
    yes_addresses: bool
    clear: bool
    draft: bool
    looker: Looker | None


def _claim(plan: Plan, assigned: dict[str, bytes], wish: _Wish, port: PortOptions, as_json: bool) -> int:
    talk = Talk(plan, dict(assigned), wish.draft)
    try:
        with open_link(port) as link:
            roster = link.run(find(patience_ns=PATIENCE_NS))
            known = link.run(ask_what_they_are(alone_at(roster)))
            harmed = harmed_of(plan, assigned, known)
            tell_harm(tuple(harmed.values()))
            for warning in _warnings(plan, roster):
                click.echo(warning, err=True)
            moves = scratch_moves(plan, roster)
            if wish.by_nudge:  # before anything is written: a no has changed nothing then
                require_clearance(wish.clear, "letting each actuator swing by a few degrees, one after another")
            moves = _agreed(moves, roster, wish.yes_addresses)
            actuators, known = link.run(meet(roster, moves, known))
            later = {uid: one for uid, one in harmed_of(plan, assigned, known).items() if uid not in harmed}
            tell_harm(tuple(later.values()))
            talk.begin(actuators, known)
            line = _actuators_of(roster, moves)
            steps = _by_nudge(talk, {**harmed, **later}) if wish.by_nudge else _by_hand(talk, wish)
            ended, limp = link.run(ending_limp(steps, line))
            tried, limp = ([], limp) if wish.looker is None else _directions(link, talk, wish, line, limp)
    except (KeyboardInterrupt, click.Abort, PortClosedError) as error:
        error.add_note(talk.kept_text)
        raise
    is_kept = not talk.unkept or kept(lambda: save_assignment(plan, ended.assigned, draft=wish.draft)) is not None
    earlier, draft = None, assignment_path(plan, draft=True)
    if wish.draft and is_kept and all(function in ended.assigned for function in plan.roles):
        earlier = kept(lambda: put_in_force(plan))
    outcome = Outcome(
        plan,
        ended.assigned,
        actuators,
        roster,
        tuple(moves),
        ended,
        known,
        tried,
        is_draft=wish.draft and draft.exists(),
        is_kept=is_kept,
        earlier=earlier,
    )
    if as_json:
        print_json({**outcome.json(), "let_go": limp.as_json()})
    else:
        outcome.print(port)
        print_let_go(limp)
    return code_of(limp, exit_codes.DONE if outcome.is_as_wanted else exit_codes.NOT_AS_WANTED)


def _actuators_of(roster: Roster, moves: Sequence[Move]) -> list[OnLine]:
    """All actuators on the line, at the addresses that they have when the scratch addresses were given."""
    now_at = {move.uid: move.new for move in moves}
    return [replace(one, address=now_at.get(one.uid, one.address)) for one in roster_actuators(roster)]


def _directions(link: Link, talk: Talk, wish: _Wish, line: list[OnLine], limp: LetGo) -> tuple[list[Tried], LetGo]:
    """Try each surface whose actuators are claimed, alone at an address, and not harmed by the supply."""
    assert wish.looker is not None
    barred = harmed_of(talk.plan, talk.assigned, talk.known)
    there = {
        function: (uid, talk.at[uid]) for function, uid in talk.assigned.items() if uid in talk.at and uid not in barred
    }
    surfaces = surfaces_of(talk.plan, there)
    if not surfaces:
        click.echo("No surface is claimed of which the plan says where a positive demand takes it.", err=True)
        return [], limp
    try:
        require_clearance(wish.clear, "letting each surface swing once to its positive side, by a few degrees")
    except NotCleared as error:
        click.echo(f"Directions are not tried: {error.why}.", err=True)
        return [one for surface in surfaces for one in not_tried(surface, error.why, now_text())], limp
    keep: Callable[[Sequence[Tried]], object] = lambda tried: kept(lambda: keep_directions(talk.plan, tried))  # noqa: E731
    return link.run(ending_limp(try_directions(surfaces, wish.looker, now_text, keep), line))


def _put_in_force(plan: Plan, as_json: bool) -> int:
    earlier = put_in_force(plan)
    outcome = Outcome(plan, load_assignment(plan), earlier=earlier)
    if as_json:
        print_json(outcome.json())
    else:
        before = "" if earlier is None else f"; the claims before are kept in {earlier}"
        click.echo(f"{claim_words.count_text(plan, outcome.assigned)}{before}")
    return exit_codes.DONE if outcome.is_whole else exit_codes.NOT_AS_WANTED


# --- before ----------------------------------------------------------------------------------------------------


def _warnings(plan: Plan, roster: Roster) -> list[str]:
    texts = []
    if not roster.proven:
        texts.append(f"The list of actuators is not proven complete: {roster.reason}. Going on with those found.")
    texts += [twin_text(uid) for uid in roster.twins]
    if len(roster.found) < len(plan.roles):
        texts.append(f"{len(roster.found)} actuators are on the line, {len(plan.roles)} functions want one.")
    return texts


def _agreed(moves: list[Move], roster: Roster, yes: bool) -> list[Move]:
    """The scratch addresses that may be written: all, or none where the person says no.

    Raises:
        NotCleared: there is no terminal to ask at, or no actuator is left that could be watched.
    """
    if not moves:
        return moves
    noun = "actuator has" if len(moves) == 1 else "actuators have"
    click.echo(
        f"{len(moves)} {noun} no address of their own, so their arms cannot be read. Each would be given\n"
        "a scratch address that the plan does not use; it lasts until 'busproto apply' or 'busproto address'. Before\n"
        "that it cannot be read what they are:",
        err=True,
    )
    for move in moves:
        was = "had none" if address_value(move.old) is None else f"shared {move.old}"
        click.echo(f"  {uid_text(move.uid)}  {was:12} -> {move.new}", err=True)
    if yes:
        return moves
    if not sys.stdin.isatty():
        raise NotCleared(
            "scratch addresses cannot be agreed to without a terminal (--yes-addresses agrees beforehand)",
            "nothing was written",
        )
    with contextlib.redirect_stdout(sys.stderr):  # some versions of click let a blank of the question go to stdout
        question = "Give these addresses? [y/N]"
        if click.confirm(question, default=False, show_default=False, prompt_suffix=" ", err=True):
            return moves
    if len(moves) == len(roster.found):
        raise NotCleared("without addresses there is no actuator to watch", "nothing was written")
    click.echo(claim_words.NOT_GIVEN_TEXT, err=True)
    return []


# --- the two ways ----------------------------------------------------------------------------------------------


def _by_hand(talk: Talk, wish: _Wish) -> Steps[claims.Ended]:
    typed = typed_lines()
    is_watched = sys.stdin.isatty()
    patience_s = wish.patience_s if wish.patience_s is not None else (None if is_watched else PATIENCE_S)
    click.echo(claim_words.LIMP_TEXT, err=True)
    if typed is not None:
        click.echo(KEYS_TEXT, err=True)
    return claims.claim_by_hand(
        talk.plan,
        talk.actuators,
        talk.assigned,
        decide=Keys(typed).decide,
        tell=talk.tell,
        keep=talk.keep,
        patience_ns=None if patience_s is None else round(patience_s * 1e9),
        clear_deg=wish.least_deg,
    )


def _by_nudge(talk: Talk, harmed: Mapping[bytes, Harmed]) -> Steps[claims.Ended]:
    barred = {uid: f"it is not moved: {one.text}" for uid, one in harmed.items()}
    return claims.claim_by_nudge(
        talk.plan, talk.actuators, talk.assigned, choose=talk.choose, tell=talk.tell, keep=talk.keep, barred=barred
    )


def _nudge(plan: Plan, assigned: Mapping[str, bytes], which: str, clear: bool, port: PortOptions, as_json: bool) -> int:
    uid, address = named_actuator(plan, assigned, which)
    with open_link(port) as link:
        if address is None:
            address = own_address(link.run(find()), uid)
        description = link.run(describe(address))
        uid = description.uid
        function = next((name for name, role_uid in assigned.items() if role_uid == uid), None)
        harmed = harm_of(plan, description, address, link.run(report(address)).supply_mv, function or "")
        if harmed is not None:
            raise InputError(f"{harmed.text} Nothing was moved")
        subject_text = f"address {address}" + (f" ({function})" if function else "")
        require_clearance(clear, f"letting the actuator at {subject_text} swing by a few degrees")
        nudged = link.run(nudge(address))
    if as_json:
        print_json(
            {
                "function": function,
                "uid": uid_text(uid),
                "address": address,
                "swing_deg": nudged.swing_deg,
                "peak_current_ma": nudged.peak_current_ma,
                "moved": nudged.was_seen,
                "let_go": nudged.let_go.as_json(),
            }
        )
    else:
        click.echo(f"{subject_text}, uid {uid_text(uid)}: {nudged.text}. {nudged.let_go.text}")
    return code_of(nudged.let_go, exit_codes.DONE if nudged.was_seen else exit_codes.NOT_AS_WANTED)


def _exchange(plan: Plan, assigned: Mapping[str, bytes], pair: tuple[str, str], draft: bool, as_json: bool) -> int:
    assigned = claims.exchange_roles(plan, assigned, *pair)
    save_assignment(plan, assigned, draft=draft)
    outcome = Outcome(plan, assigned, is_draft=draft)
    if as_json:
        print_json(outcome.json())
    else:
        for function in pair:
            click.echo(f"{function}: {uid_text(assigned[function]) if function in assigned else 'open'}")
    return exit_codes.DONE if outcome.is_whole else exit_codes.NOT_AS_WANTED


# --- what is typed and said ------------------------------------------------------------------------------------
