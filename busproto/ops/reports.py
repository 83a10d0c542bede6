"""Report rounds: every actuator in a row of addresses reports in turn its position and the state of its drive.

Changes nothing and moves nothing, unless demands go out with a round.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from busproto.errors import DecodeError
from busproto.ops.steps import Steps, exchange
from busproto.session.exchange import Ask, Expect
from busproto.wire.codec import encode_frame, message_of, reply_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, MAX_ADDRESS
from busproto.wire.messages import BriefStatus, ReportRound, State
from busproto.wire.timing import FIRST_SLOT_NS, ORDERED_SLOT_NS

BRIEF_BYTES: Final = len(
    encode_frame(reply_frame(BriefStatus(State.LIMP, 0, 0), request_frame(ReportRound(1, 1, ()), 1, 0), 1, 0))
)
"""Bytes of one answer in a report round."""
MAX_GAP: Final = 4
"""This many addresses may be unused between two of a row that report in one round; each costs a slot."""
MAX_ROW: Final = 64
"""Most addresses in one round. In longer rows clocks drift apart by the end (see `busproto.wire.timing`)."""
SCAN_ROW: Final = 32
"""Addresses asked in one round of a scan: with no actuator at any of them the line is idle for less than 2 ms."""
SCAN_PASSES: Final = 3
"""How many times all addresses are asked if nothing is known."""


def state_word(state: State) -> str:
    """A state as a word, such as "lost-hold"."""
    return state.name.lower().replace("_", "-")


@dataclass(frozen=True, slots=True)
class Brief:
    """One answer in a round.

    Attributes:
        address: 1..239, of the sender.
        tag: 0..65535, made from its uid; distinguishes two actuators at one address.
        status: position, state and faults that it reported.
    """

    address: int
    tag: int
    status: BriefStatus


def brief_reports(first: int, count: int, demands: tuple[int, ...] = ()) -> Steps[tuple[Brief, ...]]:
    """Every good answer of one round, in the order received; also several from one address.

    Args:
        first: 1..239.
        count: 1..239 addresses from `first` on.
        demands: raw demands that are sent with it, in the order of the channels; none to demand nothing.
    """
    ask = Ask(
        ReportRound(first, count, demands),
        BROADCAST_ADDRESS,
        Expect.WINDOW,
        window_ns=FIRST_SLOT_NS + (count + 1) * ORDERED_SLOT_NS,
        idle_ns_per_byte=2 * ORDERED_SLOT_NS // BRIEF_BYTES + 1,
    )
    heard = yield from exchange(ask)
    reports = []
    for frame in heard.replies:
        try:
            message = message_of(frame)
        except DecodeError:
            continue
        if isinstance(message, BriefStatus) and frame.tag is not None:
            reports.append(Brief(frame.source, frame.tag, message))
    return tuple(reports)


def rows_of(addresses: Iterable[int]) -> list[tuple[int, int]]:
    """Rows (first address, number of addresses), each for one round, that contain all these addresses."""
    rows: list[tuple[int, int]] = []
    for address in sorted(set(addresses)):
        if rows:
            first, count = rows[-1]
            if address - (first + count - 1) <= MAX_GAP + 1 and address - first < MAX_ROW:
                rows[-1] = (first, address - first + 1)
                continue
        rows.append((address, 1))
    return rows


def all_rows() -> list[tuple[int, int]]:
    """Rows that hold every address there is."""
    return [(first, min(SCAN_ROW, MAX_ADDRESS + 1 - first)) for first in range(1, MAX_ADDRESS + 1, SCAN_ROW)]
