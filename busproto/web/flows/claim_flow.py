"""The flow that learns which actuator is which function: the operator moves each surface by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final

from msgspec import Meta

from busproto.atomic_files import check_writable
from busproto.ops.addressing import Move
from busproto.ops.moving.hand_movement import Member
from busproto.ops.moving.letting_go import let_go
from busproto.ops.survey import survey
from busproto.plan import claim_words
from busproto.plan.actuators import Known, harmed_of, meet, scratch_moves, unfit_of
from busproto.plan.airframe import claim as claims
from busproto.plan.assignment import assignment_path, load_assignment, put_in_force, save_assignment
from busproto.plan.hardware import harmed_by_supply
from busproto.web.flows.bus_flows import NO, YES
from busproto.web.flows.desk import Desk, Fields, Kind, roster_lines

CLAIM_ORDERS: Final[Mapping[str, claims.Order]] = {"undo": "undo", "skip": "skip", "end": "stop"}


class ClaimFields(Fields, frozen=True):
    """Options of the claim.

    `again`: anew; what was claimed before stays in force until all functions are. `patience`: skip a surface that
    was not moved for so many s.
    """

    again: bool = False
    patience: Annotated[float, Meta(ge=1, le=86_400)] | None = None


def _claim(desk: Desk, wanted: ClaimFields) -> dict[str, Any]:
    plan = desk.plan
    draft = wanted.again and assignment_path(plan).exists()
    assigned = load_assignment(plan, draft=draft)
    check_writable(assignment_path(plan, draft=draft))
    found = desk.run(survey())
    harmed = harmed_by_supply(plan, assigned, found)
    desk.tell(*(one.text for one in harmed))
    desk.show_found(found)
    desk.tell(found.roster.summary, *roster_lines(found.roster))
    moves = _agreed(desk, scratch_moves(plan, found.roster))
    actuators, known = desk.run(meet(found.roster, moves))
    told = {one.uid for one in harmed}
    desk.tell(*(one.text for uid, one in harmed_of(plan, assigned, known).items() if uid not in told))
    if moves:
        desk.show_found(desk.run(survey()))
    ended = _by_hand(desk, wanted, actuators, assigned, draft=draft)
    desk.tell(desk.run(let_go(desk.host.board.actuators())).text)
    left = [function for function in plan.roles if function not in ended.assigned]
    _tell_end(desk, ended.assigned, known, left, draft=draft)
    return {
        "functions": [{"function": function, "uid": uid.hex()} for function, uid in ended.assigned.items()],
        "open": left,
        "advice": list(ended.advice),
        **found.roster.as_json(),
    }


def _agreed(desk: Desk, moves: list[Move]) -> list[Move]:
    """The scratch addresses that the operator agrees to: all of them or none."""
    if not moves:
        return []
    desk.tell(*(f"{move.uid.hex()}: scratch address {move.new}" for move in moves))
    which = "1 actuator has" if len(moves) == 1 else f"{len(moves)} actuators have"
    if (
        desk.ask(f"{which} no address of their own and cannot be watched. Give these scratch addresses?", (YES, NO))
        == YES
    ):
        return moves
    desk.tell(claim_words.NOT_GIVEN_TEXT)
    return []


def _by_hand(
    desk: Desk, wanted: ClaimFields, actuators: Sequence[Member], assigned: Mapping[str, bytes], *, draft: bool
) -> claims.Ended:
    names = {member.uid: f"address {member.address}" for member in actuators}

    def keep(assigned: Mapping[str, bytes]) -> None:
        save_assignment(desk.plan, assigned, draft=draft)
        desk.host.board.name(desk.host.functions())
        desk.host.tell_tiles()

    def decide() -> claims.Order | None:
        order = desk.next_order()
        return None if order is None else CLAIM_ORDERS[order]

    desk.order_words = tuple(CLAIM_ORDERS)
    desk.tell(claim_words.LIMP_TEXT)
    return desk.run(
        claims.claim_by_hand(
            desk.plan,
            actuators,
            assigned,
            decide=decide,
            tell=lambda told: desk.tell(*_lines(told, names)),
            keep=keep,
            patience_ns=None if wanted.patience is None else round(wanted.patience * 1e9),
        )
    )


def _lines(told: claims.Told, names: Mapping[bytes, str]) -> list[str]:
    if isinstance(told, claims.Asked):
        return [f"{told.at} of {told.of}. {claim_words.wanted_text(told.task)}"]
    if isinstance(told, claims.Claimed):
        lines = claim_words.claimed_lines(told, names.__getitem__)
        return [*lines, *(claim_words.advice_line(text) for text in told.advice)]
    return claim_words.other_lines(told, names.__getitem__)


def _tell_end(
    desk: Desk, assigned: Mapping[str, bytes], known: Mapping[bytes, Known], left: Sequence[str], *, draft: bool
) -> None:
    """Report the claimed functions and those left, once all are limp; `left`: functions without an actuator."""
    if draft and not left:
        earlier = put_in_force(desk.plan)
        desk.tell(claim_words.earlier_line(None if earlier is None else earlier.name))
    elif draft:
        desk.tell("The claims before are in force still: 'again' goes on with those begun anew.")
    for function, differences in unfit_of(desk.plan, assigned, known).items():
        desk.tell(claim_words.unfit_line(function, differences))
    open_text = f" Open: {', '.join(left)}." if left else ""
    desk.tell(f"{claim_words.count_text(desk.plan, assigned)}.{open_text}")


KINDS: Final = (Kind("claim", "Claim by hand: which actuator is which", ClaimFields, _claim, needs_plan=True),)
