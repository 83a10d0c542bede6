"""Flows that follow an airframe file: claim by hand, match a gang, take the signal away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final

from msgspec import Meta

from busproto.errors import InputError
from busproto.keeping import check_writable
from busproto.ops.letting_go import let_go
from busproto.ops.survey import Survey, crew_of, survey
from busproto.plan import claim as claims
from busproto.plan import claim_words
from busproto.plan.audit import Audit, audit
from busproto.plan.crew import harmed_of, meet, scratch_moves, unfit_of
from busproto.plan.gang_match import MATCH_ENDING, matches_of
from busproto.plan.hardware import harmed_by_supply
from busproto.plan.match import Figures, match
from busproto.plan.results import (
    TRIAL_ENDING,
    benches_to_try,
    check_result_place,
    gang_named,
    keep_match,
    members_to_match,
    table_sentences,
    trial_body,
    write_trial,
)
from busproto.plan.seating import load_seating, put_in_force, save_seating, seating_path
from busproto.plan.trial import PARTS, trial
from busproto.web.flows.bus_flows import NO, YES
from busproto.web.flows.desk import Desk, Fields, Kind, roster_lines
from busproto.web.orders import Text

CLAIM_ORDERS: Final[Mapping[str, claims.Order]] = {"undo": "undo", "skip": "skip", "end": "stop"}


# --- claim -----------------------------------------------------------------------------------------------------


class ClaimFields(Fields, frozen=True):
    """How it is done.

    `again`: anew; what was claimed before stays in force until all functions are. `patience`: skip a surface that
    nobody moves for so many s.
    """

    again: bool = False
    patience: Annotated[float, Meta(ge=1, le=86_400)] | None = None


def _claim(desk: Desk, wanted: ClaimFields) -> dict[str, Any]:
    plan = desk.plan
    draft = wanted.again and seating_path(plan).exists()
    seated = load_seating(plan, draft=draft)
    check_writable(seating_path(plan, draft=draft))
    found = desk.run(survey())
    harmed = harmed_by_supply(plan, seated, found)
    desk.tell(*(one.text for one in harmed))
    desk.meet(found)
    desk.tell(found.roster.summary, *roster_lines(found.roster))
    moves = scratch_moves(plan, found.roster)
    if moves:
        for move in moves:
            desk.tell(f"{move.uid.hex()}: scratch address {move.new}")
        question = (
            f"{len(moves)} actuators have no address of their own and cannot be watched. "
            "Give them these scratch addresses?"
        )
        if desk.ask(question, (YES, NO)) != YES:
            moves = []
            desk.tell(claim_words.NOT_GIVEN_TEXT)
    crew, known = desk.run(meet(found.roster, moves))
    told = {one.uid for one in harmed}
    desk.tell(*(one.text for uid, one in harmed_of(plan, seated, known).items() if uid not in told))
    if moves:
        desk.meet(desk.run(survey()))
    names = {member.uid: f"address {member.address}" for member in crew}

    def keep(seated: Mapping[str, bytes]) -> None:
        save_seating(plan, seated, draft=draft)
        desk.host.board.name(desk.host.functions())
        desk.host.tell_tiles()

    def decide() -> claims.Order | None:
        order = desk.next_order()
        return None if order is None else CLAIM_ORDERS[order]

    desk.order_words = tuple(CLAIM_ORDERS)
    desk.tell(claim_words.LIMP_TEXT)
    patience_ns = None if wanted.patience is None else round(wanted.patience * 1e9)
    ended = desk.run(
        claims.claim_by_hand(
            plan,
            crew,
            seated,
            decide=decide,
            tell=lambda told: desk.tell(*_claim_lines(told, names)),
            keep=keep,
            patience_ns=patience_ns,
        )
    )
    desk.tell(desk.run(let_go(desk.host.board.crew())).text)
    left = [function for function in plan.seats if function not in ended.seated]
    if draft and not left:
        earlier = put_in_force(plan)
        desk.tell(claim_words.earlier_line(None if earlier is None else earlier.name))
    elif draft:
        desk.tell("The claims before are in force still: 'again' goes on with those begun anew.")
    unfit = unfit_of(plan, ended.seated, known)
    for function, differences in unfit.items():
        desk.tell(claim_words.unfit_line(function, differences))
    desk.tell(f"{claim_words.count_text(plan, ended.seated)}." + _open_text(left))
    return {
        "seats": {function: uid.hex() for function, uid in ended.seated.items()},
        "open": left,
        "advice": list(ended.advice),
        **found.roster.as_json(),
    }


def _open_text(left: Sequence[str]) -> str:
    return f" Open: {', '.join(left)}." if left else ""


def _claim_lines(told: claims.Told, names: Mapping[bytes, str]) -> list[str]:
    if isinstance(told, claims.Asked):
        return [f"{told.at} of {told.of}. {claim_words.wanted_text(told.task)}"]
    if isinstance(told, claims.Claimed):
        lines = claim_words.claimed_lines(told, names.__getitem__)
        return [*lines, *(claim_words.advice_line(text) for text in told.advice)]
    return claim_words.other_lines(told, names.__getitem__)


# --- match -----------------------------------------------------------------------------------------------------


def _audited(desk: Desk) -> tuple[Survey, Audit]:
    seen = desk.run(survey())
    desk.meet(seen)
    return seen, audit(desk.plan, load_seating(desk.plan), seen, matches_of(desk.plan))


class MatchFields(Fields, frozen=True):
    """Which gang, and how finely."""

    gang: Text
    stations: Annotated[int, Meta(ge=12, le=101)] = 33
    looks: Annotated[int, Meta(ge=1, le=50)] = 3


def _match(desk: Desk, wanted: MatchFields) -> dict[str, Any]:
    plan = desk.plan
    gang = gang_named(plan, wanted.gang)
    seen, found = _audited(desk)
    benches = members_to_match(gang, found)
    check_result_place(plan, MATCH_ENDING)
    result = desk.run(match(benches, stations=wanted.stations, looks=wanted.looks, crew=crew_of(seen)))
    desk.tell(result.let_go.text)
    before, after = result.before, result.after
    if before is not None and after is not None:
        desk.tell(
            f"{benches[0].seat.function} leads. Greatest mismatch {before.worst_deg:.3f} -> {after.worst_deg:.3f} deg, "
            f"current of all at rest {before.idle_ma:.0f} -> {after.idle_ma:.0f} mA.",
        )
    desk.tell(
        *(f"Refused: {reason}." for reason in result.refused),
        *table_sentences(result),
    )
    body = keep_match(plan, gang, benches, result)
    desk.tell(
        f"Kept in {plan.beside(MATCH_ENDING).name}, for the card.",
    )
    desk.meet(desk.run(survey()))
    names = {bench.address: bench.seat.function for bench in benches}
    curves = None
    if before is not None and after is not None:
        curves = {"before": _curves(before, names), "after": _curves(after, names)}
    return {**body, "curves": curves}


def _curves(figures: Figures, names: Mapping[int, str]) -> dict[str, list[list[float]]]:
    return {
        names[address]: [[round(100 * share, 2), round(error, 4)] for share, error in points]
        for address, points in figures.curve.items()
    }


# --- the signal taken away ---------------------------------------------------------------------------------------


class TrialFields(Fields, frozen=True):
    """Which parts of the trial, and how far each is moved, in % of its travel."""

    parts: tuple[Text, ...] = ("loss",)
    throw: Annotated[float, Meta(ge=1, le=100)] = 25.0


def _trial(desk: Desk, wanted: TrialFields) -> dict[str, Any]:
    parts = [part for part in PARTS if part in wanted.parts]
    if not parts or set(wanted.parts) - set(PARTS):
        raise InputError(f"parts of a trial are: {', '.join(PARTS)}")
    seen, found = _audited(desk)
    benches, missing = benches_to_try(desk.plan, found, seen.roster)
    check_result_place(desk.plan, TRIAL_ENDING)
    if missing:
        desk.tell(f"Left out, not at the planned address: {', '.join(missing)}.")
    findings, seen_limp = desk.run(trial(benches, parts, wanted.throw / 100, crew=crew_of(seen)))
    desk.tell(seen_limp.text)
    body = trial_body(desk.plan, parts, benches, findings, missing, found.unmatched)
    for bench in benches:
        one = findings[bench.address]
        after = "" if one.loss_after_ms is None else " after {:.0f}..{:.0f} ms".format(*one.loss_after_ms)
        what = "" if one.loss_action is None else f"signal gone: {one.loss_action or 'nothing'}{after}; "
        desk.tell(f"{bench.seat.function}: {what}{'; '.join(one.faults) or 'as planned'}")
    did_all = not missing and not any(one.faults for one in findings.values())
    desk.tell("All did as planned." if did_all else "NOT all did as planned.")
    desk.tell(*(f"{gang}: {why}." for gang, why in found.unmatched.items()))
    body = write_trial(desk.plan, body)
    desk.tell(f"Kept in {desk.plan.beside(TRIAL_ENDING).name}, for the card.")
    return body


KINDS: Final = (
    Kind("claim", "Claim by hand: which actuator is which", ClaimFields, _claim, needs_plan=True),
    Kind("match", "Match a gang", MatchFields, _match, moves=True, needs_plan=True),
    Kind("trial", "Take the signal away", TrialFields, _trial, moves=True, needs_plan=True),
)
