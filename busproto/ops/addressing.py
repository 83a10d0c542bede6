"""Giving addresses, always by uid, and reading back.

An address is written only where no other actuator answers. A whole map is written in an order that never makes a new
clash. Where two actuators are to swap their addresses, one of them loses its address first; until it gets the new one
it stays limp and answers only to its uid.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from busproto.errors import AddressConflictError, InputError, ReadBackError, ReplyTimeoutError
from busproto.ops.discovery.search import Roster
from busproto.ops.steps import Done, Moved, Progress, Steps
from busproto.ops.transact import transact, transact_by, uids_at
from busproto.session.exchange import Ask, Expect
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, MIN_ADDRESS, UID_BYTES, UNADDRESSED
from busproto.wire.messages import ZERO_UID, Assign, Assigned, Describe, Description
from busproto.wire.timing import MAX_TURNAROUND_NS, START_JITTER_NS, STORE_NS


@dataclass(frozen=True, slots=True)
class Move:
    """One actuator's way to its address.

    Attributes:
        uid: 8 bytes.
        old: address before, 240 (F0h) for none.
        new: address wanted, 1..239, or 240 to take it away.
    """

    uid: bytes
    old: int
    new: int


def parse_uid(text: str) -> bytes:
    """A uid as it is printed: 16 hexadecimal digits.

    Raises:
        InputError: anything else, or all zero, which is no actuator's uid.
    """
    compact = text.strip().lower().replace("-", "").replace(":", "")
    try:
        uid = bytes.fromhex(compact)
    except ValueError:
        uid = b""
    if len(uid) != UID_BYTES or len(compact) != 2 * UID_BYTES or uid == ZERO_UID:
        raise InputError(f"uid '{text}': 16 digits 0-9 a-f are wanted, as 'busproto find' prints them, not all zero")
    return uid


def parse_address(text: str) -> int:
    """An actuator's address as a person types it: 1..239, or hexadecimal with 0x.

    Raises:
        InputError: anything else.
    """
    try:
        address = int(text.strip(), 0)
    except ValueError:
        address = 0
    if not MIN_ADDRESS <= address <= MAX_ADDRESS:
        raise InputError(f"address '{text}': {MIN_ADDRESS}..{MAX_ADDRESS} are wanted (0x01..0x{MAX_ADDRESS:02X})")
    return address


def assign(uid: bytes, address: int, *, rng: random.Random | None = None) -> Steps[Description | None]:
    """Give the actuator with this uid an address, then read back that it answers there.

    Args:
        uid: 8 bytes, as discovery reported it.
        address: 1..239, or 240 (F0h) to take its address away.

    Returns:
        The actuator's description, read at the new address; None where its address was taken away.

    Raises:
        AddressConflictError: another actuator answers there. Nothing was written.
        ReplyTimeoutError: no reply. The actuator may have the new address: run `find` before anything else.
        ReadBackError: another uid answers at the address.
    """
    yield from require_free(uid, address, rng=rng)
    return (yield from write_address(uid, address))


def require_free(uid: bytes, address: int, *, rng: random.Random | None = None) -> Steps[None]:
    """Raises AddressConflictError where an actuator other than this one answers at an address."""
    if address != UNADDRESSED:
        there = yield from uids_at(address, rng=rng)
        others = [other for other in there if other != uid]
        if others:
            raise AddressConflictError(address, others)


def write_address(uid: bytes, address: int) -> Steps[Description | None]:
    """Write an address and read it back. Does not look whether another actuator has it; `assign` does.

    Args, returns and errors: as `assign`, but for AddressConflictError before the write.
    """
    ask = Ask(
        Assign(uid, address),
        BROADCAST_ADDRESS,
        Expect.ONE,
        source=address,
        window_ns=MAX_TURNAROUND_NS + START_JITTER_NS + STORE_NS,
    )
    try:
        reply = yield from transact_by(ask, Assigned, what=f"assign address {address}")
    except ReplyTimeoutError as error:
        raise ReplyTimeoutError(
            address, f"assign address {address}", error.attempts, error.heard_bytes, uid=uid
        ) from error
    if reply != Assigned(uid, address):
        raise ReadBackError(address, "address", f"{address} for {uid.hex()}", f"{reply.address} from {reply.uid.hex()}")
    yield Moved(uid)
    if address == UNADDRESSED:
        yield Done(f"{uid.hex()} has no address any more")
        return None
    yield Done(f"{uid.hex()} has address {address}")
    description = yield from transact(Describe(), address, Description, listen_out=True, what="reading the uid back")
    if description.uid != uid:
        raise ReadBackError(address, "address", uid.hex(), description.uid.hex())
    return description


def ordered_moves(roster: Roster, wanted: Mapping[bytes, int]) -> list[Move]:
    """The writes that bring every uid in `wanted` to its address, in an order that never makes a new clash.

    Args:
        roster: the uids on the line and their addresses now.
        wanted: address of each uid, all different, 1..239.

    Returns:
        The moves. A uid is in two of them where it must wait without an address until the wanted one becomes free.

    Raises:
        InputError: an address is wanted twice, a uid is not on the line, or an actuator that is not in `wanted`
            occupies a wanted address.
    """
    at = {one.uid: one.address for one in roster.found}
    _check_wanted(at, wanted)
    waiting = {uid: address for uid, address in wanted.items() if at[uid] != address}
    moves: list[Move] = []
    while waiting:
        free = next((uid for uid, new in waiting.items() if not _others_at(at, new, uid)), None)
        if free is None:  # a circle of wanted addresses: one actuator of it gives up its address first
            parked = next(uid for uid in waiting if at[uid] != UNADDRESSED)
            moves.append(Move(parked, at[parked], UNADDRESSED))
            at[parked] = UNADDRESSED
            continue
        new = waiting.pop(free)
        moves.append(Move(free, at[free], new))
        at[free] = new
    return moves


def _others_at(at: Mapping[bytes, int], address: int, uid: bytes) -> list[bytes]:
    return [other for other, where in at.items() if where == address and other != uid]


def _check_wanted(at: Mapping[bytes, int], wanted: Mapping[bytes, int]) -> None:
    by_address: dict[int, bytes] = {}
    for uid, address in wanted.items():
        if not MIN_ADDRESS <= address <= MAX_ADDRESS:
            raise InputError(f"address {address} for {uid.hex()}: {MIN_ADDRESS}..{MAX_ADDRESS} are wanted")
        if address in by_address:
            raise InputError(f"address {address} is wanted for {by_address[address].hex()} and for {uid.hex()}")
        by_address[address] = uid
        if uid not in at:
            raise InputError(f"{uid.hex()} is not on the line; is it plugged in and powered?")
    for uid, where in at.items():
        if uid not in wanted and where in by_address:
            raise InputError(
                f"address {where} is wanted for {by_address[where].hex()}, but {uid.hex()} stands there and is not "
                "in the plan: give it another address first"
            )


def assign_all(moves: Iterable[Move]) -> Steps[int]:
    """Write the moves of `ordered_moves` one after another, each read back. Returns how many were written.

    Raises:
        as `assign`; what was written until then stays.
    """
    moves = list(moves)
    for number, move in enumerate(moves):
        yield Progress("giving addresses", number, len(moves))
        yield from write_address(move.uid, move.new)
    yield Progress("giving addresses", len(moves), len(moves))
    return len(moves)
