"""Flows that need no airframe: find, addresses, settings, and two that show how the line works."""

from __future__ import annotations

from typing import Any, Final

from busproto.errors import InputError
from busproto.ops.addressing import assign_all, ordered_moves
from busproto.ops.discovery.search import PATIENCE_NS, find
from busproto.ops.moving.motion import is_limp, report
from busproto.ops.moving.nudge import nudge
from busproto.ops.parameter_access import commit, undo, write
from busproto.ops.steps import exchange
from busproto.ops.survey import read_snapshot, survey
from busproto.session.exchange import Ask
from busproto.web.flows.desk import Desk, Fields, Kind, Nothing, roster_lines
from busproto.web.orders import Address, Text, Uid
from busproto.wire.frame import MAX_ADDRESS, UNADDRESSED
from busproto.wire.messages import Describe, Memory
from busproto.wire.parameters import parameter_named

UNDO_TO: Final = {"stored": Memory.STORED, "factory": Memory.FACTORY}
YES, NO = "yes", "no"


def _find(desk: Desk, wanted: Nothing) -> dict[str, Any]:
    found = desk.run(survey())
    desk.show_found(found)
    desk.tell(found.roster.summary, *roster_lines(found.roster))
    desk.tell(*(f"Address {address} could not be read: {why}" for address, why in found.problems.items()))
    return {"proof": found.roster.summary, **found.roster.as_json()}


class AddressFields(Fields, frozen=True):
    """Addresses to give, each by the uid of its actuator."""

    moves: dict[Uid, Address]


def _address(desk: Desk, wanted: AddressFields) -> dict[str, Any]:
    return _readdress(desk, {bytes.fromhex(uid): address for uid, address in wanted.moves.items()})


class NumberFields(Fields, frozen=True):
    """The least address to be given."""

    first: Address = 1


def _number(desk: Desk, wanted: NumberFields) -> dict[str, Any]:
    """Each actuator that has no address of its own gets a free one, in the order of uid."""
    roster = desk.run(find(patience_ns=PATIENCE_NS))
    needy = set(roster.unaddressed) | {uid for uids in roster.clashes.values() for uid in uids}
    used = {one.address for one in roster.found}
    free = [address for address in range(wanted.first, MAX_ADDRESS + 1) if address not in used]
    if len(free) < len(needy):
        raise InputError(
            f"{len(needy)} actuators need an address, but from {wanted.first} on only {len(free)} are free"
        )
    return _readdress(desk, dict(zip(sorted(needy), free, strict=False)))


def _readdress(desk: Desk, wanted: dict[bytes, int]) -> dict[str, Any]:
    roster = desk.run(find(patience_ns=PATIENCE_NS))
    moves = ordered_moves(roster, wanted)
    if not moves:
        desk.tell("Each actuator has that address already.")
        return {"moves": 0}
    for move in moves:
        was, new = ("none" if at == UNADDRESSED else str(at) for at in (move.old, move.new))
        desk.tell(f"{move.uid.hex()}: address {was} -> {new}")
    question = f"Write {len(moves)} addresses? They last, also over a restart."
    if desk.ask(question, (YES, NO)) != YES:
        desk.tell("Nothing was written.")
        return {"moves": 0}
    desk.run(assign_all(moves))
    desk.show_found(desk.run(survey()))
    desk.tell(f"{len(moves)} addresses written and read back.")
    return {"moves": len(moves)}


class SettingFields(Fields, frozen=True):
    """Values as a person types them, by name of the setting."""

    address: Address
    changes: dict[Text, Text] = {}  # noqa: RUF012 - msgspec copies it
    store: bool = False


def _set(desk: Desk, wanted: SettingFields) -> dict[str, Any]:
    raw = {name: parameter_named(name).from_text(text) for name, text in wanted.changes.items()}
    if any(parameter_named(name).moves for name in raw):
        _require_limp_or_armed(desk, wanted.address)
    changed = desk.run(write(wanted.address, raw))
    for name, (was, now) in changed.items():
        row = parameter_named(name)
        desk.tell(f"Address {wanted.address}: {name} {row.text(was)} -> {row.text(now)}, read back.")
    for name in raw:
        if name not in changed:
            desk.tell(f"Address {wanted.address}: {name} is {parameter_named(name).text(raw[name])} already.")
    if wanted.store:
        generation = desk.run(commit(wanted.address))
        desk.tell(f"Stored and read back; it is write number {generation} of this actuator.")
    elif changed:
        desk.tell("In working memory only: a restart forgets it, unless it is stored.")
    _read_again(desk, wanted.address)
    return {"setting_names": list(changed), "stored": wanted.store}


class UndoFields(Fields, frozen=True):
    """The memory to go back to."""

    address: Address
    to: Text = "stored"


def _undo(desk: Desk, wanted: UndoFields) -> dict[str, Any]:
    if wanted.to not in UNDO_TO:
        raise InputError(f"'{wanted.to}': {' or '.join(UNDO_TO)} is wanted")
    _require_limp_or_armed(desk, wanted.address)
    desk.run(undo(wanted.address, UNDO_TO[wanted.to]))
    desk.tell(f"Address {wanted.address}: working settings are as {'stored' if wanted.to == 'stored' else 'factory'}.")
    _read_again(desk, wanted.address)
    return {"undone": wanted.to}


def _require_limp_or_armed(desk: Desk, address: int) -> None:
    """Refuse where an engaged arm could move: some settings shift its target."""
    if not desk.host.is_armed and not is_limp(desk.run(report(address))):
        raise InputError(f"the actuator at address {address} is engaged and would move: arm first, or let it go limp")


def _read_again(desk: Desk, address: int) -> None:
    desk.host.board.read(desk.run(read_snapshot(address)))
    desk.host.tell_tiles()


class OneFields(Fields, frozen=True):
    """The address of the actuator."""

    address: Address


def _nudge(desk: Desk, wanted: OneFields) -> dict[str, Any]:
    swung = desk.run(nudge(wanted.address))
    desk.tell(f"Address {wanted.address} {swung.text}.")
    return {"swing_deg": swung.swing_deg, "moved": swung.was_seen}


def _together(desk: Desk, wanted: OneFields) -> dict[str, Any]:
    """Ask what is at an address: where it is shared, all actuators there answer at the same moment."""
    heard = desk.host.run_into_clashes(exchange(Ask.one(Describe(), wanted.address, listen_out=True)))
    count = len(heard.replies)
    answers = "1 answer" if count == 1 else f"{count} answers"
    desk.tell(
        f"Asked address {wanted.address} what it is: {answers} could be read, {heard.unread_bytes} bytes could not.",
        "The line log shows which actuator drove what; an overlap opens as a waveform.",
    )
    return {"reply_count": count, "unread_byte_count": heard.unread_bytes}


KINDS: Final = (
    Kind("find", "Find actuators", Nothing, _find),
    Kind("address", "Give addresses", AddressFields, _address),
    Kind("number", "Give free addresses", NumberFields, _number),
    Kind("set", "Change settings", SettingFields, _set),
    Kind("undo", "Undo settings", UndoFields, _undo),
    Kind("nudge", "Let an actuator swing a little", OneFields, _nudge, moves=True),
    Kind("together", "Ask all at one address", OneFields, _together),
)
