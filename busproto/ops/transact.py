"""One request, one answer: retries, refusals, and telling a clash from noise."""

from __future__ import annotations

import random
from typing import Final, TypeVar

from busproto.errors import (
    AddressConflictError,
    DecodeError,
    InputError,
    NodeRefusedError,
    ReplyTimeoutError,
)
from busproto.ops.steps import Clash, Steps, exchange
from busproto.session.exchange import Ask, Expect, Heard, Verdict
from busproto.wire.codec import message_of
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS, MIN_ADDRESS, UNADDRESSED, Frame
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.messages import OUTCOME_TEXTS, Called, Matched, Present, Refused, RollCall
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS

ATTEMPTS: Final = 4
PRESENT_BYTES: Final = 24
QUIET_SLOTS: Final = 16
UIDS_AT_SLOTS: Final = 16
UIDS_AT_CALLS: Final = 3

M = TypeVar("M", bound=Message)


def window(message: RollCall, destination: int = BROADCAST_ADDRESS, ahead: tuple[Message, ...] = ()) -> Ask:
    """The exchange for a roll call: listen for its window, and one more mini-slot for each answer."""
    return Ask(
        message,
        destination,
        Expect.WINDOW,
        window_ns=FIRST_SLOT_NS + (message.slots + 2) * MINI_SLOT_NS,
        idle_ns_per_byte=MINI_SLOT_NS // PRESENT_BYTES + 1,
        quiet_ns=QUIET_SLOTS * MINI_SLOT_NS,
        ahead=ahead,
    )


def uids_at(address: int, *, rng: random.Random | None = None) -> Steps[tuple[bytes, ...]]:
    """The uids of all actuators that answer at one address: tells a clash from noise.

    Sends several calls to that address only, each with its own epoch and salt. Not a proof: see `find`.
    """
    rng = rng or random.SystemRandom()
    uids: set[bytes] = set()
    for _ in range(UIDS_AT_CALLS):
        call = RollCall(rng.randrange(0x10000), rng.randrange(0x100), UIDS_AT_SLOTS, ())
        heard = yield from exchange(window(call, address))
        uids |= {uid for frame in heard.replies if (uid := uid_of(frame)) is not None}
    if len(uids) > 1:  # no answer, or one, proves nothing
        yield Clash(address, tuple(sorted(uids)))
    return tuple(sorted(uids))


def uid_of(frame: Frame) -> bytes | None:
    """The uid in a reply that carries one (roll call, match); None for any other frame."""
    try:
        message = message_of(frame)
    except DecodeError:
        return None
    return message.uid if isinstance(message, Present | Matched | Called) else None


def transact(
    message: Message,
    address: int,
    reply: type[M],
    *,
    attempts: int = ATTEMPTS,
    listen_out: bool = False,
    slow: bool = False,
    what: str = "",
) -> Steps[M]:
    """Ask one actuator and return its reply.

    Args:
        message: the request; asking twice must do the same as asking once.
        address: 1..239.
        reply: the class of the reply.
        attempts: 1..; how often to ask before giving up.
        listen_out: listen to the end of the reply window, so that a second actuator at the address shows.
        slow: the actuator writes stored memory before it answers.
        what: the purpose in the user's words, for errors; the operation's name where empty.

    Raises:
        InputError: the address is no whole number 1..240; nothing was sent.
        NodeRefusedError: the actuator refused; it changed nothing.
        AddressConflictError: several actuators answer there.
        ReplyTimeoutError: no good reply. The request may have been carried out all the same.
    """
    if type(address) is not int or not MIN_ADDRESS <= address <= UNADDRESSED:
        raise InputError(f"address {address!r}: a whole number {MIN_ADDRESS}..{MAX_ADDRESS} is wanted")
    return (yield from transact_by(Ask.one(message, address, listen_out=listen_out, slow=slow), reply, attempts, what))


def transact_by(ask: Ask, reply: type[M], attempts: int = ATTEMPTS, what: str = "") -> Steps[M]:
    """As `transact`, with the exchange as given (a reply from another address, for example)."""
    what = what or OPERATIONS[ask.message.OPERATION].name
    address = ask.destination if ask.source is None else ask.source
    heard_bytes = 0
    for _ in range(attempts):
        heard = yield from exchange(ask)
        if len(heard.tags) > 1:
            yield from _conflict(address)
        if heard.verdict is Verdict.CROWDED and ask.listen_out:
            uids = yield from uids_at(address)
            if len(uids) > 1:
                raise AddressConflictError(address, uids)
        answer = _answer(heard, reply)
        if isinstance(answer, reply):
            return answer
        if isinstance(answer, Refused):
            limits = (answer.low, answer.high) if answer.low or answer.high else (None, None)
            allowed = f" (raw {answer.low}..{answer.high})" if limits != (None, None) else ""
            raise NodeRefusedError(address, what, int(answer.code), OUTCOME_TEXTS[answer.code] + allowed, *limits)
        heard_bytes += len(heard.strays)
    if heard_bytes and ask.destination != BROADCAST_ADDRESS:
        uids = yield from uids_at(address)
        if len(uids) > 1:
            raise AddressConflictError(address, uids)
    raise ReplyTimeoutError(address, what, attempts, heard_bytes)


def _conflict(address: int) -> Steps[None]:
    uids = yield from uids_at(address)
    raise AddressConflictError(address, uids)


def _answer(heard: Heard, reply: type[M]) -> M | Refused | None:
    for frame in heard.replies:
        try:
            message = message_of(frame)
        except DecodeError:
            continue
        if isinstance(message, reply | Refused):
            return message
    return None
