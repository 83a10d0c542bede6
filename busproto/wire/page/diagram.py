"""A roll call as a picture in letters, computed from the times of the format; a test holds it against the simulator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.wire import hash
from busproto.wire.codec import encode_frame, reply_frame, request_frame
from busproto.wire.frame import BROADCAST_ADDRESS, DEFAULT_BAUD, UNADDRESSED
from busproto.wire.messages import Present, RollCall
from busproto.wire.page.vectors import EPOCH, UIDS
from busproto.wire.timing import FIRST_SLOT_NS, MINI_SLOT_NS, START_LEAD_NS

SALT: Final = 0x05
SLOTS: Final = 16
_BITS_PER_BYTE: Final = 10
_NS_PER_S: Final = 1_000_000_000
_SENDING_LETTERS: Final = 12


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer of the picture; times in ns from the last stop bit of the call."""

    uid: bytes
    slot: int
    start_ns: int
    end_ns: int


def call() -> RollCall:
    """The call of the picture."""
    return RollCall(EPOCH, SALT, SLOTS, ())


def answers() -> list[Answer]:
    """Which actuator answers when, in order, by exact clocks and without start jitter."""
    left = {uid: hash.slot_of(hash.uid_hash(uid, EPOCH, SALT), SLOTS) for uid in UIDS}
    slots = dict(left)
    request = request_frame(call(), BROADCAST_ADDRESS, 1)
    idle_from_ns, found = FIRST_SLOT_NS, []
    while left:
        uid = min(left, key=lambda one: left[one])
        start_ns = idle_from_ns + left.pop(uid) * MINI_SLOT_NS + START_LEAD_NS
        wire = encode_frame(reply_frame(Present(uid), request, UNADDRESSED, hash.device_tag(uid)))
        end_ns = start_ns + len(wire) * _BITS_PER_BYTE * _NS_PER_S // DEFAULT_BAUD
        passed = (start_ns - idle_from_ns) // MINI_SLOT_NS
        left = {other: max(1, slots_left - passed) for other, slots_left in left.items()}
        found.append(Answer(uid, slots[uid], start_ns, end_ns))
        idle_from_ns = end_ns
    return found


def lines() -> list[str]:
    """The picture: one row a device, one letter a slot, then the times."""
    found = answers()
    spans = []
    idle_from_ns = FIRST_SLOT_NS
    for answer in found:
        spans.append((answer.start_ns - START_LEAD_NS - idle_from_ns) // MINI_SLOT_NS)
        idle_from_ns = answer.end_ns
    rows = []
    for number, answer in enumerate(found):
        row = "." * _SENDING_LETTERS
        for at, slots in enumerate(spans[: number + 1]):
            row += "-" * slots + ("#" if at == number else "=") * _SENDING_LETTERS
        rows.append(f"{answer.uid.hex()}  slot {answer.slot:2d}  {row}")
    rows += ["", f"{'uid':<16}  {'slot':>7}  {'starts, us':>10}  {'ends, us':>10}"]
    rows += [f"{one.uid.hex()}  {one.slot:7d}  {one.start_ns / 1000:10.1f}  {one.end_ns / 1000:10.1f}" for one in found]
    return rows


LEGEND: Final = (
    f"A roll call with {SLOTS} slots, epoch 0x{EPOCH:04X}, salt 0x{SALT:02X}, at {DEFAULT_BAUD} Bd, clocks exact, "
    "start jitter 0. Time runs to the right from the last stop bit of the call. `.` waits for the first slot, `-` "
    "counts one idle slot, `=` is stopped, as the line is busy, `#` sends. A count goes on where it was stopped; the "
    "slot that a start bit breaks does not count."
)
