"""The orders of a page: one frozen table for each, checked as it is read. Any other message is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from busproto.errors import InputError
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS
from busproto.wire.messages import MAX_CHANNELS

MAX_ORDER_BYTES: Final = 65_536
Address = Annotated[int, Meta(ge=MIN_ADDRESS, le=MAX_ADDRESS)]
Channel = Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
Fraction = Annotated[float, Meta(ge=-1, le=1)]
Text = Annotated[str, Meta(max_length=200)]
Uid = Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]


class Order(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="do"):
    """Base of all orders that a page may send."""


class Limp(Order, frozen=True, tag="limp"):
    """Make all actuators limp now, also during a task. Any page may send this."""


class Explain(Order, frozen=True, tag="explain"):
    """Explain an entry of the line log to this page, field by field. Any page may send this."""

    entry: int


class Take(Order, frozen=True, tag="take"):
    """Make this page the operator, where there is none."""


class HandOver(Order, frozen=True, tag="hand-over"):
    """Hand over to another page, by its number; 0 leaves the bench without an operator."""

    to: int = 0


class Arm(Order, frozen=True, tag="arm"):
    """Arm the bench; with the numbers of the cautions that were ticked."""

    ticked: Annotated[list[int], Meta(max_length=20)]


class Disarm(Order, frozen=True, tag="disarm"):
    """Disarm the bench: no page's demands are sent from then on."""


class Alive(Order, frozen=True, tag="alive"):
    """Sign of life of the operator's page, and whether it is visible."""

    visible: bool


class DemandOne(Order, frozen=True, tag="demand"):
    """A demand for one actuator, fraction of travel -1..1; None makes it limp."""

    address: Address
    fraction: Fraction | None


class DemandChannel(Order, frozen=True, tag="demand-channel"):
    """A demand for all actuators on a channel, fraction of travel -1..1; None makes them limp."""

    channel: Channel
    fraction: Fraction | None


class Poll(Order, frozen=True, tag="poll"):
    """Switch polling for reports on or off."""

    on: bool


class Start(Order, frozen=True, tag="start"):
    """Start a flow, by its name, with its fields."""

    flow: Text
    with_: dict[str, Any] = msgspec.field(name="with", default_factory=dict)


class Answer(Order, frozen=True, tag="answer"):
    """Answer the question of the running flow."""

    question: int
    answer: Text


class Stop(Order, frozen=True, tag="stop"):
    """End the running flow; all actuators are then limp."""


class Fault(Order, frozen=True, tag="fault"):
    """Start an event of `busproto.sim.scene.events` on the virtual bus, with its fields, for `lasting` s."""

    what: Text
    fields: dict[str, Any] = {}
    lasting: Annotated[float, Meta(gt=0, le=600)] | None = None


class Control(Order, frozen=True, tag="control"):
    """A command for the virtual bus, such as "unplug NAME"."""

    line: Text


class PowerUp(Order, frozen=True, tag="power-up"):
    """Start the virtual bus anew from its scenario."""


AnyOrder = (
    Limp
    | Explain
    | Take
    | HandOver
    | Arm
    | Disarm
    | Alive
    | DemandOne
    | DemandChannel
    | Poll
    | Start
    | Answer
    | Stop
    | Fault
    | Control
    | PowerUp
)


@dataclass(frozen=True, slots=True)
class OperatorLeft:
    """Sent by the hub only, never by a page: there is no operator any more."""


FOR_ALL_PAGES: Final = (Limp, Explain, Take)
"""Orders that need no operator."""

_decoder: Final = msgspec.json.Decoder(AnyOrder)


def read_order(text: str | bytes) -> AnyOrder:
    """The order in a message. Raises InputError where it is none."""
    try:
        order: AnyOrder = _decoder.decode(text)
        return order
    except msgspec.MsgspecError as error:
        raise InputError(f"that is no order: {error}") from error
