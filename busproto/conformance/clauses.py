"""The clauses of the format page that cases cite: a stable id, the heading it stands under, its own words.

An id is never used again for another clause. A test holds every heading and every quotation against the page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from busproto.wire.message import OPERATIONS

F = TypeVar("F", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause.

    Attributes:
        id: stable, such as "frame.check".
        heading: as on the page, without the number signs.
        text: words of the page, white space aside.
    """

    id: str
    heading: str
    text: str


_TOP: Final = "The bus format, frame version 1"
_DOES: Final = "What an actuator does"
_ROWS: Final = (
    ("page.gaps", _TOP, "Nothing depends on idle gaps, breaks or a ninth bit."),
    ("frame.layout", "Frame", "E is the body with its zero bytes removed"),
    ("frame.size", "Frame", "14 to 128 bytes in all."),
    ("frame.version", "Frame", "Another version or any flag: drop"),
    ("frame.length", "Frame", "bytes of payload; must equal what is there"),
    ("frame.sequence", "Frame", "chosen by the host, echoed; a reply with another one is dropped"),
    ("frame.operation", "Frame", "see below; echoed in the reply"),
    ("frame.tag", "Frame", "16 bits from the hash of the uid with epoch 0 and salt 0 (its mark)"),
    ("frame.check", "Frame", "Check: v = crc24(E as sent) + (number of zero bits in E << 24)"),
    ("frame.resync", "Frame", "ignores empty pieces and drops every piece that does not fit"),
    ("frame.reserved", "Frame", "reserved: a receiver drops the frame"),
    ("frame.all", "Frame", "all actuators; never a source"),
    ("find.hash", "Discovery", "Hash H(uid, salt, epoch), 32 bits, all sums modulo 2^32"),
    ("find.first", "Discovery", "The first slot begins `first slot` after the last stop bit of the query."),
    ("find.countdown", "Discovery", "falls by one after each `mini slot` of unbroken idle line"),
    ("find.sense", "Discovery", "a start bit stops it at once, and counting goes on when the line is idle again"),
    ("find.place", "Discovery", "Where answers come in order (books, report round) a slot is a `place`"),
    ("find.parts", "Discovery", "One that missed a part and found its mark in no other says nothing in this pass"),
    ("find.proof", "Discovery", "The list is proven when every place was confirmed in two passes"),
    ("find.jitter", "Discovery", "only their start jitter can give them away"),
    ("find.addresses", "Discovery", "an actuator whose address is marked answers at its rank"),
    ("does.asked", _DOES, "It speaks only when asked"),
    ("does.turnaround", _DOES, "It keeps `min turnaround` off the line"),
    ("does.reply", _DOES, "its reply begins its `reply-delay` after the last stop bit of the request"),
    ("does.store", _DOES, "that much after it has written stored memory, which may take `store`"),
    ("does.drop", _DOES, "A frame that does not fit the format is dropped in silence."),
    ("does.refuse", _DOES, "is refused, if it was sent to its address alone"),
    ("does.unchanged", _DOES, "A refusal changes nothing."),
    ("does.limp", _DOES, "Limp after power-up, and always while it has no address of its own."),
    ("does.motion", _DOES, "Motion comes only from a demand, from engage"),
    ("does.channel", _DOES, "It follows its channel only from a demand-all with a good check."),
    ("does.engages", _DOES, "each first one after a loss, engages it: a soft start from where the arm is"),
    ("does.angle", _DOES, "drives the arm to neutral + direction x d x travel / 2 + correction(d)"),
    ("does.ends", _DOES, "within the ends and the mechanical stops"),
    ("does.slew", _DOES, "with the slew limit"),
    ("does.correction", _DOES, "The correction is linear between points spread evenly over d = -1..+1."),
    ("does.monotone", _DOES, "the angle never turns back while the demand rises, in either direction"),
    ("does.loss", _DOES, "Without a valid demand for `loss-time-out` it does its loss action"),
    ("does.again", _DOES, "The next valid demand engages it again."),
    ("does.release", _DOES, "Release makes it limp whatever is demanded, until engage or a restart."),
    ("does.heat", _DOES, "Hotter than `over-temperature` it goes limp by itself, by a look at least every 250 ms."),
    ("does.write", _DOES, "Write changes working memory only, and acts at once."),
    ("does.commit", _DOES, "Commit copies working to stored memory"),
    ("does.undo", _DOES, "undo copies stored or factory to working"),
    ("does.copies", _DOES, "a write goes to the one not in use, its check last"),
    ("does.lost", _DOES, "Where neither copy is whole at power-up: factory settings, no address"),
    ("does.assign", _DOES, "Assign writes the address to stored memory with the settings stored there"),
    ("refusal", "Refusal", "the outcome byte is not 0. Nothing changed."),
    ("refusal.range", "Refusal", "least value allowed, where the code is 3"),
    ("states", "States", "told to go limp; only engage or a restart ends that"),
    ("faults", "Faults", "the demand stopped coming since power-up"),
    ("parameters", "Parameters", "Raw value = value in the unit x counts per unit, a whole number."),
    ("parameters.soft-start", "Parameters", "time over which the speed rises to its limit"),
    ("parameters.reply-delay", "Parameters", "from the last stop bit of a request to the first start bit of the reply"),
    ("parameters.under-voltage", "Parameters", "reports a low supply below this"),
)


def _first_sentence(number: int) -> str:
    text = " ".join((OPERATIONS[number].request.__doc__ or "").split())
    return text[: text.index(".") + 1] if "." in text else text


def _made() -> dict[str, Clause]:
    made = {row[0]: Clause(*row) for row in _ROWS}
    for number, operation in OPERATIONS.items():
        one = Clause(
            f"op.{number:02X}", f"{number:02X} {operation.name} (to {operation.audience})", _first_sentence(number)
        )
        made[one.id] = one
    return made


CLAUSES: Final = _made()
"""Every clause by its id; each operation is one, such as "op.44"."""


def clause(*ids: str) -> Callable[[F], F]:
    """Decorator of a case: it checks these clauses. Raises KeyError where there is no such clause."""
    import pytest

    for one in ids:
        if one not in CLAUSES:
            raise KeyError(f"there is no clause '{one}'")

    def mark(function: F) -> F:
        marked: F = pytest.mark.clause(*ids)(function)
        return marked

    return mark
